"""Work on near neighbours without holding a whole stack: each frame's data is made once, and dropped when not needed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")


class Share(Protocol):
    """How several processes that register the same stack divide the work: each uses what another has found."""

    def order(self, count: int) -> Sequence[int]:
        """Numbers of all ``count`` pieces, in the order in which this process should do them."""

    def take(self, step: str, piece: int, kinds: Sequence[type]) -> list[object] | None:
        """What another process found for a piece, built of these data classes, numbers and arrays; None if nothing yet."""

    def give(self, step: str, piece: int, found: object) -> None:
        """Leave what this process found for a piece."""

    def all_linked(self) -> None:
        """Say that all links are there and nothing more is shared; raises in a process that only helps."""


class Crew:
    """Threads that work on a stack, and the share that other processes have in it. Results depend on neither.

    Parameters
    ----------
    threads
        How many threads; with 1 the caller's own is used.
    share
        Given if other processes register the same stack at the same time.
    """

    def __init__(self, threads: int, share: Share | None = None) -> None:
        self.threads = max(threads, 1)
        self.share = share
        self._pool = ThreadPoolExecutor(self.threads) if self.threads > 1 else None

    def map(self, work: Callable[[Item], Result], items: Iterable[Item]) -> list[Result]:
        """Do ``work`` on every item; results in the order of the items."""
        if self._pool is None:
            return [work(item) for item in items]
        return list(self._pool.map(work, items))

    def close(self) -> None:
        """End the threads."""
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)


def slide(
    count: int, back: int, make: Callable[[int], Item], crew: Crew
) -> Iterator[tuple[range, dict[int, Item]]]:
    """Yield ranges of new places, each with the data, by place, of the new ones and of the ``back`` places before them."""
    held: dict[int, Item] = {}
    for new in ranges(count, crew):
        held.update(zip(new, crew.map(make, new), strict=True))
        yield new, held
        for place in [p for p in held if p < new.stop - back]:
            del held[place]


def ranges(count: int, crew: Crew) -> list[range]:
    """The ranges of new places that `slide` yields."""
    return _ranges(count, max(2, 2 * crew.threads))


def _ranges(count: int, stride: int) -> list[range]:
    return [range(start, min(start + stride, count)) for start in range(0, count, stride)]


@dataclass(frozen=True, kw_only=True)
class Pass(Generic[Item, Result]):
    """One pass over ``count`` places of a stack: what is made of each, and what is found in a range of them."""

    step: str
    """Name under which results are shared."""
    count: int
    back: int
    """Places before a range whose data are looked at as well."""
    make: Callable[[int], Item]
    """The data of a place."""
    find: Callable[[range, dict[int, Item]], list[Result]]
    """From new places, and the data of these and of those before, to results."""
    kinds: Sequence[type] = ()
    """Data classes that results are made of."""


def find_all(
    asked: Pass[Item, Result], crew: Crew, tick: Callable[[float], None] = lambda _: None
) -> list[Result]:
    """Gather what a pass finds in all ranges of `slide`, in order; ``tick`` is given the share done, 0..1.

    If several processes work on the stack, each does some ranges and takes the results of the others (`Share`).
    """
    if crew.share is None:
        found: list[Result] = []
        for new, held in slide(asked.count, asked.back, asked.make, crew):
            found += asked.find(new, held)
            tick(new.stop / asked.count)
        return found
    stride, back = max(1, crew.threads // 2), asked.back
    step = f"{asked.step}-{stride}"  # ranges of others are only ours where they are as long
    parts = _ranges(asked.count, stride)
    pieces: dict[int, list[Result]] = {}
    kept: dict[int, Item] = {}
    for piece in crew.share.order(len(parts)):
        new = parts[piece]
        stored = crew.share.take(step, piece, asked.kinds)
        if stored is None:
            near = range(max(0, new.start - back), new.stop)
            missing = [k for k in near if k not in kept]
            kept = {k: v for k, v in kept.items() if new.start - back <= k < new.stop + back}
            kept.update(zip(missing, crew.map(asked.make, missing), strict=True))
            stored = asked.find(new, {k: kept[k] for k in near})  # type: ignore[assignment]
            crew.share.give(step, piece, stored)
        pieces[piece] = stored  # type: ignore[assignment]
        tick(len(pieces) / len(parts))
    return [each for piece in sorted(pieces) for each in pieces[piece]]
