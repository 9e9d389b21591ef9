"""What a plan says: the frames in order, and what they cost and gain. JSON and back."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import Any, get_type_hints

from nearfar.bracket.shoot import Criterion, Moves, Shoot, back, plain
from nearfar.errors import UsageError

FORMAT = "nearfar-bracket/1"


@dataclass(frozen=True, kw_only=True)
class Step:
    """One frame. Lengths in mm.

    ``travel``: how far what moves has moved since the first frame: the rail, the stage, or with a focus ring the
    sharp plane behind the lens. With a ring ``distance`` runs from the lens, ``mark`` from the sensor, as focus
    scales do, and ``near`` and ``far`` (from the lens) bound the depth of field; otherwise both count from the near
    end of the subject.
    """

    number: int
    travel: float
    distance: float
    mark: float | None
    near: float
    far: float

    @property
    def depth(self) -> float:
        """Depth of field."""
        return self.far - self.near


@dataclass(frozen=True, kw_only=True)
class Choice:
    """The same subject at another aperture. Blur on the sensor, where one frame hands over to the next."""

    f_number: float
    frames: int
    airy_um: float
    blur_um: float


@dataclass(frozen=True, kw_only=True)
class OneShot:
    """One stopped-down exposure instead. ``blur_um`` at both ends of the subject.

    ``f_number`` would bring the defocus there down to the criterion; ``best_f_number`` blurs the ends least, since
    beyond it diffraction costs more than depth of field gains.
    """

    f_number: float
    airy_um: float
    blur_um: float
    best_f_number: float
    best_blur_um: float


@dataclass(frozen=True, kw_only=True)
class Bracket:
    """The plan of one bracket, near to far. Lengths in mm unless the name says µm, times in s, sizes in bytes.

    ``step``: even distance between frames, of what moves (`Step.travel`). ``effective_f_number``: the largest in the
    bracket. ``best_f_number``: least blur with as many frames. ``one_shot``, ``choices`` and ``criterion`` are empty
    for a microscope, whose aperture is fixed.
    """

    asked: Shoot
    moves: Moves
    steps: tuple[Step, ...]
    step: float
    depth_of_field: str
    criterion: Criterion | None = None
    effective_f_number: float
    airy_um: float
    blur_um: float | None = None
    pixel_um: float | None
    hyperfocal: float | None = None
    best_f_number: float | None = None
    one_shot: OneShot | None = None
    choices: tuple[Choice, ...] = ()
    seconds: float
    bytes: int | None
    warnings: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()

    @property
    def frames(self) -> int:
        """Number of frames."""
        return len(self.steps)

    def to_json(self) -> dict[str, Any]:
        """As a JSON object; infinite distances are the text ``'inf'``."""
        out: dict[str, Any] = {"format": FORMAT, "frames": self.frames}
        for name in get_type_hints(type(self)):
            value = getattr(self, name)
            if name == "asked":
                out[name] = self.asked.to_json()
            elif name in ("steps", "choices"):
                out[name] = [{k: plain(v) for k, v in asdict(entry).items()} for entry in value]
            elif name in ("criterion", "one_shot"):
                out[name] = None if value is None else asdict(value)
            else:
                out[name] = plain(value)
        for entry, step in zip(out["steps"], self.steps, strict=True):
            entry["depth"] = plain(step.depth)
        return out

    @classmethod
    def from_json(cls, stored: object) -> Bracket:
        """The plan again, recomputed from what was asked and compared with what is stored.

        Raises
        ------
        UsageError
            If it is no plan, or was changed by hand so that its frames no longer follow from what it asks.
        """
        from nearfar.bracket.planning import plan_bracket

        if not isinstance(stored, dict) or stored.get("format") != FORMAT:
            raise UsageError(
                f"this is not the plan of a bracket; expected the output of 'nearfar plan --json' ({FORMAT})"
            )
        asked, steps = stored.get("asked"), stored.get("steps")
        if not isinstance(asked, dict) or not isinstance(steps, list):
            raise UsageError("the plan is not complete: 'asked' or 'steps' is missing; make it again")
        made = plan_bracket(Shoot.from_json(asked))
        if not _same_steps(made, steps):
            raise UsageError(
                "the plan's frames do not follow from what it asks; it was changed by hand or comes from another version. "
                "Make it again with 'nearfar plan'"
            )
        return made


def _same_steps(made: Bracket, steps: list[Any]) -> bool:
    if len(steps) != made.frames or not all(isinstance(entry, dict) for entry in steps):
        return False
    told = [(back(entry.get("number")), back(entry.get("distance"))) for entry in steps]
    return all(
        number == step.number
        and isinstance(distance, int | float)
        and (distance == step.distance or abs(distance - step.distance) <= 1e-6 * abs(step.distance) + 1e-9)
        for (number, distance), step in zip(told, made.steps, strict=True)
    )


def read_plan(text: str) -> Bracket:
    """A plan from the text of its file.

    Raises
    ------
    UsageError
        As `Bracket.from_json`, or if it is not readable as JSON.
    """
    try:
        stored = json.loads(text)
    except ValueError as error:
        raise UsageError(
            f"not readable as JSON ({error}); expected the output of 'nearfar plan --json' ({FORMAT})"
        ) from error
    return Bracket.from_json(stored)
