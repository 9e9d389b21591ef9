"""Why a path is, or is not, on its way to becoming a picture: from what the watch tells, or by its rules alone."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from nearfar.errors import InputRefused, NearfarError
from nearfar.intake.card.folders import card_id
from nearfar.intake.card.kept_card import card_files, decide_all
from nearfar.intake.memory import Memory
from nearfar.intake.names import CARD, EXPECT, READY, WISHES, Sort, junk_folder, sorter, stack_name
from nearfar.intake.place import Watched
from nearfar.intake.state import Entry, InboxState, read_state, readable
from nearfar.jobs import Job, Store
from nearfar.places import Places, places_of
from nearfar.runner.objects import reasons as objects
from nearfar.runner.opening import open_by
from nearfar.runner.watching.folders import watched_folders
from nearfar.runner.watching.process import make_inbox, memory_file, watch_runs
from nearfar.runner.watching.standing import Standings
from nearfar.server_settings import ServerSettings


@dataclass(frozen=True, kw_only=True)
class Reasons:
    """All that is known of a path."""

    path: str
    server: bool
    """A watch runs for this data folder."""
    rule: str
    """What holds for the path by where it lies."""
    watched: str | None = None
    """The watched folder that it lies in."""
    problem: str | None = None
    """What is wrong with that folder."""
    file: str | None = None
    """What holds for it by its name, or what was seen in it."""
    entry: Entry | None = None
    """The stack that it belongs to."""
    job: dict[str, Any] | None = None
    """Number, state, cause, reason and result of the job that the stack became."""
    carried: tuple[dict[str, Any], ...] = ()
    """What is fetched from object storage for that job, or put there."""

    def as_json(self) -> dict[str, Any]:
        """For programs."""
        return asdict(self)


def reasons_of_address(address: str, settings: ServerSettings) -> Reasons:
    """Say all about a folder in object storage, like ``s3://shoots/cards/moss/``. Raises `UsageError`."""
    places = places_of(settings)
    rule, table, prefix = objects.rule_of(address, settings)
    if table is None:
        return Reasons(path=address, server=watch_runs(places), rule=rule)
    frames, file = objects.found_there(table, prefix)
    store = _store(settings, places)
    job: dict[str, Any] | None = None
    carried: tuple[dict[str, Any], ...] = ()
    if store is not None:
        found = objects.job_of(store, settings, table, prefix, frames)
        if found is not None:
            job, carried = _told(found), objects.carried(store, found.id)
        store.close()
    return Reasons(path=address, server=watch_runs(places), rule=rule, file=file, job=job, carried=carried)


def reasons(path: Path, settings: ServerSettings) -> Reasons:
    """Say all about a path.

    Raises
    ------
    InputRefused
        If there is nothing at the path, and never was.
    """
    places = places_of(settings)
    watched = watched_folders(settings, places)
    absolute = Path(os.path.abspath(path))  # noqa: PTH100 - links stay as they are: a link is what is asked about
    runs = watch_runs(places)
    root = _root_of(absolute, watched)
    if root is None:
        _must_exist(absolute)
        folders = ", ".join(folder.path for folder in watched)
        rule = (
            f"It lies in no watched folder of the server whose data folder is {places.data}, so nothing becomes of "
            f"it. Watched: {folders}. For a server with another data folder give --data DIR."
        )
        return Reasons(path=str(absolute), server=runs, rule=rule)
    store = _store(settings, places)
    try:
        state = read_state(places) if runs else evaluate(settings, places, store)
        entry = _entry_of(absolute, root, state, places)
        if entry is None and absolute != Path(root.path):
            _must_exist(absolute)
        job = _job(store, entry)
        carried = objects.carried(store, job["id"]) if store is not None and job is not None else ()
    finally:
        if store is not None:
            store.close()
    problems = {folder.path: folder.problem for folder in state.folders}
    return Reasons(
        path=str(absolute),
        server=runs,
        rule=_rule(absolute, root, entry),
        watched=root.path,
        problem=problems.get(root.path),
        file=_file(absolute, entry, settings),
        entry=entry,
        job=job,
        carried=carried,
    )


def _must_exist(path: Path) -> None:
    if not os.path.lexists(path):
        raise InputRefused(f"{path}: there is no such file or folder; give one in a watched folder")


def _root_of(path: Path, watched: tuple[Watched, ...]) -> Watched | None:
    holding = [folder for folder in watched if path.is_relative_to(folder.path)]
    return max(holding, key=lambda folder: len(folder.path), default=None)


def _store(settings: ServerSettings, places: Places) -> Store | None:
    """The job store, if there is one and it answers; asking why must make none."""
    if settings.store.url is None and not (places.data / "store.sqlite").exists():
        return None
    try:
        return open_by(settings, places)
    except NearfarError:
        return None


def evaluate(settings: ServerSettings, places: Places, store: Store | None) -> InboxState:
    """How everything would stand if nothing changed for as long as the rules ask; no file is changed or read whole."""
    memory = Memory.open(memory_file(places), reading=True)
    inbox = make_inbox(settings, places, memory, None)
    inbox.look(0.0)
    table = settings.inbox
    look = inbox.look(max(table.quiet, table.quiet_unseen))
    if store is not None:
        standings = Standings(store, healing=False)
        for found in look.found:
            standings.tell(found)
    else:
        for found in look.found:
            if found.known is not None:
                found.entry.state, found.entry.job = "queued", found.known.job
                found.entry.why = f"taken as job {found.known.job}; the job store does not answer"
    return InboxState(folders=look.folders, entries=[found.entry for found in look.found])


def _entry_of(path: Path, root: Watched, state: InboxState, places: Places) -> Entry | None:
    """The entry that a path belongs to: its own, its folder's, or that of its group of loose frames."""
    entries = {readable(entry.path): entry for entry in state.entries}
    if readable(str(path)) in entries:
        return entries[readable(str(path))]
    return _on_card(path, root, entries, places) or entries.get(readable(str(path.parent)))


def _on_card(path: Path, root: Watched, entries: Mapping[str, Entry], places: Places) -> Entry | None:
    """The entry of the stack on a card that a file belongs to, or that of the card."""
    cards = [e for e in entries.values() if e.card == card_id(e.path) and path.is_relative_to(e.path)]
    card = max(cards, key=lambda entry: len(entry.path), default=None)
    if card is None or (card.path == root.path and path.parent != Path(root.path)):
        return None
    name = str(path.relative_to(card.path))
    for known in Memory.open(memory_file(places), reading=True).loose(card.path):
        if name in known.files and readable(known.path) in entries:
            return entries[readable(known.path)]
    files = card_files(places)
    kept = files.read(str(card.card))
    stacks = decide_all(kept.card, files.decided(str(card.card)).decisions)[0].stacks if kept else ()
    first = next((frame for stack in stacks if path in stack.frames for frame in stack.frames), path)
    return entries.get(readable(str(first)), card)


def _job(store: Store | None, entry: Entry | None) -> dict[str, Any] | None:
    if store is None or entry is None or entry.job is None:
        return None
    try:
        job = store.job(entry.job)
    except NearfarError:
        return None
    return _told(job)


def _told(job: Job) -> dict[str, Any]:
    return {
        "id": job.id,
        "state": str(job.state),
        "cause": job.cause,
        "reason": job.reason,
        "result": job.result,
    }


def _rule(path: Path, root: Watched, entry: Entry | None) -> str:
    if str(path) == root.path:
        return "A watched folder: each folder in it is one stack, and loose frames are sorted into stacks."
    folder = path if _is_folder(path) else path.parent
    if str(folder) == root.path:
        return "A loose file in a watched folder: loose frames are sorted into stacks."
    parts = folder.relative_to(root.path).parts
    if any(junk_folder(part) for part in parts):
        return "A folder that a system keeps for itself; it is not looked into."
    if entry is not None and entry.card is not None:
        return "Part of a card: all frames on it are sorted into stacks."
    return f"The frames directly in {folder} are one stack, called {stack_name(parts)}."


def _is_folder(path: Path) -> bool:
    """Whether it is a folder, or was one: what is gone is told by its name."""
    if os.path.lexists(path):
        return path.is_dir() and not path.is_symlink()
    return sorter()(path.name)[0] is not Sort.FRAME


def _file(path: Path, entry: Entry | None, settings: ServerSettings) -> str | None:
    if _is_folder(path):
        return None if entry is not None else "No frame lies directly in it."
    if entry is not None:
        for name, why in entry.ignored:
            if name in (path.name, readable(path.name)) or path == Path(entry.path, name):
                return f"The file is passed over: {why}."
    kind, why = sorter(settings.inbox.ignore)(path.name)
    if path.name in (CARD, EXPECT, READY, WISHES):
        return "The file tells the server about its folder."
    if kind is Sort.TEMPORARY:
        return f"By its name a copy is under way; the stack waits for it up to {settings.inbox.patience:g} s."
    return "By its name the file is a frame." if kind is Sort.FRAME else f"The file is passed over: {why}."
