"""The client of a bucket goes nowhere but to its endpoint, and shows no secret.

The storage is moto's server, which checks signatures and rights.
"""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from nearfar.errors import BucketRefused, UsageError
from nearfar.runner.objects.buckets import Bucket
from nearfar.runner.objects.client import keys_of
from tests.worker.runner.objects.storage import Storage, User


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
