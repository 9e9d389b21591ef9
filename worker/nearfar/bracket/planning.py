"""From what is asked to the frames in order: with a focus ring, on a rail, or on a microscope's stage.

A ring's frames lie at even steps behind the lens, where every frame is sharp within about N c of its plane, near and
far alike; a rail's and a stage's at even steps of travel. Steps follow from the depth of field where it is least, so
the overlap asked for is kept everywhere.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from nearfar import optics
from nearfar.bracket import remarks
from nearfar.bracket.model import Bracket, Choice, OneShot, Step
from nearfar.bracket.shoot import BITS_PER_PIXEL, Criterion, Shoot, criterion_of
from nearfar.errors import UsageError

MOST_FRAMES = 10_000
STOPS = range(2, 11)
"""Whole stops that are offered beside the aperture asked for: f/2 to f/32."""


def plan_bracket(shoot: Shoot) -> Bracket:
    """Plan a bracket.

    Raises
    ------
    UsageError
        If something is missing, contradicts something else, or makes no sense; the message names the option.
    """
    return {"ring": _ring, "rail": _rail, "stage": _stage}[shoot.moves](shoot)


def _need(shoot: Shoot, **options: object) -> None:
    missing = [name for name, value in options.items() if value is None]
    if missing:
        listed = ", ".join(f"--{name.replace('_', '-')}" for name in missing)
        raise UsageError(
            f"{listed} missing for a bracket with {_HOW[shoot.moves]}. A focus ring needs --focal, --f, --near and --far; "
            "a rail --magnification, --f and --depth; a microscope --objective and --depth"
        )


_HOW = {"ring": "a focus ring", "rail": "a rail", "stage": "a microscope"}


def _even(span: float, allowed: float, *, focused: bool) -> tuple[int, float, float]:
    """Number of frames, even step, and where the first lies: both ends covered by a depth, or focused on."""
    count = optics.frames_for(span, allowed, 0.0, both_ends=focused)
    if count > MOST_FRAMES:
        raise UsageError(
            f"this takes {count} frames; at most {MOST_FRAMES} are planned. Stop down, allow a larger --criterion, "
            "a smaller --overlap or less depth"
        )
    step = span / (count - 1) if focused else span / count
    return count, step, 0.0 if focused else step / 2


def _focused(shoot: Shoot) -> bool:
    return shoot.ends == "focused" or (shoot.ends == "auto" and shoot.moves != "ring")


def _ring_ends(shoot: Shoot, f: float) -> tuple[float, float]:
    """Nearest and farthest distance from the lens, checked."""
    _need(shoot, near=shoot.near, far=shoot.far if shoot.far is not None else shoot.depth)
    assert shoot.near is not None  # noqa: S101 - _need refuses it; for the type checker
    near = shoot.near
    far = shoot.far if shoot.far is not None else near + (shoot.depth or 0.0)
    if shoot.origin == "sensor":
        near, far = optics.to_lens(near, f), optics.to_lens(far, f)
    if near <= f:
        raise UsageError(
            f"--near is {near:g} mm from the lens, within its focal length of {f:g} mm: nothing so near can be "
            "focused. For close-ups give --magnification and --depth instead"
        )
    if not near < far:
        raise UsageError(f"--near ({near:g} mm) is not nearer than --far ({far:g} mm)")
    return near, far


class _Ring:
    """A lens of focal length f between two distances: frames and blur at any aperture."""

    def __init__(self, shoot: Shoot, f: float, c: float) -> None:
        self.shoot, self.f, self.c = shoot, f, c
        near, far = _ring_ends(shoot, f)
        self.first, self.last = optics.image_distance(near, f), optics.image_distance(far, f)
        self.span = self.first - self.last
        if not self.span > 1e-9 * f:
            raise UsageError("near and far are the same to this lens; one frame does, focused on either")
        self.shift = f * (shoot.pupil_ratio - 1)

    def effective(self, aperture: float, v: float) -> float:
        return optics.effective_f_number(aperture, max(0.0, v / self.f - 1), self.shoot.pupil_ratio)

    def allowed(self, aperture: float) -> float:
        """Step that keeps the overlap where depth is least: before the farthest plane, on its far side."""
        back, _ = optics.sharp_images(self.last, self.f, aperture, self.c, self.shoot.pupil_ratio)
        return 2 * (self.last - back) * (1 - self.shoot.overlap)

    def images(self, aperture: float) -> tuple[float, list[float]]:
        """Even step, and the image distance of each frame, near first."""
        count, step, start = _even(self.span, self.allowed(aperture), focused=_focused(self.shoot))
        return step, [max(self.f, self.first - start - step * i) for i in range(count)]

    def choice(self, aperture: float) -> Choice:
        step, images = self.images(aperture)
        effective = self.effective(aperture, self.first)
        defocus = 1000 * min(self.c, step / (2 * self.effective(aperture, self.last)))
        return _choice(self.shoot, aperture, effective, len(images), defocus)

    def step(self, number: int, v: float, aperture: float, first: float) -> Step:
        back, front = optics.sharp_images(v, self.f, aperture, self.c, self.shoot.pupil_ratio)
        distance = optics.object_distance(v, self.f)
        return Step(
            number=number,
            travel=first - v,
            distance=distance,
            mark=optics.from_sensor(distance, self.f),
            near=optics.object_distance(front, self.f),
            far=math.inf if back <= self.f else optics.object_distance(back, self.f),
        )

    def one_shot(self) -> OneShot:
        """One frame between both ends: x of the images from the exit pupil stand as (1 + k) to (1 - k)."""
        ratio = (self.first + self.shift) / (self.last + self.shift)
        k = (ratio - 1) / (ratio + 1)
        middle = (self.first + self.last) / 2
        aperture = k * self.shoot.pupil_ratio * self.f / self.c
        return _one_shot(self.shoot, aperture, self.effective(1.0, middle), self.c, self.span)


def _choice(shoot: Shoot, aperture: float, effective: float, frames: int, defocus_um: float) -> Choice:
    return Choice(
        f_number=aperture,
        frames=frames,
        airy_um=optics.airy_diameter_um(effective, shoot.wavelength_um),
        blur_um=optics.total_blur_um(defocus_um, effective, shoot.wavelength_um),
    )


def _one_shot(shoot: Shoot, aperture: float, factor: float, c: float, spread: float) -> OneShot:
    """``factor``: effective f-number over the one set; ``spread``: of focus behind the lens, mm."""
    wave = shoot.wavelength_um
    best = optics.best_f_number(spread, wave)
    return OneShot(
        f_number=aperture,
        airy_um=optics.airy_diameter_um(aperture * factor, wave),
        blur_um=optics.total_blur_um(1000 * c, aperture * factor, wave),
        best_f_number=best / factor,
        best_blur_um=optics.total_blur_um(1000 * spread / (2 * best), best, wave),
    )


def _choices(shoot: Shoot, make: Callable[[float], Choice]) -> tuple[Choice, ...]:
    """Whole stops beside the one asked for, those left out that take too many frames or make no sense."""
    out = []
    for stop in STOPS:
        try:
            out.append(make(optics.exact_f_number(stop)))
        except UsageError:
            continue
    return tuple(out)


def _ring(shoot: Shoot) -> Bracket:
    _need(shoot, focal=shoot.focal, f=shoot.f_number)
    assert shoot.focal is not None and shoot.f_number is not None  # noqa: S101, PT018 - as above
    f, aperture = shoot.focal, shoot.f_number
    criterion = criterion_of(shoot)
    ring = _Ring(shoot, f, criterion.size)
    step, images = ring.images(aperture)
    steps = tuple(ring.step(i + 1, v, aperture, images[0]) for i, v in enumerate(images))
    return _bracket(
        shoot,
        steps=steps,
        step=step,
        depth_of_field=f"f-number {aperture:g}, {criterion.text}",
        effective=ring.effective(aperture, ring.first),
        lens=_Lens(
            criterion=criterion,
            blur_um=ring.choice(aperture).blur_um,
            hyperfocal=optics.hyperfocal(f, aperture, criterion.size),
            best=optics.best_f_number(step, shoot.wavelength_um) / ring.effective(1.0, ring.last),
            one_shot=ring.one_shot(),
            choices=_choices(shoot, ring.choice),
        ),
    )


def _rail(shoot: Shoot) -> Bracket:
    _need(shoot, f=shoot.f_number, magnification=shoot.magnification)
    assert shoot.f_number is not None and shoot.magnification is not None  # noqa: S101, PT018 - as above
    aperture, m, p, span = shoot.f_number, shoot.magnification, shoot.pupil_ratio, shoot.subject_depth()
    criterion = criterion_of(shoot)
    c = criterion.size

    def even(aperture: float) -> tuple[int, float, float]:
        return _even(
            span, optics.macro_depth(m, aperture, c, p) * (1 - shoot.overlap), focused=_focused(shoot)
        )

    def choice(aperture: float) -> Choice:
        count, step, _ = even(aperture)
        effective = optics.effective_f_number(aperture, m, p)
        defocus = 1000 * min(c, step * m * m / (2 * effective))
        return _choice(shoot, aperture, effective, count, defocus)

    count, step, start = even(aperture)
    factor = optics.effective_f_number(1.0, m, p)
    depth = optics.macro_depth(m, aperture, c, p)
    return _bracket(
        shoot,
        steps=_along(count, step, start, depth),
        step=step,
        depth_of_field=f"f-number {aperture:g} at {m:g}x, {criterion.text}",
        effective=aperture * factor,
        lens=_Lens(
            criterion=criterion,
            blur_um=choice(aperture).blur_um,
            best=optics.best_f_number(step * m * m, shoot.wavelength_um) / factor,
            one_shot=_one_shot(shoot, span * m * m / (2 * c * factor), factor, c, span * m * m),
            choices=_choices(shoot, choice),
        ),
    )


def _stage(shoot: Shoot) -> Bracket:
    _need(shoot, objective=shoot.magnification)
    assert shoot.numerical_aperture is not None and shoot.magnification is not None  # noqa: S101, PT018 - as above
    depth = (
        optics.microscope_depth_um(
            shoot.numerical_aperture, shoot.convention, index=shoot.index, wavelength_um=shoot.wavelength_um
        )
        / 1000
    )
    count, step, start = _even(shoot.subject_depth(), depth * (1 - shoot.overlap), focused=_focused(shoot))
    effective = optics.objective_f_number(shoot.magnification, shoot.numerical_aperture)
    formula = {"step": "n λ / NA²", "wave": "n λ / (2 NA²)"}[shoot.convention]
    return _bracket(
        shoot,
        steps=_along(count, step, start, depth),
        step=step,
        depth_of_field=f"NA {shoot.numerical_aperture:g}, {formula} = {1000 * depth:.3g} µm",
        effective=effective,
        lens=None,
    )


def _along(count: int, step: float, start: float, depth: float) -> tuple[Step, ...]:
    """Frames at even steps of travel, counted from the near end of the subject."""
    places = [start + step * i for i in range(count)]
    return tuple(
        Step(
            number=i + 1,
            travel=step * i,
            distance=place,
            mark=None,
            near=place - depth / 2,
            far=place + depth / 2,
        )
        for i, place in enumerate(places)
    )


@dataclass(frozen=True, kw_only=True)
class _Lens:
    """What a lens has, whose aperture can be chosen, and a microscope's objective has not; see `Bracket`."""

    criterion: Criterion
    blur_um: float
    hyperfocal: float | None = None
    best: float
    one_shot: OneShot
    choices: tuple[Choice, ...]


def _bracket(
    shoot: Shoot,
    *,
    steps: tuple[Step, ...],
    step: float,
    depth_of_field: str,
    effective: float,
    lens: _Lens | None,
) -> Bracket:
    """What all three ways have in common; ``effective``: the largest effective f-number."""
    made = Bracket(
        asked=shoot,
        moves=shoot.moves,
        steps=steps,
        step=step,
        depth_of_field=depth_of_field,
        effective_f_number=effective,
        airy_um=optics.airy_diameter_um(effective, shoot.wavelength_um),
        pixel_um=None if shoot.pixel is None else 1000 * shoot.pixel,
        seconds=_seconds(shoot, len(steps)),
        bytes=_bytes(shoot, len(steps)),
    )
    if lens is not None:
        made = replace(
            made,
            criterion=lens.criterion,
            blur_um=lens.blur_um,
            hyperfocal=lens.hyperfocal,
            best_f_number=lens.best,
            one_shot=lens.one_shot,
            choices=lens.choices,
        )
    return remarks.remarked(made)


def _seconds(shoot: Shoot, frames: int) -> float:
    """Exposures, and before each the longer of settling and recycling, which run side by side."""
    return frames * (shoot.exposure + max(shoot.settle, shoot.recycle))


def _bytes(shoot: Shoot, frames: int) -> int | None:
    if shoot.frame_bytes is not None:
        return frames * shoot.frame_bytes
    if shoot.pixels is None:
        return None
    return frames * math.ceil(shoot.pixels[0] * shoot.pixels[1] * BITS_PER_PIXEL[shoot.file] / 8)
