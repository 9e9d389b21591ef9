"""Carry out what people want of one picture: from the store's mends to a new file in the old one's place.

All mends in force are applied to the first picture each time, but a tile that any version has is taken from there.
So it matters neither what was delivered before nor where an earlier attempt was stopped.
"""

from __future__ import annotations

import json
import mmap
import tempfile
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearfar.errors import WorkFailed
from nearfar.frames.delivered import Delivered, Place, write_preview_like, write_replaced
from nearfar.jobs import Mend, MendClaim, Store
from nearfar.merge.deliver.report import Report
from nearfar.merge.mending.mended import Hands, Mended
from nearfar.merge.mending.subject import Named, opened, preview_of, used_frames
from nearfar.merge.mending.use import Wish
from nearfar.places import Places
from nearfar.runner.loading import Task
from nearfar.runner.mending.annotations import Subject as Known
from nearfar.runner.mending.annotations import kept_wish
from nearfar.runner.mending.files import NOTES, Made, MendedResult, Notes, check_written, mended_report
from nearfar.runner.results.versions import Version, earlier
from nearfar.runner.results.whereabouts import frame_now
from nearfar.server_settings import ServerSettings

IN_MEMORY = 384 << 20
"""Bytes of decoded frames that are held in memory; what is more lies in scratch."""


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What became of a picture."""

    version: int
    mends: tuple[int, ...]
    tiles: int
    """That differ from the first picture's."""
    made: int
    """Of which were made again."""

    def as_json(self) -> dict[str, Any]:
        """For the trail."""
        return {"version": self.version, "mends": list(self.mends), "tiles": self.tiles, "made": self.made}


class MendWork:
    """One claim, carried out.

    Parameters
    ----------
    claim
        What is held.
    store, places, settings
        Of the server.
    threads
        That may be used.
    check
        Called often; raises to stop.
    """

    def __init__(
        self,
        claim: MendClaim,
        store: Store,
        places: Places,
        settings: ServerSettings,
        *,
        threads: int,
        check: Callable[[], None],
    ) -> None:
        self.claim = claim
        self.store = store
        self.places = places
        self.keep = settings.keep
        self.threads = threads
        self.check = check
        self.task = Task.load(store, claim.job, places)
        self.notes = Notes(places.state / NOTES, claim.job)

    def run(self) -> Outcome:
        """Deliver the picture with the mends that are in force now.

        Raises
        ------
        NearfarError, OSError
            It cannot be done, or not yet; the picture of before is whole.
        LostClaim
            Somebody else does it.
        """
        result = MendedResult(Path(self.task.job.result or ""), self.places.results)
        wanted = [mend for mend in self.store.mends(self.claim.job) if mend.undone is None]
        present = self.notes.read(result.number)
        if present is not None and present.is_of(result.picture) and _shows(result.report, wanted):
            return self._outcome(result.number, wanted, len(present.tiles), 0)
        with ExitStack() as stack:
            staged = stack.enter_context(result.staging(self.claim.job, self.claim.token))
            target = staged / "picture" / result.picture.name
            target.parent.mkdir()
            tiles, made = self._write(result, wanted, target)
            number = result.number + 1
            result.settle(target)
            result.keep_present()
            self.notes.write(number, Made.of(target, tiles))
            result.replace(target, fence=lambda: self.store.beat_mending(self.claim))
            self._beside(result, wanted, number, staged / "beside")
            result.prune(self.keep.versions, self.notes)
        return self._outcome(number, wanted, len(tiles), made)

    def _outcome(self, number: int, wanted: list[Mend], tiles: int, made: int) -> Outcome:
        return Outcome(version=number, mends=tuple(m.number for m in wanted), tiles=tiles, made=made)

    # The picture

    def _write(self, result: MendedResult, wanted: list[Mend], target: Path) -> tuple[dict[Place, str], int]:
        """Write the picture; the keys of the tiles that differ, and how many were made again."""
        if not wanted:
            with Delivered(result.first) as first:
                write_replaced(first, target, {})
                check_written(target, {}, first)
            return {}, 0
        report = result.first_report
        entries = used_frames(report)
        paths = self._paths()
        room = Room(self.places.scratch, IN_MEMORY)
        hands = Hands(threads=self.threads, keep=room.keep, check=self.check)
        with opened(result.first, result.outputs.named("focus.tif"), report, paths) as subject:
            places = [_place(entry, entries) for entry in entries]
            wishes = [self._wish(mend, report, dict(places)) for mend in wanted]
            mended = Mended(subject, wishes, hands)
            keys = mended.tiles()
            known = self._known(result, keys)
            tiles = mended.make(known)
            write_replaced(subject.picture, target, tiles)
            check_written(target, tiles, subject.picture)
        return keys, len(tiles) - len(known)

    def _paths(self) -> dict[Named, Path]:
        result = Path(self.task.job.result or "")
        found: dict[Named, Path] = {}
        for entry, path in zip(self.task.entries, self.task.paths, strict=True):
            digest = entry.digest or ""
            found[(path.name, digest)] = frame_now(self.places, result, path, digest)
        return found

    def _wish(self, mend: Mend, report: Mapping[str, Any], places: Mapping[Named, int]) -> Wish:
        """A mend's wish, with its frame as a place among those that went into the picture."""
        frames = {k: path.name for k, path in enumerate(self.task.paths, start=1)}
        size = (int(report["size"][0]), int(report["size"][1]))
        wish = kept_wish(mend.annotation, Known(job=self.claim.job, size=size, frames=frames))
        if wish.frame is None:
            return wish
        entry = self.task.entries[wish.frame - 1]
        place = places.get((self.task.paths[wish.frame - 1].name, entry.digest or ""))
        if place is None:
            raise WorkFailed(
                f"mend {mend.number}: frame {frames[wish.frame]} is not in the picture; undo the mend"
            )
        return replace(wish, frame=place)

    def _known(self, result: MendedResult, keys: Mapping[Place, str]) -> dict[Place, bytes]:
        """Tiles that the present version or one that is kept has already."""
        found: dict[Place, bytes] = {}
        present = Version(number=result.number, created=0.0, mends=(), picture=result.picture)
        for version in (present, *reversed(earlier(result.picture))):
            made = self.notes.read(version.number)
            if made is None or not made.is_of(version.picture):
                continue
            same = [p for p, name in keys.items() if p not in found and made.tiles.get(p) == name]
            if same:
                with Delivered(version.picture) as picture:
                    found |= {place: picture.coded(place) for place in same}
        return found

    # What belongs to it

    def _beside(self, result: MendedResult, wanted: list[Mend], number: int, staged: Path) -> None:
        """Preview and reports of the new picture."""
        staged.mkdir()
        preview = result.outputs.named("preview.jpg").name
        with Delivered(result.picture) as picture:
            small = preview_of(picture, self.task.recipe.deliver.preview_edge)
        write_preview_like(result.first.parent / preview, staged / preview, small)
        version = {"number": number, "created": time.time()}
        content = mended_report(result.first_report, [_told(mend) for mend in wanted], version)
        (staged / result.outputs.report.name).write_text(
            json.dumps(content, indent=1) + "\n", encoding="utf-8"
        )
        text = staged / result.outputs.named("report.txt").name
        text.write_text(Report(content).text(), encoding="utf-8")
        result.replace_beside(staged)


def _place(entry: Mapping[str, Any], entries: Any) -> tuple[Named, int]:
    return (entry["name"], entry["digest"]), entries.index(entry)


def _shows(report: Mapping[str, Any], wanted: list[Mend]) -> bool:
    """Whether a report's picture shows these mends and no others."""
    told = report.get("mends")
    return isinstance(told, list) and [m.get("number") for m in told] == [m.number for m in wanted]


def _told(mend: Mend) -> dict[str, Any]:
    """A mend as the report has it."""
    body, target = mend.annotation["body"], mend.annotation["target"]
    return {
        "number": mend.number,
        "region": target["selector"]["value"],
        "use": body.get("value", "frame"),
        "frame": body.get("nearfar:frame"),
        "edge": mend.annotation.get("nearfar:edge"),
        "who": mend.who,
        "when": mend.made,
    }


class Room:
    """Gives arrays for decoded frames: in memory, and beyond some size in a file of scratch without a name."""

    def __init__(self, folder: Path, most: int) -> None:
        self._folder = folder
        self._left = most
        self._lock = threading.Lock()

    def keep(self, shape: tuple[int, ...], dtype: Any) -> NDArray[Any]:
        """An array that is not filled."""
        size = int(np.prod(shape)) * np.dtype(dtype).itemsize
        with self._lock:
            self._left -= size
            if self._left >= 0:
                return np.empty(shape, dtype)
        with tempfile.TemporaryFile(dir=self._folder) as file:
            file.truncate(size)
            return np.ndarray(shape, dtype, buffer=mmap.mmap(file.fileno(), size))
