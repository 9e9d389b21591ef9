"""Work on near neighbours without holding a whole stack: each frame's data is made once and dropped when passed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Protocol, TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")


class Share(Protocol):
    """One of several processes that register the same stack: each takes what another found."""

    def order(self, count: int) -> Sequence[int]:
        """All of so many pieces, in the order in which this process is to see to them."""

    def take(self, step: str, piece: int, kinds: Sequence[type]) -> list[object] | None:
        """What some process found, made of these data classes, numbers and arrays; None: nobody did yet."""

    def give(self, step: str, piece: int, found: object) -> None:
        """Leave what was found."""

    def all_linked(self) -> None:
        """No more is shared; raises where this process only helps."""


class Crew:
    """Some threads. ``map`` keeps the order, so results never depend on how many there are.

    ``share`` is there where other processes register the same stack at this moment. Results never depend on that.
    """

    def __init__(self, threads: int, share: Share | None = None) -> None:
        self.threads = max(threads, 1)
        self.share = share
        self._pool = ThreadPoolExecutor(self.threads) if self.threads > 1 else None

    def map(self, work: Callable[[Item], Result], items: Iterable[Item]) -> list[Result]:
        """``work`` done on every item, results in order."""
        if self._pool is None:
            return [work(item) for item in items]
        return list(self._pool.map(work, items))

    def close(self) -> None:
        """Let the threads go."""
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)


def slide(
    count: int, back: int, make: Callable[[int], Item], crew: Crew
) -> Iterator[tuple[range, dict[int, Item]]]:
    """Yield ranges of new places, each with the data of those places and of the ``back`` places before."""
    held: dict[int, Item] = {}
    for new in _ranges(count, max(2, 2 * crew.threads)):
        held.update(zip(new, crew.map(make, new), strict=True))
        yield new, held
        for place in [p for p in held if p < new.stop - back]:
            del held[place]


def _ranges(count: int, stride: int) -> list[range]:
    return [range(start, min(start + stride, count)) for start in range(0, count, stride)]


def find_all(
    step: str,
    count: int,
    back: int,
    make: Callable[[int], Item],
    crew: Crew,
    find: Callable[[range, dict[int, Item]], list[Result]],
    kinds: Sequence[type],
    tick: Callable[[float], None],
) -> list[Result]:
    """All that ``find`` finds on ranges of new places and the ``back`` places before, as `slide` gives them.

    Where several processes are at it, each does some ranges, under the name ``step``, and takes the others' (`Share`).
    ``tick`` is given the share done.
    """
    if crew.share is None:
        found: list[Result] = []
        for new, held in slide(count, back, make, crew):
            found += find(new, held)
            tick(new.stop / count)
        return found
    stride = max(1, crew.threads // 2)
    step = f"{step}-{stride}"  # ranges of others are only ours where they are as long
    ranges = _ranges(count, stride)
    pieces: dict[int, list[Result]] = {}
    kept: dict[int, Item] = {}
    for piece in crew.share.order(len(ranges)):
        new = ranges[piece]
        stored = crew.share.take(step, piece, kinds)
        if stored is None:
            near = range(max(0, new.start - back), new.stop)
            missing = [k for k in near if k not in kept]
            kept = {k: v for k, v in kept.items() if new.start - back <= k < new.stop + back}
            kept.update(zip(missing, crew.map(make, missing), strict=True))
            stored = find(new, {k: kept[k] for k in near})  # type: ignore[assignment]
            crew.share.give(step, piece, stored)
        pieces[piece] = stored  # type: ignore[assignment]
        tick(len(pieces) / len(ranges))
    return [each for piece in sorted(pieces) for each in pieces[piece]]
