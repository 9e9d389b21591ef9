"""The report of a merge: a JSON object for programs, and the same as text for people."""

from __future__ import annotations

import platform
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from nearfar import __version__
from nearfar.merge import development, turning
from nearfar.progress import printable
from nearfar.settings import format_size

if TYPE_CHECKING:
    from nearfar.frames.camera import CameraData
    from nearfar.merge.coverage.result import Coverage
    from nearfar.merge.focus.gaps import Gap
    from nearfar.merge.plan import Plan
    from nearfar.merge.register import FramePose, Registration
    from nearfar.merge.sensor import Spots
    from nearfar.merge.survey import Surveyed
    from nearfar.merge.surveyed_stack import SurveyedStack

FORMAT = "nearfar-report/1"
NAMED = 4
"""The most frames that one warning names."""
NOTHING_SHARP = (
    "next to nothing is sharp in any frame, though there is something to see: the focus lay elsewhere, or all frames are "
    "shaken; take the stack again"
)
FLICKER_EV = 0.1
"""Difference in brightness between frames from which the report mentions it (our own threshold)."""


@dataclass(frozen=True)
class Report:
    """A report; ``content`` is its JSON object."""

    content: dict[str, Any]

    def timed(self, seconds: Mapping[str, float], peak: int) -> Report:
        """The same report with the seconds of each step and the peak of memory in bytes."""
        steps = ("survey", "register", "focus", "render", "deliver", "total")
        spent = {name: round(float(seconds.get(name, 0.0)), 3) for name in steps}
        spent["deliver"] = round(spent["total"] - sum(spent[name] for name in steps[:4]), 3)
        memory = {**self.content["memory"], "peak": peak}
        return Report({**self.content, "seconds": spent, "memory": memory})

    def text(self) -> str:
        """The report as text: what was made, which frames are in it and how sure their poses are, what is missing."""
        c = self.content
        used = [f for f in c["frames"] if f["used"]]
        lines = [
            f"{len(used)} of {len(c['frames'])} frames became one picture of {c['size'][0]} x {c['size'][1]} pixels.",
            f"Its geometry is that of {c['reference']}. Recipe: {c['recipe']}.",
            *([c["corrected"]["text"]] if "corrected" in c else []),
            *([c["bent"]["text"]] if "bent" in c else []),
            "",
            "Frames",
            *_frame_table(c["frames"]),
            "",
            *_section("Not sharp in any frame", [f"- {g['text']} (at {_box(g['box'])})" for g in c["gaps"]]),
            *_section("Mended", [_mend(m) for m in c.get("mends", [])]),
            *_section(
                "Moved between frames",
                [_moved(m) for m in c.get("moved", [])],
            ),
            *_section("Worth a look", [f"- {w}" for w in c["warnings"]]),
            *_section("Left alone", [f"- {n}" for n in c["notes"]]),
            "Work",
            f"- {c['seconds']['total']:.1f} s: "
            + ", ".join(f"{k} {v:.1f}" for k, v in c["seconds"].items() if k != "total"),
            f"- memory: {format_size(c['memory']['peak'])} at the most, {format_size(c['memory']['limit'])} allowed",
            f"- {c['software']['nearfar']}",
        ]
        return "".join(f"{printable(line)}\n" for line in lines)


def _section(title: str, lines: Sequence[str]) -> list[str]:
    return [title, *lines, ""] if lines else []


def _mend(mend: Mapping[str, Any]) -> str:
    what = mend["frame"] or mend["use"]
    return f"- {mend['number']}: {what} in {mend['region']}, by {mend['who']}"


def _moved(moved: Mapping[str, Any]) -> str:
    if moved.get("left_out"):
        return f"- {_box(moved['box'])}: somebody or something that {moved['frame']} alone shows is left out"
    return f"- {_box(moved['box'])}: taken from {moved['frame']} alone"


def _box(box: Sequence[int]) -> str:
    return f"x {box[0]} to {box[0] + box[2]}, y {box[1]} to {box[1] + box[3]}"


def _frame_table(frames: Sequence[Mapping[str, Any]]) -> list[str]:
    width = max(len(printable(f["name"])) for f in frames)
    out = [f"  {'name':<{width}}  share  shift px        scale    gain EV  trust  remark"]
    for f in frames:
        if not f["used"]:
            out.append(f"  {printable(f['name']):<{width}}  left out: {f['why']}")
            continue
        s = f["shift"]
        out.append(
            f"  {printable(f['name']):<{width}}  {100 * f['share']:4.1f} %  {s[0]:+6.1f}, {s[1]:+6.1f}  {f['scale']:.5f}  "
            f"{f['gain_ev']:+.3f}   {f['confidence']:.2f}   {f['why'] or ''}".rstrip()
        )
    return out


def _camera(camera: CameraData) -> dict[str, Any]:
    """When a frame was taken (ISO 8601, camera's clock) and its focus distance in metres; null if it does not say."""
    taken = camera.taken()
    distance = camera.focus_distance or camera.subject_distance
    return {"taken": None if taken is None else taken.isoformat(), "distance": distance}


def _frame(
    frame: Surveyed, pose: FramePose, share: float, sharpness: float, size: tuple[int, int]
) -> dict[str, Any]:
    """The report's entry of one frame; shift, scale and roll describe its pose about the picture's centre."""
    out: dict[str, Any] = {
        "name": frame.header.path.name,
        "used": pose.used,
        "why": pose.why,
        "pose": None if pose.pose is None else pose.pose.tolist(),
        "gain_ev": round(float(pose.gain_ev), 5),
        "confidence": round(float(pose.confidence), 4),
        "share": round(float(share), 5),
        "sharpness": round(float(sharpness), 5),
        "likeness": round(float(pose.likeness), 4) if np.isfinite(pose.likeness) else None,
        "sigma": round(float(pose.sigma), 4) if np.isfinite(pose.sigma) else None,
        "drift": round(float(pose.drift), 4) if np.isfinite(pose.drift) else None,
        "digest": frame.digest,
        **_camera(frame.header.camera),
    }
    if pose.bend is not None:
        out["bend"] = pose.bend.as_json()
    raw = development.as_json(frame.header)
    if raw is not None:
        out["raw"] = raw
    turned = turning.as_json(frame.header)
    if turned is not None:
        out["turned"] = turned
    if pose.pose is not None:
        centre = np.array([(size[0] - 1) / 2, (size[1] - 1) / 2])
        moved = pose.pose[:, :2] @ centre + pose.pose[:, 2] - centre
        out["shift"] = [round(float(v), 3) for v in moved]
        out["scale"] = round(float(np.hypot(pose.pose[0, 0], pose.pose[1, 0])), 7)
        out["roll"] = round(float(np.arctan2(pose.pose[1, 0], pose.pose[0, 0])), 7)
    return out


@dataclass(frozen=True, kw_only=True)
class Findings:
    """What the steps before delivery found out about a stack."""

    registration: Registration
    share: Mapping[int, float]
    """By place of a used frame, its share of the picture, 0..1."""
    sharpness: Sequence[float]
    """Of each frame, as `survey.detail_of` gives it."""
    gaps: Sequence[Gap]
    soft: bool
    """Whether nothing is sharp in any frame."""
    coverage: Coverage
    spots: Spots
    moved: Sequence[Mapping[str, Any]]
    """Entries for what moved, largest first."""


def build_report(
    stack: SurveyedStack, found: Findings, *, plan: Plan, key: str, notes: Sequence[str]
) -> Report:
    """The report of a merge, without the times of its steps, which are not known yet; see `Report.timed`.

    Parameters
    ----------
    plan
        Whose memory it tells.
    key
        The key of the picture.
    notes
        Remarks for people that other parts made.
    """
    frames, registration = stack.frames, found.registration
    remarks = [(f.header.path.name, n) for f in frames for n in f.header.notes]
    bent = _bent(frames, registration)
    return Report(
        {
            "format": FORMAT,
            "reference": frames[registration.reference].header.path.name,
            "size": list(stack.size),
            "frames": [
                _frame(f, p, found.share.get(k, 0.0), found.sharpness[k], stack.size)
                for k, (f, p) in enumerate(zip(frames, registration.frames, strict=True))
            ],
            "gaps": [g.as_json() for g in found.gaps],
            "coverage": found.coverage.as_json(),
            "seconds": {},
            "memory": {"limit": plan.limit, "planned": plan.peak, "peak": 0},
            "software": {
                "nearfar": f"Nearfar {__version__}",
                "python": platform.python_version(),
                "machine": platform.machine(),
            },
            "recipe": stack.recipe.name,
            "noise": round(stack.noise.sigma, 6),
            "sensor": found.spots.as_json(),
            "moved": [dict(m) for m in found.moved],
            "warnings": _warnings(frames, found),
            "notes": [*notes, *_turned(frames), *_condensed(remarks)],
            "key": key,
            **({"bent": bent} if bent else {}),
        }
    )


def _warnings(frames: Sequence[Surveyed], found: Findings) -> list[str]:
    """What is worth a look, the gravest first."""
    registration, spots = found.registration, found.spots.text()
    gains = [p.gain_ev for p in registration.frames if p.used]
    spread = max(gains) - min(gains) if gains else 0.0
    text = f"the brightness of the frames differs by {spread:.2f} EV; it was taken out in linear light"
    return [
        *([NOTHING_SHARP] if found.soft else []),
        *registration.warnings,
        *([text] if spread > FLICKER_EV else []),
        *_development(frames),
        *_turned_odd(frames, registration),
        *([spots] if spots else []),
        *found.coverage.warnings([(g.after, g.before) for g in found.gaps]),
    ]


def _bent(frames: Sequence[Surveyed], registration: Registration) -> dict[str, Any] | None:
    """The report's entry of what was bent beyond shift, scale and roll; None if nothing was."""
    found = registration.bent
    if found is None:
        return None
    name, reference = (frames[k].header.path.name for k in (found.place, registration.reference))
    text = (
        f"Shift, scale and roll left {name} off {reference} by {found.size:.2f} px, as a tilted camera or a lens that "
        f"distorts otherwise at another focus leaves it. Such frames were bent; {found.left:.2f} px are left over."
    )
    return {"frame": name, "px": found.size, "left_px": found.left, "text": text}


def _development(frames: Sequence[Surveyed]) -> list[str]:
    """A warning if raw frames were not developed alike."""
    told = {
        note for f in frames if f.header.kind == "raw" for note in f.header.notes if "white balance" in note
    }
    if len(told) < 2:
        return []
    remedy = 'balance = "first" in the table [raw] of the recipe gives all of them one'
    return [f"the raw frames carry different white balances: {remedy}"]


def _turned(frames: Sequence[Surveyed]) -> list[str]:
    """A note if frames were not turned by their own orientation tags."""
    text = turning.words([f.header for f in frames])
    return [] if text is None else [text]


def _turned_odd(frames: Sequence[Surveyed], registration: Registration) -> list[str]:
    """A warning if frames that were left out carry another orientation than the reference: they may be turned wrongly."""
    usual = turning.own(frames[registration.reference].header)
    odd = [
        f"{f.header.path.name} ({turning.own(f.header)})"
        for f, p in zip(frames, registration.frames, strict=True)
        if not p.used and turning.own(f.header) != usual
    ]
    if not odd:
        return []
    names = f"{', '.join(odd[:NAMED])}{' and more' if len(odd) > NAMED else ''}"
    text = f"frames were left out that carry another orientation tag than {usual}: {names}; "
    return [
        text + "if they show the same scene, turn their pixels like the others' and give all frames one tag"
    ]


def _condensed(remarks: Sequence[tuple[str, str]]) -> list[str]:
    """Lines of remarks (frame, text), with the frames of a repeated remark on one line."""
    by_text: dict[str, list[str]] = {}
    for name, text in remarks:
        by_text.setdefault(text, []).append(name)
    return [
        f"{names[0]}: {text}" if len(names) == 1 else f"{len(names)} frames, {names[0]} first: {text}"
        for text, names in by_text.items()
    ]
