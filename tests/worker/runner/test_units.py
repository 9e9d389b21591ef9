"""Units of a job make the picture of ``nearfar merge``, whoever does which of them, and nothing twice."""

from __future__ import annotations

import logging
from pathlib import Path

import numpy as np
import pytest

from nearfar.errors import UsageError
from nearfar.jobs import FrameState, UnitKind
from nearfar.merge import recipe as recipes
from nearfar.merge.keys import file_digest
from nearfar.merge.steps import Steps
from nearfar.runner import loading, weights
from nearfar.runner.again import again
from nearfar.runner.loading import Task
from tests.acceptance.command import lay, report_of
from tests.scenes import Camera, Scene, render
from tests.worker.frames.makers import write_dng
from tests.worker.runner.workbench import ALL, Bench, merged, result_of, same_files, size_of


@pytest.fixture(scope="module")
def scene() -> Scene:
    """Three frames of two bands."""
    return render("occlusion", frames=3, size=(200, 530), seed=5)


@pytest.fixture
def fine_units(monkeypatch: pytest.MonkeyPatch) -> None:
    """Units of two frames, and of one band."""
    monkeypatch.setattr(weights, "MOST_FRAMES", 2)
    monkeypatch.setattr(weights, "RENDER_SECONDS", 1e-6)


# The picture


@pytest.mark.usefixtures("fine_units")
@pytest.mark.parametrize("format", ["jpeg", "tiff16", "png16"])
def test_units_make_the_picture_that_the_command_makes(
    format: str, bench: Bench, scene: Scene, tmp_path: Path
) -> None:
    paths = lay(scene.frames, bench.places.inbox / "moss", format=format)
    job = bench.submit(paths)
    done = bench.work_off()
    assert done == [ALL[0], ALL[0], ALL[1], ALL[2], ALL[3], ALL[3], ALL[4]]
    picture = result_of(bench, job)
    assert picture == bench.places.results / "moss" / "moss.tif"
    assert same_files(picture, merged(paths, tmp_path / "command"))
    assert bench.parts() == []
    entries = bench.store.frames(job)
    assert [e.state for e in entries] == [FrameState.USED] * 3
    assert all(
        e.digest is not None and e.size == p.stat().st_size for e, p in zip(entries, paths, strict=True)
    )


@pytest.mark.usefixtures("fine_units")
def test_raw_frames_in_several_units_share_one_white_balance(
    bench: Bench, scene: Scene, tmp_path: Path
) -> None:
    """The second unit has to take the balance of a frame that is not its own."""
    paths = []
    for number, frame in enumerate(scene.frames):
        mosaic = np.where(np.indices(frame.shape[:2]).sum(0) % 2, frame[:, :, 1], frame[:, :, 2])
        mosaic[::2, ::2] = frame[::2, ::2, 0]
        path = bench.places.inbox / "moss" / f"F{number}.dng"
        path.parent.mkdir(parents=True, exist_ok=True)
        paths.append(write_dng(path, sensor=mosaic // 4, neutral=(2 + number, 5, 1, 1, 4 + number, 5)))
    job = bench.submit(paths)
    bench.work_off()
    picture = result_of(bench, job)
    report = report_of(picture)
    assert [f["raw"] for f in report["frames"]] == [{"balance": [2.5, 1.0, 1.25, 1.0], "curve": "gamma"}] * 3
    assert not any("white balance" in warning for warning in report["warnings"])
    assert same_files(picture, merged(paths, tmp_path / "command"))


@pytest.mark.usefixtures("fine_units")
def test_frames_in_several_units_are_turned_by_one_orientation(
    bench: Bench, scene: Scene, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """The second unit's only frame has to take the tag of the two others."""
    paths = []
    for number, (frame, tag) in enumerate(zip(scene.frames, (6, 6, 1), strict=True)):
        name, folder = f"F{number}.tif", bench.places.inbox / "moss"
        paths += lay(frame[None], folder, names=[name], camera=Camera(orientation=tag))
    job = bench.submit(paths)
    with caplog.at_level(logging.INFO):
        bench.work_off()
    (line,) = [r for r in caplog.records if getattr(r, "action", "") == "stack.turned"]
    assert "F2.tif carries 1" in line.getMessage()
    picture = result_of(bench, job)
    report = report_of(picture)
    assert report["size"] == [530, 200]
    assert [f.get("turned") for f in report["frames"]] == [None, None, {"tag": 1, "as": 6}]
    assert same_files(picture, merged(paths, tmp_path / "command"))


@pytest.mark.usefixtures("fine_units")
def test_units_correct_frames_by_dark_and_flat_as_the_command_does(
    bench: Bench, scene: Scene, tmp_path: Path
) -> None:
    paths = lay(scene.frames, bench.places.inbox / "moss", format="tiff16")
    down, across = np.indices(scene.frames[0].shape[:2])
    even = (40000 - 60 * down - 20 * across).astype(np.uint16)[:, :, None].repeat(3, axis=2)
    lay(even[None], bench.places.inbox / "masters", format="tiff16", names=["flat.tif"])
    lay(even[None] // 50, bench.places.inbox / "masters", format="tiff16", names=["dark.tif"])
    text = "".join(
        f'{name} = "{bench.places.inbox / "masters" / f"{name}.tif"}"\n' for name in ("dark", "flat")
    )
    text = f"[sensor]\n{text}"
    job = bench.submit(paths, settings={"recipe_toml": text})
    bench.work_off()
    picture = result_of(bench, job)
    assert same_files(picture, merged(paths, tmp_path / "command", recipes.parse(text, name="standard")))
    assert not same_files(picture, merged(paths, tmp_path / "plain"))
    corrected = report_of(picture)["corrected"]
    assert [[m["name"] for m in corrected[kind]] for kind in ("dark", "flat")] == [["dark.tif"], ["flat.tif"]]
    assert corrected["text"] in picture.with_suffix(".report.txt").read_text(encoding="utf-8")
    assert bench.parts() == []


def test_the_report_says_whose_result_it_is_and_what_it_took(bench: Bench, frames: list[Path]) -> None:
    job = bench.submit(frames)
    bench.work_off()
    report = report_of(result_of(bench, job))
    assert report["job"] == {"id": job, "run": 1, "key": report["key"]}
    seconds = report["seconds"]
    assert all(seconds[step] > 0 for step in ("survey", "register", "focus", "render", "deliver"))
    assert seconds["total"] == pytest.approx(sum(v for k, v in seconds.items() if k != "total"), abs=0.01)
    assert report["memory"]["peak"] > 1 << 20


def test_frames_are_put_in_the_order_in_which_they_were_taken(
    bench: Bench, small: Scene, tmp_path: Path
) -> None:
    """Names run against the clock of the camera, which `lay` counts up with the place in the list."""
    paths = lay(small.frames, bench.places.inbox / "moss", names=["c.tif", "b.tif", "a.tif"])
    job = bench.submit(sorted(paths))
    bench.work_off()
    picture = result_of(bench, job)
    assert [f["name"] for f in report_of(picture)["frames"]] == ["c.tif", "b.tif", "a.tif"]
    assert same_files(picture, merged(sorted(paths), tmp_path / "command"))


def test_a_reference_and_frames_to_leave_out_are_heeded(bench: Bench, frames: list[Path]) -> None:
    job = bench.submit(frames, settings={"reference": "F0003", "leave_out": ["F0001.jpg"]})
    bench.work_off()
    report = report_of(result_of(bench, job))
    assert report["reference"] == "F0003.jpg"
    assert [f["name"] for f in report["frames"]] == ["F0002.jpg", "F0003.jpg"]
    assert "F0001.jpg: left out on request" in report["notes"]
    first = bench.store.frames(job)[0]
    assert (first.state, first.reason) == (FrameState.LEFT_OUT, "left out on request")


def test_a_frame_that_was_set_aside_is_told_with_its_reason_and_taken_in_by_one_step(
    bench: Bench, frames: list[Path]
) -> None:
    """On a card a frame under a shadow is set aside before there is a job, which then said nothing of it."""
    why = "shows something else than the frames around it"
    job = bench.submit([frames[0], frames[2]], aside={frames[1]: why})
    entry = bench.store.frames(job)[1]
    assert (Path(entry.path), entry.state, entry.reason) == (frames[1], FrameState.LEFT_OUT, why)
    bench.work_off()
    report = report_of(result_of(bench, job))
    assert [f["name"] for f in report["frames"]] == ["F0001.jpg", "F0003.jpg"]
    assert f"F0002.jpg: {why}" in report["notes"]
    assert bench.store.frames(job)[1].reason == why
    taken = again(bench.store, job, use=["F0002.jpg"], who="tester").job
    assert bench.job(taken).settings == {"other_light": "keep"}
    assert Task.load(bench.store, taken, bench.places).recipe.register.other_light == "keep"
    bench.work_off()
    assert [f["name"] for f in report_of(result_of(bench, taken))["frames"]] == [p.name for p in frames]
    with pytest.raises(UsageError, match="use: no frame is called 'F0009.jpg'; there are F0001.jpg"):
        again(bench.store, job, use=["F0009.jpg"], who="tester")


def test_a_result_of_ours_among_the_frames_is_left_out(
    bench: Bench, frames: list[Path], tmp_path: Path
) -> None:
    old = merged(frames, tmp_path / "command")
    job = bench.submit([*frames, old])
    bench.work_off()
    assert same_files(result_of(bench, job), old)
    last = bench.store.frames(job)[-1]
    assert (last.state, last.reason) == (FrameState.LEFT_OUT, "a result of Nearfar, not a frame")


def test_a_recipe_may_come_as_text(bench: Bench, frames: list[Path]) -> None:
    job = bench.submit(frames, recipe="mine", settings={"recipe_toml": "[deliver]\npreview_edge = 64\n"})
    bench.work_off()
    picture = result_of(bench, job)
    assert report_of(picture)["recipe"] == "mine"
    assert size_of(picture.with_name("moss.preview.jpg")) == (64, 48)


def test_a_frame_is_digested_once(bench: Bench, frames: list[Path], monkeypatch: pytest.MonkeyPatch) -> None:
    read: list[str] = []

    def digest(path: Path) -> str:
        read.append(path.name)
        return file_digest(path)

    monkeypatch.setattr(loading, "file_digest", digest)
    job = bench.submit(frames)
    bench.work_off()
    assert sorted(read) == ["F0001.jpg", "F0002.jpg", "F0003.jpg"]
    counted = bench.store.figures().counted
    assert counted["frames"] == 3
    assert counted["bytes_read"] == sum(p.stat().st_size for p in frames)
    assert counted["pixels"] == 4 * 160 * 120, "three frames surveyed, one picture rendered"
    assert bench.job(job).progress == 1.0


def test_bands_go_after_success_and_the_rest_stays(bench: Bench, frames: list[Path]) -> None:
    bench.submit(frames)
    bench.do(bench.until(UnitKind.RENDER))
    assert len(bench.outputs("band")) == 1
    bench.work_off()
    assert bench.outputs("band") == {}
    assert len(bench.outputs("survey", "register", "focus", "volume")) == 6


def two_workers(bench: Bench, monkeypatch: pytest.MonkeyPatch, helped: dict[UnitKind, float]) -> None:
    """Make two workers known; expected seconds beyond which one helps the other with units of these kinds."""
    monkeypatch.setattr(weights, "MOST_HELPERS", 0)
    monkeypatch.setattr(weights, "LEAST_HELPED", helped)
    for name in ("w1", "w2"):
        bench.store.register(name, host="bench", pid=1, version="", slots=1, memory=1 << 40, disk=1 << 40)


@pytest.mark.usefixtures("fine_units")
@pytest.mark.parametrize("first", ["helper", "main"])
def test_another_worker_helps_to_find_the_focus_and_the_files_are_the_same(
    first: str, bench: Bench, scene: Scene, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    two_workers(bench, monkeypatch, {UnitKind.FOCUS: -1.0, UnitKind.DELIVER: 9.0})
    paths = lay(scene.frames, bench.places.inbox / "moss")
    job = bench.submit(paths)
    main = bench.until(UnitKind.FOCUS)
    helper = bench.claim("w2")
    assert [(c.kind, c.start) for c in (main, helper)] == [(UnitKind.FOCUS, 0), (UnitKind.FOCUS, 1)]
    for claim in (helper, main) if first == "helper" else (main, helper):
        bench.do(claim)
        assert len(bench.outputs("links")) == (3 if claim is helper and first == "helper" else 0)
        assert len(bench.outputs("coverage")) == 1
    bench.work_off()
    assert same_files(result_of(bench, job), merged(paths, tmp_path / "command"))
    assert bench.parts() == []


@pytest.mark.usefixtures("fine_units")
def test_dear_bands_are_given_out_first(
    bench: Bench, scene: Scene, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Steps, "costs", lambda _: [1.0, 3.0])
    paths = lay(scene.frames, bench.places.inbox / "moss")
    job = bench.submit(paths)
    first = bench.until(UnitKind.RENDER)
    assert (first.start, first.stop) == (1, 2)
    bench.do(first)
    second = bench.claim()
    assert (second.kind, second.start, second.stop) == (UnitKind.RENDER, 0, 1)
    bench.do(second)
    bench.work_off()
    assert same_files(result_of(bench, job), merged(paths, tmp_path / "command"))


@pytest.mark.usefixtures("fine_units")
@pytest.mark.parametrize("first", ["helper", "main"])
def test_another_worker_helps_to_deliver_and_the_files_are_the_same(
    first: str, bench: Bench, scene: Scene, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    two_workers(bench, monkeypatch, {UnitKind.FOCUS: 9.0, UnitKind.DELIVER: 0.0})
    paths = lay(scene.frames, bench.places.inbox / "moss")
    job = bench.submit(paths)
    main = bench.until(UnitKind.DELIVER)
    helper = bench.claim("w2")
    assert [(c.kind, c.start) for c in (main, helper)] == [(UnitKind.DELIVER, 0), (UnitKind.DELIVER, 1)]
    assert len(bench.outputs("reduced")) == 1, "one row of tiles of two bands"
    made = {"beside-preview", "beside-focus", "beside-doubt", "beside-report"}
    for claim in (helper, main) if first == "helper" else (main, helper):
        bench.do(claim)
        left = {path.name.split(".")[1] for path in bench.places.work.rglob("*.beside-*")}
        assert left == (made if claim is helper and first == "helper" else set())
    assert same_files(result_of(bench, job), merged(paths, tmp_path / "command"))
    assert bench.outputs("reduced", "band") == {}
    assert bench.parts() == []


# Once more, with something changed


def test_with_other_settings_only_what_they_change_is_made(bench: Bench, frames: list[Path]) -> None:
    first = bench.submit(frames)
    bench.work_off()
    kept = bench.outputs("survey", "register", "focus", "volume", "mark")
    pixels = bench.store.figures().counted["pixels"]
    text = "[render]\nagreement = 2.0\n"
    second = again(bench.store, first, settings={"recipe_toml": text}, who="tester")
    assert second.new
    assert bench.job(second.job).again_of == first
    bench.work_off()
    assert bench.outputs("survey", "register", "focus", "volume", "mark") == kept
    assert bench.store.figures().counted["pixels"] == pixels + 160 * 120, "rendered, nothing else"
    assert result_of(bench, second.job) == bench.places.results / "moss-2" / "moss-2.tif"
    third = again(bench.store, second.job, leave_out=["F0003.jpg"], who="tester")
    bench.work_off()
    assert set(bench.outputs("survey")) == {n for n in kept if n.endswith(".survey")}
    report = report_of(result_of(bench, third.job))
    assert [f["name"] for f in report["frames"]] == ["F0001.jpg", "F0002.jpg"]
    assert result_of(bench, first).exists()


# Several workers


@pytest.mark.usefixtures("fine_units")
def test_workers_with_scratch_of_their_own_share_a_job(bench: Bench, scene: Scene, tmp_path: Path) -> None:
    """Each unit goes to another one of two machines, none of which has what the other laid out."""
    paths = lay(scene.frames, bench.places.inbox / "moss", format="png16")
    job = bench.submit(paths)
    hands = [bench.elsewhere("first"), bench.elsewhere("second")]
    turn = 0
    while (claim := bench.store.claim(f"w{turn % 2}")) is not None:
        bench.do(claim, hands[turn % 2])
        turn += 1
    assert turn == 7
    assert same_files(result_of(bench, job), merged(paths, tmp_path / "command"))
    assert len(list((bench.places.data / "second").rglob("*.rows"))) == 3


@pytest.mark.usefixtures("fine_units")
@pytest.mark.parametrize("unit", range(7))
def test_all_that_is_local_may_vanish_between_two_units(
    unit: int, bench: Bench, scene: Scene, tmp_path: Path
) -> None:
    """A worker ends after any unit, and one without its scratch goes on."""
    paths = lay(scene.frames, bench.places.inbox / "moss", format="png16")
    job = bench.submit(paths)
    for _ in range(unit):
        bench.do(bench.claim(), bench.elsewhere("gone"))
    bench.work_off(bench.elsewhere("new"))
    assert same_files(result_of(bench, job), merged(paths, tmp_path / "command"))


@pytest.mark.parametrize("kind", ALL)
def test_what_others_left_under_keys_may_vanish_as_well(
    kind: UnitKind, bench: Bench, frames: list[Path], tmp_path: Path
) -> None:
    job = bench.submit(frames)
    claim = bench.until(kind)
    for path in bench.places.work.rglob("*.*"):
        path.unlink()
    bench.do(claim)
    bench.work_off()
    assert same_files(result_of(bench, job), merged(frames, tmp_path / "command"))


@pytest.mark.parametrize("ending", ["survey", "register", "focus", "volume", "band", "mark"])
@pytest.mark.parametrize("found", [b"", b"spoilt"])
def test_a_spoilt_output_is_made_again(
    ending: str, found: bytes, bench: Bench, frames: list[Path], tmp_path: Path
) -> None:
    job = bench.submit(frames)
    claim = bench.until(UnitKind.DELIVER)
    next(bench.places.work.rglob(f"*.{ending}")).write_bytes(found)
    bench.do(claim)
    bench.work_off()
    assert same_files(result_of(bench, job), merged(frames, tmp_path / "command"))
