"""``python -m tests.bench [--quick|--full] [--only NAME ...]``: measure, print, and renew sections of RESULTS.md.

NAME is a scene or one of: speed, growth, memory, bits, sorting, sensor. A missed bar is printed as short; it fails nothing.
"""

from __future__ import annotations

import argparse
import sys
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from tests.bench import bars, cards, quality, results, sorting, speed, spoilt, tables
from tests.scenes import KINDS

RESULTS = Path(__file__).with_name("RESULTS.md")
PARTS = ("speed", "growth", "memory", "bits", "sorting", "sensor")
FULL, HALF = (6000, 4000), (3000, 2000)


@dataclass
class Outcome:
    """Markdown by title, and what failed to run."""

    sections: dict[str, str] = field(default_factory=dict)
    failed: list[str] = field(default_factory=list)

    def attempt(self, name: str, work: Callable[[], None]) -> None:
        try:
            work()
        except (RuntimeError, OSError, KeyError, ValueError) as error:
            self.failed.append(f"{name}: {error}")
            traceback.print_exc()

    def say(self, title: str, text: str) -> None:
        self.sections[title] = text
        print(f"\n## {title}\n\n{text}", flush=True)


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    how = parser.add_mutually_exclusive_group()
    how.add_argument("--quick", action="store_true", help="barred scenes as they are, small stacks (default)")
    how.add_argument(
        "--full", action="store_true", help="every scene in every variant, stacks of 24 megapixels"
    )
    parser.add_argument("--only", nargs="+", choices=[*KINDS, quality.MEASURED, *PARTS], metavar="NAME")
    parser.add_argument("--variant", nargs="+", choices=list(quality.VARIANTS), metavar="VARIANT")
    parser.add_argument("--seed", type=int, default=quality.SEED)
    parser.add_argument("--command", help="what to run in place of the installed nearfar")
    parser.add_argument("--recipe", help="recipe to merge with")
    parser.add_argument("--results", type=Path, default=RESULTS)
    return parser.parse_args()


def scenes(out: Outcome, options: argparse.Namespace) -> None:
    kinds = options.only or ([*KINDS, quality.MEASURED] if options.full else list(bars.OVER_SIX))
    found: list[quality.Quality] = []
    extra = ("--recipe", options.recipe) if options.recipe else ()
    for kind in [k for k in kinds if k not in PARTS]:
        variants = options.variant or (list(quality.VARIANTS) if options.full else ["plain"])
        for variant in [v for v in variants if v not in quality.SPARE.get(kind, ())]:

            def one(kind: str = kind, variant: str = variant) -> None:
                q = quality.measure(kind, variant, command=options.command, seed=options.seed, options=extra)
                found.append(q)
                print(
                    f"{kind}, {variant}: plain {q.six:.2f} / {q.one:.2f}, ours {q.ours:.2f} dB, poses "
                    f"{q.pose_median:.3f} / {q.pose_worst:.3f} px, {q.seconds:.1f} s",
                    flush=True,
                )

            out.attempt(f"{kind}, {variant}", one)
    if found:
        out.say(
            "Quality",
            "PSNR in dB over the interior, away from what moved. In brackets: bar of the first landing / "
            f"goal: verdict. Seed {options.seed}.\n\n" + tables.quality(found),
        )


def stacks(out: Outcome, options: argparse.Namespace) -> None:
    wanted = [p for p in PARTS if not options.only or p in options.only]
    command, full = options.command, options.full
    size = FULL if full else HALF
    steps: dict[str, Callable[[], None]] = {
        "speed": lambda: out.say(
            "Time",
            tables.timing(
                [
                    speed.against_floor("easy", 40 if full else 12, size, command=command, plain=True),
                    speed.against_floor("dense", 40 if full else 12, size, command=command, plain=False),
                ]
            ),
        ),
        "growth": lambda: out.say(
            "Growth with frames",
            tables.growth(
                speed.against_floor("easy", 40, HALF if full else (1500, 1000), command=command, plain=False),
                speed.against_floor(
                    "easy", 300 if full else 120, HALF if full else (1500, 1000), command=command, plain=False
                ),
            ),
        ),
        "memory": lambda: out.say(
            "Memory",
            tables.memory(
                [
                    speed.memory(n, size, limit, command=command)
                    for n in ((12, 120) if full else (12, 40))
                    for limit in (None, "400MiB")
                ]
            ),
        ),
        "bits": lambda: out.say("Sameness", tables.bits(speed.same_bits(12, HALF, command=command))),
        "sensor": lambda: out.say(
            "Hot pixels and dust",
            "PSNR in dB where the flaws of the sensor pass over the picture.\n\n"
            + spoilt.report([spoilt.measure(kind, command=command) for kind in spoilt.STACKS]),
        ),
        "sorting": lambda: out.say(
            "Cards",
            sorting.report(sorting.measure(100, 120 if full else 106))
            + "\n"
            + cards.report([cards.measure(n) for n in ((500, 2000) if full else (500,))]),
        ),
    }
    for part in wanted:
        out.attempt(part, steps[part])


def main() -> int:
    options = arguments()
    out = Outcome()
    scenes(out, options)
    stacks(out, options)
    kind = "" if options.full else " Quick: fewer scenes, smaller stacks than the bars are meant for."
    when = f"{tables.machine()}{kind}"
    results.renew(options.results, {title: f"{when}\n\n{text}" for title, text in out.sections.items()})
    for line in out.failed:
        print(f"did not run: {line}", file=sys.stderr)
    return 1 if out.failed else 0


if __name__ == "__main__":
    sys.exit(main())
