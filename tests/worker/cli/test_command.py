"""The command in this process: errors become exit codes and one line, signals become stops, output survives its reader."""

from __future__ import annotations

import argparse
import errno
import io
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from nearfar import __version__
from nearfar.bracket.shoot import BITS_PER_PIXEL
from nearfar.cli import command, merge, merge_options, people, say
from nearfar.cli.client import options as client_options
from nearfar.errors import (
    DoesNotFit,
    FrameRefused,
    Interrupted,
    NearfarError,
    StackRefused,
    UsageError,
    WorkFailed,
)
from nearfar.frames.decode import read_header
from nearfar.jobs import JobState, Role
from nearfar.merge import recipe
from nearfar.merge.deliver.outputs import Outputs
from tests.acceptance.command import lay

GREY = np.full((1, 20, 30, 3), 9000, np.uint16)


def run(*arguments: str | Path) -> int:
    return command.main([str(a) for a in arguments])


@pytest.mark.parametrize(
    ("error", "code", "words"),
    [
        (UsageError("so not"), 2, "so not"),
        (
            FrameRefused("a/b.jpg", found="x", expected="y", remedy="Do z."),
            3,
            "b.jpg: found x; expected y. Do z.",
        ),
        (StackRefused("no stack"), 3, "no stack"),
        (NearfarError("went wrong"), 4, "went wrong"),
        (DoesNotFit("too small"), 5, "too small"),
        (Interrupted("stopped"), 130, "stopped"),
        (MemoryError(), 5, "the memory of this machine ran out"),
        (OSError(errno.ENOSPC, "No space left", "/disk/x"), 5, "/disk/x: the disk is full. Make room there"),
        (
            OSError(errno.EIO, "Input/output error", "/disk/x"),
            4,
            "/disk/x: Input/output error. Check the disk",
        ),
        (OSError("odd"), 4, "odd"),
    ],
)
def test_each_error_has_its_exit_code_and_one_line(
    error: Exception,
    code: int,
    words: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    def fail(*_: Any) -> int:
        raise error

    monkeypatch.setattr(merge_options, "run", fail)
    assert run("merge", "x", "--out", "y.tif") == code
    said = capsys.readouterr().err
    assert said.startswith(f"nearfar: {words}")
    assert said.count("\n") == 1


def test_a_mistake_of_ours_is_told_as_one_with_where_it_happened(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    nothing: dict[str, int] = {}
    monkeypatch.setattr(merge_options, "run", lambda *_: nothing["missing"])
    assert run("merge", "x", "--out", "y.tif") == 4
    said = capsys.readouterr().err
    assert "Traceback" in said
    assert said.splitlines()[-1].startswith(
        "nearfar: a mistake in Nearfar, not in the frames (KeyError: 'missing')"
    )


def test_control_characters_reach_no_terminal(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def fail(*_: Any) -> int:
        raise StackRefused("a\x1b[2J\nb\udcff.jpg")

    monkeypatch.setattr(merge_options, "run", fail)
    run("merge", "x", "--out", "y.tif")
    assert capsys.readouterr().err == "nearfar: a\\x1b[2J\\nb\\udcff.jpg\n"


def test_an_option_that_a_command_does_not_know_points_to_the_help_of_that_command(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert run("jobs", "--sarver", "x") == 2
    assert capsys.readouterr().err == "nearfar: not understood: --sarver x. Try 'nearfar jobs --help'.\n"


def test_version_and_help_are_no_errors(capsys: pytest.CaptureFixture[str]) -> None:
    for option in ("--version", "--help"):
        with pytest.raises(SystemExit) as ended:
            run(option)
        assert ended.value.code == 0
    assert f"Nearfar {__version__}" in capsys.readouterr().out


def test_every_command_is_on_the_list_with_a_word_on_what_it_does() -> None:
    commands = next(a for a in command.parser()._actions if isinstance(a, argparse._SubParsersAction))
    told = {action.dest: action.help for action in commands._choices_actions}
    assert set(told) == set(commands.choices)
    assert all(told.values())
    assert all(parser.get_default("run") for parser in commands.choices.values())


def _parsers(parser: argparse.ArgumentParser) -> Iterator[argparse.ArgumentParser]:
    """A parser and those of all commands below it."""
    yield parser
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for below in action.choices.values():
                yield from _parsers(below)


def test_the_help_of_every_command_fits_a_terminal_and_explains_every_option(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    found = list(_parsers(command.parser()))
    assert len(found) > 30
    for parser in found:
        for line in parser.format_help().splitlines():
            assert len(line) <= 80, (parser.prog, line)
        for action in parser._actions:
            if not isinstance(action, argparse._SubParsersAction):
                assert action.help, (parser.prog, action.dest)


def test_the_recipe_that_the_help_names_is_the_one_of_the_engine() -> None:
    assert command.parser().parse_args(["merge", "x", "--out", "y.tif"]).recipe == recipe.DEFAULT


def test_words_that_the_commands_know_without_loading_what_has_them_are_those_that_it_has() -> None:
    assert set(client_options.STATES) == set(JobState)
    assert set(people.ROLES) == set(Role)
    plan = next(p for p in _parsers(command.parser()) if p.prog == "nearfar plan")
    files = next(action for action in plan._actions if action.dest == "file")
    assert set(files.choices or ()) == set(BITS_PER_PIXEL)


def test_help_needs_none_of_the_libraries_that_take_long_to_load() -> None:
    script = (
        "import sys, nearfar.cli.command as c\n"
        "try: c.main(['--help'])\n"
        "except SystemExit: pass\n"
        "print({'cv2', 'rawpy', 'imagecodecs', 'PIL', 'numpy', 'httpx', 'sqlalchemy', 'pydantic', 'celery'}"
        " & set(sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.endswith("set()\n")


@pytest.mark.parametrize(("number", "name"), [(signal.SIGINT, "Ctrl-C"), (signal.SIGTERM, "SIGTERM")])
def test_a_signal_before_the_work_ends_it_at_once(number: int, name: str) -> None:
    before = signal.getsignal(number)
    with command.Signals(), pytest.raises(Interrupted, match=f"stopped by {name} before any work was done"):
        signal.raise_signal(number)
    assert signal.getsignal(number) is before


def test_a_signal_during_the_work_asks_and_the_next_one_ends() -> None:
    asked: list[str] = []
    with command.Signals() as signals:
        signals.ask(asked.append)
        os.kill(os.getpid(), signal.SIGTERM)
        while not asked:
            threading.Event().wait(0.001)
        assert asked == ["SIGTERM"]
        assert signal.getsignal(signal.SIGTERM) is signal.SIG_DFL
        assert signal.getsignal(signal.SIGINT) is not signal.SIG_DFL


def test_a_signal_that_a_module_turns_into_its_own_error_is_told_as_the_signal(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """As a module written in C does while it loads another one."""

    def parser() -> None:
        try:
            signal.raise_signal(signal.SIGINT)
        except Interrupted as error:
            raise ImportError("another module failed to import") from error

    monkeypatch.setattr(command, "parser", parser)
    assert command.main(["doctor"]) == 130
    assert capsys.readouterr().err == "nearfar: stopped by Ctrl-C before any work was done\n"


def test_a_signal_that_a_module_drops_is_told_when_the_work_begins() -> None:
    asked: list[str] = []
    with command.Signals() as signals:
        with suppress(Interrupted):
            signal.raise_signal(signal.SIGTERM)
        assert asked == []
        signals.ask(asked.append)
    assert asked == ["SIGTERM"]


def test_outside_the_main_thread_signals_are_left_alone() -> None:
    before, seen = signal.getsignal(signal.SIGINT), []

    def enter() -> None:
        with command.Signals():
            seen.append(signal.getsignal(signal.SIGINT))

    thread = threading.Thread(target=enter)
    thread.start()
    thread.join()
    assert seen == [before]


@pytest.mark.parametrize(
    ("picture", "report", "words"),
    [
        ("a.png", "a.json", "found the ending '.png'; expected .tif"),
        ("a.tif", "a.tif", "found the ending '.tif'; expected .json"),
        ("gone/a.tif", "a.json", "there is no folder"),
        ("a.tif", "gone/a.json", "there is no folder"),
        ("folder.tif", "a.json", "folder.tif is a folder"),
        ("x" * 252 + ".tif", "a.json", "give another name"),
        ("x" * 245 + ".tif", "a.json", "give another name"),  # only its side files are too long
    ],
)
def test_outputs_that_cannot_be_written_are_refused(
    picture: str, report: str, words: str, tmp_path: Path
) -> None:
    (tmp_path / "folder.tif").mkdir()
    with pytest.raises(UsageError, match=words):
        merge.check_names(Outputs(picture=tmp_path / picture, report=tmp_path / report))


def test_a_folder_that_cannot_be_written_to_fails() -> None:
    """Also for root, who may write anywhere and yet can make no file below /proc (proc(5))."""
    with pytest.raises(WorkFailed, match=r"/proc: the folder cannot be written to \(.+\); give another one"):
        merge.check_names(Outputs.beside(Path("/proc/a.tif")))


def test_trying_a_folder_leaves_nothing_there(tmp_path: Path) -> None:
    merge.check_names(Outputs.beside(tmp_path / "a.tif"))
    assert not list(tmp_path.iterdir())


def test_frames_and_pictures_of_others_are_not_written_over(tmp_path: Path) -> None:
    (frame,) = lay(GREY, tmp_path / "frames")
    headers = [read_header(frame)]
    lay(GREY, tmp_path, names=["other.tif"])
    (tmp_path / "damaged.tif").write_bytes(frame.read_bytes()[:400])
    (tmp_path / "text.tif").write_text("to do: everything")
    (tmp_path / "link.tif").symlink_to(frame)
    for name in ("link.tif", "frames/F0001.tif"):
        with pytest.raises(UsageError, match="is one of the frames"):
            merge.check_targets(Outputs.beside(tmp_path / name), headers)
    for name in ("other.tif", "damaged.tif"):
        with pytest.raises(UsageError, match="a picture that Nearfar did not make"):
            merge.check_targets(Outputs.beside(tmp_path / name), headers)
    for name in ("text.tif", "new.tif"):
        merge.check_targets(Outputs.beside(tmp_path / name), headers)


REPORT: dict[str, Any] = {
    "frames": [
        {"name": "a.tif", "used": True, "why": None},
        {"name": "b.tif", "used": False, "why": "shows next to nothing"},
    ],
    "gaps": [{"text": "one more frame is missing"}],
    "warnings": ["the light changed"],
}


def test_what_is_told_in_the_end() -> None:
    assert list(merge.told(REPORT, Outputs.beside(Path("p.tif")))) == [
        "p.tif: 1 of 2 frames; report in p.report.json",
        "left out b.tif: shows next to nothing",
        "one more frame is missing",
        "the light changed",
    ]


def test_a_reader_who_left_is_no_error(monkeypatch: pytest.MonkeyPatch) -> None:
    ours, theirs = os.pipe()
    os.close(ours)
    with open(theirs, "w") as broken:
        monkeypatch.setattr(sys, "stdout", broken)
        say.say("somebody")
        broken.write("nobody reads this, and nobody minds")
        broken.flush()
        assert os.path.samestat(os.fstat(broken.fileno()), Path(os.devnull).stat())


def test_a_standard_error_that_is_closed_is_no_error(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(sys, "stderr", None)
    monkeypatch.setattr(sys, "stdout", io.StringIO())
    assert run("merge", tmp_path / "gone", "--out", tmp_path / "x.tif") == 3
