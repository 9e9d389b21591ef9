"""Which folders are watched by the settings, and which of them may not be: what the server writes is no frame."""

from __future__ import annotations

import os
from functools import partial
from pathlib import Path

from nearfar.intake.answering import answered
from nearfar.intake.place import Watched
from nearfar.intake.wishes import Wishes
from nearfar.intake.writers import contained
from nearfar.jobs import place
from nearfar.places import Places
from nearfar.server_settings import ServerSettings


def watched_folders(settings: ServerSettings, places: Places) -> tuple[Watched, ...]:
    """The inbox and the further folders, those that may not be watched with the reason."""
    own = [
        places.results,
        places.uploads,
        places.work,
        places.hints,
        places.state,
        places.scratch,
        places.moved,
    ]
    usual = settings.inbox.each_folder
    given = [(places.inbox, Wishes(), usual)]
    given += [
        (
            folder.path,
            Wishes(owner=folder.owner, recipe=folder.recipe, priority=folder.priority or None),
            folder.each_folder or usual,
        )
        for folder in settings.inbox.folders
    ]
    watched: dict[str, Watched] = {}
    for path, wishes, each in given:
        real = answered(partial(os.path.realpath, path), str(path.absolute()))  # its share may hang
        problem = _problem(Path(real), own, places)
        watched.setdefault(
            real, Watched(path=str(path), wishes=wishes, of_cards=each == "card", problem=problem)
        )
    return tuple(watched.values())


def _problem(real: Path, own: list[Path], places: Places) -> str | None:
    for folder in map(Path, map(os.path.realpath, own)):
        if real.is_relative_to(folder):
            return f"lies in {folder}, where the server keeps its own files; watch another folder"
        if folder.is_relative_to(real):
            return f"{folder}, where the server keeps its own files, lies in it; move one of the two"
    if Path(os.path.realpath(places.data)).is_relative_to(real):
        return f"the server's data folder {places.data} lies in it; move one of the two"
    return None


def excluded_folders(watched: tuple[Watched, ...]) -> frozenset[str]:
    """Watched folders that lie in another one; they are looked into on their own."""
    return frozenset(folder.path for folder in watched)


def why_share(folder: str) -> str | None:
    """Why writers to a folder cannot be seen in /proc of this machine; None if they can."""
    kind = place.network_name(Path(folder))
    if kind is not None:
        return f"writers on other machines cannot be seen ({kind})"
    if contained(*place.mount_of(Path(folder))):
        return "writers outside of this container cannot be seen"
    return None
