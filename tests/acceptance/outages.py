"""What a studio's server depends on goes away under load, one after the other, and comes back.

``python -m tests.acceptance.outages --seconds 60`` takes each away for a minute; `test_outages` does so for a moment.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx

from nearfar.jobs import JobState, Store
from tests.acceptance.command import lay
from tests.acceptance.crew import digests, studio, wrong
from tests.acceptance.wires import Wire
from tests.api.process import NO_TLS
from tests.scenes import render
from tests.worker.jobs.postgresql import server
from tests.worker.runner.redis_server import RedisServer, redis_server
from tests.worker.runner.serving import wait_for

WORDS = {"broker": "broker unreachable"}
"""What the first page says while something is away without which there still is a page."""
OPEN = 3
"""Jobs that are always on their way."""


@dataclass
class Outages:
    """A studio whose server and workers reach the store by a wire and the data folder by a link."""

    base: Path
    seconds: float
    store_url: str
    redis: RedisServer
    told: dict[str, str] = field(default_factory=dict)
    """What `/health/ready` reported as missing, by what was taken away."""
    shown: set[str] = field(default_factory=set)
    """What the first page said as well."""
    done: dict[str, int] = field(default_factory=dict)
    """Number of jobs that were done when an outage ended, by what was taken away."""
    jobs: list[int] = field(default_factory=list)

    def run(self) -> None:
        """Each outage in turn while jobs come in; then all of them come to their end."""
        self._prepare()
        socket = f"{self.store_url.rpartition('host=')[2]}/.s.PGSQL.5432"
        self.wire = Wire(socket)
        url = f"postgresql://nearfar@127.0.0.1:{self.wire.port}/postgres"
        with studio(self.base / "data", url, self.redis.url) as self.studio:
            self.store = self._own_store()
            self.studio.serve("api", "watch", "keep")
            for name in ("one", "two"):
                self.studio.crew(name)
            wait_for(lambda: len(self.store.workers(alive=True)) >= 2 and self._health() is not None, 240)
            for name, take, give in (
                ("broker", self.redis.end, self.redis.start),
                ("store", self.wire.cut, self.wire.mend),
                ("folder", self._unmount, self._mount),
            ):
                self._outage(name, take, give)
            self.studio.wait(self.store, self.jobs, 600)
            self.digests = digests(self.store, self.jobs)
            self.wrong = wrong(self.store, self.jobs)
            self.store.close()

    def _prepare(self) -> None:
        folder = self.base / "real" / "frames"
        folder.parent.mkdir(parents=True)
        lay(render("occlusion", frames=6, size=(320, 240), seed=3).frames, folder)
        (self.base / "empty").mkdir()
        self._mount()

    def _own_store(self) -> Store:
        """The store as nobody cuts it off."""
        from nearfar.jobs import open_store

        return open_store(self.store_url)

    def _outage(self, name: str, take: Callable[[], object], give: Callable[[], object]) -> None:
        self._feed()
        wait_for(lambda: self.store.figures().units_held > 0, 120)
        take()
        end = time.monotonic() + self.seconds
        while time.monotonic() < end or name not in self.told or not self.shown >= WORDS.keys() & {name}:
            self._look_at_page(name) if name in WORDS else None
            missing = self._health()
            if missing and name in missing:
                self.told[name] = missing[name]
            self._feed() if name != "folder" else None
            assert time.monotonic() < end + 60, f"{name} is away; told {self.told}, shown {self.shown}"
            time.sleep(0.3)
        give()
        before = self._done()
        self.done[name] = before
        wait_for(lambda: self._health() == {}, 120, what=f"all is well after the {name}")
        wait_for(lambda: self._done() > before, 240, what=f"work goes on after the {name}")

    def _done(self) -> int:
        return sum(self.store.job(job).state is JobState.DONE for job in self.jobs)

    def _feed(self) -> None:
        while len(self.jobs) - self._done() < OPEN:
            folder = self.studio.data / "frames"
            self.jobs.append(self.studio.submit(self.store, folder, f"stack {len(self.jobs)}"))

    def _health(self) -> dict[str, str] | None:
        """What is missing, by its name; None: no answer."""
        try:
            answer: dict[str, Any] = httpx.get(
                f"{self._address()}/health/ready", timeout=30, verify=NO_TLS
            ).json()
        except (OSError, ValueError, httpx.TransportError):
            return None
        return {each["name"]: str(each["why"]) for each in answer["checks"] if not each["ok"]}

    def _look_at_page(self, name: str) -> None:
        """Whether the first page says what is missing."""
        try:
            answer = httpx.get(
                f"{self._address()}/", timeout=30, headers={"accept": "text/html"}, verify=NO_TLS
            )
        except (OSError, ValueError, httpx.TransportError):
            return
        if WORDS[name] in answer.text:
            self.shown.add(name)

    def _address(self) -> str:
        return str(json.loads((self.base / "real/state/address.json").read_text())["url"])

    def _mount(self) -> None:
        self._point(self.base / "real")

    def _unmount(self) -> None:
        self._point(self.base / "empty")

    def _point(self, folder: Path) -> None:
        """The link is where a share is mounted: on what is behind it when it is away, an empty folder."""
        link = self.base / ".link"
        link.symlink_to(folder)
        link.replace(self.base / "data")


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="outages", description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0)
    options = parser.parse_args(arguments)
    with (
        tempfile.TemporaryDirectory(prefix="nearfar-outages-") as base,
        server("-c", "fsync=off") as url,
        redis_server() as redis,
    ):
        one = Outages(Path(base), options.seconds, url, redis)
        one.run()
    print(f"{len(one.jobs)} jobs, {len(set(one.digests))} picture; wrong: {one.wrong or 'nothing'}")
    for name, said in one.told.items():
        print(f"{name} away for {options.seconds:.0f} s: {said}")
    return 1 if one.wrong or len(set(one.digests)) != 1 else 0


if __name__ == "__main__":
    sys.exit(main())
