"""Files come from a server complete or not at all: pieces, breaks, changes on the way, and what lies there already.

The server here is Python's own `http.server` on real sockets, with ranges, digests and breaks as each test wants them:
RFC 9110 (14, ranges; 13.1.5, If-Range) and RFC 9530 (Repr-Digest).
"""

from __future__ import annotations

import argparse
import base64
import hashlib
import re
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from nearfar.cli.client import fetch as fetching
from nearfar.cli.client.fetch import check_folder, check_name, chosen, fetch
from nearfar.cli.client.http import Address, Patience, Server
from nearfar.errors import NearfarError, ServerError, UsageError
from nearfar.progress import Progress

PATH = "/jobs/7/files/moss.tif"


@dataclass
class Source:
    """A file, and how its server misbehaves."""

    content: bytes
    tag: str = '"one"'
    digest: bool = True
    break_after: list[int] = field(default_factory=list)
    """Bytes after which each of the next answers breaks off."""
    asked: list[str | None] = field(default_factory=list)
    """Range of each GET."""

    def answer(self, request: BaseHTTPRequestHandler) -> None:
        wanted = re.fullmatch(r"bytes=(\d+)-", request.headers.get("Range", ""))
        start = int(wanted[1]) if wanted and request.headers.get("If-Range") == self.tag else 0
        request.send_response(206 if start else 200)
        request.send_header("ETag", self.tag)
        request.send_header("Content-Length", str(len(self.content) - start))
        if start:
            request.send_header("Content-Range", f"bytes {start}-{len(self.content) - 1}/{len(self.content)}")
        if self.digest:
            digest = base64.b64encode(hashlib.sha256(self.content).digest()).decode()
            request.send_header("Repr-Digest", f"sha-256=:{digest}:")
        request.end_headers()
        if request.command == "HEAD":
            return
        self.asked.append(request.headers.get("Range"))
        stop = self.break_after.pop(0) if self.break_after else len(self.content)
        request.wfile.write(self.content[start : start + stop])
        request.close_connection = True


@pytest.fixture
def source(rng: np.random.Generator) -> Source:
    return Source(content=rng.bytes(200_000))


@pytest.fixture
def server(source: Source, monkeypatch: pytest.MonkeyPatch) -> Iterator[Server]:
    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_GET(self) -> None:
            source.answer(self)

        do_HEAD = do_GET  # noqa: N815 - the name that the library calls

        def log_message(self, format: str, *arguments: Any) -> None:
            """Say nothing."""

    monkeypatch.setattr(fetching, "Patience", lambda: Patience(60.0, lambda _: None))
    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as http:
        thread = threading.Thread(target=http.serve_forever, args=(0.02,))
        thread.start()
        try:
            with Server(Address(url=f"http://127.0.0.1:{http.server_port}")) as server:
                yield server
        finally:
            http.shutdown()
            thread.join()


@pytest.fixture
def bring(server: Server, tmp_path: Path) -> Callable[[], Path]:
    return lambda: fetch(server, PATH, tmp_path / "moss.tif", Progress(quiet=True))


def names(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


def test_a_file_appears_whole_under_its_name(
    source: Source, bring: Callable[[], Path], tmp_path: Path
) -> None:
    assert bring().read_bytes() == source.content
    assert names(tmp_path) == ["moss.tif"]


def test_a_broken_connection_is_gone_on_with_where_it_broke(
    source: Source, bring: Callable[[], Path]
) -> None:
    source.break_after = [70_000, 50_000]
    assert bring().read_bytes() == source.content
    assert source.asked == [None, "bytes=70000-", "bytes=120000-"]


def test_another_run_goes_on_with_what_an_earlier_one_left(
    source: Source, bring: Callable[[], Path], server: Server, tmp_path: Path
) -> None:
    head = server.ask("HEAD", PATH).headers
    part = fetching.part_of(server.url(PATH), head, tmp_path)
    part.write_bytes(source.content[:90_000])
    assert bring().read_bytes() == source.content
    assert source.asked == ["bytes=90000-"]
    assert names(tmp_path) == ["moss.tif"]


def test_a_file_that_was_made_anew_is_not_mixed_with_the_old_one(
    source: Source, bring: Callable[[], Path], server: Server, tmp_path: Path
) -> None:
    source.break_after = [70_000]
    whole = source.answer

    def then_anew(request: BaseHTTPRequestHandler) -> None:
        whole(request)
        if source.asked and source.tag != '"two"':  # once: this thread may come here late
            source.tag, source.content = '"two"', source.content[::-1]

    source.answer = then_anew  # type: ignore[method-assign]
    with pytest.raises(ServerError, match="the server replaced the file"):
        bring()
    source.answer = whole  # type: ignore[method-assign]
    assert "moss.tif" not in names(tmp_path)
    assert bring().read_bytes() == source.content


def test_bytes_that_do_not_match_their_digest_are_thrown_away(
    source: Source, bring: Callable[[], Path], server: Server, tmp_path: Path
) -> None:
    head = server.ask("HEAD", PATH).headers
    fetching.part_of(server.url(PATH), head, tmp_path).write_bytes(b"spoilt" * 100)
    with pytest.raises(ServerError, match=r"moss\.tif: what came is not what the server has"):
        bring()
    assert names(tmp_path) == []
    assert bring().read_bytes() == source.content


@pytest.mark.parametrize("digest", [True, False])
def test_what_lies_there_already_is_never_written_over(
    digest: bool, source: Source, bring: Callable[[], Path], tmp_path: Path
) -> None:
    source.digest = digest
    mine = tmp_path / "moss.tif"
    for other in (b"mine", bytes(len(source.content))):
        mine.write_bytes(other)
        with pytest.raises(UsageError, match=r"moss\.tif exists and is something else"):
            bring()
        assert mine.read_bytes() == other
        assert names(tmp_path) == ["moss.tif"]


@pytest.mark.parametrize("digest", [True, False])
def test_the_same_file_is_no_reason_to_complain(
    digest: bool, source: Source, bring: Callable[[], Path], tmp_path: Path
) -> None:
    source.digest = digest
    bring()
    before = (tmp_path / "moss.tif").stat().st_ino
    bring()
    assert (tmp_path / "moss.tif").stat().st_ino == before
    assert len(source.asked) == (1 if digest else 2)  # with a digest nothing has to come again


def test_two_commands_do_not_write_into_one_file(
    bring: Callable[[], Path], server: Server, tmp_path: Path
) -> None:
    head = server.ask("HEAD", PATH).headers
    part = fetching.part_of(server.url(PATH), head, tmp_path)
    with fetching._own(part), pytest.raises(NearfarError, match="another command is fetching"):
        bring()


@pytest.mark.parametrize("name", ["", "../x.tif", "/etc/x", ".hidden", "a\0b"])
def test_names_that_lead_elsewhere_are_refused(name: str) -> None:
    with pytest.raises(ServerError):
        check_name(name)


JOB = {"id": 7, "stack": "moss", "state": "done", "reason": None}
FILES = [
    {"name": f"moss{end}"} for end in (".tif", ".focus.tif", ".report.json", ".report.txt", ".preview.jpg")
]


@pytest.mark.parametrize(
    ("given", "wanted"),
    [({}, 2), ({"all": True}, 5), ({"picture": True}, 1)],
)
def test_the_picture_and_its_report_are_fetched_if_nothing_else_is_said(
    given: dict[str, bool], wanted: int
) -> None:
    options = argparse.Namespace(**({"all": False, "picture": False} | given))
    found = [file["name"] for file in chosen(FILES, JOB, options)]
    assert found == ["moss.tif", "moss.report.json"] if wanted == 2 else len(found) == wanted


def test_a_folder_may_be_new_but_not_the_one_above_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for folder in (Path(), Path("new"), tmp_path / "new"):
        check_folder(folder)
    with pytest.raises(UsageError, match=r"--out far/new: there is no folder .*/far; make it first"):
        check_folder(Path("far/new"))
    (tmp_path / "file").touch()
    with pytest.raises(UsageError, match="found a file; expected a folder"):
        check_folder(tmp_path / "file")
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


def test_a_job_without_a_picture_is_told_with_its_reason() -> None:
    job = JOB | {"state": "failed", "reason": "too dark"}
    with pytest.raises(NearfarError, match=r"job 7 \(moss\) is failed \(too dark\) and has no picture"):
        chosen([], job, argparse.Namespace(all=False, picture=False))
