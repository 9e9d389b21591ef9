"""Frames of a finished job as they are looked at: which file, how it lies to the picture, how sharp it is where.

Nothing is decoded here: `nearfar.runner.looking.ready` has a process for that.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearfar.errors import FrameRefused, NotFound
from nearfar.jobs import Job
from nearfar.merge import turning
from nearfar.merge.deliver.map_scale import frame_places, map_step
from nearfar.places import Places
from nearfar.runner import planning
from nearfar.runner.looking.ready import Wish
from nearfar.runner.looking.sharpest import Box, sharpness_of_frames
from nearfar_api.context import Context
from nearfar_api.iiif.pictures import Identity, Picture
from nearfar_api.transfer import results

KNOWN = 32
"""Jobs whose frames are kept in memory."""
CLEAR = 0.02
"""Sharpness, as a share of the best, below which a frame is not listed (our own threshold)."""


@dataclass(frozen=True, kw_only=True)
class LookedFrame:
    """A frame of a job, with what the report says of it."""

    number: int
    """From 1, in the order in which the frames came."""
    path: Path
    told: Mapping[str, Any]

    @property
    def name(self) -> str:
        """Of its file."""
        return self.path.name


@dataclass(frozen=True, kw_only=True)
class LookedJob:
    """A job whose picture is there."""

    job: Job
    root: int
    size: tuple[int, int]
    focus_key: str | None
    frames: tuple[LookedFrame, ...]
    corrected: dict[str, Any] | None = None
    """Dark and flat frames that they were corrected with, as the report has them."""

    def used(self) -> list[LookedFrame]:
        """Those that went into the picture, in the order in which the focus step knows them."""
        return sorted(
            (frame for frame in self.frames if frame.told.get("used")), key=lambda f: f.told["place"]
        )

    def frame(self, number: int) -> LookedFrame:
        """Raises `NotFound`."""
        if not 1 <= number <= len(self.frames):
            raise NotFound(f"job {self.job.id} has no frame {number}; it has {len(self.frames)}")
        return self.frames[number - 1]


@dataclass(frozen=True, kw_only=True)
class Sharp:
    """How sharp a frame is at a place, and how much of the picture there comes from it."""

    number: int
    name: str
    sharpness: float
    share: float


class Lookout:
    """Cache of what is known of the frames of recently viewed jobs."""

    def __init__(self, ctx: Context) -> None:
        self._ctx = ctx
        self._known: OrderedDict[int, tuple[object, LookedJob]] = OrderedDict()
        self._lock = threading.Lock()

    def job(self, number: int) -> LookedJob:
        """Raises `NotFound` if the job has no picture, or no report any longer."""
        job = self._ctx.store.job(number)
        report = self._folder(job) / results.name_of(job, "report")
        try:
            stamp = (job.updated, Identity.of(report.stat()))
        except OSError as error:
            raise NotFound(f"the report of job {number} is gone, so its frames cannot be lined up") from error
        with self._lock:
            known = self._known.get(number)
            if known is not None and known[0] == stamp:
                self._known.move_to_end(number)
                return known[1]
        found = self._read(job)
        with self._lock:
            self._known[number] = (stamp, found)
            while len(self._known) > KNOWN:
                self._known.popitem(last=False)
        return found

    def _folder(self, job: Job) -> Path:
        return self._ctx.places.results.joinpath(*results.folder_of(job, self._ctx.places))

    def _read(self, job: Job) -> LookedJob:
        ctx = self._ctx
        report = results.report_of(job, ctx.places)
        if report is None:
            raise NotFound(f"the report of job {job.id} cannot be read, so its frames cannot be lined up")
        told = {frame["name"]: {**frame, "place": place} for place, frame in enumerate(report["frames"])}
        return LookedJob(
            job=job,
            root=planning.root_of(ctx.store, job),
            size=(int(report["size"][0]), int(report["size"][1])),
            focus_key=report.get("focus_key"),
            frames=tuple(_frames(ctx.places, ctx.store.frames(job.id), job.id, told)),
            corrected=report.get("corrected"),
        )

    def frame(self, job: int, number: int) -> Path | Future[Path]:
        """The file of a frame ready to be looked at, or a future for it; see `nearfar.runner.looking.ready.Looking.frame`.

        Raises
        ------
        NotFound
            There is no such frame, or it was not lined up with the others.
        """
        found = self.job(job)
        frame = found.frame(number)
        pose, digest = frame.told.get("pose"), frame.told.get("digest")
        if pose is None or digest is None:
            why = frame.told.get("why") or "it was left out"
            raise NotFound(f"frame {number}, {frame.name}, is not lined up with the others: {why}")
        wish = Wish(
            path=str(frame.path),
            digest=digest,
            pose=(tuple(pose[0]), tuple(pose[1])),
            gain_ev=float(frame.told.get("gain_ev") or 0.0),
            size=found.size,
            bend=frame.told.get("bend"),
            raw=frame.told.get("raw"),
            turned=turning.from_json(frame.told.get("turned")),
            corrected=found.corrected,
        )
        return self._ctx.looking.frame(found.root, wish)

    def sharpest(self, job: int, box: Box) -> tuple[list[Sharp], str]:
        """Frames that are sharp in a box of the picture, best first, and the source: ``frames`` or, if the work
        folder was swept, the delivered ``map``.

        Raises
        ------
        NotFound
        """
        found = self.job(job)
        used = found.used()
        share = self._shares(found, used, box)
        work = self._ctx.places.work / str(found.root)
        told = (
            sharpness_of_frames(work, found.focus_key, len(used), size=found.size, box=box)
            if found.focus_key
            else None
        )
        sharp = share if told is None else told
        sharp = sharp / max(float(sharp.max(initial=0.0)), 1e-9)
        order = sorted(range(len(used)), key=lambda k: (-sharp[k], -share[k], k))
        listed = [
            Sharp(
                number=used[k].number,
                name=used[k].name,
                sharpness=round(float(sharp[k]), 4),
                share=round(float(share[k]), 4),
            )
            for k in order
            if sharp[k] >= CLEAR or share[k] > 0
        ]
        return listed, "map" if told is None else "frames"

    def _shares(self, found: LookedJob, used: Sequence[LookedFrame], box: Box) -> NDArray[np.float64]:
        """Share of a box that each used frame gave, from the delivered map of frames, which has half the size."""
        picture = Path(found.job.result or "")
        path = self._folder(found.job) / f"{picture.stem}.focus.tif"
        try:
            opened = Picture(path)
            x, y, width, height = box
            values = opened.samples((x // 2, y // 2, max(1, width // 2), max(1, height // 2)))
        except (OSError, FrameRefused):
            return np.zeros(len(used))
        place = np.round(frame_places(values[values > 0], map_step(len(used)))).astype(np.int64)
        count = np.bincount(place[(place >= 0) & (place < len(used))], minlength=len(used))
        return np.asarray(count / max(1, values.size), np.float64)


def _frames(
    places: Places, entries: Sequence[Any], job: int, told: Mapping[str, Mapping[str, Any]]
) -> list[LookedFrame]:
    found = []
    for number, entry in enumerate(entries, 1):
        path = planning.frame_path(places, job, entry.path)
        found.append(LookedFrame(number=number, path=path, told=told.get(path.name, {})))
    return found


def box_around(x: int, y: int, edge: int, size: tuple[int, int]) -> Box:
    """A square with a place in its middle, moved into the picture and cut if the picture is smaller."""
    width, height = min(edge, size[0]), min(edge, size[1])
    left = min(max(0, x - width // 2), size[0] - width)
    top = min(max(0, y - height // 2), size[1] - height)
    return left, top, width, height
