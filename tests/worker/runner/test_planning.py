"""How a stack becomes a job: units of a few seconds from sizes alone, uploads that begin when they are here, changes."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from nearfar.errors import NotFound, RecipeRefused, StackRefused, StoreUnreachable, UsageError
from nearfar.jobs import Duplicates, FrameNote, FrameState, JobState, Submission, UnitKind, UnitPlan, control
from nearfar.runner import weights
from nearfar.runner.again import again
from nearfar.runner.planning import (
    THEN_HELD,
    begin_uploads,
    frame_path,
    hex_digest,
    plan_upload,
    root_of,
    submission,
    upload_submission,
)
from nearfar.runner.weights import Extent, first_units, helpers, last_units, render_units
from tests.worker.runner.workbench import Bench, result_of

MB = 1_000_000


def surveys(units: Sequence[UnitPlan]) -> list[tuple[int, int]]:
    return [(u.start, u.stop) for u in units if u.kind is UnitKind.SURVEY]


def named(count: int, size: int | None, ending: str = "jpg") -> list[tuple[str, int | None]]:
    return [(f"{k:03d}.{ending}", size) for k in range(count)]


# Units


def test_surveys_cover_every_frame_once_in_batches_of_a_few() -> None:
    units, _ = first_units(named(20, 10 * MB))
    assert surveys(units) == [(0, 5), (5, 10), (10, 15), (15, 20)]
    assert [u.kind for u in units[-2:]] == [UnitKind.REGISTER, UnitKind.FOCUS]
    assert max(b - a for a, b in surveys(first_units(named(100, 1000))[0])) <= weights.MOST_FRAMES


@pytest.mark.parametrize("count", [2, 5, 10, 11, 24, 77])
@pytest.mark.parametrize("size", [300_000, 5 * MB, 30 * MB])
def test_two_workers_survey_about_as_many_frames_each(count: int, size: int) -> None:
    """They take units by turns: neither has more than one frame and one unit's share of seconds more."""
    spans = surveys(first_units(named(count, size, "nef"))[0])
    each = [sum(b - a for a, b in spans[k::2]) for k in range(2)]
    assert abs(each[0] - each[1]) <= max(1, len(spans) // 2) or len(spans) == 1


def test_large_files_come_in_smaller_batches_but_never_less_than_one() -> None:
    units, _ = first_units(named(6, 40 * MB, "nef"))
    assert surveys(units) == [(k, k + 1) for k in range(6)]
    units, _ = first_units(named(3, 500 * MB, "nef"))
    assert surveys(units) == [(0, 1), (1, 2), (2, 3)]
    assert all(u.weight > weights.SURVEY_SECONDS for u in units[:3])


@pytest.mark.parametrize(
    ("megapixels", "others", "count"), [(0.3, 3, 0), (4, 0, 0), (4, 5, 2), (24, 1, 1), (24, 9, 3)]
)
def test_others_help_to_register_where_it_takes_long_and_somebody_is_there(
    megapixels: float, others: int, count: int
) -> None:
    extent = Extent(frames=10, megapixels=megapixels, kind="jpeg")
    units = helpers(extent, others, memory=700)
    assert [(u.kind, u.start, u.memory) for u in units] == [
        (UnitKind.REGISTER, k, 700) for k in range(1, count + 1)
    ]


@pytest.mark.parametrize(("megapixels", "others", "count"), [(0.3, 3, 1), (6, 0, 1), (6, 1, 2), (24, 9, 2)])
def test_one_of_the_others_helps_to_deliver_where_it_takes_long(
    megapixels: float, others: int, count: int
) -> None:
    extent = Extent(frames=10, megapixels=megapixels, kind="jpeg")
    units, _ = last_units(extent, memory=700, result=1000, others=others)
    assert [u.start for u in units if u.kind is UnitKind.DELIVER] == list(range(count))


@pytest.mark.parametrize(
    ("frames", "megapixels", "others", "count"), [(10, 2, 1, 1), (10, 4, 0, 1), (10, 4, 1, 2), (40, 24, 9, 2)]
)
def test_one_of_the_others_helps_to_find_the_focus_where_it_takes_long(
    frames: int, megapixels: float, others: int, count: int
) -> None:
    extent = Extent(frames=frames, megapixels=megapixels, kind="jpeg")
    first, _ = first_units(named(frames, 40 * MB))
    later, _ = last_units(extent, memory=700, result=1000, others=others)
    units = [u for u in (*first, *later) if u.kind is UnitKind.FOCUS]
    assert [u.start for u in units] == list(range(count))


def test_small_pictures_have_one_unit_of_each_kind() -> None:
    units, _ = first_units(named(6, 40_000))
    extent = Extent(frames=6, megapixels=0.12, kind="jpeg")
    later, _ = last_units(extent, memory=1, result=1)
    renders = render_units(extent, [1.0], memory=1, result=1)
    assert [u.kind for u in (*units, *renders, *later)] == list(UnitKind)


def test_what_is_missing_still_gets_units() -> None:
    units, stages = first_units(named(3, None))
    assert surveys(units) == [(0, 3)]
    assert all(w > 0 for w in stages.values())


@pytest.mark.parametrize(
    ("size", "count"), [((1200, 800), 1), ((3000, 2000), 4), ((6000, 4000), 8), ((12000, 9000), 8)]
)
def test_rendering_is_cut_into_ranges_of_bands_that_cover_the_picture(
    size: tuple[int, int], count: int
) -> None:
    extent = Extent(frames=40, megapixels=size[0] * size[1] / 1e6, kind="jpeg")
    costs = [float(2 + band % 3) for band in range(-(-size[1] // 512))]
    renders = render_units(extent, costs, memory=700, result=1000)
    assert len(renders) == count
    in_order = sorted(renders, key=lambda u: u.start)
    assert [u.start for u in in_order] == [0, *(u.stop for u in in_order[:-1])]
    assert in_order[-1].stop == len(costs)
    assert [u.weight for u in renders] == sorted((u.weight for u in renders), reverse=True), (
        "the dearest first"
    )
    _, stages = last_units(extent, memory=700, result=1000)
    assert sum(u.weight for u in renders) == pytest.approx(stages["render"], rel=0.02)
    assert {u.memory for u in renders} == {700}


def test_the_time_that_a_unit_may_take_grows_with_what_is_expected() -> None:
    assert weights.limit_of(1.0) == 1800.0
    assert weights.limit_of(100.0) == 5000.0


# Submissions


def test_only_sizes_are_looked_at(tmp_path: Path) -> None:
    paths = []
    for k in range(3):
        path = tmp_path / f"{k}.jpg"
        path.write_bytes(bytes(100 + k))
        path.chmod(0o000)
        paths.append(path)
    made = submission("moss", [*paths, tmp_path / "gone.jpg"], owner="studio")
    assert [f.size for f in made.frames] == [100, 101, 102, None]
    assert all(Path(f.path).is_absolute() for f in made.frames)
    assert set(made.weights) == {str(k) for k in UnitKind}


def test_all_that_is_given_is_passed_on(tmp_path: Path) -> None:
    made = submission(
        "moss",
        [tmp_path / "a.jpg"],
        owner="studio",
        recipe="macro",
        settings={"reference": "a"},
        priority=3,
        sources=["/inbox/moss"],
        digest="d",
        duplicates=Duplicates.SKIP,
        key="k",
        hold="wait",
    )
    assert (made.recipe, made.settings, made.priority, made.sources) == (
        *("macro", {"reference": "a"}, 3),
        ("/inbox/moss",),
    )
    assert (made.digest, made.duplicates, made.key, made.hold) == ("d", Duplicates.SKIP, "k", "wait")


def test_a_refused_set_has_no_units_and_is_recorded_as_failed(bench: Bench) -> None:
    made = submission("moss", [], owner="studio", recipe="nothing", refused=("input", "no frames"))
    assert made.units == ()
    job = bench.store.submit(made, who="tester").job
    assert (bench.job(job).state, bench.job(job).reason) == (JobState.FAILED, "no frames")


@pytest.mark.parametrize(
    ("recipe", "settings", "error", "words"),
    [
        ("landscpe", {}, RecipeRefused, "did you mean landscape"),
        ("/etc/passwd.toml", {}, UsageError, "is a path"),
        ("../mine.toml", {}, UsageError, "is a path"),
        ("mine", {"recipe_toml": "[focus]\nadmit = 7"}, RecipeRefused, "focus.admit is 7"),
        ("mine", {"recipe_toml": "x" * 70_000}, UsageError, "longer than"),
        ("standard", {"colour": 1}, UsageError, "colour is not a setting of a job"),
        ("standard", {"leave_out": "a.jpg"}, UsageError, "expected a list"),
        ("standard", {"reference": 3}, UsageError, "expected text"),
    ],
)
def test_settings_that_nobody_could_follow_are_refused(
    recipe: str, settings: dict[str, object], error: type[Exception], words: str, tmp_path: Path
) -> None:
    with pytest.raises(error, match=words):
        submission("moss", [tmp_path / "a.jpg"], owner="studio", recipe=recipe, settings=settings)


def test_a_stack_without_frames_is_refused() -> None:
    with pytest.raises(UsageError, match="no frames were given"):
        submission("moss", [], owner="studio")


# Uploads


def upload(frames: Sequence[Path]) -> Submission:
    told = [
        (
            p.name,
            p.stat().st_size,
            f"sha-256=:{base64.b64encode(hashlib.sha256(p.read_bytes()).digest()).decode()}:",
        )
        for p in frames
    ]
    return upload_submission("moss", told, owner="studio")


def test_an_upload_begins_when_all_of_it_is_here(bench: Bench, frames: list[Path]) -> None:
    job = bench.store.submit(upload(frames), who="tester").job
    assert (bench.job(job).state, bench.job(job).reason) == (
        JobState.HELD,
        "not all of its 3 frames are here",
    )
    entries = bench.store.frames(job)
    assert entries[0].digest == hashlib.sha256(frames[0].read_bytes()).hexdigest()
    for k, (entry, source) in enumerate(zip(entries, frames, strict=True)):
        assert not plan_upload(bench.store, job, bench.places)
        target = frame_path(bench.places, job, entry.path)
        assert target == bench.places.uploads / str(job) / source.name
        target.parent.mkdir(exist_ok=True)
        target.write_bytes(source.read_bytes())
        bench.store.note_frames(job, [FrameNote(position=k, state=FrameState.PRESENT)])
    assert plan_upload(bench.store, job, bench.places)
    assert plan_upload(bench.store, job, bench.places), "said twice"
    bench.work_off()
    picture = result_of(bench, job)
    assert picture.exists()
    text = "[deliver]\npreview_edge = 64\n"
    second = again(bench.store, job, settings={"recipe_toml": text}, who="tester").job
    third = again(bench.store, second, recipe="macro", who="tester").job
    assert [e.path for e in bench.store.frames(third)] == [f"{job}/{p.name}" for p in frames]
    bench.work_off()
    assert result_of(bench, third) != picture


def arrived(bench: Bench, frames: list[Path], *, hold: bool = False) -> int:
    """A job all of whose frames are here and noted, and whose units nobody planned: who was to was killed."""
    made = upload(frames)
    job = bench.store.submit(
        replace(made, hold=f"{made.hold}{THEN_HELD}") if hold else made, who="tester"
    ).job
    for k, source in enumerate(frames):
        target = frame_path(bench.places, job, source.name)
        target.parent.mkdir(exist_ok=True)
        target.write_bytes(source.read_bytes())
        bench.store.note_frames(job, [FrameNote(position=k, state=FrameState.PRESENT)])
    return job


def test_an_upload_that_nobody_let_begin_begins_at_the_next_round(bench: Bench, frames: list[Path]) -> None:
    job, other = arrived(bench, frames), bench.store.submit(upload(frames), who="tester").job
    assert begin_uploads(bench.store, bench.places) == 1
    assert begin_uploads(bench.store, bench.places) == 0
    assert bench.job(job).state is JobState.WAITING
    assert bench.job(other).state is JobState.HELD, "its frames are awaited"


def test_an_upload_that_is_to_be_held_is_never_released_by_itself(bench: Bench, frames: list[Path]) -> None:
    job = arrived(bench, frames, hold=True)
    begin_uploads(bench.store, bench.places)
    begin_uploads(bench.store, bench.places)
    assert (bench.job(job).state, bench.job(job).reason) == (JobState.HELD, "held at submission")
    assert "job.released" not in {event.action for event in bench.store.events(job=job)}
    bench.store.release(job, who="lena")
    bench.work_off()
    assert bench.job(job).state is JobState.DONE


def test_a_plan_that_is_not_kept_leaves_no_half(
    bench: Bench, frames: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    job = arrived(bench, frames)

    def away(*_: object, **__: object) -> None:
        raise StoreUnreachable("the power went")

    with monkeypatch.context() as patch:
        patch.setattr(control, "release", away)
        with pytest.raises(StoreUnreachable):
            plan_upload(bench.store, job, bench.places)
    assert bench.store.units(job) == ()
    assert begin_uploads(bench.store, bench.places) == 1


@pytest.mark.parametrize(
    "name",
    ["", ".", "..", "../a.jpg", "a/b.jpg", "a\\b.jpg", ".a.jpg", "a\0.jpg", "a\n.jpg", " a.jpg", "x" * 201],
)
def test_names_that_lead_elsewhere_are_refused(name: str) -> None:
    with pytest.raises(UsageError):
        upload_submission("moss", [(name, 1, None)], owner="studio")


def test_two_uploads_of_one_name_are_refused() -> None:
    with pytest.raises(UsageError, match="two frames are called 'a.jpg'"):
        upload_submission("moss", [("a.jpg", 1, None), ("a.jpg", 2, None)], owner="studio")


def test_digests_are_taken_in_either_spelling() -> None:
    """Value of the empty input from FIPS 180-4's examples, the structured form from RFC 9530 section 2."""
    empty = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
    assert hex_digest(empty.upper()) == empty
    assert hex_digest("sha-256=:47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=:") == empty
    assert hex_digest(None) is None
    for wrong in ("", "abc", "sha-512=:aaaa:", "sha-256=:aaaa:", empty[:-2]):
        with pytest.raises(UsageError, match="not a SHA-256 digest"):
            hex_digest(wrong)


# Again


def test_again_keeps_what_is_not_changed(bench: Bench, frames: list[Path]) -> None:
    first = bench.submit(
        frames, settings={"reference": "F0002", "recipe_toml": ""}, recipe="mine", priority=2
    )
    second = again(bench.store, first, leave_out=["F0003.jpg"], who="tester")
    job = bench.job(second.job)
    assert job.settings == {"reference": "F0002", "recipe_toml": "", "leave_out": ["F0003.jpg"]}
    assert (job.recipe, job.priority, job.again_of) == ("mine", 2, first)
    third = again(bench.store, second.job, recipe="macro", settings={"reference": None}, who="tester")
    job = bench.job(third.job)
    assert (job.recipe, job.settings) == ("macro", {"leave_out": ["F0003.jpg"]})
    assert root_of(bench.store, job) == first
    assert [f.path for f in bench.store.frames(third.job)] == [str(p) for p in frames]


def test_again_refuses_what_could_not_work(bench: Bench, frames: list[Path]) -> None:
    job = bench.submit(frames)
    with pytest.raises(UsageError, match="no frame is called 'F0009.jpg'"):
        again(bench.store, job, leave_out=["F0009.jpg"], who="tester")
    with pytest.raises(StackRefused, match="at least two stay"):
        again(bench.store, job, leave_out=["F0001.jpg", "F0002.jpg"], who="tester")
    with pytest.raises(NotFound):
        again(bench.store, 99, who="tester")
    held = bench.store.submit(upload(frames), who="tester").job
    with pytest.raises(UsageError, match="never arrived"):
        again(bench.store, held, who="tester")
