"""Work on near neighbours without holding a whole stack: each frame's data is made once and dropped when passed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")


class Crew:
    """Some threads. ``map`` keeps the order, so results never depend on how many there are."""

    def __init__(self, threads: int) -> None:
        self.threads = max(threads, 1)
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
    stride = max(2, 2 * crew.threads)
    for start in range(0, count, stride):
        new = range(start, min(start + stride, count))
        held.update(zip(new, crew.map(make, new), strict=True))
        yield new, held
        for place in [p for p in held if p < new.stop - back]:
            del held[place]
