"""Where a picture and its side files lie, and whether they are there already."""

from __future__ import annotations

import json
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path

from nearfar.frames.whole import whole_file
from nearfar.frames.xmp import read_key
from nearfar.merge.deliver.report import Report

HEIGHT_FILES = ("height.tif", "height.png")


@dataclass(frozen=True, kw_only=True)
class Outputs:
    """The paths of a picture and its side files, which are named after it; the report may be somewhere else."""

    picture: Path
    report: Path
    durable: bool = True
    """Whether each file is synced on its own; False where whoever asked for them syncs all of them at once."""

    @classmethod
    def beside(cls, picture: Path, report: Path | None = None, *, durable: bool = True) -> Outputs:
        """Outputs for a picture's path; the report lies beside it unless a path is given."""
        report = report or picture.with_name(f"{picture.stem}.report.json")
        return cls(picture=picture, report=report, durable=durable)

    def writing(self, path: Path) -> AbstractContextManager[Path]:
        """A temporary name for one of these files; see `whole_file`."""
        return whole_file(path, durable=self.durable)

    def named(self, ending: str) -> Path:
        """The path of the side file with that ending."""
        return self.picture.with_name(f"{self.picture.stem}.{ending}")

    def side_files(self, *, height: bool = False) -> list[Path]:
        """Paths of all side files, with the height map or without."""
        endings = ("preview.jpg", "focus.tif", "doubt.tif", "focus.png", "report.txt", "report.png")
        return [self.report, *(self.named(e) for e in (*endings, *(HEIGHT_FILES if height else ())))]


def finished(outputs: Outputs, key: str, *, height: bool = False) -> Report | None:
    """The report of a picture that was made under this key and is there with all its side files; else None."""
    if not outputs.picture.is_file() or not all(p.is_file() for p in outputs.side_files(height=height)):
        return None
    if read_key(outputs.picture) != key:
        return None
    try:
        content = json.loads(outputs.report.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return Report(content) if isinstance(content, dict) and content.get("key") == key else None
