"""Where everything of a server lies: one data folder, and the few places that the settings may move out of it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from nearfar.server_settings import ServerSettings


@dataclass(frozen=True, kw_only=True)
class Places:
    """Folders and addresses of one server; made by `places_of`."""

    data: Path
    scratch: Path
    """Decoded frames, for the workers of this machine alone unless `share_rows`; all of it can be made again."""
    moved: Path
    """Frames of finished stacks, if the settings ask for that."""
    store_url: str
    broker_url: str | None
    """None: files in `hints`."""
    share_rows: bool = False
    """Whether workers of all machines see `scratch`."""

    @property
    def inbox(self) -> Path:
        """The watched folder; each sub-folder is one stack."""
        return self.data / "inbox"

    @property
    def results(self) -> Path:
        """A folder for each finished stack."""
        return self.data / "results"

    @property
    def uploads(self) -> Path:
        """Frames that came over HTTP; a folder for each job, named by its number."""
        return self.data / "uploads"

    @property
    def work(self) -> Path:
        """What units of all workers hand to each other, under keys."""
        return self.data / "work"

    @property
    def hints(self) -> Path:
        """Messages of the broker that needs no server."""
        return self.data / "hints"

    @property
    def state(self) -> Path:
        """Small files of the server's own: digests it knows, where it listens."""
        return self.data / "state"

    @property
    def plans(self) -> Path:
        """Plans that stacks were shot by; a folder for each job that has one, named by its number."""
        return self.state / "plans"

    @property
    def small(self) -> Path:
        """Small pictures of frames; a folder for each family of jobs, named by the number of its first."""
        return self.state / "small"

    def written(self) -> tuple[Path, ...]:
        """Folders that workers write to."""
        return self.results, self.work, self.state, self.scratch

    def make(self) -> None:
        """Make the folders that are missing."""
        shared = (self.inbox, self.results, self.uploads, self.work, self.hints, self.state)
        for folder in (self.data, *shared, self.scratch):
            folder.mkdir(parents=True, exist_ok=True)

    def make_again(self, folder: Path) -> None:
        """Make a shared folder that somebody removed; if the whole data folder is away nothing takes its place."""
        if self.state.is_dir():
            folder.mkdir(exist_ok=True)

    def make_own(self) -> None:
        """Make what belongs to this machine alone: nothing takes the place of a shared folder that is away."""
        if not self.scratch.is_relative_to(self.data):
            self.scratch.mkdir(parents=True, exist_ok=True)


def small_name(number: int) -> str:
    """Name of a frame's small picture by its number in the stack, from 1."""
    return f"{number:05d}.jpg"


def places_of(settings: ServerSettings) -> Places:
    """Where everything lies by these settings."""
    data = settings.server.data
    return Places(
        data=data,
        scratch=(None if settings.worker.share_rows else settings.worker.scratch) or data / "scratch",
        moved=settings.inbox.move_to or data / "merged",
        store_url=settings.store.url or f"sqlite:///{data / 'store.sqlite'}",
        broker_url=settings.broker.url,
        share_rows=settings.worker.share_rows,
    )
