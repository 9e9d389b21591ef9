"""The plan of the next bracket: how many frames, focused where, at which aperture; and what was shot against it.

Formulae are those of `nearfar.optics`; nothing here reads a picture.
"""

from __future__ import annotations

from nearfar.bracket.model import Bracket, Choice, OneShot, Step, read_plan
from nearfar.bracket.planning import plan_bracket
from nearfar.bracket.shoot import Criterion, Shoot

__all__ = ["Bracket", "Choice", "Criterion", "OneShot", "Shoot", "Step", "plan_bracket", "read_plan"]
