"""The process above all others: it starts, watches, restarts and stops them, and tells systemd."""

from __future__ import annotations

import json
import logging
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from nearfar.errors import UsageError
from nearfar.places import Places
from nearfar.runner.processes import beats, here, supervise
from nearfar.runner.processes.supervise import Child, Supervisor
from nearfar.runner.processes.systemd import notify, watchdog_interval
from nearfar.server_settings import ServerSettings, load_server, to_environment
from tests.worker.jobs.making import submit
from tests.worker.runner.serving import PATH, serving, settings_for, store_of, wait_for, wait_for_workers

BEATING = """
import time
from nearfar.runner.processes import beats
while True:
    beats.beat(); time.sleep(0.05)
"""
FALLING = "raise SystemExit(3)"
FREEZING = """
import time
from nearfar.runner.processes import beats
beats.beat(); time.sleep(600)
"""
DEAF = """
import signal, time
from nearfar.runner.processes import beats
signal.signal(signal.SIGTERM, signal.SIG_IGN)
while True:
    beats.beat(); time.sleep(0.05)
"""
SILENT = "import time; time.sleep(600)"


def child(name: str, program: str) -> Child:
    return Child(name=name, command=[sys.executable, "-c", program], environment=dict(os.environ))


class Running:
    """A supervisor in a thread."""

    def __init__(self, places: Places, *children: Child) -> None:
        self.children = children
        self.stop = threading.Event()
        self.supervisor = Supervisor(children, places, told=self.stop.is_set)
        self.thread = threading.Thread(target=self.supervisor.run)
        self.thread.start()

    def end(self) -> None:
        self.stop.set()
        self.thread.join(60)
        assert not self.thread.is_alive()


@pytest.fixture
def run(places: Places) -> Iterator[Callable[..., Running]]:
    made: list[Running] = []

    def start(*children: Child) -> Running:
        made.append(Running(places, *children))
        return made[-1]

    yield start
    for each in made:
        each.end()


def test_a_process_that_ends_is_started_again(run: Callable[..., Running]) -> None:
    one = child("keep", BEATING)
    run(one)
    wait_for(lambda: one.process is not None)
    assert one.process is not None
    first = one.process.pid
    os.kill(first, signal.SIGKILL)
    wait_for(lambda: one.process is not None and one.process.pid != first)
    assert "SIGKILL" in str(one.last)


def test_one_that_falls_again_and_again_is_told_of_and_takes_no_other_along(
    run: Callable[..., Running],
    places: Places,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    monkeypatch.setattr(supervise, "FIRST_REST", 0.05)
    good, bad = child("keep", BEATING), child("api", FALLING)
    run(good, bad)
    wait_for(lambda: bad.crashing)
    assert good.ends == 0
    assert good.process is not None
    assert good.process.poll() is None
    wait_for(lambda: json.loads((places.state / "processes.json").read_text())["api"]["crashing"])
    told = [record.getMessage() for record in caplog.records if record.levelno == logging.ERROR]
    assert told == ["api ended 4 times in a row; the others continue without it"]


def test_the_rests_between_falls_grow_to_half_a_minute() -> None:
    one, now, rests = child("api", FALLING), 1000.0, []
    for _ in range(9):
        one.started = now
        one.ended("exit code 3", now + 0.1)
        rests.append(one.not_before - now - 0.1)
        now = one.not_before
    assert [round(rest, 3) for rest in rests] == [0.5, 1, 2, 4, 8, 16, 30, 30, 30]
    one.started = now
    one.ended("exit code 3", now + supervise.STEADY + 1)
    assert one.ends == 1


def test_a_program_that_is_not_there_takes_no_other_along(run: Callable[..., Running]) -> None:
    bad = Child(name="api", command=["/nowhere/program"], environment={})
    good = child("keep", BEATING)
    run(bad, good)
    wait_for(lambda: bad.ends >= 2)
    assert "cannot be started" in str(bad.last)
    assert good.ends == 0


def test_one_that_makes_no_progress_is_started_again_and_one_that_never_told_of_any_is_not(
    run: Callable[..., Running], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(supervise, "STALLED", 1.5)
    frozen, silent = child("work", FREEZING), child("api", SILENT)
    run(frozen, silent)
    wait_for(lambda: frozen.ends >= 1)
    assert silent.ends == 0


def test_all_are_stopped_in_order_and_who_does_not_listen_is_ended(
    run: Callable[..., Running], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(supervise, "STOPPING", 2.0)
    children = [child("keep", BEATING), child("work", DEAF), child("api", BEATING)]
    running = run(*children)
    wait_for(lambda: all(one.process is not None and one.ready(0.0) for one in children))
    running.end()
    codes = {one.name: one.process.returncode for one in children if one.process is not None}
    assert codes == {"keep": -signal.SIGTERM, "work": -signal.SIGKILL, "api": -signal.SIGTERM}


def test_a_frozen_process_is_stopped_as_well(run: Callable[..., Running]) -> None:
    one = child("keep", BEATING)
    running = run(one)
    wait_for(lambda: one.ready(0.0))
    assert one.process is not None
    os.kill(one.process.pid, signal.SIGSTOP)
    running.end()
    assert one.process.returncode == -signal.SIGTERM


# systemd: names and meaning of the lines by sd_notify(3)


@pytest.fixture
def heard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[], str]]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as end:
        end.bind(str(tmp_path / "notify"))
        end.setblocking(False)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        said: list[str] = []

        def listen() -> str:
            try:
                while True:
                    said.append(end.recv(4096).decode())
            except BlockingIOError:
                return "\n".join(said)

        yield listen


def test_systemd_hears_that_we_are_ready_how_we_are_and_that_we_stop(
    run: Callable[..., Running], heard: Callable[[], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("WATCHDOG_USEC", "400000")
    running = run(child("keep", BEATING), child("work", BEATING))
    wait_for(lambda: heard().count("WATCHDOG=1") >= 3)
    assert "STATUS=keep runs; work runs" in heard()
    assert heard().count("READY=1") == 1
    running.end()
    assert heard().splitlines()[-1] == "STOPPING=1"


def test_the_watchdog_hears_nothing_while_a_process_stands_still(
    places: Places, heard: Callable[[], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("WATCHDOG_USEC", "2000")
    frozen = child("work", FREEZING)
    supervisor = Supervisor([frozen], places, told=lambda: True)
    frozen.start(time.monotonic())
    wait_for(lambda: frozen.ready(0.0))
    later = time.monotonic() + supervise.STALLED + 1
    supervisor._tell(later)
    assert "WATCHDOG=1" not in heard()
    supervisor._tell(time.monotonic())
    assert "WATCHDOG=1" in heard()
    supervisor.run()  # is told to stop: stops it


def test_an_abstract_socket_is_reached_too(monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as end:
        end.bind(f"\0nearfar-test-{os.getpid()}")
        assert notify("READY=1", environment={"NOTIFY_SOCKET": f"@nearfar-test-{os.getpid()}"})
        assert end.recv(100) == b"READY=1"


@pytest.mark.parametrize("address", ["", "relative", "/nowhere/at/all"])
def test_where_nobody_listens_nothing_is_told(address: str) -> None:
    assert not notify("READY=1", environment={"NOTIFY_SOCKET": address})


@pytest.mark.parametrize(
    ("environment", "seconds"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "30000000"}, 15.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "1"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
    ],
)
def test_the_watchdog_is_answered_twice_in_its_time(
    environment: dict[str, str], seconds: float | None
) -> None:
    assert watchdog_interval(environment) == seconds


def test_the_unit_file_asks_for_what_the_server_does(checkout: Path) -> None:
    text = (checkout / "config" / "nearfar.service").read_text()
    lines = dict(re.findall(r"(?m)^(\w+)=(.*)$", text))
    assert lines["Type"] == "notify"
    assert lines["KillMode"] == "mixed", "SIGTERM is for the process that stops the others in order"
    assert float(lines["WatchdogSec"].removesuffix("s")) > 4 * supervise.TURN
    assert float(lines["TimeoutStopSec"].removesuffix("s")) > supervise.STOPPING + 2
    assert lines["ExecStart"].split()[1] == "serve"


DIRECTIVES = {
    # systemd.unit(5), systemd.service(5), systemd.exec(5), systemd.kill(5), systemd.resource-control(5); from memory.
    "Unit": "Description Documentation After",
    "Service": "Type NotifyAccess ExecStart User Group StateDirectory ConfigurationDirectory Environment WorkingDirectory "
    "KillMode KillSignal TimeoutStopSec TimeoutStartSec Restart RestartSec WatchdogSec UMask OOMPolicy LimitNOFILE Nice "
    "NoNewPrivileges PrivateTmp PrivateDevices ProtectSystem ProtectHome ProtectClock ProtectControlGroups "
    "ProtectHostname ProtectKernelLogs ProtectKernelModules ProtectKernelTunables RestrictAddressFamilies "
    "RestrictNamespaces RestrictRealtime RestrictSUIDSGID LockPersonality CapabilityBoundingSet AmbientCapabilities "
    "SystemCallArchitectures SystemCallFilter SystemCallErrorNumber",
    "Install": "WantedBy",
}


def test_the_unit_file_holds_nothing_that_systemd_does_not_know(checkout: Path) -> None:
    section = ""
    for line in (checkout / "config" / "nearfar.service").read_text().splitlines():
        if line.startswith("["):
            section = line.strip("[]")
        elif line and not line.startswith("#"):
            assert line.partition("=")[0] in DIRECTIVES[section].split(), line


# A whole server


def test_signs_of_progress_reach_the_one_that_asks() -> None:
    fd = beats.open_beat("test")
    assert beats.last(fd) is None
    program = "from nearfar.runner.processes import beats; beats.beat()"
    before = time.monotonic()
    subprocess.run(
        [sys.executable, "-c", program],
        pass_fds=[fd],
        env={**os.environ, beats.VARIABLE: str(fd)},
        check=True,
    )
    assert before <= (beats.last(fd) or 0.0) <= time.monotonic()
    beats.reset(fd)
    assert beats.last(fd) is None
    os.close(fd)


def test_a_second_server_on_the_same_folder_is_refused_with_whose_it_is(settings: ServerSettings) -> None:
    with serving(settings) as server:
        wait_for(lambda: (server.places.state / "address.json").exists())
        told = json.loads((server.places.state / "address.json").read_text())
        assert told["pid"] == server.pid
        assert told["url"] == f"http://127.0.0.1:{told['port']}"
        environment = {**os.environ, **to_environment(settings), "PYTHONPATH": PATH}
        second = subprocess.run(
            [sys.executable, "-m", "nearfar.cli", "serve"],
            env=environment,
            capture_output=True,
            text=True,
            timeout=60,
        )
        assert second.returncode == 2
        for part in (str(settings.server.data), f"process {server.pid}", "--data", "nearfar worker"):
            assert part in second.stderr
    assert not (server.places.state / "address.json").exists()


def test_the_lock_of_a_server_that_was_killed_is_free_and_its_processes_are_gone(
    settings: ServerSettings,
) -> None:
    with serving(settings) as server:
        store = store_of(settings)
        wait_for_workers(store, 2)
        pids = list(server.processes())
        os.kill(server.pid, signal.SIGKILL)
        assert server.process is not None
        server.process.wait()
        wait_for(lambda: not any(here.started(pid) for pid in pids))
        with supervise.lock(server.places):
            pass
        server.start()
        submit(store)
        wait_for_workers(store, 2)
        store.close()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGHUP])
def test_ctrl_c_and_a_terminal_that_is_closed_stop_in_good_order_too(
    settings: ServerSettings, number: signal.Signals
) -> None:
    before = signal.signal(signal.SIGHUP, signal.SIG_DFL)  # nohup hands down that it is ignored, as it should
    with serving(settings) as server:
        signal.signal(signal.SIGHUP, before)
        store = store_of(settings)
        wait_for_workers(store, 2)
        pids = list(server.processes())
        os.kill(server.pid, number)
        assert server.process is not None
        assert server.process.wait(60) == 0
        assert not any(here.started(pid) for pid in pids)
        assert store.workers(alive=True) == ()
        store.close()


def test_an_address_that_is_taken_is_named() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(UsageError, match=f"port {port}.*--port"):
            supervise.bind("127.0.0.1", port, patience=0.1)
    with pytest.raises(UsageError, match="no-such-host"):
        supervise.bind("no-such-host.invalid", 1)


@pytest.mark.parametrize(
    ("host", "url"),
    [
        ("127.0.0.1", "http://127.0.0.1:80/x"),
        ("::", "http://[::1]:80/x"),
        ("0.0.0.0", "http://127.0.0.1:80/x"),
    ],
)
def test_the_address_that_is_told_can_be_opened(places: Places, host: str, url: str) -> None:
    assert supervise.write_address(places, host, 80, "/x") == url


def test_settings_reach_the_processes_whole(tmp_path: Path) -> None:
    settings = settings_for(
        tmp_path / "with space, and comma",
        server={"names": ("a.example", "b.example"), "shared": (tmp_path / "x,y",), "path": "/merge"},
        inbox={"folders": [{"path": str(tmp_path / "ü"), "priority": 3}], "ignore": ("*_a.jpg", "b,c")},
        store={"lease": 2.5},
    )
    assert load_server(environment=to_environment(settings)) == settings
