"""``nearfar plan``: the next bracket from what is written on camera and lens, and what was shot against it."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from nearfar.cli.parsers import add_command

if TYPE_CHECKING:
    from nearfar.bracket import Bracket, Shoot
    from nearfar.cli.command import Commands, Signals

DESCRIPTION = """\
Plan a bracket: how many frames, focused where, and what that costs.

  focus ring   --sensor full-frame --focal 24mm --f 8 --near 1m --far inf
  rail         --sensor full-frame --magnification 1:1 --f 5.6 --depth 12mm
  microscope   --objective 10/0.28 --depth 0.5mm

Lengths carry a unit: mm, cm, m, um, ft, in. What was shot is compared with a plan that was kept:

  nearfar plan --objective 10/0.28 --depth 0.5mm --json > plan.json
  nearfar plan --against FOLDER plan.json
"""


def add_parsers(commands: Commands) -> None:
    """Add ``plan`` to the commands of ``nearfar``."""
    parser = add_command(
        commands, "plan", "plan the next bracket: how many frames, focused where", DESCRIPTION
    )
    _camera_options(parser)
    _subject_options(parser)
    _cost_options(parser)
    out = parser.add_argument_group("what comes out")
    out.add_argument("--json", action="store_true", help="the plan as JSON")
    out.add_argument(
        "--card", type=Path, metavar="FILE.html", help="write a page for the phone or the printer"
    )
    out.add_argument("--title", default="Focus bracket", help="heading of that page (default: %(default)s)")
    out.add_argument(
        "--against",
        type=Path,
        metavar="FOLDER",
        help="compare the frames in a folder with the plan PLAN.json",
    )
    out.add_argument(
        "plan", nargs="?", type=Path, metavar="PLAN.json", help="a plan that was kept with --json"
    )
    parser.set_defaults(run=run)


def _camera_options(parser: argparse.ArgumentParser) -> None:
    camera = parser.add_argument_group("camera and optics")
    camera.add_argument(
        "--sensor", metavar="SIZE", help="36x24 (mm), full-frame, aps-c, four-thirds, medium, 1-inch ..."
    )
    camera.add_argument("--pixels", metavar="WxH", help="pixels of a frame, like 6000x4000")
    camera.add_argument(
        "--pitch",
        metavar="LENGTH",
        help="distance between pixels, like 4um, if --sensor and --pixels do not give it",
    )
    camera.add_argument("--focal", metavar="LENGTH", help="focal length, like 100mm")
    camera.add_argument("--f", dest="f_number", metavar="N", help="aperture as the lens shows it, like 8")
    camera.add_argument(
        "--magnification", metavar="M", help="size on the sensor over size of the subject: 1, 2.5x, 1:2"
    )
    camera.add_argument(
        "--pupil-ratio", metavar="P", help="exit pupil over entrance pupil of the lens (default: 1)"
    )
    camera.add_argument("--objective", metavar="M/NA", help="microscope objective as engraved, like 10/0.28")
    camera.add_argument(
        "--index", metavar="N", help="refractive index before the objective: 1 air, 1.515 oil (default: 1)"
    )
    camera.add_argument("--wavelength", metavar="LENGTH", help="of the light (default: 0.55um, green)")
    camera.add_argument(
        "--convention",
        choices=("step", "wave"),
        default="step",
        help="depth of field of an objective: step, n λ/NA², or wave, half of it (default: step)",
    )


def _subject_options(parser: argparse.ArgumentParser) -> None:
    subject = parser.add_argument_group("subject")
    subject.add_argument("--near", metavar="LENGTH", help="nearest distance that is to be sharp")
    subject.add_argument("--far", metavar="LENGTH", help="farthest one, or inf")
    subject.add_argument(
        "--depth", metavar="LENGTH", help="depth of the subject, from its nearest to its farthest"
    )
    subject.add_argument(
        "--from",
        dest="origin",
        choices=("lens", "sensor"),
        default="lens",
        help="where --near and --far are measured from (default: lens)",
    )
    subject.add_argument(
        "--overlap",
        metavar="SHARE",
        default="30%",
        help="of the depths of field of neighbouring frames (default: 30%%)",
    )
    subject.add_argument(
        "--criterion",
        default="modern",
        metavar="NAME",
        help="what passes for sharp: traditional (diagonal/1000), modern (diagonal/1500), 2px or 30um (default: modern)",
    )
    subject.add_argument(
        "--ends",
        choices=("auto", "covered", "focused"),
        default="auto",
        help="outer frames cover the ends by their depth of field, or focus on them (default: covered with a ring, "
        "focused otherwise)",
    )


def _cost_options(parser: argparse.ArgumentParser) -> None:
    cost = parser.add_argument_group("time and card space")
    cost.add_argument(
        "--exposure", default="0", metavar="TIME", help="exposure of one frame, like 1/60 or 2s"
    )
    cost.add_argument(
        "--settle",
        default="0",
        metavar="TIME",
        help="rest before each frame until nothing shakes (default: 0)",
    )
    cost.add_argument("--recycle", default="0", metavar="TIME", help="what the flash needs between frames")
    cost.add_argument(
        "--file",
        choices=("raw12", "raw14", "jpeg", "tiff8", "tiff16"),
        default="raw14",
        help="what the camera writes (default: raw14)",
    )
    cost.add_argument(
        "--bytes-per-frame", metavar="SIZE", help="size of one file, like 45MB, if known better"
    )


def shoot_of(options: argparse.Namespace) -> Shoot:
    """What the options ask for. Raises `UsageError` naming the option that is not understood."""
    from nearfar.bracket import written

    return written.shoot_of({name: value for name, value in vars(options).items() if isinstance(value, str)})


def run(options: argparse.Namespace, signals: Signals) -> int:
    """``nearfar plan``; returns the exit code."""
    from nearfar.bracket import plan_bracket
    from nearfar.bracket.card import SAFETY
    from nearfar.bracket.words import lines
    from nearfar.errors import UsageError

    if options.against is not None and options.plan is None:
        raise UsageError("--against needs the plan too: nearfar plan --against FOLDER PLAN.json")
    plan = _kept(options.plan) if options.plan is not None else plan_bracket(shoot_of(options))
    if options.card is not None:
        write_card(options.card, plan, options.title)
    if options.against is not None:
        return _against(plan, options.against, as_json=options.json)
    if options.json:
        _say([json.dumps(plan.to_json(), indent=1, ensure_ascii=False)])
    else:
        _say([*lines(plan), "", "Safety first", *(f"  {line}" for line in SAFETY)])
    return 0


def _kept(path: Path) -> Bracket:
    from nearfar.bracket import read_plan
    from nearfar.errors import InputRefused, UsageError

    try:
        return read_plan(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        raise InputRefused(f"{path}: {reason}; give the plan that 'nearfar plan ... --json' wrote") from error
    except UsageError as error:
        raise InputRefused(f"{path}: {error}") from error


def write_card(path: Path, plan: Bracket, title: str) -> None:
    """Write the field card; only a card of ours is overwritten."""
    from nearfar.bracket.card import MARK, card
    from nearfar.errors import UsageError
    from nearfar.frames.whole import whole_file

    if path.suffix.casefold() not in (".html", ".htm"):
        raise UsageError(f"--card {path}: found the ending {path.suffix!r}; expected .html")
    if path.exists():
        if not path.is_file() or MARK.encode() not in path.read_bytes()[:2000]:
            raise UsageError(
                f"--card {path} exists and is not a card of Nearfar; it is not overwritten. Give another name"
            )
    elif not path.absolute().parent.is_dir():
        raise UsageError(f"--card {path}: there is no folder {path.absolute().parent}; make it first")
    with whole_file(path) as part:
        part.write_text(card(plan, title), encoding="utf-8")


def _against(plan: Bracket, folder: Path, *, as_json: bool) -> int:
    """Compare the frames in a folder with the plan; frames are only read."""
    from nearfar.bracket.compare import Captured, compare, exif_distance, told
    from nearfar.intake.listing import gather

    headers = gather([folder]).headers
    captured = [
        Captured(name=h.path.name, distance=exif_distance(h.camera.subject_distance)) for h in headers
    ]
    found = compare(plan, captured)
    _say([json.dumps(found.to_json(), indent=1, ensure_ascii=False)] if as_json else told(plan, found))
    return 0


def _say(lines: Iterable[str]) -> None:
    """Lines on standard output; a reader who left does no harm."""
    try:
        for line in lines:
            sys.stdout.write(f"{line}\n")
        sys.stdout.flush()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
