"""The figures as Markdown."""

from __future__ import annotations

import os
import platform
from datetime import UTC, datetime
from pathlib import Path

from tests.bench import bars
from tests.bench.bars import MIB, Bar
from tests.bench.quality import Quality
from tests.bench.speed import Memory, Timing


def table(head: list[str], rows: list[list[str]]) -> str:
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    return "\n".join(lines + ["| " + " | ".join(r) + " |" for r in rows]) + "\n"


def machine() -> str:
    """Date, processor and memory of this run."""
    info = Path("/proc/cpuinfo").read_text().splitlines()
    model = next(
        (line.split(":")[1].strip() for line in info if line.startswith("model name")), platform.machine()
    )
    pages = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") / 2**30
    load = os.getloadavg()[0]
    return (
        f"{datetime.now(UTC).date().isoformat()}, {os.cpu_count()} cores ({model}), {pages:.0f} GiB, Python "
        f"{platform.python_version()}; load at the end {load:.1f}."
    )


def _judged(value: float, bar: Bar | None, form: str = "+.2f") -> str:
    text = format(value, form)
    return text if bar is None else f"{text} ({bar.first:g} / {bar.goal:g}: {bar.verdict(value)})"


def _maybe(value: float | None, form: str = ".2f") -> str:
    return "-" if value is None else format(value, form)


def quality(found: list[Quality]) -> str:
    """All scenes: our PSNR beside both baselines, gains with their bars, noise, halo, poses."""
    plain = {q.scene: q.ours for q in found if q.variant == "plain"}
    rows = []
    for q in found:
        over_six = {"plain": bars.OVER_SIX, "noise x3": bars.OVER_SIX_NOISY}.get(q.variant, {}).get(q.scene)
        over_one = bars.OVER_ONE.get(q.scene) if q.variant == "plain" else None
        loss = plain[q.scene] - q.ours if q.variant == "flicker" and q.scene in plain else None
        barred = q.scene in bars.OVER_SIX
        rows.append(
            [
                q.scene,
                q.variant,
                str(q.frames),
                f"{q.six:.2f}",
                f"{q.one:.2f}",
                f"{q.ours:.2f}",
                _judged(q.ours - q.six, over_six),
                _judged(q.ours - q.one, over_one),
                "-" if loss is None else _judged(loss, bars.FLICKER_LOSS),
                f"{q.ssim_six:.4f} / {q.ssim:.4f}",
                "-" if q.noise is None else f"{_maybe(q.noise_six)} / {_judged(q.noise, bars.NOISE, '.2f')}",
                f"{_maybe(q.halo_six, '.1f')} / {_maybe(q.halo, '.1f')}",
                f"{_maybe(q.amount_six, '.2f')} / {_maybe(q.amount, '.2f')}",
                _judged(q.pose_median, bars.POSE_MEDIAN if barred and q.variant == "plain" else None, ".3f"),
                _judged(q.pose_worst, bars.POSE_WORST[q.variant] if barred else None, ".3f"),
                ", ".join(q.dropped) or "-",
                f"{q.seconds:.1f}",
            ]
        )
    head = [
        "scene",
        "variant",
        "frames",
        "plain 6",
        "plain 1",
        "ours",
        "over plain 6",
        "over plain 1",
        "lost to flicker",
        "SSIM plain 6 / ours",
        "noise plain 6 / ours",
        "halo px plain 6 / ours",
        "halo levels plain 6 / ours",
        "pose median",
        "pose worst",
        "left out",
        "s",
    ]
    return table(head, rows)


def _timing_row(t: Timing) -> list[str]:
    return [
        f"{t.stack}, {t.frames} frames of {_mp(t.size)}",
        f"{t.floor:.2f}",
        f"{t.ours:.2f}",
        _judged(t.ours / t.floor, bars.OVER_FLOOR[t.stack], ".2f"),
        _maybe(t.plain),
        "-" if t.plain is None else _judged(t.plain / t.ours, bars.PLAIN_OVER_OURS, ".1f"),
        ", ".join(f"{k} {v:.2f}" for k, v in t.steps.items()),
        f"{t.peak / MIB:.0f}",
    ]


def timing(found: list[Timing]) -> str:
    rows = [_timing_row(t) for t in found]
    return table(
        ["stack", "floor s", "ours s", "ours / floor", "plain s", "plain / ours", "steps s", "peak MiB"], rows
    )


def growth(few: Timing, many: Timing) -> str:
    ratio = (many.ours / many.frames) / (few.ours / few.frames)
    return (
        f"Time per frame, {many.frames} frames against {few.frames} ({_mp(few.size)}): "
        f"{_judged(ratio, bars.PER_FRAME, '.2f')}.\n"
    )


def memory(found: list[Memory]) -> str:
    rows = [
        [
            f"{m.frames} frames of {_mp(m.size)}",
            m.limit,
            _judged(m.peak / MIB, bars.PEAK if m.limit == "default" else bars.PEAK_LIMITED, ".0f"),
            f"{m.told / MIB:.0f}",
            f"{m.seconds:.1f}",
        ]
        for m in found
    ]
    return table(["stack", "allowed", "peak MiB, from outside", "peak MiB, its report", "s"], rows)


def bits(found: dict[str, str]) -> str:
    same = len(set(found.values())) == 1
    rows = [[name, value] for name, value in found.items()]
    return (
        table(["run", "digest of samples"], rows)
        + f"\n{'PASS' if same else 'short'}: "
        + ("all runs gave the same bits.\n" if same else "the bits differ.\n")
    )


def _mp(size: tuple[int, int]) -> str:
    return f"{size[0] * size[1] / 1e6:.0f} MP"
