"""Several processes at one registration, focus map or delivery.

At a registration each leaves what it found in scratch, and takes what others left there. While one makes the focus map
another finds out what the frames cover and compares their patterns, as the first does once it comes to that. At a delivery
one makes what belongs to the picture besides it.

Nobody waits for anybody at the first two. Each begins at another place and goes through all pieces, so that they meet;
a piece that two do at the same moment is done twice, with the same result. What cannot be read counts as not there, and
no file is synced: at worst a piece is done again. How long a delivery waits, `deliver.beside` says.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from nearfar.frames.decode import exif_block
from nearfar.frames.deliverable import PictureTags
from nearfar.merge.deliver.beside import Beside
from nearfar.merge.deliver.side_files import side_writers
from nearfar.merge.register import Registration
from nearfar.merge.scratch import Scratch
from nearfar.merge.sensor import look_at
from nearfar.merge.steps import LINK_PAGES, Steps
from nearfar.merge.stored_arrays import read_all

KIND = "links"


class Enough(Exception):
    """Raised if nothing is left to help with."""


class SharedLinks:
    """How one of several processes shares a registration; see `nearfar.merge.register.sliding.Share`.

    Parameters
    ----------
    key
        Of the registration.
    place
        Which of the processes this is: 0 brings the registration to its end, the others help.
    count
        How many were to be.
    over
        Whether nobody needs the links any longer.
    """

    def __init__(
        self, scratch: Scratch, key: str, *, place: int, count: int, over: Callable[[], bool]
    ) -> None:
        self.scratch = scratch
        self.key = key
        self.place = place
        self.count = count
        self.over = over

    def order(self, count: int) -> list[int]:
        """Pairs of processes begin at the two ends of a part of the pieces and meet in it; then come the other parts."""
        even = self.place - self.place % 2
        first = count * even // self.count
        if self.place == even:
            return [*range(first, count), *range(first)]
        last = count * (even + 2) // self.count
        return [*range(last - 1, -1, -1), *range(count - 1, last - 1, -1)]

    def take(self, step: str, piece: int, kinds: Sequence[type]) -> list[object] | None:
        """What another process found for a piece, or None. Raises `Enough`."""
        if self.place and self.over():
            raise Enough
        try:
            with open(self._path(step, piece), "rb", buffering=0) as file:
                found: list[object] = thaw(read_all(file), kinds)
                return found
        except Exception:  # noqa: BLE001 - not there, or damaged, whatever that makes a reader raise
            return None

    def _path(self, step: str, piece: int) -> Path:
        return self.scratch.path(self.key, f"{step}-{piece}.{KIND}")

    def give(self, step: str, piece: int, found: object) -> None:
        """Leave what this process found for a piece."""
        self.scratch.save(self.key, f"{step}-{piece}.{KIND}", freeze(found))

    def all_linked(self) -> None:
        """Say that all links are there. Raises `Enough` in a process that only helps."""
        if self.place:
            raise Enough

    def clear(self) -> None:
        """Remove all pieces, which nobody needs any longer."""
        for path in self.scratch.folder.glob(f"{self.key}.*.{KIND}"):
            path.unlink(missing_ok=True)


def register_with_helpers(steps: Steps, helpers: int, tick: Callable[[float], None]) -> Registration:
    """Register a stack with the help of ``helpers`` other processes. Raises what `Steps.registration` raises."""
    if steps.is_registered or not helpers:
        return steps.registration(tick)
    steps.share = share = _share(steps, 0, helpers)
    registration = steps.registration(tick)
    share.clear()
    return registration


def help_register(steps: Steps, place: int, helpers: int) -> None:
    """Help to register as number ``place``, from 1, while links are missing. Raises what `Steps.registration` raises."""
    steps.share = _share(steps, place, helpers)
    if not steps.is_registered:
        with suppress(Enough):
            steps.register_anew(lambda _: None)
    if steps.recipe.sensor.spots and not steps.is_looked_at:
        mapped = steps.mapped()

        def relax() -> None:
            steps.relax(LINK_PAGES)

        with suppress(Enough):
            look_at(
                len(mapped),
                lambda k: mapped[k].pixels,
                steps.noise(),
                relax,
                steps.plan.threads,
                steps.share,
            )


class SharedPatterns(SharedLinks):
    """How two processes share the comparison of patterns; see `nearfar.merge.focus.patterns.PatternShare`.

    Number 0 goes through the frames from the first on, takes what is there and notes what it made itself, which nobody else
    needs. Number 1 comes from the last one, makes what is not there, and leaves it.
    """

    def take(self, step: str, piece: int, kinds: Sequence[type]) -> Any:
        """What another process found for a frame, or None; in a process that helps True: it was seen to."""
        if not self.place:
            return super().take(step, piece, kinds)
        if self.over():
            raise Enough
        return self._path(step, piece).exists() or None

    def give(self, step: str, piece: int, found: object) -> None:
        """Leave what this process found for a frame, or only note that it was seen to."""
        if self.place:
            super().give(step, piece, found)
        else:
            self._path(step, piece).touch()


def focus_with_helpers(steps: Steps, helpers: int, tick: Callable[[float], None]) -> None:
    """Make the focus map with the help of another process. Raises what `Steps.focus` raises."""
    if steps.is_focused or not helpers:
        steps.focus(tick)
        return
    share = _shared_patterns(steps, 0)
    steps.focus(tick, share)
    share.clear()


def help_focus(steps: Steps) -> None:
    """See to what the focus map is not needed for, while it is not there. Raises what `Steps.coverage` raises."""
    share = _shared_patterns(steps, 1)
    if not share.over():
        with suppress(Enough):
            steps.help_focus(share)


def _shared_patterns(steps: Steps, place: int) -> SharedPatterns:
    return SharedPatterns(
        steps.scratch, steps.keys.focus, place=place, count=2, over=lambda: steps.is_focused
    )


def help_deliver(steps: Steps) -> None:
    """Make what belongs to the picture besides it, for the process that delivers it; all bands are in scratch."""
    reference = steps.frames[steps.registration().reference].header
    tags = PictureTags(icc=reference.icc, exif=exif_block(reference))
    with steps.delivery(least=steps.recipe.deliver.preview_edge) as delivery:
        report = steps.report(steps.gather(delivery))
        writers = side_writers(delivery, tags, steps.focus()[0], report, steps.recipe)
        Beside(steps.scratch, steps.keys.result).make(writers, steps.check)


def _share(steps: Steps, place: int, helpers: int) -> SharedLinks:
    key = steps.keys.register

    def over() -> bool:
        return steps.is_looked_at

    return SharedLinks(steps.scratch, key, place=place, count=helpers + 1, over=over)


def freeze(value: object) -> dict[str, NDArray[Any]]:
    """A value of data classes, named tuples, lists, numbers and arrays as a few arrays, bit for bit; see `thaw`.

    Arrays keep their order in memory and NumPy's numbers their kind: products and quotients round otherwise.
    """
    arrays: dict[str, list[NDArray[Any]]] = {}

    def plain(one: Any) -> Any:
        if is_dataclass(one):
            return {type(one).__name__: [plain(getattr(one, f.name)) for f in fields(one)]}
        if isinstance(one, np.ndarray):
            kept = one.copy("K").flags
            order: Literal["F", "C"] = "F" if kept.f_contiguous and not kept.c_contiguous else "C"
            arrays.setdefault(one.dtype.name, []).append(one.ravel(order))
            return {"array": [one.dtype.name, list(one.shape), order]}
        if isinstance(one, tuple) and hasattr(one, "_fields"):
            return {type(one).__name__: [plain(each) for each in one]}
        if isinstance(one, list | tuple):
            return [plain(each) for each in one]
        if isinstance(one, np.generic):
            return {"number": [one.dtype.name, plain(one.item())]}
        return {"complex": [one.real, one.imag]} if isinstance(one, complex) else one

    told = json.dumps(plain(value)).encode()
    return {"told": np.frombuffer(told, np.uint8)} | {k: np.concatenate(v) for k, v in arrays.items()}


def thaw(stored: dict[str, NDArray[Any]], kinds: Sequence[type]) -> Any:
    """The value that `freeze` was given; tuples come back as lists. ``kinds`` are the classes that may occur."""
    made = {kind.__name__: kind for kind in kinds}
    taken = dict.fromkeys(stored, 0)

    def whole(one: Any) -> Any:
        if isinstance(one, list):
            return [whole(each) for each in one]
        if not isinstance(one, dict):
            return one
        ((name, content),) = one.items()
        if name == "array":
            kind, shape, order = content
            start, taken[kind] = taken[kind], taken[kind] + int(np.prod(shape))
            return stored[kind][start : taken[kind]].reshape(shape, order=order).copy(order)
        if name == "number":
            return np.dtype(content[0]).type(whole(content[1]))
        if name == "complex":
            return complex(*content)
        values = [whole(each) for each in content]
        if not is_dataclass(made[name]):
            return made[name](*values)
        return made[name](**{f.name: v for f, v in zip(fields(made[name]), values, strict=True)})

    return whole(json.loads(stored["told"].tobytes()))
