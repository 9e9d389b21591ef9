"""Forget stacks and cards that are gone: their files, and with them the record of their job.

As long as either is there it is remembered, so that nothing is taken twice; and a watched folder that cannot be read says
nothing of what lies in it.
"""

from __future__ import annotations

import logging
import os
import shutil
import time
from collections.abc import Callable, Collection
from contextlib import suppress
from pathlib import Path

from nearfar.intake.arrivals import Look
from nearfar.intake.card.kept_card import CardFiles
from nearfar.intake.memory import Known, Memory
from nearfar.jobs import Job
from nearfar.server_settings import KeepTable

log = logging.getLogger(__name__)

EVERY = 3600.0
"""Seconds between two rounds."""
DAY = 86400.0


class Forgetter:
    """Forgets.

    Parameters
    ----------
    job
        The record of a job, or None.
    clock
        Monotonic seconds.
    """

    def __init__(
        self,
        memory: Memory,
        cards: CardFiles,
        keep: KeepTable,
        *,
        job: Callable[[int], Job | None],
        clock: Callable[[], float],
    ) -> None:
        self.memory, self.cards, self.keep = memory, cards, keep
        self._job = job
        self._clock = clock
        self._next = clock() + EVERY

    def round(self, look: Look) -> int:
        """Forget what a look did not see, if it is time for that; how many stacks and cards that were.

        Raises
        ------
        OSError, StoreUnreachable
        """
        if self._clock() < self._next:
            return 0
        self._next = self._clock() + EVERY
        roots = [folder.path for folder in look.folders if folder.problem is None]
        seen = {found.entry.path for found in look.found}
        gone = [
            path
            for path, known in self.memory.known.items()
            if path not in seen and _below(known.source, roots) and self._is_over(known)
        ]
        self.memory.forget(gone)
        if gone:
            log.info("%d stacks that are gone are forgotten", len(gone), extra={"action": "watch.forgot"})
        return len(gone) + sum(self._card(card, roots) for card in self.cards.all())

    def _is_over(self, known: Known) -> bool:
        """Whether neither a file nor the job is there any longer."""
        if known.job is None or self._job(known.job) is not None:
            return False
        return not any(os.path.lexists(Path(known.source, name)) for name in known.files)

    def _card(self, card: str, roots: Collection[str]) -> bool:
        """Remove how a card was sorted that is gone, after the time for what can be made again. Decisions stay as long as
        records of jobs do.
        """
        kept = self.cards.read(card)
        if kept is None or not _below(kept.path, roots) or os.path.lexists(kept.path):
            return False
        if any(known.source == kept.path for known in self.memory.known.values()):
            return False
        went = False
        files = (
            (self.cards.decisions_file(card), self.keep.jobs),
            (self.cards.sorted_file(card), self.keep.work),
        )
        for file, days in files:
            if _older(file, days):
                file.unlink()
                went = True
        if not self.cards.sorted_file(card).exists():
            shutil.rmtree(self.cards.folder / card, ignore_errors=True)
        return went


def _below(path: str, roots: Collection[str]) -> bool:
    return any(path == root or path.startswith(root.rstrip("/") + "/") for root in roots)


def _older(file: Path, days: float) -> bool:
    with suppress(OSError):
        return days > 0 and time.time() - file.stat().st_mtime > days * DAY
    return False
