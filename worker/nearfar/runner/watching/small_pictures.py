"""Small pictures of frames that were set aside on a card: no survey reads them, and sorting made one of each."""

from __future__ import annotations

import logging
from contextlib import suppress
from pathlib import Path

from nearfar.errors import NearfarError
from nearfar.frames.whole import whole_file
from nearfar.intake.arrivals import Arrival
from nearfar.intake.card.folders import card_id
from nearfar.intake.card.kept_card import card_files
from nearfar.jobs import Store
from nearfar.places import Places, small_name
from nearfar.runner import planning

log = logging.getLogger(__name__)


def keep_set_aside(store: Store, places: Places, arrival: Arrival, job: int) -> None:
    """Give the pages of a job small pictures of the frames that were set aside; without them it goes on all the same.

    Copies, since how the card was sorted is forgotten before the job is.
    """
    if not arrival.aside:
        return
    files, card = card_files(places), card_id(arrival.source)
    kept = files.read(card)
    if kept is None:
        return
    try:
        folder = places.small / str(planning.root_of(store, store.job(job)))
        for number, frame in enumerate(store.frames(job), 1):
            made = kept.small.get(frame.path) if frame.path in arrival.aside else None
            if made is not None:
                _copy(files.small_file(card, made), folder / small_name(number))
    except (OSError, NearfarError) as error:
        log.warning(
            "job %d goes without small pictures of what was set aside: %s",
            job,
            error,
            extra={"action": "small.not-copied", "job": job},
        )


def _copy(picture: Path, target: Path) -> None:
    """Put a copy in place whole, where none is. Raises `OSError`."""
    for each in (target.parent.parent, target.parent):  # but nothing above: it may be a share that is away
        each.mkdir(exist_ok=True)
    with suppress(FileNotFoundError):
        data = picture.read_bytes()
        if not target.exists():
            with whole_file(target) as part:
                part.write_bytes(data)
