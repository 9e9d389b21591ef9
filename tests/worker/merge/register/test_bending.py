"""Frames that no shift, scale and roll takes to one another: how well they are bent, and that others stay as they are.

Truth: `tests.scenes.bent`. Errors are RMS px over what is within 1.5 frames of focus, where frames give to the picture.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from nearfar.merge.kernel.bend import Bend
from nearfar.merge.register import Registration, Tuning, register
from nearfar.merge.register.bend_fit import TERMS
from nearfar.merge.register.bending import bend_of, pose_of
from nearfar.merge.register.similarity import Similarity, centre_of, rms_radius, to_matrix
from tests.scenes.bent import BentScene, render_bent
from tests.worker.merge.common import STILL, common
from tests.worker.merge.register.views import views_of

SIZE = (480, 360)
NEAR = 1.5  # frames


def errors(found: Registration, bent: BentScene) -> NDArray[np.float64]:
    """Of each frame but the reference that has something in focus."""
    scene, out = bent.scene, []
    y, x = np.mgrid[8 : SIZE[1] : 16, 8 : SIZE[0] : 16].astype(np.float64)
    depth = scene.depth[y.astype(int), x.astype(int)]
    for k, frame in enumerate(found.frames):
        near = np.abs(depth - k) < NEAR
        if k == scene.reference or near.sum() < 20:
            continue
        assert frame.pose is not None
        u, v = (p[0] * x + p[1] * y + p[2] for p in frame.pose)
        if frame.bend is not None:
            du, dv = frame.bend.at(x, y)
            u, v = u + du, v + dv
        true = bent.place(k, x, y)
        out.append(np.sqrt(((u - true[0]) ** 2 + (v - true[1]) ** 2)[near].mean()))
    return np.array(out)


def registered(bent: BentScene, *, bend: bool = True) -> Registration:
    scene = bent.scene
    views = views_of(list(scene.frames), sigma=scene.noise)
    return register(views, size=SIZE, reference=scene.reference, tuning=Tuning(bend=bend))


@pytest.fixture(scope="module")
def tilted() -> BentScene:
    return render_bent("occlusion", tilt=1.5, seed=7, frames=8, size=SIZE)


@pytest.mark.parametrize("kind", ["tilted", "radial"])
def test_what_is_in_focus_is_bent_to_its_place(kind: str, tilted: BentScene) -> None:
    bent = tilted if kind == "tilted" else render_bent("doorways", radial=12.0, seed=3, size=SIZE)
    straight, found = registered(bent, bend=False), registered(bent)
    before, after = errors(straight, bent), errors(found, bent)
    assert np.median(before) > 0.2
    assert np.median(after) < 0.3 * np.median(before)
    assert after.max() < 0.5 * before.max()
    assert found.bent is not None
    assert found.bent.size > 0.5
    assert found.bent.left < 0.2
    assert found.warnings == ()
    assert found.frames[bent.scene.reference].bend is None
    assert straight.bent is None
    assert any("are left over" in w for w in straight.warnings)


@pytest.mark.parametrize("kind", [*STILL, "foliage"])
def test_other_stacks_stay_as_they_are(kind: str) -> None:
    scene = common(kind)
    size = scene.frames.shape[2], scene.frames.shape[1]
    views = views_of(list(scene.frames), sigma=scene.noise)
    found = register(views, size=size, reference=scene.reference)
    assert found.bent is None
    assert all(f.bend is None for f in found.frames)
    assert found.warnings == ()
    without = register(views, size=size, reference=scene.reference, tuning=Tuning(bend=False))
    for one, other in zip(found.frames, without.frames, strict=True):
        np.testing.assert_array_equal(one.pose, other.pose)


def test_how_many_threads_work_changes_no_bit(tilted: BentScene) -> None:
    scene = tilted.scene
    views = views_of(list(scene.frames), sigma=scene.noise)
    one, two = (register(views, size=SIZE, reference=scene.reference, threads=n) for n in (1, 2))
    assert [f.bend for f in one.frames] == [f.bend for f in two.frames]
    assert one.bent == two.bent


def test_terms_are_the_cubic_that_they_stand_for(rng: np.random.Generator) -> None:
    """z, 1 and so on as complex numbers, against the coefficients of x and y: to the rounding, 2^-20 px a term."""
    terms = rng.normal(0, 1, TERMS)
    pose, radius = Similarity(1.01 + 0.02j, 3 + 1j), rms_radius(SIZE)
    x, y = rng.uniform(0, SIZE[0], 50), rng.uniform(0, SIZE[1], 50)
    z = (x + 1j * y - centre_of(SIZE)) / radius
    w, at = z.conj(), iter(terms)
    moved = np.zeros(50, np.complex128)
    for each in (1, z, w):
        moved += complex(next(at), next(at)) * each
    tilt = terms[6] * z.real + terms[7] * z.imag
    moved += (
        z * (next(at) * z.real + next(at) * z.imag)
        + z * tilt**2 / radius
        + 1j * z * (next(at) * z.real + next(at) * z.imag)
    )
    for each in (w * w, z * z * w, z**3, z * w * w, w**3):
        moved += complex(next(at), next(at)) * each
    matrix = to_matrix(pose_of(terms, pose, radius), centre_of(SIZE))
    u, v = (p[0] * x + p[1] * y + p[2] for p in matrix)
    du, dv = bend_of(terms, pose, SIZE, radius).at(x, y)
    seen = pose.a * (z * radius + moved) + pose.t + centre_of(SIZE)
    np.testing.assert_allclose(u + du + 1j * (v + dv), seen, atol=2e-5)


def test_a_bend_knows_how_far_and_how_steeply_it_goes(rng: np.random.Generator) -> None:
    x, y = np.mgrid[-40 : SIZE[0] + 40, -40 : SIZE[1] + 40].astype(np.float64)
    for _ in range(10):
        bend = Bend.of(SIZE, list(rng.normal(0, 1, 10)), list(rng.normal(0, 1, 10)))
        u, v = bend.at(x, y)
        assert max(np.abs(u).max(), np.abs(v).max()) <= bend.largest
        assert max(np.abs(np.diff(d, axis=axis)).max() for d in (u, v) for axis in (0, 1)) <= bend.steep
        part = bend.seen_from(100, 30)
        for found, whole in zip(part.at(x - 100, y - 30), (u, v), strict=True):
            np.testing.assert_allclose(found, whole, atol=1e-12)
