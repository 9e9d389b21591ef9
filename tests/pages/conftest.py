"""One server with real jobs and one browser for all tests of the pages."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests.acceptance.command import HOME, lay
from tests.acceptance.serving import Served, served
from tests.api.process import NO_TLS
from tests.pages.browser import chromium, opened
from tests.scenes import Camera, render

SHOTS = Path(__file__).parents[2] / "build" / "pages"


@dataclass(frozen=True, kw_only=True)
class Studio:
    """A server at a sub-path whose store holds jobs in many states, and frames that were never sent."""

    server: Served
    frames: Path
    done: int
    """A stack of nine frames that is done."""
    without: int
    """The same without its fifth and sixth frame, so that a slice is missing."""
    failed: int
    held: int

    @property
    def url(self) -> str:
        return self.server.url

    def job(self, number: int) -> dict[str, Any]:
        found: dict[str, Any] = self.server.get(f"/jobs/{number}")
        return found

    def post(self, path: str, **content: Any) -> dict[str, Any]:
        answer = httpx.post(
            f"{self.url}/api/v1{path}", json=content, verify=NO_TLS, timeout=60
        ).raise_for_status()
        found: dict[str, Any] = answer.json()
        return found

    def ended(self, number: int) -> dict[str, Any]:
        self.server.wait(lambda: self.job(number)["state"] in {"done", "failed"}, what=f"job {number} ends")
        return self.job(number)


@pytest.fixture(scope="package")
def browser() -> Iterator[Any]:
    with chromium() as found:  # for these tests alone: while it is there, no other event loop runs here
        yield found


@pytest.fixture(scope="package")
def studio(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Studio]:
    folder = tmp_path_factory.mktemp("studio")
    scene = render("micro", frames=9, size=(640, 480), seed=3)
    lay(scene.frames, folder / "frames", format="jpeg", camera=Camera(interval=0.5))
    with served(folder / "data", NEARFAR_SERVER_PATH="/merge") as server:
        shutil.copytree(folder / "frames", server.inbox / "seed-heads")
        shutil.copytree(folder / "frames", server.inbox / "held-heads")
        broken = server.inbox / "broken-heads"
        broken.mkdir()
        for number in (1, 2):
            (broken / f"{number}.jpg").write_bytes(b"\xff\xd8\xff\xe0 no picture" * 20)
        yield _furnished(server, folder / "frames")
    shutil.rmtree(HOME, ignore_errors=True)


def _furnished(server: Served, frames: Path) -> Studio:
    studio = partial(Studio, server=server, frames=frames)
    asking = studio(done=0, without=0, failed=0, held=0)
    done = asking.post("/jobs", folder="seed-heads")["id"]
    held = asking.post("/jobs", folder="held-heads", hold=True)["id"]
    failed = asking.post("/jobs", folder="broken-heads", stack="broken-heads")["id"]
    assert asking.ended(done)["state"] == "done"
    assert asking.ended(failed)["state"] == "failed"
    names = [f["name"] for f in server.get(f"/jobs/{done}/frames")["frames"]]
    without = asking.post(f"/jobs/{done}/run-again", leave_out=names[4:6])["id"]
    assert asking.ended(without)["state"] == "done"
    return studio(done=done, without=without, failed=failed, held=held)


@pytest.fixture
def page(browser: Any) -> Iterator[Any]:
    """A page of the usual width; that the console stays clean is part of every test with it."""
    with opened(browser) as found:
        yield found


@pytest.fixture
def open_page(browser: Any) -> Callable[..., AbstractContextManager[Any]]:
    """Pages with another width, scheme, or without script."""
    return partial(opened, browser)


@pytest.fixture(scope="session")
def shots() -> Path:
    """The folder of screenshots of every page, which each run makes again."""
    SHOTS.mkdir(parents=True, exist_ok=True)
    return SHOTS
