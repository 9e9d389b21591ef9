"""A studio's server in small: PostgreSQL, Redis, one server and several crews of workers, each a command of its own.

The workers are told of the server by its settings file alone, as on another machine. ``cores`` puts a crew on processors.
"""

from __future__ import annotations

import hashlib
import os
import signal
import subprocess
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from nearfar.jobs import AttemptStep, JobState, Store, UnitState
from nearfar.places import places_of
from nearfar.runner import planning
from nearfar.server_settings import ServerSettings, load_server
from tests.acceptance.command import environment
from tests.bench.running import nearfar_command
from tests.worker.runner.serving import end_all, store_of, wait_for

LEASE = 3.0


@dataclass
class Studio:
    """A studio: a shared folder with a settings file, and the processes that were started."""

    data: Path
    store_url: str | None
    broker_url: str | None
    lease: float = LEASE
    attempts: int = 12
    processes: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.data.mkdir(parents=True, exist_ok=True)
        self.file = self.settings_file("studio", self.store_url, self.broker_url)
        self.settings: ServerSettings = load_server({}, environment={}, file=self.file)

    def settings_file(self, name: str, store: str | None, broker: str | None) -> Path:
        """Settings as they stand in a studio: only what all machines share."""
        lines = ["[server]", f'data = "{self.data}"', "port = 0", 'owner = "studio"']
        lines += ["[store]", f"lease = {self.lease}", f"attempts = {self.attempts}", "retry_after = 0.2"]
        lines += [f'url = "{store}"'] if store else []
        lines += ["[broker]", f'url = "{broker}"'] if broker else []
        file = self.data.with_name(f"{self.data.name}.{name}.toml")
        file.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return file

    def run(self, name: str, words: Sequence[str], prefix: Sequence[str] = (), **env: str) -> None:
        """Start a command under a name."""
        # the data folder is what `end_all` finds it by
        given = {"NEARFAR_SERVER_DATA": str(self.data), "NEARFAR_CONFIG": os.devnull}
        with self.log(name).open("ab") as log:
            self.processes[name] = subprocess.Popen(
                [*prefix, *nearfar_command(), *words],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                env=environment({**given, **env}),
                process_group=0,
            )

    def log(self, name: str) -> Path:
        return self.data.with_name(f"{self.data.name}.{name}.log")

    def serve(self, *parts: str) -> None:
        """Start the server, or parts of it."""
        only = [word for part in parts for word in ("--only", part)]
        self.run("server", ["serve", *only], NEARFAR_CONFIG=str(self.file), NEARFAR_WORKER_SPARE_DISK="1MiB")
        wait_for(lambda: (places_of(self.settings).state / "folder").exists() or not self.store_url, 60)

    def crew(
        self, name: str, *, file: Path | None = None, prefix: Sequence[str] = (), scratch: Path | None = None
    ) -> None:
        """Start one worker, as on a machine of its own."""
        words = ["worker", "--server-settings", str(file or self.file), "--slots", "1", "--threads", "1"]
        words += ["--memory", "1GiB", "--scratch", str(scratch or self.data.with_name(f"scratch-{name}"))]
        self.run(name, words, prefix, NEARFAR_WORKER_SPARE_DISK="1MiB")

    def kill(self, name: str) -> None:
        """End a command and all that it started, at once."""
        process = self.processes.pop(name)
        with children_of(process.pid) as pids:
            for pid in pids:
                _signal(pid, signal.SIGKILL)
        process.wait()

    def stop(self, name: str) -> int:
        """End a command in good order; its exit code."""
        process = self.processes.pop(name)
        process.send_signal(signal.SIGTERM)
        return process.wait(60)

    def submit(self, store: Store, folder: Path, name: str) -> int:
        made = planning.submission(name, sorted(folder.iterdir()), owner="studio")
        return store.submit(made, who="crew").job

    def told(self) -> str:
        """The last lines of all logs."""
        return "\n".join(f"--- {n}\n{self.log(n).read_text()[-1500:]}" for n in self.processes)

    def wait(self, store: Store, jobs: Sequence[int], seconds: float = 240) -> None:
        """Wait until all jobs are done; a failure names those that are not, with the logs."""
        end = time.monotonic() + seconds
        while True:
            states = {job: store.job(job) for job in jobs}
            if all(job.state is JobState.DONE for job in states.values()):
                return
            open_ = [f"{j.id} {j.state} {j.reason}" for j in states.values() if j.state is not JobState.DONE]
            ended = [j for j in states.values() if j.state in (JobState.FAILED, JobState.CANCELLED)]
            assert time.monotonic() < end, (open_, self.told())
            assert not ended, (open_, self.told())
            time.sleep(0.2)


@contextmanager
def studio(data: Path, store_url: str | None = None, broker_url: str | None = None) -> Iterator[Studio]:
    """A studio; nothing of it is left running afterwards."""
    made = Studio(data, store_url, broker_url)
    try:
        yield made
    finally:
        for name in list(made.processes):
            made.processes[name].send_signal(signal.SIGTERM)
        for name in list(made.processes):
            try:
                made.processes[name].wait(20)
            except subprocess.TimeoutExpired:
                made.kill(name)
        end_all(data)


@contextmanager
def children_of(pid: int) -> Iterator[list[int]]:
    """Numbers of a process and of all that it started."""
    import psutil

    try:
        found = [pid, *(one.pid for one in psutil.Process(pid).children(recursive=True))]
    except psutil.Error:
        found = [pid]
    yield found


def _signal(pid: int, number: signal.Signals) -> None:
    try:
        os.kill(pid, number)
    except ProcessLookupError:
        return


def digests(store: Store, jobs: Sequence[int]) -> list[str]:
    """Digest of each job's picture."""
    return [hashlib.sha256(Path(str(store.job(job).result)).read_bytes()).hexdigest() for job in jobs]


def wrong(store: Store, jobs: Sequence[int]) -> list[str]:
    """What is not as it has to be: every unit done, once."""
    found = []
    for job in jobs:
        done = [a.unit for a in store.attempts(job) if a.step is AttemptStep.DONE]
        units = [unit.id for unit in store.units(job) if unit.state is not UnitState.CANCELLED]  # late help
        if sorted(done) != sorted(units):
            found.append(f"job {job}: units {units}, done {done}")
    return found


def open_store_of(one: Studio) -> Store:
    return store_of(one.settings)
