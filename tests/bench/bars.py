"""What the merge has to reach: first landing, and where it must go."""

from __future__ import annotations

from dataclasses import dataclass

OCCLUSION, HAIRS, DOORWAYS, DOME = "occlusion", "hairs", "doorways", "dome"


@dataclass(frozen=True, kw_only=True)
class Bar:
    """``first`` and ``goal`` in the measure's unit; ``most``: the value must stay at or below them."""

    first: float
    goal: float
    most: bool = False

    def verdict(self, value: float) -> str:
        def reached(bar: float) -> bool:
            return value <= bar if self.most else value >= bar

        return "PASS, goal reached" if reached(self.goal) else "PASS" if reached(self.first) else "short"


OVER_SIX = {
    OCCLUSION: Bar(first=1.0, goal=2.5),
    HAIRS: Bar(first=0.5, goal=3.0),
    DOORWAYS: Bar(first=2.8, goal=4.8),
    DOME: Bar(first=4.5, goal=10.0),
}
OVER_ONE = {
    OCCLUSION: Bar(first=0.1, goal=1.5),
    HAIRS: Bar(first=0.0, goal=2.3),
    DOORWAYS: Bar(first=2.5, goal=4.5),
    DOME: Bar(first=1.5, goal=7.0),
}
OVER_SIX_NOISY = {
    OCCLUSION: Bar(first=1, goal=3),
    HAIRS: Bar(first=1, goal=4),
    DOORWAYS: Bar(first=5, goal=7.5),
    DOME: Bar(first=7, goal=11),
}
FLICKER_LOSS = Bar(first=0.3, goal=0.3, most=True)
NOISE = Bar(first=0.6, goal=0.4, most=True)
POSE_MEDIAN = Bar(first=0.05, goal=0.05, most=True)
POSE_WORST = {
    "plain": Bar(first=0.35, goal=0.10, most=True),
    "noise x3": Bar(first=0.7, goal=0.20, most=True),
    "flicker": Bar(first=0.35, goal=0.20, most=True),
    "everything": Bar(first=0.7, goal=0.20, most=True),
}
OVER_FLOOR = {"easy": Bar(first=4, goal=1.8, most=True), "dense": Bar(first=8, goal=3, most=True)}
PLAIN_OVER_OURS = Bar(first=3, goal=6)
PER_FRAME = Bar(first=1.1, goal=1.0, most=True)
MIB = 1 << 20
PEAK = Bar(first=700, goal=300, most=True)
PEAK_LIMITED = Bar(first=400, goal=300, most=True)
