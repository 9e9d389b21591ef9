"""A bucket is read and added to, never changed; what a storage refuses is told with what to do about it.

The storage is moto's server, which checks signatures and rights; what was written is read by another client (obstore).
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import pytest

from nearfar.errors import BucketAway, BucketRefused
from nearfar.runner.objects.buckets import Bucket, Changed, in_base64
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
    with pytest.raises(Changed, match=r"cards/changed/1\.tif in bucket shoots: it is gone or was written to"):
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
    with pytest.raises(BucketAway, match="does not answer") as caught:
        gone.listed("cards/", most=1)
    assert "127.0.0.1" not in str(caught.value), "whoever submits need not know where the storage is"


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
