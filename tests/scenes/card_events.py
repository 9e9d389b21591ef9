"""Events of a rendered day: each is a few frames with their pauses, settings and true kind."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from tests.scenes.card_views import Place, Shot, make_place

Random = np.random.Generator
COVERS = ("hand", "hand", "sharp hand", "fingers", "cap", "sheet", "cloth")


@dataclass(frozen=True, kw_only=True)
class Taken:
    """One press of the shutter, ``after`` seconds from the last; ``kind``: frame, divider, single, test, bracket, ..."""

    place: Place
    shot: Shot
    after: float
    kind: str
    exposure: Fraction = Fraction(1, 125)
    f_number: Fraction = Fraction(28, 5)
    focal_length: Fraction = Fraction(60)
    iso: int = 200
    orientation: int = 1
    """What the camera's level sensor makes it write; the pixels stay as they are."""


@dataclass(frozen=True, kw_only=True)
class Event:
    """What belongs together, in order."""

    name: str
    frames: tuple[Taken, ...]


def pause(random: Random, low: float, high: float) -> float:
    return float(np.exp(random.uniform(np.log(low), np.log(high))))


def seed_of(random: Random) -> int:
    return int(random.integers(1 << 40))


def stack(
    random: Random, place: Place, pace: str, *, frames: int | None = None, before: float = 20.0
) -> Event:
    """A stack at a pace: 'fast' 0.1 s gaps, 'flash' regular seconds, 'hand' irregular seconds, 'view' long pauses."""
    low, high = {"fast": (8, 41), "flash": (10, 45), "hand": (6, 25), "view": (4, 8)}[pace]
    n = frames or int(random.integers(low, high))
    step = {"fast": pause(random, 0.1, 0.35), "flash": pause(random, 0.8, 4), "hand": pause(random, 2, 6)}
    base = step.get(pace, pause(random, 3, 10))
    spread = {"fast": 0.03, "flash": 0.05, "hand": 0.3}.get(pace, 0.6)
    near, far = random.uniform([-0.12, 0.88], [0.12, 1.12])
    order = np.linspace(near, far, n) if random.random() < 0.7 else np.linspace(far, near, n)
    jitter = {"fast": 0.3, "flash": 0.2, "hand": 1.2, "view": 0.4}[pace]
    breathing = float(random.uniform(-0.02, 0.04))
    exposure = Fraction(1, 400) if pace == "fast" else Fraction(1, int(random.choice([125, 15, 1])))
    taken = []
    for k, focus in enumerate(order):
        wobble = random.normal(0, 0.12 / n) if pace in ("hand", "view") else 0.0
        shot = Shot(
            focus=float(focus + wobble),
            ev=float(random.normal(0, 0.02)),
            shift=(float(random.normal(0, jitter)), float(random.normal(0, jitter))),
            scale=1 + breathing * k / n,
            seed=seed_of(random),
        )
        gap = before if k == 0 else base * float(np.exp(random.normal(0, spread)))
        taken.append(Taken(place=place, shot=shot, after=gap, kind="frame", exposure=exposure))
    return Event(name=f"stack {pace}", frames=tuple(taken))


def spoilt(random: Random, event: Event) -> Event:
    """A stack with one frame that went wrong: shaken, without its flash, with a passer-by, or taken twice."""
    at = int(random.integers(1, len(event.frames) - 1))
    how = str(random.choice(["shaken", "dark", "passer-by", "repeat"]))
    here = event.frames[at]
    seed = seed_of(random)
    change = {
        "shaken": replace(here.shot, shake=14.0, seed=seed),
        "dark": replace(here.shot, ev=here.shot.ev - 3, seed=seed),
        "passer-by": replace(here.shot, cover="passer-by", seed=seed),
        "repeat": replace(here.shot, seed=seed),
    }
    odd = replace(here, shot=change[how], kind=how, after=event.frames[1].after)
    frames = (*event.frames[:at], odd, *event.frames[at:])
    return Event(name=f"{event.name} with {how}", frames=frames)


def divider(random: Random, place: Place, like: Taken, before: float) -> Event:
    """One or two frames of something held before the lens."""
    cover = str(random.choice(COVERS))
    frames = [
        replace(
            like,
            shot=replace(like.shot, cover=cover, seed=seed_of(random), ev=float(random.normal(0, 0.1))),
            after=before if k == 0 else pause(random, 0.4, 2),
            kind="divider",
        )
        for k in range(1 if random.random() < 0.8 else 2)
    ]
    return Event(name=f"divider {cover}", frames=tuple(frames))


def singles(random: Random, size: tuple[int, int], count: int) -> Event:
    frames = []
    for _ in range(count):
        place = make_place(random, str(random.choice(["view", "table", "macro"])), size)
        shot = Shot(focus=float(random.uniform(0, 1)), seed=seed_of(random))
        f_number = Fraction(int(random.choice([28, 40, 56, 80])), 10)
        taken = Taken(place=place, shot=shot, after=pause(random, 3, 90), kind="single", f_number=f_number)
        frames.append(replace(taken, exposure=Fraction(1, int(random.choice([60, 125, 250])))))
    return Event(name="singles", frames=tuple(frames))


def tests(random: Random, place: Place, like: Taken) -> Event:
    """A few tries before a stack, with other settings or focus."""
    frames = []
    for k in range(int(random.integers(1, 4))):
        step = int(random.integers(-2, 3))
        ev = like.shot.ev + step + float(random.normal(0, 0.03))
        shot = replace(like.shot, focus=float(random.uniform(0, 1)), ev=ev, seed=seed_of(random))
        exposure = like.exposure * Fraction(2) ** step
        gap = pause(random, 10, 60) if k == 0 else pause(random, 4, 20)
        frames.append(replace(like, shot=shot, after=gap, kind="test", exposure=exposure))
    return Event(name="tests", frames=tuple(frames))


def exposures(random: Random, place: Place) -> Event:
    """An exposure bracket of 3, 5 or 7."""
    n, step = int(random.choice([3, 5, 7])), float(random.choice([0.7, 1, 2]))
    levels = [0.0] + [s * step * (i + 1) for i in range(n // 2) for s in (-1, 1)]
    if random.random() < 0.4:
        levels.sort()
    focus, gap = float(random.uniform(0.2, 0.8)), pause(random, 0.15, 1)
    frames = []
    for k, ev in enumerate(levels):
        shot = Shot(focus=focus, ev=ev, shift=tuple(random.normal(0, 0.5, 2)), seed=seed_of(random))
        exposure = Fraction(1, 125) * Fraction(2**ev).limit_denominator(64)
        after = pause(random, 8, 60) if k == 0 else gap
        frames.append(Taken(place=place, shot=shot, after=after, kind="bracket", exposure=exposure))
    return Event(name=f"exposures {n}", frames=tuple(frames))


def panorama(random: Random, size: tuple[int, int]) -> Event:
    """Frames side by side with an overlap of 30 %."""
    n = int(random.integers(3, 7))
    place = make_place(random, "view", size, wide=0.7 * n + 0.4)
    start = -0.35 * size[0] * (n - 1)
    frames = []
    for k in range(n):
        shift = (start + 0.7 * size[0] * k + random.normal(0, 3), random.normal(0, 3))
        shot = Shot(focus=0.6, ev=float(random.normal(0, 0.05)), shift=shift, seed=seed_of(random))
        after = pause(random, 8, 60) if k == 0 else pause(random, 1.5, 4)
        frames.append(Taken(place=place, shot=shot, after=after, kind="panorama"))
    return Event(name=f"panorama {n}", frames=tuple(frames))


def burst(random: Random, size: tuple[int, int]) -> Event:
    """A running animal, the camera still or following."""
    n, follow = int(random.integers(5, 16)), bool(random.random() < 0.4)
    place = make_place(random, "view", size, wide=1.6 if follow else 1.0)
    gap = pause(random, 0.08, 0.4)
    frames = []
    for k in range(n):
        along = k / (n - 1)
        shift = ((along - 0.5) * 0.45 * size[0] if follow else random.normal(0, 1), random.normal(0, 1.5))
        shot = Shot(
            focus=0.35, shift=shift, runner=0.25 + 0.5 * along if follow else along, seed=seed_of(random)
        )
        after = pause(random, 5, 60) if k == 0 else gap
        frames.append(Taken(place=place, shot=shot, after=after, kind="burst", exposure=Fraction(1, 1000)))
    return Event(name=f"burst {'followed' if follow else 'still'}", frames=tuple(frames))


def repeats(random: Random, size: tuple[int, int]) -> Event:
    """The same view several times, nothing changed."""
    place = make_place(random, str(random.choice(["view", "table", "macro"])), size)
    focus, gap, by_hand = float(random.uniform(0.2, 0.8)), pause(random, 0.15, 3), bool(random.random() < 0.5)
    frames: list[Taken] = []
    for _ in range(int(random.integers(3, 10))):
        smear = float(random.uniform(0, 2.5)) if by_hand else 0.0
        shot = Shot(focus=focus, shift=tuple(random.normal(0, 0.8, 2)), shake=smear, seed=seed_of(random))
        frames.append(
            Taken(place=place, shot=shot, after=gap if frames else pause(random, 5, 60), kind="repeat burst")
        )
    return Event(name="repeats", frames=tuple(frames))


def _again(random: Random, frame: Taken, first: Taken, aim: np.ndarray) -> Taken:
    """A frame of a second time: the same focus as the first time, nearly, and perhaps another aim."""
    x, y = np.clip(np.array(frame.shot.shift) + aim, -40, 40)
    focus = first.shot.focus + float(random.normal(0, 0.01))
    shot = replace(frame.shot, focus=focus, scale=first.shot.scale, shift=(float(x), float(y)))
    return replace(frame, shot=shot)


def a_stack(random: Random, size: tuple[int, int]) -> list[Event]:
    """A stack with what people do around it: tries, dividers, a second time."""
    pace = str(random.choice(["fast", "flash", "hand", "view"]))
    kind = (
        "view"
        if pace == "view"
        else str(random.choice(["macro", "macro", "macro", "table", "table", "bare"]))
    )
    place = make_place(random, kind, size)
    first = stack(random, place, pace, before=pause(random, 6, 60))
    events: list[Event] = [tests(random, place, first.frames[0])] if random.random() < 0.25 else []
    events.append(spoilt(random, first) if random.random() < 0.3 and len(first.frames) > 5 else first)
    if random.random() < 0.5:
        events.append(divider(random, place, first.frames[-1], pause(random, 1, 6)))
    if random.random() < 0.3:
        again = stack(random, place, pace, frames=len(first.frames), before=pause(random, 4, 40))
        aim = random.normal(0, 0.03, 2) * size if random.random() < 0.4 else np.zeros(2)
        lens = tuple(_again(random, a, b, aim) for a, b in zip(again.frames, first.frames, strict=True))
        events.append(Event(name=f"{again.name} again", frames=lens))
        if random.random() < 0.5:
            events.append(divider(random, place, again.frames[-1], pause(random, 1, 6)))
    return events


def day(random: Random, events: int, size: tuple[int, int]) -> list[Event]:
    """A day with this many events, in random order."""
    makers: list[Callable[[], list[Event]]] = [
        lambda: a_stack(random, size),
        lambda: [singles(random, size, int(random.integers(1, 4)))],
        lambda: [exposures(random, make_place(random, "view", size))],
        lambda: [panorama(random, size)],
        lambda: [burst(random, size)],
        lambda: [repeats(random, size)],
    ]
    chances = np.array([0.55, 0.17, 0.08, 0.07, 0.08, 0.05])
    found: list[Event] = []
    for _ in range(events):
        found += makers[int(random.choice(len(makers), p=chances))]()
    return found
