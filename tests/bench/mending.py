"""Seconds from the wish for a mend to its pixels over IIIF, on a real server: ``python -m tests.bench.mending``.

One megapixel in the middle of a large JPEG stack. After each wish a client asks for a tile of the region again and again, as
a viewer would, until the server hands out another one.
"""

from __future__ import annotations

import argparse
import os
import shutil
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import psutil

from tests.acceptance.serving import Served, served
from tests.bench.tables import table
from tests.scenes.big import big
from tests.scenes.scene import cache_folder

AGAIN = 0.02
"""Seconds between two questions."""
USES = ("frame", "smooth", "map", "quiet")


@dataclass(frozen=True, kw_only=True)
class Shown:
    """``seconds``: from the request to the new tile. ``work``: of the process that mends, by its clock. ``processor``:
    seconds of processor that it took for that. ``made``: tiles made anew.
    """

    wish: str
    seconds: float
    work: float
    processor: float
    made: int


def measure(frames: int, size: tuple[int, int], *, region: int = 1000) -> list[Shown]:
    """Mend one region in every way, then undo and redo the last one."""
    stack = big("easy", frames, size=size)
    with tempfile.TemporaryDirectory(prefix="nearfar-bench-", dir=cache_folder()) as folder:
        data = Path(folder) / "data"
        inbox = data / "inbox" / "stone"
        inbox.mkdir(parents=True)
        for path in stack.frames:
            os.link(path, inbox / path.name)
        with served(data) as server:
            server.wait(lambda: server.jobs() and server.state(1) == "done", 900, what="the stack is merged")
            found = _all(server, size, region, frames)
            server.stop()
        shutil.rmtree(data, ignore_errors=True)
        return found


def _all(server: Served, size: tuple[int, int], region: int, frames: int) -> list[Shown]:
    box = [size[0] // 2 - region // 2, size[1] // 2 - region // 2, region, region]
    mends = f"{server.url}/api/v1/jobs/1/mends"
    with httpx.Client(timeout=60) as client:
        viewer = _Viewer(server, client, box)
        found = []
        for number, use in enumerate(USES, start=1):
            body: dict[str, Any] = {"box": box, "use": use}
            if use == "frame":
                body["frame"] = frames // 2
            found.append(viewer.after(use, lambda body=body: client.post(mends, json=body)))
            if use != USES[-1]:
                viewer.after("undo", lambda number=number: client.delete(f"{mends}/{number}"))
        last = f"{mends}/{len(USES)}"
        found.append(viewer.after(f"undo {USES[-1]}", lambda: client.delete(last)))
        found.append(viewer.after(f"redo {USES[-1]}", lambda: client.post(f"{last}/redo")))
    return found


class _Viewer:
    """Looks at one tile of the region."""

    def __init__(self, server: Served, client: httpx.Client, box: list[int]) -> None:
        self.server, self.client = server, client
        x, y = box[0] + box[2] // 4, box[1] + box[3] // 4
        self.address = f"{server.url}/iiif/3/job-1/{x},{y},512,512/512,512/0/default.jpg"
        self.tag = client.get(self.address).raise_for_status().headers["etag"]
        self.process = _mender(server)

    def after(self, wish: str, ask: Any) -> Shown:
        """Seconds until the tile is another one after a request; then waits until all is done."""
        before = self._processor()
        began = time.monotonic()
        ask().raise_for_status()
        while True:
            answer = self.client.get(self.address, headers={"if-none-match": self.tag})
            if answer.status_code == 200:
                break
            time.sleep(AGAIN)
        seconds = time.monotonic() - began
        self.tag = answer.headers["etag"]
        self.server.wait(
            lambda: self.server.get("/jobs/1")["mends"]["state"] != "working", what="it is mended"
        )
        trail = self.server.get("/trail?job=1&limit=1000")["events"]
        done = [event for event in trail if event["action"] == "mended"][-1]
        return Shown(
            wish=wish,
            seconds=seconds,
            work=float(done["detail"]["seconds"]),
            processor=self._processor() - before,
            made=int(done["detail"]["made"]),
        )

    def _processor(self) -> float:
        times = self.process.cpu_times()
        return float(times.user + times.system)


def _mender(server: Served) -> psutil.Process:
    assert server.process is not None
    below = psutil.Process(server.process.pid).children(recursive=True)
    return next(p for p in below if "nearfar.runner.mending.process" in p.cmdline())


def report(found: list[Shown]) -> str:
    """A table in Markdown, and how busy the machine was."""
    rows = [
        [s.wish, *(f"{value:.2f}" for value in (s.seconds, s.work, s.processor)), str(s.made)] for s in found
    ]
    load = os.getloadavg()[0]
    return (
        table(["wish", "shown after s", "work s", "processor s", "tiles made"], rows)
        + f"\nLoad of the machine at the end: {load:.1f} on {os.cpu_count()} processors."
    )


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.mending", description=__doc__)
    parser.add_argument("--frames", type=int, default=40)
    parser.add_argument("--size", type=int, nargs=2, default=(6000, 4000), metavar=("W", "H"))
    parser.add_argument("--region", type=int, default=1000, help="edge of the region, pixels")
    options = parser.parse_args()
    print(report(measure(options.frames, tuple(options.size), region=options.region)))


if __name__ == "__main__":
    main()
