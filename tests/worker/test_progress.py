"""Progress on lines, on a terminal, in silence, and on streams that break."""

from __future__ import annotations

import io
import os
import pty
import threading

import pytest

from nearfar.progress import LINE_EVERY, Progress, format_seconds


class Clock:
    """Seconds that pass only when told to."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now

    def tick(self, seconds: float) -> None:
        self.now += seconds


class Terminal(io.StringIO):
    """Text that says it is a terminal."""

    def isatty(self) -> bool:
        return True


class Broken(io.StringIO):
    """A stream whose other end went away after so many writes."""

    def __init__(self, *, good_writes: int, terminal: bool) -> None:
        super().__init__()
        self.left = good_writes
        self.terminal = terminal
        self.tries = 0

    def isatty(self) -> bool:
        return self.terminal

    def write(self, text: str) -> int:
        self.tries += 1
        if self.left == 0:
            raise BrokenPipeError(32, "Broken pipe")
        self.left -= 1
        return super().write(text)


@pytest.fixture
def clock() -> Clock:
    return Clock()


def test_elsewhere_than_on_a_terminal_each_step_begins_and_ends_with_a_plain_line(clock: Clock) -> None:
    stream = io.StringIO()
    progress = Progress(stream, clock=clock)
    progress.step("survey", 40)
    clock.tick(2)
    progress.step("render", 900)
    clock.tick(65)
    progress.finish()
    assert stream.getvalue().splitlines() == [
        "survey ...",
        "survey: done in 2.0 s",
        "render ...",
        "render: done in 1 min 5 s",
    ]


def test_lines_within_a_step_come_at_most_every_few_seconds(clock: Clock) -> None:
    stream = io.StringIO()
    progress = Progress(stream, clock=clock)
    progress.step("render", 640)
    for _ in range(640):
        clock.tick(1 / 32)
        progress.advance(1)
    lines = stream.getvalue().splitlines()[1:]
    assert len(lines) == 640 / 32 / LINE_EVERY
    assert lines[0] == "render: 25 %, 15 s left"
    assert "\r" not in stream.getvalue()
    assert "\x1b" not in stream.getvalue()


def test_time_left_comes_from_the_speed_measured_over_weights(clock: Clock) -> None:
    progress = Progress(io.StringIO(), clock=clock)
    progress.step("render", 60)
    assert progress.seconds_left() is None
    clock.tick(10)
    assert progress.seconds_left() is None  # nothing done: nothing to measure
    progress.advance(15)
    assert progress.seconds_left() == pytest.approx(30)
    clock.tick(10)
    assert progress.seconds_left() == pytest.approx(60)  # it got slower
    progress.advance(45)
    assert progress.seconds_left() == 0


def test_too_little_time_names_no_time_left(clock: Clock) -> None:
    progress = Progress(io.StringIO(), clock=clock)
    progress.step("render", 10)
    clock.tick(0.01)
    progress.advance(1)
    assert progress.state() == "render: 10 %"


def test_more_than_was_announced_stays_at_all_of_it_and_nothing_is_all(clock: Clock) -> None:
    progress = Progress(io.StringIO(), clock=clock)
    progress.step("render", 2)
    progress.advance(5)
    assert progress.state() == "render: 100 %"
    progress.step("deliver", 0)
    assert progress.state() == "deliver: 100 %"


def test_a_terminal_sees_a_bar_that_grows_and_goes(clock: Clock) -> None:
    stream = Terminal()
    progress = Progress(stream, clock=clock)
    progress.step("render", 4)
    empty = stream.getvalue()
    clock.tick(3)
    progress.advance(3)
    half = stream.getvalue()[len(empty) :]
    progress.finish()
    assert "render: 0 %" in empty
    assert "render: 75 %, 1.0 s left" in half
    assert "█" in half or "#" in half
    last = stream.getvalue().replace("\r", "\n").splitlines()[-1]
    assert last == "render: done in 3.0 s"


def test_the_bar_is_not_drawn_for_every_part(clock: Clock) -> None:
    stream = Terminal()
    progress = Progress(stream, clock=clock)
    progress.step("render", 10_000)
    for _ in range(10_000):
        clock.tick(0.0001)
        progress.advance(1)
    assert stream.getvalue().count("render:") <= 12


def test_a_real_terminal_is_recognised(clock: Clock) -> None:
    master, slave = pty.openpty()
    try:
        with os.fdopen(slave, "w", encoding="utf-8") as stream:
            progress = Progress(stream, clock=clock)
            progress.step("survey", 1)
            progress.finish()
            written = ""
            while "survey: done" not in written:  # the system hands it over in pieces, and in its own time
                written += os.read(master, 65536).decode(errors="replace")
    finally:
        os.close(master)
    assert "survey: 0 % |" in written
    assert "survey: done" in written


def test_notes_stay_on_lines_of_their_own(clock: Clock) -> None:
    for stream in (io.StringIO(), Terminal()):
        progress = Progress(stream, clock=clock)
        progress.step("register", 3)
        progress.note("frame 4 is left out: it shows another scene")
        progress.finish()
        lines = stream.getvalue().replace("\r", "\n").splitlines()
        assert "frame 4 is left out: it shows another scene" in lines


def test_quiet_writes_nothing(clock: Clock) -> None:
    for stream in (io.StringIO(), Terminal()):
        progress = Progress(stream, quiet=True, clock=clock)
        progress.step("survey", 3)
        clock.tick(60)
        progress.advance(1)
        progress.note("a word")
        progress.finish()
        assert stream.getvalue() == ""


@pytest.mark.parametrize("terminal", [False, True])
@pytest.mark.parametrize("good_writes", [0, 1, 3])
def test_a_broken_stream_is_left_alone_and_the_work_goes_on(
    clock: Clock, terminal: bool, good_writes: int
) -> None:
    stream = Broken(good_writes=good_writes, terminal=terminal)
    progress = Progress(stream, clock=clock)
    for name in ("survey", "render"):
        progress.step(name, 10)
        for _ in range(10):
            clock.tick(LINE_EVERY)
            progress.advance(1)
        progress.note("a word")
    progress.finish()
    assert stream.tries == good_writes + 1


def test_a_closed_stream_is_left_alone(clock: Clock) -> None:
    stream = io.StringIO()
    stream.close()
    progress = Progress(stream, clock=clock)
    progress.step("survey", 1)
    progress.note("a word")
    progress.finish()
    assert stream.closed


def test_finishing_twice_or_before_any_step_says_nothing_more(clock: Clock) -> None:
    stream = io.StringIO()
    progress = Progress(stream, clock=clock)
    progress.finish()
    assert stream.getvalue() == ""
    progress.step("survey", 1)
    progress.finish()
    before = stream.getvalue()
    progress.finish()
    assert stream.getvalue() == before


def test_many_threads_lose_no_weight() -> None:
    progress = Progress(io.StringIO())
    progress.step("render", 8000)

    def work() -> None:
        for _ in range(1000):
            progress.advance(1)

    threads = [threading.Thread(target=work) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert progress.state().startswith("render: 100 %")


def test_no_thread_is_left_behind(clock: Clock) -> None:
    before = set(threading.enumerate())
    progress = Progress(Terminal(), clock=clock)
    progress.step("survey", 1)
    assert set(threading.enumerate()) <= before
    progress.finish()


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (-1, "0.0 s"),
        (0, "0.0 s"),
        (0.31, "0.4 s"),
        (0.3, "0.3 s"),
        (9.9, "9.9 s"),
        (9.95, "10 s"),
        (59.2, "1 min 0 s"),
        (200, "3 min 20 s"),
        (3599.5, "1 h 0 min"),
        (7500, "2 h 5 min"),
    ],
)
def test_lengths_of_time_are_written_for_people(seconds: float, text: str) -> None:
    assert format_seconds(seconds) == text
