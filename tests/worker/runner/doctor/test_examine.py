"""What `nearfar doctor` finds on real folders, stores, ports and programs, sound and unsound."""

from __future__ import annotations

import errno
import os
import socket
import sqlite3
import stat
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from nearfar.errors import NearfarError
from nearfar.jobs import open_store
from nearfar.merge.kernel import loader
from nearfar.places import places_of
from nearfar.runner.doctor import data as data_checks
from nearfar.runner.doctor import machine, pictures, services
from nearfar.runner.doctor.examine import Finding, Level, Subject, examine
from nearfar.runner.processes import supervise
from nearfar.server_settings import load_server
from tests.worker.jobs import postgresql


@pytest.fixture
def subject(tmp_path: Path) -> Subject:
    return with_settings(tmp_path)


def with_settings(data: Path, **tables: dict[str, Any]) -> Subject:
    """A server in an empty data folder."""
    tables["server"] = {"data": data / "data", "port": 0} | tables.get("server", {})
    settings = load_server(tables, environment={}, file=Path(os.devnull))
    places = places_of(settings)
    places.make()
    return Subject(settings=settings, places=places)


def levels(findings: Iterator[Finding]) -> dict[str, Level]:
    return {finding.about: finding.level for finding in findings}


def test_a_sound_server_has_no_problems_and_every_other_finding_has_a_remedy(subject: Subject) -> None:
    findings = list(examine(subject))
    assert [f for f in findings if f.level is Level.PROBLEM] == []
    assert all(f.remedy for f in findings if f.level is not Level.OK)
    left = [p.name for p in subject.places.data.rglob("*") if p.is_file()]
    assert left == []


def test_a_check_that_fails_is_a_problem_and_the_others_go_on(subject: Subject) -> None:
    def refuse(_: Subject) -> list[Finding]:
        raise NearfarError("no, for this reason")

    def vanish(_: Subject) -> list[Finding]:
        raise FileNotFoundError(errno.ENOENT, "No such file or directory", "/x/y")

    checks = (("one", refuse), ("two", vanish), ("three", pictures.kernel))
    found = {f.about: f for f in examine(subject, checks)}
    assert found["one"].found == "no, for this reason"
    assert found["two"].found == "could not be looked at: No such file or directory (/x/y)"
    assert found["kernel"].level is Level.OK


def test_a_file_where_a_folder_should_be_is_a_problem(subject: Subject) -> None:
    subject.places.results.rmdir()
    subject.places.results.write_text("not a folder")
    found = {f.about: f for f in data_checks.folders(subject)}
    assert found["folder results"].level is Level.PROBLEM
    assert str(subject.places.results) in found["folder results"].found


def test_folders_are_tried_by_writing(subject: Subject, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also for root, whom rights do not stop: a disk that takes no more shows when something is synced."""

    def fail(_: int) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr(os, "fsync", fail)
    found = levels(data_checks.folders(subject))
    assert found["folder inbox"] is Level.PROBLEM
    assert not list(subject.places.inbox.iterdir())


def test_a_watched_folder_that_is_not_there_is_a_problem(tmp_path: Path) -> None:
    watched = {"inbox": {"folders": [{"path": str(tmp_path / "share")}]}}
    subject = with_settings(tmp_path, **watched)
    assert levels(data_checks.folders(subject))[f"watched {tmp_path / 'share'}"] is Level.PROBLEM
    (tmp_path / "share").mkdir()
    assert levels(data_checks.folders(subject))[f"watched {tmp_path / 'share'}"] is Level.OK


@pytest.mark.parametrize(("mask", "level"), [(0o022, Level.OK), (0o077, Level.ADVICE), (0o000, Level.ADVICE)])
def test_a_umask_that_shuts_others_out_or_lets_all_write_is_worth_advice(
    mask: int, level: Level, subject: Subject
) -> None:
    before = os.umask(mask)
    try:
        assert levels(data_checks.rights(subject))["rights"] is level
        assert os.umask(mask) == mask
    finally:
        os.umask(before)


KEY = {"key": "moss on slate under glass"}


def told_of(subject: Subject, mask: int) -> list[str]:
    """What is advised about rights with a umask."""
    before = os.umask(mask)
    try:
        return [f.found for f in data_checks.rights(subject) if f.level is not Level.OK]
    finally:
        os.umask(before)


@pytest.fixture
def open_above(tmp_path: Path) -> Iterator[Path]:
    """A folder that every user can get to."""
    closed = [path for path in (tmp_path, *tmp_path.parents) if not path.stat().st_mode & stat.S_IXOTH]
    modes = [path.stat().st_mode for path in closed]
    for path in closed:
        path.chmod(path.stat().st_mode | stat.S_IXOTH)
    yield tmp_path
    for path, mode in zip(closed, modes, strict=True):
        path.chmod(stat.S_IMODE(mode))


@pytest.mark.parametrize(
    ("server", "mode", "mask", "said"),
    [
        (KEY, 0o755, 0o022, ["can read frames and results"]),
        (KEY, 0o750, 0o022, []),
        (KEY, 0o755, 0o027, []),
        (KEY, 0o755, 0o077, []),
        (KEY, 0o777, 0o022, ["may write in", "can read frames and results"]),
        ({}, 0o755, 0o022, []),
        ({}, 0o757, 0o022, ["may write in"]),
    ],
)
def test_strangers_who_may_read_or_write_the_data_are_told_of(
    open_above: Path, server: dict[str, str], mode: int, mask: int, said: list[str]
) -> None:
    subject = with_settings(open_above, server=dict(server))
    subject.places.data.chmod(mode)
    found = told_of(subject, mask)
    assert len(found) == len(said)
    assert all(part in text for part, text in zip(said, found, strict=True))


def test_where_strangers_do_not_get_to_the_folder_its_own_mode_does_no_harm(open_above: Path) -> None:
    subject = with_settings(open_above, server=dict(KEY))
    subject.places.data.chmod(0o777)
    open_above.chmod(0o700)
    assert told_of(subject, 0o022) == []


def test_less_space_than_is_to_stay_free_is_a_problem(tmp_path: Path) -> None:
    subject = with_settings(tmp_path, worker={"spare_disk": 1 << 60})
    (finding,) = data_checks.disks(subject)
    assert finding.level is Level.PROBLEM
    assert "1048576 TiB that stay free" in finding.found


def test_a_disk_whose_clock_is_off_is_a_problem(subject: Subject, monkeypatch: pytest.MonkeyPatch) -> None:
    assert levels(data_checks.clock(subject)) == {"clock": Level.OK}
    monkeypatch.setattr(data_checks, "probe", lambda _: time.time() - 90)
    (finding,) = data_checks.clock(subject)
    assert finding.level is Level.PROBLEM
    assert "90 s off" in finding.found


def test_frames_from_the_future_are_named(subject: Subject) -> None:
    frame = subject.places.inbox / "fern" / "01.tif"
    frame.parent.mkdir()
    frame.write_bytes(b"II*")
    os.utime(frame, (2e9, 4e9))
    found = list(data_checks.clock(subject))
    assert [f.level for f in found] == [Level.OK, Level.ADVICE]
    assert str(frame) in found[1].found


def test_more_memory_than_there_is_is_a_problem_and_too_little_for_a_slot_advice(tmp_path: Path) -> None:
    for memory, slots, level in (
        (1 << 60, 1, Level.PROBLEM),
        (300 << 20, 2, Level.ADVICE),
        (300 << 20, 1, Level.OK),
    ):
        subject = with_settings(tmp_path, worker={"memory": memory, "slots": slots, "threads": 2})
        assert levels(machine.memory(subject)) == {"memory": level}


def test_more_slots_than_threads_are_worth_advice(tmp_path: Path) -> None:
    subject = with_settings(tmp_path, worker={"slots": 8, "threads": 1})
    (finding,) = machine.processors(subject)
    assert (finding.level, finding.remedy) == (
        Level.ADVICE,
        "More slots than threads slow each other down; set worker.slots = 1.",
    )


@pytest.mark.parametrize(
    ("number", "name"), [(errno.ENOSPC, "max_user_watches"), (errno.EMFILE, "max_user_instances")]
)
def test_a_limit_on_file_events_is_told_with_the_name_of_its_sysctl(
    number: int, name: str, subject: Subject, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the numbers mean: inotify_init1(2) and inotify_add_watch(2)."""
    monkeypatch.setattr(machine, "watch_once", lambda _: number)
    (finding,) = machine.file_events(subject)
    assert finding.level is Level.ADVICE
    assert finding.remedy is not None
    assert f"sysctl fs.inotify.{name}=" in finding.remedy


def test_a_folder_that_is_not_there_cannot_be_watched(tmp_path: Path) -> None:
    assert machine.watch_once(tmp_path) == 0
    assert machine.watch_once(tmp_path / "gone") == errno.ENOENT


def test_every_kind_of_picture_is_tried(subject: Subject, monkeypatch: pytest.MonkeyPatch) -> None:
    found = list(pictures.formats(subject))
    assert {f.about for f in found} == {"formats", "format HEIF", "format raw"}
    assert {f.level for f in found} <= {Level.OK, Level.ADVICE}
    monkeypatch.setattr(pictures, "decode", lambda _: np.zeros((*pictures.SIZE, 3), np.uint16))
    found = list(pictures.formats(subject))
    assert {f.about for f in found if f.level is Level.PROBLEM} >= {
        "format PNG",
        "format TIFF",
        "format JPEG",
    }


def test_a_kernel_for_an_older_processor_is_worth_advice(
    subject: Subject, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(loader, "suitable", lambda: ["better_than_all"])
    assert levels(pictures.kernel(subject)) == {"kernel": Level.ADVICE}


def test_a_settings_file_with_a_key_is_for_its_owner(tmp_path: Path) -> None:
    subject = with_settings(tmp_path, server={"key": "0123456789abcdef"})
    file = tmp_path / "nearfar.toml"
    file.touch()
    for mode, level in ((0o644, Level.ADVICE), (0o600, Level.OK)):
        file.chmod(mode)
        assert levels(services.settings_file(replace(subject, file=file))) == {"settings": level}


def test_a_variable_that_nobody_reads_is_worth_advice(
    subject: Subject, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NEARFAR_SERVER_PROT", "8080")
    (found,) = [each for each in services.settings_file(subject) if each.level is Level.ADVICE]
    assert found.found.endswith("does nothing; did you mean NEARFAR_SERVER_PORT?")


def test_a_damaged_store_and_one_of_a_newer_version_are_problems(subject: Subject) -> None:
    open_store(subject.places.store_url).close()
    file = subject.places.data / "store.sqlite"
    assert levels(services.store(subject)) == {"store": Level.OK}
    with sqlite3.connect(file) as conn:
        conn.execute("UPDATE alembic_version SET version_num = '9999'")
    conn.close()
    (finding,) = services.store(subject)
    assert finding.level is Level.PROBLEM
    assert "form 9999; this version knows" in finding.found
    content = file.read_bytes()
    file.write_bytes(content[:4096] + os.urandom(len(content) - 4096))
    assert levels(services.store(subject)) == {"store": Level.PROBLEM}


def test_looking_at_a_store_changes_nothing(subject: Subject) -> None:
    open_store(subject.places.store_url).close()
    before = {p.name: p.read_bytes() for p in subject.places.data.iterdir() if p.is_file()}
    list(services.store(subject))
    assert {p.name: p.read_bytes() for p in subject.places.data.iterdir() if p.is_file()} == before


def test_postgresql_is_asked_for_its_version_and_its_clock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with postgresql.server("-c", "fsync=off") as url:
        subject = with_settings(tmp_path, store={"url": url})
        assert levels(services.store(subject)) == {"store": Level.OK}
        real = time.time
        monkeypatch.setattr(time, "time", lambda: real() - 60)
        assert levels(services.store(subject)) == {"store": Level.OK, "clock": Level.ADVICE}
    (finding,) = services.store(subject)
    assert finding.level is Level.PROBLEM
    assert "does not answer" in finding.found


def test_a_broker_that_is_not_there_is_a_problem(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        url = f"redis://:hushhush@127.0.0.1:{taken.getsockname()[1]}/0"
        (finding,) = services.broker(with_settings(tmp_path, broker={"url": url}))
    assert finding.level is Level.PROBLEM
    assert "hushhush" not in finding.found


def test_a_port_that_is_taken_is_a_problem_unless_our_own_server_has_it(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        subject = with_settings(tmp_path, server={"port": port})
        assert levels(services.port(subject)) == {"port": Level.PROBLEM}
        with supervise.lock(subject.places):
            supervise.write_address(subject.places, "127.0.0.1", port, "/merge")
            (finding,) = services.port(subject)
            assert finding.found == f"a server runs on this data folder at http://127.0.0.1:{port}/merge"
    assert levels(services.port(subject)) == {"port": Level.OK}
