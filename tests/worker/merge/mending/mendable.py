"""Pictures to be mended: a bracket that was merged, and pictures of which every pixel is known."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray

from nearfar.frames.decode import read_header
from nearfar.frames.deliverable import PictureTags, encode_tile, level_sizes, write_picture
from nearfar.frames.delivered import Delivered
from nearfar.merge.deliver.outputs import Outputs
from nearfar.merge.kernel.picture_calls import halve
from nearfar.merge.keys import file_digest
from nearfar.merge.mending.frames import MendFrame
from nearfar.merge.mending.mended import Hands, Mended, Subject
from nearfar.merge.mending.region import Region
from nearfar.merge.mending.sources import FocusCells
from nearfar.merge.mending.subject import opened
from nearfar.merge.mending.use import Use, Wish
from nearfar.merge.recipe import Recipe
from nearfar.merge.stack import Merge, Request, Stop
from nearfar.progress import Progress
from tests.acceptance.command import lay
from tests.scenes import Scene

AT_REST = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0))
U16 = NDArray[np.uint16]


def nothing() -> None:
    """Never stops the work."""


HANDS = Hands(threads=2, keep=lambda shape, dtype: np.empty(shape, dtype), check=nothing)


def wish(use: str, box: Sequence[float], *, edge: int = 12, frame: int | None = None) -> Wish:
    return Wish(use=Use(use), region=Region.of_box(*box), edge=edge, frame=frame)


@dataclass(frozen=True, kw_only=True)
class Bracket:
    """A rendered bracket and the picture that was merged of it."""

    scene: Scene
    folder: Path
    outputs: Outputs
    report: dict[str, Any]

    @classmethod
    def of(cls, scene: Scene, folder: Path) -> Bracket:
        """Merge a scene in its reference's geometry."""
        paths = lay(scene.frames, folder / "frames")
        outputs = Outputs.beside(folder / "picture.tif")
        job = Request(
            headers=[read_header(p) for p in paths],
            outputs=outputs,
            recipe=Recipe(),
            memory=1 << 40,
            threads=2,
            scratch=folder / "scratch",
            reference=scene.names[scene.reference],
        )
        Merge(job, Progress(quiet=True), Stop()).run()
        report = json.loads(outputs.report.read_text(encoding="utf-8"))
        return cls(scene=scene, folder=folder, outputs=outputs, report=report)

    @property
    def size(self) -> tuple[int, int]:
        return self.report["size"][0], self.report["size"][1]

    @property
    def picture(self) -> U16:
        return np.asarray(tifffile.imread(self.outputs.picture, key=0))

    @contextmanager
    def subject(self) -> Iterator[Subject]:
        paths = {(f["name"], f["digest"]): self.folder / "frames" / f["name"] for f in self.report["frames"]}
        with opened(self.outputs.picture, self.outputs.named("focus.tif"), self.report, paths) as found:
            yield found

    def mended(self, *wishes: Wish) -> U16:
        """The whole picture with mends."""
        with self.subject() as subject:
            mended = Mended(subject, wishes, HANDS)
            return joined(subject.picture, mended.make({}))


def joined(picture: Delivered, tiles: dict[tuple[int, int], bytes], level: int = 0) -> U16:
    """A level with some of its tiles replaced, from all of its tiles."""
    from nearfar.frames.deliverable import decode_tile

    own = picture.levels[level]
    rows = []
    for row in range(own.down):
        places = [(level, row * own.across + column) for column in range(own.across)]
        rows.append(
            np.concatenate(
                [decode_tile(tiles.get(p, picture.coded(p)), picture.channels) for p in places], axis=1
            )
        )
    return np.concatenate(rows)[: own.height, : own.width]


def write(path: Path, pixels: U16, *, tags: PictureTags | None = None, levels: bool = True) -> Path:
    """A delivered picture (h, w, c) with all its levels."""
    pictures = [pixels]
    while levels and max(pictures[-1].shape[:2]) > 512:
        pictures.append(halve(np.ascontiguousarray(pictures[-1])))
    height, width, channels = pixels.shape
    assert [p.shape[1::-1] for p in pictures] == level_sizes(width, height, len(pictures))
    coded = [[encode_tile(tile) for tile in _tiles(p)] for p in pictures]
    write_picture(
        path, width=width, height=height, channels=channels, levels=coded, tags=tags or PictureTags()
    )
    return path


def _tiles(pixels: U16) -> Iterator[U16]:
    for y in range(0, pixels.shape[0], 512):
        for x in range(0, pixels.shape[1], 512):
            tile = np.zeros((512, 512, pixels.shape[2]), np.uint16)
            part = pixels[y : y + 512, x : x + 512]
            tile[: part.shape[0], : part.shape[1]] = part
            yield tile


def frame_of(path: Path, pixels: U16, *, pose: Any = AT_REST) -> MendFrame:
    """A frame (h, w, 3) as a file."""
    tifffile.imwrite(path, pixels, photometric="rgb")
    return MendFrame(path=path, digest=file_digest(path), pose=pose, gain_ev=0.0)


@contextmanager
def known(
    folder: Path, pixels: U16, frames: Sequence[MendFrame] = (), *, noise: float = 0.004
) -> Iterator[Subject]:
    """A subject of which every pixel is known; its map names the first frame everywhere."""

    def cells(box: tuple[int, int, int, int]) -> FocusCells:
        return FocusCells(box[0], box[1], np.zeros((-(-box[3] // 16), -(-box[2] // 16)), np.int32))

    with Delivered(write(folder / "known.tif", pixels)) as picture:
        yield Subject(picture=picture, frames=frames, noise=noise, key="k" * 32, cells=cells)
