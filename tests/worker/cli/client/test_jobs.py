"""Jobs and servers as tables and lines."""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import Any

import pytest

from nearfar.cli import command
from nearfar.cli.client.jobs import figures_of, line_of, local_time, told, told_mends
from nearfar.cli.say import table
from nearfar.merge.registering import IF_NOT

JOB: dict[str, Any] = {
    "id": 7,
    "stack": "moss",
    "owner": "lena",
    "recipe": "macro",
    "priority": 2,
    "state": "failed",
    "reason": "too dark",
    "progress": 0.5,
    "stage": "register",
    "left": None,
    "created": "2031-10-05T16:20:11.250Z",
    "updated": "2031-10-05T16:21:00.000Z",
    "finished": "2031-10-05T16:21:00.000Z",
    "again_of": 3,
    "frames": {"total": 3, "expected": 0, "present": 2, "used": 0, "left_out": 0, "refused": 1},
}


@pytest.fixture(autouse=True)
def _utc() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TZ", "UTC")
        time.tzset()
        yield
    time.tzset()


def test_a_job_in_the_list_says_why_it_failed() -> None:
    assert line_of(JOB) == ("7", "failed", "", "3", "lena", "2031-10-05 16:21:00", "moss (too dark)")
    running = line_of(JOB | {"state": "running", "reason": None})
    assert (running[1], running[2], running[6]) == ("running", "50 %", "moss")


def test_a_job_is_told_with_frames_that_need_a_word_and_with_its_files() -> None:
    frames: list[dict[str, Any]] = [
        {"name": "a.tif", "state": "present", "reason": None},
        {"name": "b.tif", "state": "refused", "reason": "it ends after 12 bytes"},
    ]
    lines = told(JOB, frames, [{"name": "moss.tif", "size": 2048}])
    assert lines == [
        "job 7: moss",
        "state     failed",
        "reason    too dark",
        "progress  50 % (register)",
        "frames    3: 2 present, 1 refused",
        "          b.tif: refused, it ends after 12 bytes",
        "recipe    macro, priority 2, owner lena",
        "created   2031-10-05 16:20:11",
        "finished  2031-10-05 16:21:00",
        "again of  job 3",
        "file      moss.tif (2 KiB)",
    ]


def test_how_to_take_in_a_frame_that_was_set_aside_is_told() -> None:
    frames: list[dict[str, Any]] = [
        {"name": "a b.tif", "state": "left out", "reason": "one even tone"},
        {"name": "b.tif", "state": "left out", "reason": f"dark; {IF_NOT}"},
        {"name": "c.tif", "state": "left out", "reason": "cannot be used: found an empty file"},
        {"name": "d.tif", "state": "used", "reason": None},
    ]
    job = JOB | {"state": "done", "settings": {"set_aside": {"a b.tif": "", "c.tif": ""}}}
    assert "          nearfar again 7 --use 'a b.tif' --use b.tif takes them in" in told(job, frames, [])
    assert "nearfar again" not in "".join(told(job | {"state": "running"}, frames, []))


def test_a_server_is_told_in_lines_that_say_something() -> None:
    server = {
        "state": "open",
        "version": "1.2",
        "jobs": {"waiting": 2, "done": 9, "failed": 0},
        "units": {"ready": 4, "held": 1},
        "workers": 1,
        "slots": 1,
        "oldest_waiting": 12.0,
        "disk": "the disk is full",
        "broker": None,
    }
    assert figures_of(server) == [
        "server   open, Nearfar 1.2",
        "jobs     2 waiting, 9 done",
        "units    1 in work, 4 ready",
        "workers  1, units at a time 1",
        "waiting  for 12 s at most",
        "disk     the disk is full",
    ]


def test_times_are_this_machines(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "UTC-02")  # POSIX counts west: this is two hours ahead
    time.tzset()
    assert local_time("2031-10-05T16:20:11.250Z") == "2031-10-05 18:20:11"
    assert local_time(None) == ""


def test_a_table_is_straight_and_holds_no_control_characters() -> None:
    assert table(("a", "bb"), [("long", "x"), ("\x1b[2J", "")]) == ["a        bb", "long     x", "\\x1b[2J"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("show", "seven"), "'seven' is not the number of a job"),
        (("cancel", "0"), "'0' is not the number of a job"),
        (("jobs", "--limit", "none"), "--limit none: expected a whole number above zero"),
        (("jobs", "--state", "lost"), "invalid choice: 'lost'"),
        (("server", "stop"), "invalid choice: 'stop'"),
        (("fetch", "1", "--all", "--picture"), "not allowed with argument"),
    ],
)
def test_slips_of_the_keyboard_are_told_before_any_server_is_asked(
    arguments: tuple[str, ...], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert command.main(list(arguments)) == 2
    assert words in capsys.readouterr().err


def test_what_a_job_waits_for_is_told() -> None:
    waits = "there is no space on a disk: /data/work: No space left on device"
    assert f"waits     {waits}" in told(JOB | {"state": "waiting", "reason": None, "waits": waits}, [], [])
    assert not any(line.startswith("waits") for line in told(JOB | {"waits": None}, [], []))


def test_mends_are_told_with_who_and_whether_they_are_in_force() -> None:
    def mend(number: int, body: dict[str, Any], **more: Any) -> dict[str, Any]:
        return {
            "nearfar:number": number,
            "nearfar:inForce": True,
            "body": body,
            "target": {"selector": {"value": "xywh=1,2,30,40"}},
            "creator": {"nickname": "lena"},
            "created": "2031-10-05T16:21:00.000Z",
        } | more

    job = JOB | {"mends": {"count": 1, "state": "failed", "reason": "b.tif is gone"}}
    mends = [
        mend(1, {"value": "smooth"}, **{"nearfar:inForce": False, "nearfar:undoneBy": "jon"}),
        mend(2, {"source": "job-7:frame-2", "nearfar:frame": "b.tif"}),
    ]
    assert told_mends(job, mends) == [
        "mends     1 in force, failed: b.tif is gone",
        "          1: smooth in xywh=1,2,30,40, by lena, 2031-10-05 16:21:00, undone by jon",
        "          2: b.tif in xywh=1,2,30,40, by lena, 2031-10-05 16:21:00",
    ]
