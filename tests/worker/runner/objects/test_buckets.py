"""A bucket is read and added to, never changed; what a storage refuses is told with what to do about it.

The storage is moto's server, which checks signatures and rights; what was written is read by another client (obstore).
"""

from __future__ import annotations

import hashlib
import subprocess
import sys
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from nearfar.errors import BucketAway, BucketRefused, UsageError
from nearfar.runner.objects.buckets import Bucket, Changed, in_base64
from nearfar.runner.objects.client import keys_of
from tests.worker.runner.objects.storage import SHOOTS, Storage, User, Wire, client

DATA = bytes(range(256)) * 4000


@pytest.fixture
def bucket(storage: Storage, tmp_path: Path) -> Bucket:
    return Bucket(storage.table(tmp_path))


def put(bucket: Bucket, key: str, data: bytes) -> bool:
    return bucket.put(key, data, hashlib.sha256(data).digest(), "image/tiff")


def test_a_listing_holds_what_lies_right_below_a_prefix(storage: Storage, bucket: Bucket) -> None:
    for key in (
        "cards/listing/1.jpg",
        "cards/listing/2.jpg",
        "cards/listing/more/3.jpg",
        "cards/listings/4.jpg",
        "cards/listing/",
    ):
        storage.lay(key, key.encode())
    found = bucket.listed("cards/listing/", most=10)
    assert [(each.key, each.size) for each in found] == [
        ("cards/listing/1.jpg", 19),
        ("cards/listing/2.jpg", 19),
    ]
    assert len(bucket.listed("cards/listing/", most=1)) == 2, (
        "one more than asked for shows that there are more"
    )
    assert bucket.listed("cards/none/", most=10) == []


def test_what_is_read_is_what_another_client_wrote_from_any_byte_on(storage: Storage, bucket: Bucket) -> None:
    etag = storage.lay("cards/read/1.tif", DATA)
    (found,) = bucket.listed("cards/read/", most=1)
    assert found.etag.strip('"') == etag.strip('"') == hashlib.md5(DATA).hexdigest()
    for start in (0, 1, len(DATA) - 1):
        first, pieces = bucket.read(found, start)
        assert (first, b"".join(pieces)) == (start, DATA[start:])


def test_an_object_that_was_written_to_is_not_read(storage: Storage, bucket: Bucket) -> None:
    storage.lay("cards/changed/1.tif", DATA)
    (found,) = bucket.listed("cards/changed/", most=1)
    storage.lay("cards/changed/1.tif", DATA[:-1])
    with pytest.raises(Changed, match=r"cards/changed/1\.tif in bucket shoots .* was written to"):
        bucket.read(found, 0)


def test_another_client_reads_what_was_put_and_nothing_is_replaced(storage: Storage, bucket: Bucket) -> None:
    assert put(bucket, "merged/a.tif", DATA)
    assert storage.read("merged/a.tif") == DATA
    assert not put(bucket, "merged/a.tif", b"other")
    assert storage.read("merged/a.tif") == DATA
    found = bucket.find("merged/a.tif")
    assert found is not None
    assert (found.size, found.sha256) == (len(DATA), hashlib.sha256(DATA).hexdigest())


def test_parts_become_one_object_unless_there_is_one(storage: Storage, bucket: Bucket) -> None:
    parts = [DATA * 6, DATA * 6, b"the end"]  # 6 MB: S3 wants 5 MiB at least, but for the last one
    digests = [hashlib.sha256(part).digest() for part in parts]
    whole = hashlib.sha256(b"".join(parts)).digest()
    both = hashlib.sha256(b"".join(digests)).digest()

    def send(key: str) -> bool:
        upload = bucket.begin(key, whole, "image/tiff")
        sent = [
            bucket.put_part(key, upload, number, part, digest)
            for number, (part, digest) in enumerate(zip(parts, digests, strict=True), 1)
        ]
        made = bucket.complete(key, upload, sent, in_base64(both))
        bucket.drop(key, upload)
        return made

    assert send("merged/parts.tif")
    assert storage.read("merged/parts.tif") == b"".join(parts)
    storage.lay("merged/theirs.tif", b"theirs")
    assert not send("merged/theirs.tif")
    assert storage.read("merged/theirs.tif") == b"theirs"
    owner = client(storage, "s3", storage.users["warden"])
    assert "Uploads" not in owner.list_multipart_uploads(Bucket=SHOOTS), "nothing half is left"


@pytest.mark.parametrize(
    ("changes", "found", "remedy"),
    [
        ({"name": "elsewhere", "user": "warden"}, "404 NoSuchBucket", "no bucket of that name"),
        ({"user": "guest"}, "403 AccessDenied", "has no right"),
        ({"user": "stranger"}, "403 InvalidAccessKeyId", "does not know the key"),
        ({"user": "forger"}, "403 SignatureDoesNotMatch", "the secret is not that of the key"),
    ],
)
def test_a_refusal_says_what_was_answered_and_what_to_do(
    storage: Storage, tmp_path: Path, changes: dict[str, Any], found: str, remedy: str
) -> None:
    storage.users |= {
        "stranger": User(id="AKNOBODY", secret="x" * 40),
        "forger": User(id=storage.users["studio"].id, secret="x" * 40),
    }
    storage.lay("cards/refused/1.jpg", b"1")
    odd = Bucket(storage.table(tmp_path, **changes))
    (known,) = Bucket(storage.table(tmp_path)).listed("cards/refused/", most=1)
    with pytest.raises(BucketRefused) as caught:
        odd.read(known, 0)
    assert not isinstance(caught.value, BucketAway)
    assert found in str(caught.value)
    assert remedy in str(caught.value)
    assert "x" * 40 not in str(caught.value)


def test_an_endpoint_that_does_not_answer_is_away(storage: Storage, tmp_path: Path) -> None:
    gone = Bucket(storage.table(tmp_path, endpoint="http://127.0.0.1:1"))
    with pytest.raises(BucketAway, match="does not answer"):
        gone.listed("cards/", most=1)


def test_a_wire_that_is_cut_while_an_object_is_read_is_told(storage: Storage, tmp_path: Path) -> None:
    storage.lay("cards/cut/1.tif", DATA * 4)
    wire = Wire(storage.port)
    bucket = Bucket(storage.table(tmp_path, endpoint=f"http://127.0.0.1:{wire.port}"))
    (found,) = bucket.listed("cards/cut/", most=1)
    wire.left = 2_500_000
    _, pieces = bucket.read(found, 0)
    came = bytearray()
    with pytest.raises(BucketAway):
        came.extend(b for piece in pieces for b in piece)
    wire.close()
    assert came != DATA * 4
    assert (DATA * 4).startswith(came)


@pytest.fixture
def misleading() -> Iterator[tuple[str, list[str]]]:
    """A server that sends whoever asks to another place, and what that other place was asked."""
    asked: list[str] = []

    class Elsewhere(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_response(204)
            self.end_headers()

        def do_HEAD(self) -> None:
            self.do_GET()

        def log_message(self, *_: Any) -> None:
            return

    class Here(Elsewhere):
        def do_GET(self) -> None:
            body = b"<Error><Code>PermanentRedirect</Code><Endpoint>127.0.0.2</Endpoint></Error>"
            self.send_response(301)
            self.send_header("location", f"http://127.0.0.1:{other.server_address[1]}/")
            self.send_header("x-amz-bucket-region", "eu-elsewhere-1")
            self.send_header("content-length", str(len(body)))
            self.end_headers()
            if self.command == "GET":
                self.wfile.write(body)

        def do_HEAD(self) -> None:
            self.do_GET()

    with (
        ThreadingHTTPServer(("127.0.0.1", 0), Elsewhere) as other,
        ThreadingHTTPServer(("127.0.0.1", 0), Here) as here,
    ):
        for each in (other, here):
            threading.Thread(target=each.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{here.server_address[1]}", asked
        for each in (other, here):
            each.shutdown()


def test_no_answer_leads_to_another_place(
    misleading: tuple[str, list[str]], storage: Storage, tmp_path: Path
) -> None:
    endpoint, asked = misleading
    bucket = Bucket(storage.table(tmp_path, endpoint=endpoint))
    with pytest.raises(BucketRefused, match=r"lives at another endpoint|sends on to another place"):
        bucket.listed("cards/", most=1)
    assert asked == []


def test_a_request_that_the_library_would_send_elsewhere_is_not_sent(
    storage: Storage, tmp_path: Path
) -> None:
    bucket = Bucket(storage.table(tmp_path, region="of-its-own"))

    def lead_astray(request: Any, **_: Any) -> None:
        request.url = request.url.replace(storage.endpoint, "http://127.0.0.1:1")

    bucket.client.meta.events.register_first("before-send.s3", lead_astray)
    with pytest.raises(BucketRefused, match="sends on to another place, and that is not followed"):
        bucket.listed("cards/", most=1)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (None, "No such file"),
        ("id = ", "not readable as TOML"),
        ('id = "me"\n', "found id"),
        ('secret = "very secret words"\n', "found secret"),
    ],
)
def test_keys_that_are_missing_are_told_and_never_shown(tmp_path: Path, text: str | None, said: str) -> None:
    file = tmp_path / "keys"
    if text is not None:
        file.write_text(text)
    made = Storage(port=1, users={"me": User(id="me", secret="s")}).table(tmp_path, user="me", keys=str(file))
    with pytest.raises(UsageError, match=said) as caught:
        keys_of(made, {})
    assert "very secret" not in str(caught.value)


def test_keys_may_lie_in_the_environment(tmp_path: Path) -> None:
    made = Storage(port=1, users={"me": User(id="me", secret="s")}).table(
        tmp_path, user="me", keys="env:SHOOTS"
    )
    found = keys_of(made, {"SHOOTS_ID": "me", "SHOOTS_SECRET": "very secret words"})
    assert (found.id, found.secret) == ("me", "very secret words")
    assert "very" not in repr(found)
    with pytest.raises(UsageError, match="SHOOTS_ID and SHOOTS_SECRET in the environment; found neither"):
        keys_of(made, {})


def test_nothing_of_it_is_loaded_where_no_bucket_is_set_up() -> None:
    modules = (
        "nearfar.runner.keep, nearfar_api.app, nearfar_api.submitting, nearfar.runner.processes.supervise"
    )
    code = f"import sys, {modules}; print([m for m in sys.modules if m.split('.')[0] in ('botocore', 'jmespath')])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
