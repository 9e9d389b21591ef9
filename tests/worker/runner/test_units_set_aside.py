"""A stack that a recipe holds waits for a person, says why, and goes on as soon as it is released."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from nearfar.jobs import AttemptStep, JobState, UnitKind, UnitState
from nearfar.runner.again import again
from tests.acceptance.command import lay
from tests.worker.merge.brackets import bracket, ramp, texture
from tests.worker.runner.workbench import Bench, merged, result_of, same_files

HOLDING = '[coverage]\nwhen = "hold"\n'


@pytest.fixture
def gapped(bench: Bench) -> list[Path]:
    """Frames of a slope; those in focus in its middle are missing."""
    random = np.random.default_rng(11)
    size, focus = (480, 192), [0, 1, 2, 3, 6, 7, 8, 9]
    pictures = np.stack(bracket(random, texture(random, size), ramp(size, 0, 9), focus, blur=0.8))
    return lay(pictures, bench.places.inbox / "moss", format="tiff16")


def held(bench: Bench, frames: list[Path]) -> int:
    """A job that came as far as the question."""
    job = bench.submit(frames, settings={"recipe_toml": HOLDING})
    bench.work_off()
    return job


def test_it_is_held_with_the_reason_in_words(bench: Bench, gapped: list[Path]) -> None:
    job = held(bench, gapped)
    found = bench.job(job)
    assert (found.state, found.cause) == (JobState.HELD, "coverage")
    assert f"a slice of depth is missing between {gapped[3].name} and {gapped[4].name}" in (
        found.reason or ""
    )
    assert (found.reason or "").endswith("or cancel it and give a stack that has what is missing")
    assert "coverage.when" not in (found.reason or "")
    assert {u.state for u in bench.store.units(job)} == {UnitState.DONE, UnitState.WAITING}
    assert AttemptStep.FAILED not in {a.step for a in bench.store.attempts(job)}
    event = bench.store.events(job=job)[-1]
    assert (event.action, event.detail) == ("job.held", {"cause": "coverage", "reason": found.reason})


def test_released_it_is_merged_as_the_command_merges_it(
    bench: Bench, gapped: list[Path], tmp_path: Path
) -> None:
    job = held(bench, gapped)
    bench.store.release(job, who="lena")
    assert bench.job(job).cause is None
    done = bench.work_off()
    assert {UnitKind.SURVEY, UnitKind.REGISTER}.isdisjoint(done), "it goes on where it was"
    assert same_files(result_of(bench, job), merged(gapped, tmp_path / "alone"))
    assert bench.job(job).settings["accepted"] == ["coverage"]


def test_what_was_accepted_stays_so_when_the_job_runs_again_and_is_asked_anew_of_another(
    bench: Bench, gapped: list[Path]
) -> None:
    job = held(bench, gapped)
    bench.store.release(job, who="lena")
    bench.store.cancel(job, who="lena")
    bench.store.run_again(job, who="lena")
    bench.work_off()
    assert bench.job(job).state is JobState.DONE
    other = again(bench.store, job, leave_out=[gapped[0].name], who="lena").job
    bench.work_off()
    assert bench.job(other).state is JobState.HELD


def test_a_person_who_holds_it_meanwhile_is_asked_after_the_release(bench: Bench, gapped: list[Path]) -> None:
    job = bench.submit(gapped, settings={"recipe_toml": HOLDING})
    claim = bench.until(UnitKind.FOCUS)
    bench.store.hold(job, who="lena", reason="not yet")
    bench.store.set_aside(claim, cause="coverage", reason="a slice is missing")
    assert (bench.job(job).cause, bench.job(job).reason) == (None, "not yet")
    bench.store.release(job, who="lena")
    bench.work_off()
    assert (bench.job(job).state, bench.job(job).cause) == (JobState.HELD, "coverage")


def test_a_job_that_was_cancelled_meanwhile_stays_so(bench: Bench, gapped: list[Path]) -> None:
    job = bench.submit(gapped, settings={"recipe_toml": HOLDING})
    claim = bench.until(UnitKind.FOCUS)
    bench.store.cancel(job, who="lena")
    bench.store.set_aside(claim, cause="coverage", reason="a slice is missing")
    assert bench.job(job).state is JobState.CANCELLED
    assert bench.store.at_rest(job)
