"""The register step on surveyed frames: what it hands to registration, what recipes change, what is stored."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from nearfar.errors import StackRefused
from nearfar.frames.decode import read_header
from nearfar.merge import registering
from nearfar.merge.kernel import twin_survey
from nearfar.merge.noise import estimate
from nearfar.merge.recipe import Recipe, RegisterRecipe, RenderRecipe
from nearfar.merge.register import FramePose, Registration
from nearfar.merge.registering import SurveyedView, from_json, nothing_goes_together, register_key, to_json
from nearfar.merge.scratch import Scratch, open_scratch
from nearfar.merge.survey import MappedFrame, Surveyed, Surveyor, identify, luma_curve
from nearfar.merge.surveyed_stack import SurveyedStack
from tests.acceptance.command import lay
from tests.bench import metrics
from tests.scenes import Scene, render, strangers

SIZE = (320, 240)
Register = Callable[..., Registration]


@pytest.fixture(scope="module")
def scene() -> Scene:
    return render("occlusion", frames=5, size=SIZE, seed=7, flicker=0.15)


@pytest.fixture
def scratch(tmp_path: Path) -> Iterator[Scratch]:
    with open_scratch(tmp_path / "scratch", tmp_path / "out.tif") as opened:
        yield opened


@pytest.fixture
def survey(scratch: Scratch, tmp_path: Path) -> Callable[[NDArray[np.uint16]], list[Surveyed]]:
    def make(frames: NDArray[np.uint16]) -> list[Surveyed]:
        headers = [read_header(p) for p in lay(frames, tmp_path / "frames")]
        surveyor = Surveyor(scratch, lambda: None, {h.path: identify(h) for h in headers})
        return [surveyor.survey(h) for h in headers]

    return make


@pytest.fixture
def register(scratch: Scratch, survey: Callable[[NDArray[np.uint16]], list[Surveyed]]) -> Register:
    """Survey frames and register them."""

    def make(frames: NDArray[np.uint16], *, reference: int | None = None, **change: object) -> Registration:
        done = survey(frames)
        lowest = [scratch.load(f.key, "survey", "lowest")[0] for f in done]
        return registering.register_stack(
            SurveyedStack(
                scratch=scratch,
                frames=done,
                noise=estimate(lowest, bits=16),
                recipe=Recipe(register=RegisterRecipe(**change)),  # type: ignore[arg-type]
                threads=2,
            ),
            [MappedFrame(f) for f in done],
            reference=reference,
            tick=lambda _: None,
            touch=lambda: None,
        )

    return make


def test_registration_sees_what_the_survey_measured(
    scene: Scene, scratch: Scratch, survey: Callable[[NDArray[np.uint16]], list[Surveyed]]
) -> None:
    (done,) = survey(scene.frames[2:3])
    touched: list[None] = []
    with MappedFrame(done) as mapped:
        view = SurveyedView(
            frame=done,
            number=0,
            scratch=scratch,
            mapped=mapped.pixels,
            noise=(0.0, 0.0, 0.0),
            touch=lambda: touched.append(None),
        )
        energy, _, _ = twin_survey.measure(scene.frames[2], luma_curve(done.header))
        assert view.name == "F0001.tif"
        assert view.small.shape == (60, 80)
        assert view.small.dtype == np.uint16
        assert view.small.min() < view.small.max()
        np.testing.assert_allclose(view.energy, energy, rtol=1e-4, atol=1e-9)
        assert touched == []
        np.testing.assert_array_equal(view.pixels.samples, scene.frames[2])
        assert touched == [None]
        assert view.light.shape == (65536,)


def test_poses_and_gains_of_a_stack_are_found(scene: Scene, register: Register) -> None:
    """Poses to a third of a pixel, gains to a hundredth of an EV: the renderer's truth."""
    found = register(scene.frames)
    poses = [f.pose for f in found.frames]
    assert metrics.pose_errors(poses, scene.poses, found.reference, SIZE).max() < 0.35
    np.testing.assert_allclose([f.gain_ev for f in found.frames], scene.gains_ev, atol=0.01)


def test_the_reference_that_is_asked_for_is_at_rest(scene: Scene, register: Register) -> None:
    found = register(scene.frames, reference=4)
    assert found.reference == 4
    assert found.frames[4].pose is not None
    assert found.frames[4].pose.tolist() == [[1, 0, 0], [0, 1, 0]]


def test_gains_can_be_left_alone(scene: Scene, register: Register) -> None:
    assert {f.gain_ev for f in register(scene.frames, gains=False).frames} == {0.0}


def test_a_repeat_is_averaged_or_left_out_as_the_recipe_says(scene: Scene, register: Register) -> None:
    frames, _ = strangers.insert(scene, [(2, strangers.repeat(scene, 1))])
    both = register(frames, reference=3)
    assert all(f.used for f in both.frames)
    assert "repeats F0002.tif" in str(both.frames[2].why)
    one = register(frames, reference=3, repeats="keep-one")
    assert [f.used for f in one.frames] == [True, True, False, True, True, True]
    assert (one.frames[2].pose, one.frames[2].confidence) == (None, 0)
    assert one.frames[2].why == "repeats F0002.tif; the recipe keeps one"


def test_a_repeat_that_is_the_reference_stays_and_the_other_goes(scene: Scene, register: Register) -> None:
    frames, _ = strangers.insert(scene, [(2, strangers.repeat(scene, 1))])
    found = register(frames, repeats="keep-one", reference=2)
    assert [f.used for f in found.frames] == [True, False, True, True, True, True]
    assert found.frames[2].pose is not None
    assert found.frames[1].why == "is repeated by F0003.tif; the recipe keeps one"


def test_how_alike_frames_must_be_is_up_to_the_recipe(scene: Scene, register: Register) -> None:
    with pytest.raises(StackRefused, match="show the same scene"):
        register(scene.frames, same_scene=0.999)


def test_a_hand_before_the_lens_is_left_out_and_costs_the_others_nothing(
    scene: Scene, register: Register
) -> None:
    frames, _ = strangers.insert(scene, [(5, strangers.hand(scene))])
    found = register(frames)
    assert [f.used for f in found.frames] == [True] * 5 + [False]
    assert found.frames[5].pose is None
    poses = [f.pose for f in found.frames[:5]]
    assert metrics.pose_errors(poses, scene.poses, found.reference, SIZE).max() < 0.35


@pytest.mark.parametrize(("at", "share", "soft"), [(0, 0.35, 0.05), (-1, 0.3, 0.03), (-1, 0.4, 0.05)])
def test_a_soft_hand_that_reaches_into_the_first_or_last_frame_is_left_out(
    scene: Scene, register: Register, at: int, share: float, soft: float
) -> None:
    frames = list(scene.frames)
    frames.insert(at % 6, strangers.fingers(scene, at, share=share, soft=soft))
    found = register(np.stack(frames))
    assert [k for k, f in enumerate(found.frames) if not f.used] == [at % 6]
    why = str(found.frames[at].why)
    assert "held before the lens" in why
    assert 'other_light = "keep" in the table [register]' in why
    assert all(f.used for f in register(np.stack(frames), other_light="keep").frames)


@pytest.mark.parametrize("like", ["light", "colour"])
@pytest.mark.parametrize(("at", "share", "soft"), [(0, 0.35, 0.05), (-1, 0.3, 0.01)])
def test_a_hand_as_bright_or_as_coloured_as_what_it_covers_is_left_out(
    scene: Scene, register: Register, at: int, share: float, soft: float, like: str
) -> None:
    frames = list(scene.frames)
    frames.insert(at % 6, strangers.fingers(scene, at, share=share, soft=soft, like=like))
    found = register(np.stack(frames))
    assert [k for k, f in enumerate(found.frames) if not f.used] == [at % 6]


def test_a_passer_by_does_not_cost_a_frame_that_alone_is_sharp_somewhere(
    scene: Scene, register: Register
) -> None:
    frames = np.array(scene.frames)
    frames[2] = strangers.fingers(scene, 2, share=0.2, soft=0.03)
    assert all(f.used for f in register(frames).frames)


@pytest.mark.parametrize(("ev", "than"), [(-3.0, "darker"), (1.6, "brighter")])
def test_a_frame_without_its_flash_is_left_out_and_the_brightness_is_that_of_the_others(
    scene: Scene, register: Register, ev: float, than: str
) -> None:
    frames = np.array(scene.frames)
    frames[1] = strangers.misfired(scene, 1, ev=ev)
    found = register(frames)
    assert [f.used for f in found.frames] == [True, False, True, True, True]
    assert f"EV {than} than the frames around it" in str(found.frames[1].why)
    others = np.delete(scene.gains_ev, 1)
    gains = [f.gain_ev for f in found.frames if f.used]
    np.testing.assert_allclose(gains, others - others.mean(), atol=0.03)


def test_a_misfired_reference_is_refused_with_the_reason(scene: Scene, register: Register) -> None:
    frames = np.array(scene.frames)
    frames[1] = strangers.misfired(scene, 1)
    with pytest.raises(StackRefused, match="F0002.*is left out: .* EV darker"):
        register(frames, reference=1)


KEYS = ["a", "b", "c"]


def test_the_key_changes_with_everything_that_changes_the_registration() -> None:
    plain = register_key(KEYS, Recipe(), None)
    others = [
        register_key(["a", "c", "b"], Recipe(), None),
        register_key(KEYS[:2], Recipe(), None),
        register_key(KEYS, Recipe(), 0),
        register_key(KEYS, Recipe(register=RegisterRecipe(gains=False)), None),
        register_key(KEYS, Recipe(register=RegisterRecipe(same_scene=0.5)), None),
        register_key(KEYS, Recipe(register=RegisterRecipe(repeats="keep-one")), None),
        register_key(KEYS, Recipe(register=RegisterRecipe(other_light="keep")), None),
        register_key(KEYS, Recipe(render=RenderRecipe(noise=0.01)), None),
    ]
    assert len({plain, *others}) == len(others) + 1


def test_the_key_does_not_change_with_what_only_later_steps_ask_for() -> None:
    assert register_key(KEYS, Recipe(render=RenderRecipe(tile=64, agreement=3.0)), None) == (
        register_key(KEYS, Recipe(), None)
    )


def _frame(**change: object) -> FramePose:
    values: dict[str, object] = {
        "used": True,
        "why": None,
        "pose": np.array([[1 / 3, -1e-17, 5.1], [1e-17, 1 / 3, np.pi]]),
        "gain_ev": 0.1,
        "confidence": 0.9,
        "likeness": 0.97,
        "sigma": 0.04,
        "drift": 0.06,
    }
    return FramePose(**values | change)  # type: ignore[arg-type]


def test_what_is_stored_comes_back_bit_for_bit() -> None:
    left_out = _frame(used=False, why="näher „als“ nah", pose=None, sigma=float("inf"), drift=float("nan"))
    registration = Registration(reference=0, frames=(_frame(), left_out), warnings=("so so",))
    back = from_json(json.loads(json.dumps(to_json(registration))))
    assert (back.reference, back.warnings) == (0, ("so so",))
    for found, wanted in zip(back.frames, registration.frames, strict=True):
        assert (found.pose is None) == (wanted.pose is None)
        if wanted.pose is not None:
            assert found.pose is not None
            assert found.pose.tobytes() == wanted.pose.tobytes()
        assert repr(asdict(replace(found, pose=None))) == repr(asdict(replace(wanted, pose=None)))


def test_a_stack_of_strangers_is_refused_with_each_reason(
    scene: Scene, survey: Callable[[NDArray[np.uint16]], list[Surveyed]]
) -> None:
    done = survey(scene.frames[:2])
    frames = tuple(_frame(used=False, pose=None, why=f"reason {k}") for k in range(2))
    message = nothing_goes_together(done, Registration(reference=0, frames=frames, warnings=()))
    assert message.startswith(
        "found 2 frames of which no two show the same scene; expected frames of one scene"
    )
    assert "F0001.tif: reason 0; F0002.tif: reason 1" in message
