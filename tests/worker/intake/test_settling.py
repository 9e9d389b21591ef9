"""When a stack counts as complete: the rules alone, with a clock that the test moves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearfar.intake.settling import Fault, Mark, Patience, Settling, Sight, Stage, Verdict

RULES = Patience(quiet=5, quiet_unseen=20, patience=120)
MARK = Mark(device=1, inode=1, size=1000, mtime_ns=10, ctime_ns=10, blocks=8, owner=1000)


def marks(*names: str) -> dict[str, Mark]:
    return {name: MARK._replace(inode=100 + number) for number, name in enumerate(names)}


class Following:
    """A stack that is looked at; what the file system and other programs say is set by the test."""

    def __init__(self, rules: Patience = RULES) -> None:
        self.settling = Settling(rules)
        self.open: dict[tuple[int, int], str] = {}
        self.faults: dict[str, Fault] = {}
        self.asked = 0

    def at(self, now: float, sight: Sight) -> Verdict:
        return self.settling.look(now, sight, writers=self._writers, examine=self._examine)

    def _writers(self, _marks: object) -> Mapping[tuple[int, int], str]:
        return self.open

    def _examine(self, name: str, _mark: Mark) -> Fault | None:
        self.asked += 1
        return self.faults.get(name)


def test_a_stack_is_complete_after_a_quiet_time() -> None:
    stack, sight = Following(), Sight(frames=marks("a.tif", "b.tif"))
    assert stack.at(100, sight).stage is Stage.ARRIVING
    verdict = stack.at(103, sight)
    assert (verdict.stage, verdict.seconds) == (Stage.SETTLING, 2)
    assert stack.asked == 0  # files are opened only when all stands still
    assert stack.at(105, sight).stage is Stage.COMPLETE


@pytest.mark.parametrize("field", ["size", "mtime_ns", "ctime_ns", "blocks", "inode"])
def test_any_sign_of_change_begins_the_quiet_time_anew(field: str) -> None:
    stack, frames = Following(), marks("a.tif", "b.tif")
    stack.at(0, Sight(frames=frames))
    moved = frames | {"b.tif": frames["b.tif"]._replace(**{field: 999})}
    assert stack.at(4.9, Sight(frames=moved)).why == "b.tif changed"
    assert stack.at(9.8, Sight(frames=moved)).stage is Stage.SETTLING
    assert stack.at(9.9, Sight(frames=moved)).stage is Stage.COMPLETE


def test_a_change_of_one_frame_holds_the_whole_stack_back() -> None:
    stack = Following()
    names = [f"{n}.tif" for n in range(6)]
    for now in range(6):  # one more every 4 s, as a slow card reader does
        assert stack.at(4 * now, Sight(frames=marks(*names[: now + 1]))).stage is Stage.ARRIVING
    assert stack.at(24.9, Sight(frames=marks(*names))).stage is Stage.SETTLING
    assert stack.at(25, Sight(frames=marks(*names))).stage is Stage.COMPLETE


def test_a_stack_that_went_on_after_a_pause_is_waited_for_twice_as_long() -> None:
    """As of a rig that takes a frame every 8 s right into the folder: each of them made a job of its own."""
    stack = Following()
    names = [f"{n}.tif" for n in range(5)]
    stack.at(0, Sight(frames=marks(*names[:1])))
    assert stack.at(5, Sight(frames=marks(*names[:1]))).stage is Stage.COMPLETE
    for n in range(1, 5):
        assert stack.at(8 * n, Sight(frames=marks(*names[: n + 1]))).seconds == 16
        verdict = stack.at(8 * n + 7, Sight(frames=marks(*names[: n + 1])))
        assert verdict.stage is Stage.SETTLING
        assert "taken after 16 s of quiet, since frames came after 8 s without any" in verdict.why
    assert stack.at(47.9, Sight(frames=marks(*names))).stage is Stage.SETTLING
    assert stack.at(48, Sight(frames=marks(*names))).stage is Stage.COMPLETE


@pytest.mark.parametrize("pause", [4.9, 60.1])
def test_a_pause_within_the_quiet_time_or_a_long_one_changes_nothing(pause: float) -> None:
    """After minutes it is another occasion."""
    stack = Following()
    stack.at(0, Sight(frames=marks("a.tif")))
    assert stack.at(pause, Sight(frames=marks("a.tif", "b.tif"))).seconds == 5


def test_time_stamps_from_the_past_and_the_future_are_nothing_special() -> None:
    for stamp in (0, -(10**18), 2**62):
        stack = Following()
        sight = Sight(frames={"a.tif": MARK._replace(mtime_ns=stamp)})
        assert stack.at(0, sight).stage is Stage.ARRIVING
        assert stack.at(5, sight).stage is Stage.COMPLETE


def test_a_file_that_is_open_for_writing_is_waited_for_however_still_it_is() -> None:
    stack, sight = Following(), Sight(frames=marks("a.tif"))
    stack.open = {sight.frames["a.tif"].identity: "cp (process 7)"}
    for now in range(0, 1000, 10):
        assert stack.at(now, sight).stage is Stage.ARRIVING
    assert "cp (process 7)" in stack.at(1000, sight).why
    stack.open = {}
    assert stack.at(1004, sight).stage is Stage.SETTLING  # quiet from when it was last seen open
    assert stack.at(1005, sight).stage is Stage.COMPLETE


def test_where_writers_cannot_be_seen_the_quiet_time_is_longer_and_the_reason_told() -> None:
    stack, sight = (
        Following(),
        Sight(frames=marks("a.tif"), unseen="writers on other machines cannot be seen (NFS)"),
    )
    stack.at(0, sight)
    verdict = stack.at(6, sight)
    assert verdict.seconds == 14
    assert "NFS" in verdict.why
    assert stack.at(20, sight).stage is Stage.COMPLETE


def test_an_empty_file_never_counts() -> None:
    stack = Following()
    frames = marks("a.tif", "b.tif")
    frames["b.tif"] = frames["b.tif"]._replace(size=0)
    for now in (0, 5, 119):
        verdict = stack.at(now, Sight(frames=frames))
        assert verdict.stage is Stage.ARRIVING
    assert "b.tif: found an empty file" in verdict.why
    assert (verdict.seconds, list(verdict.waits_for)) == (1, ["b.tif"])
    assert stack.at(120, Sight(frames=frames)).stage is Stage.GIVEN_UP


def test_a_file_that_does_not_parse_is_waited_for_until_patience_ends_and_again_when_it_changes() -> None:
    stack, frames = Following(), marks("a.tif")
    stack.faults = {"a.tif": Fault("a.tif: ends early")}
    stack.at(0, Sight(frames=frames))
    verdict = stack.at(100, Sight(frames=frames))
    assert (verdict.stage, verdict.seconds) == (Stage.ARRIVING, 20)
    assert stack.at(120, Sight(frames=frames)).faults == {"a.tif": "a.tif: ends early"}
    more = {"a.tif": frames["a.tif"]._replace(size=2000)}
    stack.faults = {}
    assert stack.at(130, Sight(frames=more)).stage is Stage.ARRIVING
    assert stack.at(135, Sight(frames=more)).stage is Stage.COMPLETE


def test_a_doubtful_end_is_given_time_and_then_taken() -> None:
    stack, sight = Following(), Sight(frames=marks("a.tif"))
    stack.faults = {"a.tif": Fault("a.tif: the last 4096 bytes are zeros", doubt=True)}
    stack.at(0, sight)
    assert stack.at(119, sight).stage is Stage.SETTLING
    assert stack.at(120, sight).stage is Stage.COMPLETE


def test_a_temporary_name_holds_the_stack_back_until_it_is_stale() -> None:
    stack = Following()
    sight = Sight(frames=marks("a.tif"), temporary={"b.tif.part": MARK})
    stack.at(0, sight)
    verdict = stack.at(119, sight)
    assert verdict.stage is Stage.ARRIVING
    assert "b.tif.part" in verdict.why
    grown = replace(sight, temporary={"b.tif.part": MARK._replace(size=5)})
    assert stack.at(119.5, grown).stage is Stage.ARRIVING
    assert stack.at(239, grown).stage is Stage.ARRIVING
    assert stack.at(239.5, grown).stage is Stage.COMPLETE


def test_a_rename_is_an_arrival() -> None:
    stack = Following()
    stack.at(0, Sight(frames=marks("a.tif"), temporary={"b.tif.part": MARK}))
    renamed = Sight(frames=marks("a.tif") | {"b.tif": MARK})
    assert stack.at(100, renamed).stage is Stage.ARRIVING
    assert stack.at(105, renamed).stage is Stage.COMPLETE


def test_an_expected_count_is_waited_for_without_end() -> None:
    stack, sight = Following(), Sight(frames=marks("a.tif"), expected=3)
    for now in (0, 5, 1e6):
        assert stack.at(now, sight).why == "1 of 3 frames are here"
    whole = replace(sight, frames=marks("a.tif", "b.tif", "c.tif"))
    stack.at(1e6 + 1, whole)
    assert stack.at(1e6 + 6, whole).stage is Stage.COMPLETE


def test_exposures_are_counted_where_two_files_are_one() -> None:
    stack = Following()
    sight = Sight(frames=marks("a.nef", "a.jpg", "b.nef", "b.jpg"), expected=3, count=2)
    stack.at(0, sight)
    assert stack.at(10, sight).why == "2 of 3 frames are here"


def test_the_word_that_all_is_here_skips_the_quiet_time_but_no_check() -> None:
    sight = Sight(frames=marks("a.tif"), ready=True)
    assert Following().at(0, sight).stage is Stage.COMPLETE
    broken = Following()
    broken.faults = {"a.tif": Fault("a.tif: ends early")}
    assert broken.at(0, sight).stage is Stage.ARRIVING
    written = Following()
    written.open = {sight.frames["a.tif"].identity: "cp"}
    assert written.at(0, sight).stage is Stage.ARRIVING
    assert Following().at(0, replace(sight, expected=2)).stage is Stage.ARRIVING


EVENTS = st.lists(
    st.tuples(
        st.floats(min_value=0.01, max_value=30),
        st.sampled_from(
            ["write", "touch", "replace", "remove", "open", "close", "damage", "mend", "nothing", "copy"]
        ),
        st.sampled_from(["a.tif", "b.tif", "c.tif"]),
    ),
    min_size=1,
    max_size=40,
)


@settings(max_examples=200, deadline=None)
@given(EVENTS)
def test_whatever_happens_in_whatever_order_nothing_is_taken_early_and_all_is_taken_in_the_end(
    events: list[tuple[float, str, str]],
) -> None:
    stack = Following()
    frames: dict[str, Mark] = {}
    temporary: dict[str, Mark] = {}
    since: dict[str, float] = {}
    now = moved = 0.0
    for count, (step, what, name) in enumerate(events):
        now += step
        before = dict(temporary)
        moved = now if _happens(what, name, count, frames, temporary, stack) else moved
        since |= {name: now for name, mark in temporary.items() if before.get(name) != mark}
        verdict = stack.at(now, Sight(frames=dict(frames), temporary=dict(temporary)))
        if verdict.stage is Stage.COMPLETE:
            assert frames
            assert now - moved >= RULES.quiet
            # A file that was removed while a program had it open is none of the stack's.
            assert not {mark.identity for mark in frames.values()} & set(stack.open)
            assert not stack.faults.keys() & frames.keys()
            assert all(now - since[name] >= RULES.patience for name in temporary)
        if verdict.stage is Stage.GIVEN_UP:
            assert now - moved >= RULES.patience
    stack.open, stack.faults = {}, {}
    temporary.clear()
    frames["a.tif"] = MARK
    stack.at(now + 1, Sight(frames=frames))
    # Pauses that were learned are waited for, but never longer than what may still be filled.
    assert stack.at(now + 1.001 + RULES.patience, Sight(frames=frames)).stage is Stage.COMPLETE


def _happens(
    what: str, name: str, count: int, frames: dict[str, Mark], temporary: dict[str, Mark], stack: Following
) -> bool:
    """Let something happen; whether a look can see it in the files."""
    mark = frames.get(name)
    if what == "copy":
        temporary[f"{name}.part"] = MARK._replace(size=1000 + count)
        return True
    if what == "replace" and temporary:
        _, moved = temporary.popitem()
        frames[name] = moved
        return True
    if mark is None:
        if what == "write":
            frames[name] = MARK._replace(inode=1000 + count)
        return what == "write"
    if what in ("write", "touch"):
        changed = {"size": 2000 + count} if what == "write" else {"ctime_ns": 2000 + count}
        frames[name] = mark._replace(**changed)
    elif what == "remove":
        del frames[name]
    elif what == "open":
        stack.open[mark.identity] = "a program"
    elif what == "close":
        stack.open.clear()
    elif what == "damage":
        stack.faults[name] = Fault(f"{name}: ends early")
    elif what == "mend":
        stack.faults.pop(name, None)
    return what in ("write", "touch", "remove")
