"""Whatever comes into a server, by the inbox or over HTTP, ends in a clear state with its reason: nothing beside it
suffers, nothing outside the server's folders is opened, and no original changes.

All of it comes to one server at once; the tests look at what became of it.
"""

from __future__ import annotations

import resource
import unicodedata
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import pytest
from watchdog.events import FileSystemEvent, FileSystemEventHandler
from watchdog.observers.inotify import InotifyObserver

from tests.acceptance.bad_stacks import (
    CASES,
    FRAMES,
    Lay,
    good,
    other_ending,
)
from tests.acceptance.command import digests, lay
from tests.acceptance.serving import Served, served
from tests.api.process import NO_TLS, PATIENCE
from tests.scenes import render

ENDED = {"done", "failed", "cancelled"}


WAYS = ("inbox", "path", "upload")


ALIKE = ("text", "huge tiff", "huge png", "huge jpeg")
"""Cases that are found by decoding alone, however the frames came: they come one way."""


def came(way: str, case: str) -> bool:
    """Whether a case comes on a way."""
    return way == WAYS[0] or case not in ALIKE


CAME = [(way, case) for way in WAYS for case in CASES if came(way, case)]


AWAY = "outside"
"""Folder that no server has to do with."""


NAMES = ("two\nlines.jpg", "q\"u'o`te;$(x).jpg", unicodedata.normalize("NFD", "é grün.jpg"))


class Opened(FileSystemEventHandler):
    """Everything that any process does in a folder, by inotify(7)."""

    def __init__(self) -> None:
        self.seen: list[str] = []

    def on_any_event(self, event: FileSystemEvent) -> None:
        self.seen.append(f"{event.event_type} {event.src_path!r}")


@dataclass(kw_only=True)
class Scattered:
    """A server to which everything came, and what was answered."""

    server: Served
    shared: Path
    outside: Path
    before: dict[Path, dict[str, tuple[str, int]]] = field(default_factory=dict)
    refused: dict[str, httpx.Response] = field(default_factory=dict)
    opened: Opened = field(default_factory=Opened)

    def post(self, stack: str, **what: Any) -> httpx.Response:
        answer = httpx.post(
            f"{self.server.url}/api/v1/jobs", json={"stack": stack, **what}, timeout=PATIENCE, verify=NO_TLS
        )
        if answer.status_code != 201:
            self.refused[stack] = answer
        return answer

    def come(self, way: str, name: str, make: Lay) -> None:
        """Give a stack to the server on one of the ways."""
        folder = (self.server.inbox if way == "inbox" else self.shared) / f"{way} {name}"
        if way == "inbox":  # complete at once, as by a move on the same disk
            aside = self.shared / f"aside {name}"
            make(aside)
            aside.rename(folder)
        else:
            make(folder)
        self.before[folder] = digests(folder)
        if way == "path":
            self.post(folder.name, folder=str(folder))
        elif way == "upload":
            self.upload(folder.name, sorted(folder.iterdir()))

    def upload(self, stack: str, files: list[Path]) -> None:
        told = [{"name": p.name, "size": p.stat().st_size} for p in files]
        answer = self.post(stack, upload=told)
        if answer.status_code == 201:
            frames = f"{self.server.url}/api/v1/jobs/{answer.json()['id']}/frames"
            for number, path in enumerate(files, 1):
                httpx.put(
                    f"{frames}/{number}", content=path.read_bytes(), verify=NO_TLS, timeout=PATIENCE
                ).raise_for_status()

    def jobs(self) -> dict[str, dict[str, Any]]:
        return {job["stack"]: job for job in self.server.get("/jobs?limit=200")["jobs"]}

    def entries(self) -> dict[str, dict[str, Any]]:
        return {entry["stack"]: entry for entry in self.server.get("/inbox")["entries"]}

    def settled(self) -> bool:
        open_ = {"arriving", "settling", "queued"}
        states = [entry["state"] for entry in self.entries().values()]
        return (
            bool(states) and not open_ & set(states) and {j["state"] for j in self.jobs().values()} <= ENDED
        )


def tree(folder: Path, *leaving_out: Path) -> dict[str, int]:
    """Everything below a folder with its size and no more than that."""
    return {
        str(p): p.lstat().st_size
        for p in sorted(folder.rglob("*"))
        if not any(p.is_relative_to(other) for other in leaving_out)
    }


@pytest.fixture(scope="module")
def scattered(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Scattered]:
    base = tmp_path_factory.mktemp("scattered")
    shared, outside = base / "shared", base / AWAY
    shared.mkdir()
    good(outside)
    (outside / "folder").mkdir()
    (outside / "folder" / "words.txt").write_text("nobody's business", encoding="utf-8")
    env = {
        "NEARFAR_INBOX_QUIET": "1",
        "NEARFAR_INBOX_QUIET_UNSEEN": "1",
        "NEARFAR_INBOX_PATIENCE": "3",
        "NEARFAR_SERVER_SHARED": str(shared),
    }
    with served(base / "data", **env) as server:
        found = Scattered(server=server, shared=shared, outside=outside)
        whole = tree(base, server.data, shared)
        observer = InotifyObserver()
        observer.schedule(found.opened, str(outside), recursive=True)
        observer.start()
        try:
            give_everything(found)
            server.wait(found.settled, what="everything came to an end")
            yield found
            assert found.opened.seen == [], "nobody looked into a folder that is none of the server's"
            (outside / "F0001.jpg").read_bytes()
            server.wait(lambda: found.opened.seen, what="who looks is seen")
        finally:
            observer.stop()
            observer.join()
        assert tree(base, server.data, shared) == whole | {str(server.log): server.log.stat().st_size}


def give_everything(found: Scattered) -> None:
    for way in WAYS:
        for name, (make, *_) in CASES.items():
            if came(way, name):
                found.come(way, name, make)
        found.come(way, "good", good)
        found.come(way, "other ending", other_ending)
        found.come(way, "odd names", lambda folder: lay(FRAMES[1:], folder, format="jpeg", names=NAMES))
    for folder in (found.server.inbox / "linked frame", found.shared / "linked frame"):
        lay(FRAMES[[0, 2, 3]], folder, format="jpeg")
        (folder / "F0009.jpg").symlink_to(found.outside / "F0001.jpg")
        (folder / "F0010.jpg").symlink_to(folder / "nowhere.jpg")
    (found.server.inbox / "linked folder").symlink_to(found.outside)
    (found.shared / "linked folder").symlink_to(found.outside)
    found.post("linked frame", folder=str(found.shared / "linked frame"))
    found.post("linked folder", folder=str(found.shared / "linked folder"))


@pytest.mark.parametrize(("way", "case"), CAME)
def test_a_stack_that_cannot_be_merged_fails_with_the_frame_and_the_reason(
    way: str, case: str, scattered: Scattered
) -> None:
    _, words, name = CASES[case]
    stack = f"{way} {case}"
    if (way, case) == ("upload", "empty"):
        answer = scattered.refused[stack]
        assert answer.status_code == 422
        assert "#/upload/1/size" in answer.json()["detail"]
        return
    job = scattered.jobs()[stack]
    assert (job["state"], job["cause"]) == ("failed", "input"), job
    assert words in job["reason"]
    frames = scattered.server.get(f"/jobs/{job['id']}/frames")["frames"]
    bad = {frame["name"]: frame["reason"] for frame in frames if frame["state"] == "refused"}
    assert set(bad) == ({name} if name else set())
    assert all(bad.values())
    assert not (scattered.server.results / stack).exists()
    if way == "inbox":
        entry = scattered.entries()[stack]
        assert (entry["state"], entry["job"]) == ("refused", job["id"])
        assert words in entry["why"]


@pytest.mark.parametrize("case", ["good", "other ending", "odd names"])
@pytest.mark.parametrize("way", WAYS)
def test_what_can_be_merged_beside_them_is_merged(way: str, case: str, scattered: Scattered) -> None:
    stack = f"{way} {case}"
    if (way, case) == ("upload", "odd names"):
        answer = scattered.refused[stack]
        assert answer.status_code == 422
        assert "cannot be the name of a frame" in answer.json()["detail"]
        return
    job = scattered.jobs()[stack]
    assert job["state"] == "done", job["reason"]
    assert (scattered.server.results / stack / f"{stack}.tif").stat().st_size > 0
    frames = scattered.server.get(f"/jobs/{job['id']}/frames")["frames"]
    assert {frame["state"] for frame in frames} == {"used"}
    if case == "odd names":
        assert {frame["name"] for frame in frames} == set(NAMES)


def test_links_that_lead_elsewhere_are_told_and_not_followed(scattered: Scattered) -> None:
    assert scattered.refused["linked frame"].status_code == 422
    assert scattered.refused["linked folder"].status_code == 422
    assert scattered.jobs()["linked frame"]["state"] == "done", "the frames beside the link"
    ignored = dict(scattered.entries()["linked frame"]["ignored"])
    assert "a link that leads out of the watched folder" in ignored["F0009.jpg"]
    assert "a link to a file in" in ignored["F0010.jpg"]
    beside = [pair for entry in scattered.entries().values() for pair in entry["ignored"]]
    assert any(name == "linked folder" and "leads out" in why for name, why in beside)


TRAVERSALS = (
    "../outside",
    "inbox/../../outside",
    "moss/../../../outside",
    "{outside}",
    "{shared}/../outside",
    "{shared}/linked folder/folder",
    "/etc",
    "/proc/self/environ",
    "//etc/passwd",
    "~",
    ".",
    "..",
)


@pytest.mark.parametrize("path", TRAVERSALS)
def test_no_path_leads_out_of_the_folders_that_are_open(path: str, scattered: Scattered) -> None:
    path = path.format(outside=scattered.outside, shared=scattered.shared)
    before = len(scattered.jobs())
    for what in ({"folder": path}, {"frames": [path]}, {"frames": [f"{path}/F0001.jpg"]}):
        answer = scattered.post("way out", **what)
        assert answer.status_code == 422, (what, answer.text)
        assert answer.headers["content-type"] == "application/problem+json"
    assert len(scattered.jobs()) == before


@pytest.mark.parametrize(
    "name", ["../x.jpg", "/tmp/x.jpg", "a/../../x.jpg", "..", "", " ", "x\0.jpg", "a\\..\\b.jpg", "x.part"]
)
def test_no_name_of_a_frame_leads_out_of_its_folder(name: str, scattered: Scattered) -> None:
    told = [{"name": "F0001.jpg", "size": 10}, {"name": name, "size": 10}]
    answer = scattered.post("way out", upload=told)
    assert answer.status_code == 422, answer.text
    assert "#/upload/1/name" in answer.text


@pytest.mark.parametrize(
    "name", ["..%2f..%2fstore.sqlite", "%2e%2e/store.sqlite", "%2fetc%2fpasswd", "..%5cx"]
)
def test_no_name_of_a_file_leads_out_of_a_result(name: str, scattered: Scattered) -> None:
    job = scattered.jobs()["path good"]["id"]
    for part in ("files", "frames"):
        with httpx.Client(timeout=PATIENCE) as client:  # with a client that leaves the address as it stands
            request = client.build_request("GET", scattered.server.url)
            request.url = request.url.copy_with(raw_path=f"/api/v1/jobs/{job}/{part}/{name}".encode())
            assert client.send(request).status_code in {404, 422}


@pytest.mark.parametrize(
    "stack", ["../../way out", "/tmp/way out", "way\nout", "a/b", "..", "\u202egpj.tuo yaw"]
)
def test_a_stack_of_any_name_stays_in_the_results(stack: str, scattered: Scattered) -> None:
    frames = sorted(str(p) for p in (scattered.shared / "path good").iterdir())
    answer = scattered.post(stack, frames=frames)
    if answer.status_code != 201:
        assert answer.status_code == 422
        return
    job = answer.json()["id"]
    scattered.server.wait(lambda: scattered.server.state(job) in ENDED)
    found = scattered.server.get(f"/jobs/{job}")
    assert found["state"] == "done", found["reason"]
    picture = httpx.get(f"{scattered.server.url}{found['links']['picture']}", timeout=PATIENCE)
    assert picture.status_code == 200
    assert all(p.name.isprintable() for p in scattered.server.results.iterdir())


def test_no_original_was_touched(scattered: Scattered) -> None:
    assert len(scattered.before) == len(CAME) + 3 * len(WAYS)
    for folder, before in scattered.before.items():
        assert digests(folder) == before


def test_nothing_ended_unexpectedly(scattered: Scattered) -> None:
    """No worker was lost, nothing was tried twice, and no mistake is in the log."""
    for job in scattered.jobs().values():
        steps = [a["step"] for a in scattered.server.get(f"/jobs/{job['id']}/attempts")["attempts"]]
        assert "lost" not in steps
        assert steps.count("failed") <= 1
    text = scattered.server.log.read_text(errors="replace")
    assert "Traceback" not in text
    assert "mistake" not in text


@contextmanager
def few_files(limit: int) -> Iterator[None]:
    """What is started within may have so many files open, unless it asks for more."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (limit, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


@pytest.mark.slow
def test_more_tiny_frames_than_files_may_be_open_come_to_an_end(tmp_path: Path) -> None:
    """Render has all frames open at once. The usual limit is 1024 (from memory); a smaller one shows the same sooner."""
    small = render("occlusion", frames=20, size=(64, 48), seed=8).frames
    aside = tmp_path / "many"
    for k in range(8):
        lay(small, aside, format="jpeg", names=[f"F{k:02d}{n:02d}.jpg" for n in range(20)])
    before = digests(aside)
    with ExitStack() as stack:
        with few_files(128):
            server = stack.enter_context(served(tmp_path / "data", NEARFAR_WORKER_MEMORY="768MiB"))
        assert server.process is not None
        assert resource.prlimit(server.process.pid, resource.RLIMIT_NOFILE)[0] == 128 < len(before)
        aside.rename(server.inbox / "many")
        server.wait(lambda: any(job["state"] in ENDED for job in server.jobs()), seconds=600)
        (job,) = server.jobs()
        assert job["state"] == "done", job
        assert digests(server.inbox / "many") == before
        assert server.attempts(job["id"], "lost") == 0
        assert job["frames"]["used"] > 0
