"""Formulae of depth of field, diffraction and focus steps; no pixels, no files.

Lengths are in millimetres unless a name ends in ``_um`` (thousandths of a millimetre). ``N`` is the f-number that
a lens shows at infinity, ``c`` the diameter of the circle of confusion on the sensor, ``m`` the magnification
(image size over object size), ``NA`` the numerical aperture. Distances ``s`` and ``u`` run from the lens's front
principal plane, which thin-lens formulae put into one place with the entrance pupil; near the lens use the
formulae in ``m``. Every function refuses values that make no sense with `UsageError`.
"""

from __future__ import annotations

import math
from typing import Literal

from nearfar.errors import UsageError

GREEN_UM = 0.55
"""Wavelength of green light, µm, to which the eye and most handbook tables are tuned."""

Confusion = Literal["traditional", "modern"]
CONFUSION_DIVISORS: dict[Confusion, float] = {"traditional": 1000.0, "modern": 1500.0}
"""Diagonal of the sensor over the circle of confusion: the old rule, and the stricter one (Zeiss)."""

Microscope = Literal["visual", "wave", "step"]

WHOLE = 1e-9
"""Steps above a whole number that count as rounding: 6.0000000001 steps are six."""


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not (math.isfinite(value) and value > 0):
            raise UsageError(f"{name} is {value}; expected a finite number above zero")


def _share(name: str, value: float) -> None:
    if not 0 <= value < 1:
        raise UsageError(f"{name} is {value}; expected a share from 0 to below 1")


def exact_f_number(stops: int, parts: int = 1) -> float:
    """The f-number that a lens is set to when it shows a rounded one: 2 to the power of ``stops / (2 parts)``.

    Stop 7 shows as 11 and is 11.31; ``parts=3`` counts thirds of a stop. The rounded number makes a hyperfocal
    distance 2.8 % too long there.
    """
    if parts < 1:
        raise UsageError(f"parts is {parts}; expected 1 or more")
    return float(2 ** (stops / (2 * parts)))


def circle_of_confusion(width: float, height: float, convention: Confusion = "modern") -> float:
    """Largest blur, mm on a sensor of ``width`` x ``height`` mm, that still passes for sharp in the whole picture.

    A convention about prints seen from a usual distance, not a property of a lens: the sensor's diagonal over
    1000 (``'traditional'``) or over 1500 (``'modern'``, Zeiss). A picture that is looked at closely wants the
    size of two pixels instead.
    """
    _positive(width=width, height=height)
    return math.hypot(width, height) / CONFUSION_DIVISORS[convention]


def hyperfocal(f: float, N: float, c: float) -> float:
    """Focus distance from which everything to infinity passes for sharp: f²/(N c) + f.

    Source: Greenleaf, Photographic Optics, 1950, pp. 25-27 (from memory).
    """
    _positive(f=f, N=N, c=c)
    return f * f / (N * c) + f


def near_limit(s: float, f: float, N: float, c: float) -> float:
    """Nearest distance that passes for sharp when focused at ``s``: s (H - f) / (H + s - 2 f).

    Source: as `hyperfocal`.
    """
    h = hyperfocal(f, N, c)
    _beyond_focus(s, f)
    return s * (h - f) / (h + s - 2 * f)


def far_limit(s: float, f: float, N: float, c: float) -> float:
    """Farthest distance that passes for sharp when focused at ``s``: s (H - f) / (H - s), infinite from H on.

    Source: as `hyperfocal`.
    """
    h = hyperfocal(f, N, c)
    _beyond_focus(s, f)
    return math.inf if s >= h else s * (h - f) / (h - s)


def _beyond_focus(distance: float, f: float) -> None:
    _positive(distance=distance, f=f)
    if distance <= f:
        raise UsageError(
            f"a distance of {distance} mm is within the focal length of {f} mm: no image is formed"
        )


def effective_f_number(N: float, m: float, pupil_ratio: float = 1.0) -> float:
    """The f-number that counts at magnification ``m``: N (1 + m / p).

    Parameters
    ----------
    pupil_ratio
        p, exit pupil over entrance pupil; 1 for a symmetrical lens, below 1 for most telephoto lenses.

    Source: Conrad, Depth of Field in Depth (from memory).
    """
    _positive(N=N, pupil_ratio=pupil_ratio)
    if not (math.isfinite(m) and m >= 0):
        raise UsageError(f"m is {m}; expected a finite number, zero or more")
    return N * (1 + m / pupil_ratio)


def macro_depth(m: float, N: float, c: float, pupil_ratio: float = 1.0) -> float:
    """Total depth of field close up: 2 N c (1 + m / p) / m².

    Holds while the depth is small against the distance. For p = 1 this is Lefkowitz's 2 N c (m + 1) / m² (The
    Manual of Close-Up Photography, 1979); the pupil ratio after Conrad, Depth of Field in Depth (both from
    memory).
    """
    _positive(m=m, c=c)
    return 2 * c * effective_f_number(N, m, pupil_ratio) / (m * m)


def airy_diameter_um(effective: float, wavelength_um: float = GREEN_UM) -> float:
    """Diameter of the first dark ring of the diffraction disc on the sensor, µm: 2.44 λ N.

    ``effective`` is the f-number that counts where the picture is formed, `effective_f_number`. The factor is
    2 x 1.21967, from the first zero of the Bessel function J1 at 3.8317 (Airy, 1835).
    """
    _positive(effective=effective, wavelength_um=wavelength_um)
    return 2.44 * wavelength_um * effective


def microscope_depth_um(
    NA: float,
    convention: Microscope,
    *,
    magnification: float | None = None,
    index: float = 1.0,
    wavelength_um: float = GREEN_UM,
) -> float:
    """Depth of field of a microscope objective, µm, in one of three conventions that differ up to threefold.

    Parameters
    ----------
    NA
        Numerical aperture of the objective.
    convention
        ``'visual'``: n λ / (2 NA²) + 1000 n / (7 NA M), wave optics and the eye's resolution, as in a maker's
        manual (Nikon E200, p. 77), which needs ``magnification``. ``'wave'``: n λ / (2 NA²), the first term
        alone, as in makers' tables of objectives. ``'step'``: n λ / NA², twice that, as in tables of steps
        between frames.
    magnification
        M, of objective and eyepiece together; for ``'visual'`` only.
    index
        Refractive index n of what is between objective and specimen: 1 air, 1.515 oil.
    wavelength_um
        Wavelength λ.
    """
    _positive(NA=NA, index=index, wavelength_um=wavelength_um)
    if index <= NA:
        raise UsageError(f"NA is {NA}; expected less than the refractive index, which is {index}")
    wave = index * wavelength_um / (2 * NA * NA)
    if convention == "wave":
        return wave
    if convention == "step":
        return 2 * wave
    if convention != "visual":
        raise UsageError(f"convention is {convention!r}; expected 'visual', 'wave' or 'step'")
    if magnification is None:
        raise UsageError("the visual convention needs the magnification of objective and eyepiece together")
    _positive(magnification=magnification)
    return wave + 1000 * index / (7 * NA * magnification)


def image_distance(u: float, f: float) -> float:
    """Distance behind the lens at which an object at ``u`` is sharp: f u / (u - f); ``f`` for infinity."""
    _positive(f=f)
    if u == math.inf:
        return f
    _beyond_focus(u, f)
    return f * u / (u - f)


def object_distance(v: float, f: float) -> float:
    """Distance in front of the lens that is sharp at ``v`` behind it: f v / (v - f); infinite at ``f``."""
    _positive(f=f, v=v)
    if v < f:
        raise UsageError(f"an image distance of {v} mm is within the focal length of {f} mm")
    return math.inf if v == f else f * v / (v - f)


def frames_for(range_: float, depth: float, overlap: float, *, both_ends: bool = False) -> int:
    """Number of frames whose depths cover a range: ceil(range / (depth (1 - overlap))).

    Parameters
    ----------
    range_, depth
        What is to be covered, and what one frame covers, in the same unit: both on the image side (Δv and 2 N c)
        or both on the subject's side (`macro_depth`, `microscope_depth_um`).
    overlap
        Share of each frame's depth that the next one covers again.
    both_ends
        One frame more: the ends of the range then lie at the centres of the first and the last frame's depth.
    """
    _positive(range_=range_, depth=depth)
    _share("overlap", overlap)
    return math.ceil(range_ / (depth * (1 - overlap)) - WHOLE) + int(both_ends)


def sharp_images(v: float, f: float, N: float, c: float, pupil_ratio: float = 1.0) -> tuple[float, float]:
    """Image distances, mm, of the farthest and the nearest object that pass for sharp with the sensor at ``v``.

    The cone of light comes from the exit pupil, p f / N wide and v + f (p - 1) before the sensor, so that a point
    imaged at w blurs to (p f / N) |w - v| / (w + f (p - 1)). For p = 1 the two are the images of `far_limit` and
    `near_limit`. The first lies below ``f`` if everything to infinity is sharp.

    Source: similar triangles; pupils placed as in Conrad, Depth of Field in Depth (from memory).
    """
    _positive(v=v, f=f, N=N, c=c, pupil_ratio=pupil_ratio)
    if v < f:
        raise UsageError(f"an image distance of {v} mm is within the focal length of {f} mm")
    share = N * c / (pupil_ratio * f)
    if share >= 1:
        raise UsageError(
            f"a circle of confusion of {c} mm is wider than the aperture, which is {f / N:.4g} mm: nothing could be "
            "unsharp. Take a smaller circle of confusion."
        )
    shift = f * (pupil_ratio - 1)
    return (v + shift) / (1 + share) - shift, (v + shift) / (1 - share) - shift


def from_sensor(u: float, f: float) -> float:
    """What a focus scale shows for an object at ``u``: the distance from the sensor, u + v, of a thin lens.

    A real lens adds the gap between its principal planes, some millimetres to centimetres.
    """
    return math.inf if u == math.inf else u + image_distance(u, f)


def to_lens(distance: float, f: float) -> float:
    """Inverse of `from_sensor`, beyond life size: the larger root of u² - D u + D f = 0."""
    if distance == math.inf:
        return math.inf
    _positive(distance=distance, f=f)
    if distance < 4 * f:
        raise UsageError(
            f"{distance} mm from the sensor is less than four focal lengths, {4 * f} mm: a thin lens forms no image "
            "there. Give distances from the front of the lens, or a magnification."
        )
    return (distance + math.sqrt(distance * (distance - 4 * f))) / 2


def objective_f_number(magnification: float, NA: float) -> float:
    """Effective f-number where a microscope objective forms its picture: M / (2 NA) (from memory)."""
    _positive(magnification=magnification, NA=NA)
    return magnification / (2 * NA)


def total_blur_um(defocus_um: float, effective: float, wavelength_um: float = GREEN_UM) -> float:
    """Defocus and diffraction together, µm: root of the sum of squares of blur disc and Airy diameter.

    A convention: the two discs have other shapes, and neither has a sharp rim when they fall together.
    """
    return math.hypot(defocus_um, airy_diameter_um(effective, wavelength_um))


def best_f_number(spread: float, wavelength_um: float = GREEN_UM) -> float:
    """Effective f-number at which both ends of a focus spread are least blurred, by `total_blur_um`.

    ``spread``: distance on the image side, mm, between the images of the nearest and the farthest; focused in its
    middle the ends blur to spread / (2 N), so that the least is at N² = spread / (4.88 λ). Hansma gives
    N = 20 √spread (Photo Techniques, March 1996, from memory), which this meets within 4 % for green light.
    """
    _positive(spread=spread, wavelength_um=wavelength_um)
    return math.sqrt(spread / (2 * 2.44 * wavelength_um / 1000))
