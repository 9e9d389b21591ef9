"""The commands that run a server and further workers: what they say, refuse and leave behind."""

from __future__ import annotations

import json
import logging
import os
import signal
import socket
import subprocess
import sys
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from nearfar.cli import command, serve
from nearfar.jobs import People, Role, Store
from nearfar.places import places_of
from nearfar.runner.processes import supervise
from tests.worker.runner.serving import PATH, end_all, settings_for, store_of, wait_for, wait_for_workers

Start = Callable[..., subprocess.Popen[str]]


@pytest.fixture(autouse=True)
def _own_logs() -> Iterator[None]:
    """A command sends all logs of its process to standard error: give them back."""
    root = logging.getLogger()
    before = root.handlers[:], root.level
    yield
    root.handlers[:], _ = before
    root.setLevel(before[1])


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    """Run a command on the data folder of the test."""
    data = tmp_path / "data"

    def run(*words: str, accounts: bool = False) -> subprocess.Popen[str]:
        environment = {name: value for name, value in os.environ.items() if not name.startswith("NEARFAR_")}
        environment |= {"NEARFAR_SERVER_DATA": str(data), "PYTHONPATH": PATH, "NEARFAR_CONFIG": os.devnull}
        environment |= {"NEARFAR_SERVER_ACCOUNTS": "true"} if accounts else {}
        line = [sys.executable, "-m", "nearfar.cli", *words]
        with (tmp_path / "log").open("ab") as log:
            return subprocess.Popen(line, env=environment, stdout=subprocess.PIPE, stderr=log, text=True)

    yield run
    end_all(data)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    settings = settings_for(tmp_path / "data")
    settings.server.data.mkdir()
    opened = store_of(settings)
    yield opened
    opened.close()


def answers(url: str) -> bool:
    try:
        with urllib.request.urlopen(f"{url}/health/live", timeout=5) as answer:
            return bool(answer.status == 200)
    except OSError:
        return False


def test_a_server_says_where_it_is_answers_there_and_stops_in_good_order(
    start: Start, store: Store, tmp_path: Path
) -> None:
    server = start("serve", "--port", "0", "--slots", "1", "--memory", "1GiB", "--threads", "1")
    assert server.stdout is not None
    said = [server.stdout.readline().strip() for _ in range(2)]
    url = said[0].removeprefix("Nearfar is at ")
    told = json.loads((tmp_path / "data" / "state" / "address.json").read_text())
    assert told["url"] == url
    assert str(tmp_path / "data" / "inbox") in said[1]
    wait_for(lambda: answers(url), 90)
    wait_for_workers(store, 1)
    assert [worker.memory for worker in store.workers(alive=True)] == [1 << 30]
    worker = start("worker", "--slots", "2", "--memory", "1GiB")
    wait_for_workers(store, 3)
    worker.send_signal(signal.SIGTERM)
    assert worker.wait(60) == 0
    assert len(store.workers(alive=True)) == 1
    server.send_signal(signal.SIGTERM)
    assert server.wait(60) == 0
    assert store.workers(alive=True) == ()
    assert not (tmp_path / "data" / "state" / "address.json").exists()
    for process in (server, worker):
        assert process.stdout is not None
        process.stdout.close()


@pytest.mark.parametrize(
    ("there", "table", "said"),
    [
        ((), {"accounts": True}, True),
        (("mara",), {"accounts": True}, False),
        ((), {"accounts": False}, False),
    ],
)
def test_it_says_where_nobody_may_log_in_yet(
    store: Store, tmp_path: Path, there: tuple[str, ...], table: dict[str, bool], said: bool
) -> None:
    for name in there:
        People(store).add(name, role=Role.RUN, who="tester")
    settings = settings_for(tmp_path / "data", server=table)
    assert serve.nobody_may_enter(settings, places_of(settings)) == said


def test_with_a_provider_people_may_come_without_an_account(store: Store, tmp_path: Path) -> None:
    provider = {"provider": "https://id.example", "client": "nearfar", "secret": "s"}
    settings = settings_for(tmp_path / "data", server={"accounts": True}, people=provider)
    assert not serve.nobody_may_enter(settings, places_of(settings))


def test_a_start_without_accounts_says_how_to_make_one(start: Start, tmp_path: Path) -> None:
    server = start("serve", "--port", "0", "--only", "api", accounts=True)
    assert server.stdout is not None
    lines = [server.stdout.readline().strip() for _ in range(4)]
    assert lines[2].startswith("Nobody can log in yet")
    assert lines[3] == f"nearfar account add NAME --role run --data {tmp_path / 'data'}"
    wait_for(lambda: answers(lines[0].removeprefix("Nearfar is at ")), 90)
    server.send_signal(signal.SIGTERM)
    assert server.wait(60) == 0
    server.stdout.close()


def test_every_process_of_a_server_can_run_alone() -> None:
    assert set(serve.PARTS) == set(supervise.MODULES)


def fails(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert command.main(words) == 2
    return capsys.readouterr().err


def test_an_address_for_strangers_needs_a_key(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    said = fails(capsys, "serve", "--data", str(tmp_path / "data"), "--host", "0.0.0.0")
    assert "key" in said
    assert not (tmp_path / "data").exists()


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (("--port", "99999"), "--port"),
        (("--slots", "many"), "--slots"),
        (("--memory", "lots"), "--memory"),
        (("--threads", "0"), "--threads"),
    ],
)
def test_a_value_that_will_not_do_is_named(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, words: tuple[str, ...], part: str
) -> None:
    assert part in fails(capsys, "serve", "--data", str(tmp_path / "data"), *words)


def test_a_port_that_is_taken_is_named_before_anything_runs(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        said = fails(capsys, "serve", "--data", str(tmp_path / "data"), "--port", port)
    assert f"port {port}" in said


def test_a_folder_that_cannot_be_made_is_named(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    assert command.main(("serve", "--data", str(tmp_path / "file" / "data"))) == 4
    assert str(tmp_path / "file") in capsys.readouterr().err
