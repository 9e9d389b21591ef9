"""The demonstration as a server does it: ``python -m tests.scenes.demo_server FOLDER``.

Starts ``nearfar serve`` with FOLDER as its data folder, lets the frames of `demo` drop into its inbox, waits for the
picture and says where it lies. On a terminal the server then runs until Ctrl-C; elsewhere it is stopped. A second run
finds the frames, and what became of them, where the first one left them.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from nearfar.cli.client.follow import JobProgress, ended, follow
from nearfar.cli.client.http import Address, Server
from nearfar.errors import NearfarError, ServerError
from nearfar.runner.processes.here import die_with_parent
from tests.scenes.demo import write_demo

STACK = "drawer-37"
PATIENCE = 300.0
"""Seconds for which nothing may happen."""
PORT = 8765


def shown(path: Path) -> Path:
    """A path as one would write it here."""
    return path.relative_to(Path.cwd()) if path.is_relative_to(Path.cwd()) else path


def tell(text: str) -> None:
    print(text, flush=True)


def drop_frames(data: Path) -> None:
    """Put the frames into the inbox in one go, unless they are there."""
    folder = data / "inbox" / STACK
    if folder.exists():
        return
    tell("Rendering a stack of frames ...")
    draft = data / "rendering"
    shutil.rmtree(draft, ignore_errors=True)
    write_demo(draft)
    folder.parent.mkdir(parents=True, exist_ok=True)
    draft.rename(folder)


@contextmanager
def running(data: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A server, whose words go to a file."""
    environment = {
        k: v for k, v in os.environ.items() if not k.startswith("NEARFAR_") or k == "NEARFAR_KERNEL"
    }
    environment["NEARFAR_CONFIG"] = os.devnull  # what belongs to whoever runs this
    parent = os.getpid()
    with (data / "server.log").open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "nearfar.cli", "serve", "--data", str(data), "--port", str(port())],
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
            env=environment,
            process_group=0,  # Ctrl-C is for us
            preexec_fn=lambda: die_with_parent(parent),
        )
    try:
        yield process
    finally:
        process.terminate()
        process.wait()


def port() -> int:
    """The usual port where it is free, else any."""
    with socket.socket() as wanted:
        wanted.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            wanted.bind(("127.0.0.1", PORT))
        except OSError:
            return 0
    return PORT


def wait_for(process: subprocess.Popen[bytes], data: Path, look: Callable[[], Any], what: str) -> Any:
    """What ``look`` finds as soon as it finds something; raises `NearfarError` where the server ends or nothing comes."""
    end = time.monotonic() + PATIENCE
    while time.monotonic() < end:
        if process.poll() is not None:
            raise NearfarError(
                f"the server ended with exit code {process.returncode}; see {data / 'server.log'}"
            )
        try:
            found = look()
        except (OSError, ValueError, KeyError, ServerError):
            found = None
        if found:
            return found
        time.sleep(0.2)
    raise NearfarError(f"{what} did not come within {PATIENCE:.0f} s; see {data / 'server.log'}")


def address(process: subprocess.Popen[bytes], data: Path) -> str | None:
    """Where the server listens, once it does."""
    told = json.loads((data / "state" / "address.json").read_text(encoding="utf-8"))
    if told["pid"] != process.pid:
        return None
    with Server(Address(url=told["url"])) as server:
        server.get("/server")
    return str(told["url"])


def job_of_stack(server: Server) -> dict[str, Any] | None:
    """The newest job of the demonstration; one that failed in an earlier run begins again."""
    jobs = [job for job in server.get("/jobs", search=STACK)["jobs"] if job["stack"] == STACK]
    job: dict[str, Any] | None = max(jobs, key=lambda j: int(j["id"]), default=None)
    if job is not None and job["state"] in {"failed", "cancelled"}:
        tell(f"Job {job['id']} {job['state']} before ({job['reason']}); running it again.")
        return dict(server.post(f"/jobs/{job['id']}/run-again"))
    return job


def demonstrate(data: Path) -> int:
    """Do it; the exit code."""
    data.mkdir(parents=True, exist_ok=True)
    drop_frames(data)
    with running(data) as process:
        url = wait_for(process, data, lambda: address(process, data), "the server")
        tell(f"A server runs at {url}/status and watches {shown(data / 'inbox')}.")
        with Server(Address(url=url)) as server:
            job = wait_for(
                process,
                data,
                lambda: job_of_stack(server),
                f"a job for the frames in {data / 'inbox' / STACK}",
            )
            with JobProgress() as progress:
                job = follow(server, job["id"], progress.show, note=progress.note)
            said, code = ended(job)
            tell(said[0].upper() + said[1:])
            if code == 0:
                files = {f["name"] for f in server.get(f"/jobs/{job['id']}/files")["files"]}
                picture = min((name for name in files if name.endswith(".tif")), key=len)
                lies = next(p for p in (data / "results").glob(f"{STACK}*/{picture}"))
                tell(f"The picture is {shown(lies)}, with its preview and report beside it.")
        if code == 0 and sys.stdout.isatty():
            tell(f"Put frames of your own into a folder in {shown(data / 'inbox')}. Ctrl-C stops the server.")
            process.wait()
    return code


def _leave(*_: object) -> None:
    raise KeyboardInterrupt


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.scenes.demo_server", description=__doc__)
    parser.add_argument("folder", type=Path, help="data folder of the server")
    folder = parser.parse_args().folder
    signal.signal(signal.SIGTERM, _leave)
    try:
        return demonstrate(folder.absolute())
    except KeyboardInterrupt:
        tell("\nThe server is stopped; what it has is kept.")
        return 0
    except NearfarError as error:
        print(f"The demonstration failed: {error}", file=sys.stderr)
        return error.exit_code


if __name__ == "__main__":
    sys.exit(main())
