"""Steps one by one, in any order, by several at once on shared scratch: the same bytes, and nothing made twice."""

from __future__ import annotations

import os
import re
import socket
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from nearfar.errors import Interrupted, SourceChanged, UsageError, WorkFailed
from nearfar.frames.decode import read_header
from nearfar.frames.headers import FrameHeader
from nearfar.merge import scratch as scratching
from nearfar.merge import stack_frames
from nearfar.merge.deliver.outputs import Outputs
from nearfar.merge.plan import make_plan
from nearfar.merge.recipe import FocusRecipe, Recipe
from nearfar.merge.scratch import Scratch, share_scratch
from nearfar.merge.stack import Merge, Request, Stop
from nearfar.merge.stack_frames import StackInput, Workplace
from nearfar.merge.stack_keys import Keys, place_of
from nearfar.merge.steps import Steps
from nearfar.merge.survey import Mark, identify
from nearfar.progress import Progress
from tests.acceptance.command import lay
from tests.scenes import Scene, render

NAME = re.escape(re.sub(r"\W", "_", socket.gethostname(), flags=re.ASCII)[:40])


@pytest.fixture(scope="module")
def scene() -> Scene:
    """Three frames of two bands."""
    return render("occlusion", frames=3, size=(200, 530), seed=5)


@pytest.fixture
def headers(scene: Scene, tmp_path: Path) -> list[FrameHeader]:
    return [read_header(p) for p in lay(scene.frames, tmp_path / "frames", format="png16")]


@pytest.fixture
def marks(headers: list[FrameHeader]) -> dict[Path, Mark]:
    return {h.path: identify(h) for h in headers}


Make = Callable[..., Steps]


@pytest.fixture
def make(headers: list[FrameHeader], marks: dict[Path, Mark], tmp_path: Path) -> Make:
    """Steps on the shared folder, with local scratch of that name."""

    def made(local: str = "here", **changes: Any) -> Steps:
        usual: dict[str, Any] = {
            "plan": make_plan(headers, limit=1 << 40, threads=2, tile=256),
            "scratch": share_scratch(tmp_path / "shared", tmp_path / local, mark="u1t1"),
            "check": lambda: None,
        }
        given: dict[str, Any] = {"headers": headers, "marks": marks, "recipe": Recipe()}
        for name, value in changes.items():
            (usual if name in usual else given)[name] = value
        return Steps(StackInput(**given), Workplace(**usual))

    return made


@pytest.fixture
def wanted(headers: list[FrameHeader], tmp_path: Path) -> bytes:
    """The picture of one run in one process."""
    job = Request(
        headers=headers,
        outputs=Outputs.beside(tmp_path / "wanted.tif"),
        recipe=Recipe(),
        memory=1 << 40,
        threads=2,
        scratch=tmp_path / "scratch",
    )
    Merge(job, Progress(quiet=True), Stop()).run()
    return job.outputs.picture.read_bytes()


def delivered(steps: Steps, folder: Path) -> bytes:
    folder.mkdir()
    outputs = Outputs.beside(folder / "picture.tif")
    with steps.delivery() as delivery:
        share = steps.gather(delivery)
        steps.deliver(delivery, share, outputs, notes=(), finish=lambda r: r.timed({}, 0))
    return outputs.picture.read_bytes()


def made_by(folder: Path) -> dict[str, int]:
    return {p.name: p.stat().st_mtime_ns for p in folder.iterdir() if p.name not in ("lock", "boot")}


def test_pieces_by_several_in_turn_give_the_picture_of_one_run(
    make: Make, wanted: bytes, tmp_path: Path
) -> None:
    """Every piece by another one, each with local scratch of its own."""
    make("a").survey([2], rows=False)
    make("b").survey([0, 1], rows=False)
    make("c").registration()
    make("d").focus()
    list(make("e").render([1]))
    list(make("f").render([0]))
    before = made_by(tmp_path / "shared")
    assert delivered(make("g"), tmp_path / "out") == wanted
    assert made_by(tmp_path / "shared") == before
    assert made_by(tmp_path / "g") == {}, "nothing was decoded for the delivery, and nothing passing is left"
    assert len(made_by(tmp_path / "f")) == 3


@pytest.mark.parametrize("first", ["noise", "registration", "focus", "render", "deliver"])
def test_any_step_alone_makes_what_it_needs(first: str, make: Make, wanted: bytes, tmp_path: Path) -> None:
    steps = make()
    if first == "render":
        list(steps.render([1]))
    elif first != "deliver":
        getattr(steps, first)()
    assert delivered(make(), tmp_path / "out") == wanted


def test_rows_that_lie_elsewhere_are_laid_out_again_without_a_new_survey(make: Make, tmp_path: Path) -> None:
    make("there").survey(range(3), rows=True)
    before = made_by(tmp_path / "shared")
    here = make("here")
    assert not here.is_surveyed(0, rows=True)
    assert here.is_surveyed(0, rows=False)
    here.survey(range(3), rows=True)
    assert made_by(tmp_path / "shared") == before
    rows = {p.name: p.read_bytes() for p in (tmp_path / "there").glob("*.rows")}
    assert {p.name: p.read_bytes() for p in (tmp_path / "here").glob("*.rows")} == rows
    assert len(rows) == 3


def test_a_survey_that_is_there_needs_no_rows(make: Make, tmp_path: Path) -> None:
    make("there").survey(range(3), rows=False)
    make("here").survey(range(3), rows=False)
    assert made_by(tmp_path / "here") == {}


def test_two_at_the_same_step_at_the_same_time_do_each_other_no_harm(
    make: Make, wanted: bytes, tmp_path: Path
) -> None:
    meet = threading.Barrier(3)

    def work(name: str) -> bytes:
        steps = make(name)
        for step in (steps.noise, steps.registration, steps.focus):
            meet.wait(60)
            step()
        meet.wait(60)
        return delivered(steps, tmp_path / f"out {name}")

    with ThreadPoolExecutor(3) as pool:  # two of them share local scratch as well
        assert list(pool.map(work, ["one", "two", "three"])) == [wanted] * 3
    assert not list(tmp_path.rglob("*.part"))


def test_progress_is_told_in_full(make: Make) -> None:
    steps = make()
    told: dict[str, float] = {}

    def tick(name: str) -> Callable[[float], None]:
        return lambda done: told.__setitem__(name, told.get(name, 0.0) + done)

    steps.survey(range(3), rows=True, tick=tick("survey"))
    steps.registration(tick("register"))
    steps.focus(tick("focus"))
    list(steps.render([0], tick("render")))
    list(steps.render([0], tick("again")))
    assert told == pytest.approx(
        {"survey": 3, "register": 1, "focus": 3, "render": steps.blocks([0]), "again": 1}
    )


@pytest.mark.parametrize("step", ["survey", "registration", "focus", "render", "deliver"])
def test_every_step_may_be_stopped_and_leaves_no_part(step: str, make: Make, tmp_path: Path) -> None:
    ready = make()
    order = ["survey", "registration", "focus", "render", "deliver"]
    for before in order[: order.index(step)]:
        run(ready, before, tmp_path / before)
    left = [2]

    def check() -> None:
        left[0] -= 1
        if left[0] < 0:
            raise Interrupted("stopped")

    with pytest.raises(Interrupted):
        run(make(check=check), step, tmp_path / "stopped")
    assert not list(tmp_path.rglob("*.part"))
    assert not (tmp_path / "stopped" / "picture.tif").exists()


def run(steps: Steps, step: str, folder: Path) -> None:
    if step == "survey":
        steps.survey(range(3), rows=True)
    elif step == "render":
        list(steps.render(range(2)))
    elif step == "deliver":
        delivered(steps, folder)
    else:
        getattr(steps, step)()


def test_mapped_pages_are_given_back_above_the_ceiling(make: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    """Below it they stay: reading them again costs time."""
    steps = make()
    given: list[int] = []

    class Frame:
        def forget(self) -> None:
            given.append(1)

    steps._mapped = [Frame(), Frame()]  # type: ignore[list-item]
    monkeypatch.setattr(stack_frames, "resident", lambda: steps.plan.ceiling)
    steps.relax()
    assert given == []
    monkeypatch.setattr(stack_frames, "resident", lambda: steps.plan.ceiling + 1)
    steps.relax()
    assert given == [1, 1]


def test_a_frame_that_changed_is_told_by_survey_and_delivery(
    make: Make, headers: list[FrameHeader], tmp_path: Path
) -> None:
    steps = make()
    steps.registration()
    data = bytearray(headers[1].path.read_bytes())
    data[-500] ^= 255
    headers[1].path.write_bytes(data)
    with pytest.raises(SourceChanged, match="F0002.png"):
        delivered(steps, tmp_path / "out")
    with pytest.raises(SourceChanged, match="F0002.png"):
        make(scratch=share_scratch(tmp_path / "other", tmp_path / "local", mark="u2t1")).survey(
            range(3), rows=True
        )
    assert [p.name for p in (tmp_path / "out").iterdir()] == []


def test_keys_tell_what_each_step_depends_on(headers: list[FrameHeader]) -> None:
    digests = ["a", "b", "c"]
    usual = Keys(headers, digests, Recipe(), None)
    focus = Keys(headers, digests, Recipe(focus=FocusRecipe(admit=0.9)), None)
    other = Keys(headers, ["a", "b", "d"], Recipe(), None)
    middle = Keys(headers, digests, Recipe(), 1)
    assert usual.register == focus.register
    assert len({usual.focus, focus.focus, other.focus, middle.focus}) == 4
    assert len({usual.result, focus.result, other.result, middle.result}) == 4
    assert usual.surveys[:2] == other.surveys[:2]


@pytest.mark.parametrize("wanted_name", ["F0002.png", "F0002", "path"])
def test_a_reference_is_found_by_name_or_path(wanted_name: str, headers: list[FrameHeader]) -> None:
    asked = str(headers[1].path) if wanted_name == "path" else wanted_name
    assert place_of(asked, headers) == 1
    assert place_of(None, headers) is None
    with pytest.raises(UsageError, match="F0009: no frame has that name; there are F0001.png, F0002.png"):
        place_of("F0009", headers)


# Scratch of several


@pytest.fixture
def shared(tmp_path: Path) -> Scratch:
    return share_scratch(tmp_path / "shared", tmp_path / "local", mark="u5t2")


def test_names_of_parts_tell_host_process_and_token(shared: Scratch) -> None:
    seen = []
    for kind, folder in (("survey", shared.folder), ("rows", shared.local)):
        for _ in range(2):
            with shared.writing("key", kind) as part:
                part.write_bytes(b"1")
                seen.append(part.name)
                assert part.parent == folder
    assert len(set(seen)) == 4, "threads of forked processes have the same names"
    for name in [*seen, shared.passing("key", "picture").name]:
        assert re.fullmatch(rf"key\.[\w.-]+\.{NAME}-{os.getpid()}-u5t2-[0-9a-f]{{12}}\.part", name)


def test_shared_outputs_without_checksums_are_synced_before_they_get_their_names(
    shared: Scratch, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced: list[int] = []
    monkeypatch.setattr(os, "fsync", lambda _: synced.append(len(list(shared.folder.glob("*.part")))))
    with shared.writing("key", "band") as part:
        part.write_bytes(b"1")
    assert synced == [1]
    shared.save("key", "survey", {"a": np.zeros(3)})
    assert synced == [1], "what a power cut takes of it is found out"
    with shared.writing("key", "rows") as part:
        part.write_bytes(b"1")
    assert synced == [1], "rows are laid out again after a power cut"


def test_rows_from_before_the_machine_started_are_not_trusted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    boot = tmp_path / "boot_id"
    boot.write_text("monday\n", encoding="ascii")
    monkeypatch.setattr(scratching, "BOOT", boot)
    for started, there in (("monday", True), ("tuesday", False)):
        boot.write_text(f"{started}\n", encoding="ascii")
        scratch = share_scratch(tmp_path / "shared", tmp_path / "local", mark="u1t1")
        if started == "monday":
            scratch.save_text("key", "survey", 1)
            with scratch.writing("key", "rows") as part:
                part.write_bytes(b"1")
            scratch = share_scratch(tmp_path / "shared", tmp_path / "local", mark="u1t1")
        assert scratch.has("key", "survey")
        assert scratch.has("key", "rows") is there
        assert len(list(scratch.local.iterdir())) == there


def test_rows_of_another_machine_are_neither_taken_nor_removed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the scratch folder lies in a data folder that two machines share."""
    for host in ("one", "two", "one"):
        monkeypatch.setattr(socket, "gethostname", lambda host=host: host)
        scratch = share_scratch(tmp_path / "shared", tmp_path / "local", mark="u1t1")
        if not scratch.has("key", "rows"):
            with scratch.writing("key", "rows") as part:
                part.write_bytes(host.encode())
        assert scratch.path("key", "rows").read_bytes() == host.encode()
    assert len(list((tmp_path / "local").iterdir())) == 2


@pytest.mark.parametrize("left", [0, 7, 40, -1])
def test_what_a_power_cut_took_goes_all_at_once(shared: Scratch, left: int) -> None:
    """ext4(5), delalloc and data=ordered: a file has its name, but only a part of its contents, or none."""
    for number in range(5):
        shared.save(f"key{number}", "survey", {"a": np.arange(9.0) + number, "b": np.zeros(2)})
    for number in (1, 3):
        path = shared.path(f"key{number}", "survey")
        path.write_bytes(path.read_bytes()[:left])
    with pytest.raises(WorkFailed, match="removed and will be made again"):
        shared.load("key3", "survey", "b")
    assert [shared.has(f"key{number}", "survey") for number in range(5)] == [True, False, True, False, True]


def test_a_spoilt_output_is_told_and_goes(shared: Scratch) -> None:
    shared.path("key", "survey").write_bytes(b"spoilt")
    with pytest.raises(WorkFailed, match="it was removed and will be made again"):
        shared.load("key", "survey", "energy")
    assert not shared.has("key", "survey")
