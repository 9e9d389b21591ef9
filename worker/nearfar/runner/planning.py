"""How a stack becomes a job: its frames, settings and first units. No frame is opened here."""

from __future__ import annotations

import base64
import binascii
import os
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Required, TypedDict, Unpack

from nearfar.errors import UsageError
from nearfar.intake.listing import natural
from nearfar.jobs import (
    ACCEPTED,
    Duplicates,
    FrameEntry,
    FrameState,
    Job,
    JobQuery,
    JobState,
    Store,
    Submission,
)
from nearfar.merge import recipe as recipes
from nearfar.merge.recipe import Recipe
from nearfar.places import Places
from nearfar.runner.weights import first_units

SET_ASIDE = "set_aside"
"""Setting of a job: why frames among ``leave_out`` were set aside before anybody asked for it, by name."""
OTHER_LIGHT = "other_light"
"""Setting of a job that goes before the one of this name of its recipe."""
SETTINGS = ("reference", "leave_out", "recipe_toml", ACCEPTED, SET_ASIDE, OTHER_LIGHT)
THEN_HELD = "; once they are it waits for its release"
"""How the reason of a job ends that is to stay held once all frames are here."""
HELD = "held at submission"
LONGEST_RECIPE = 64 << 10
"""Characters of a recipe's text."""


def recipe_of(name: str, settings: Mapping[str, Any]) -> Recipe:
    """The recipe of a job: the text in its settings, else the built-in one of that name.

    Raises
    ------
    RecipeRefused
        It cannot be read, or there is none of that name.
    UsageError
        A path was given in place of a name.
    """
    found = _recipe_of(name, settings.get("recipe_toml"))
    light = settings.get(OTHER_LIGHT)
    return found if light is None else replace(found, register=replace(found.register, other_light=light))


def _recipe_of(name: str, text: str | None) -> Recipe:
    if text is not None:
        return recipes.parse(text, name=name)
    if "/" in name or name.endswith(".toml"):
        raise UsageError(
            f"recipe {name!r} is a path; give the name of a built-in recipe ({', '.join(recipes.names())}), or the text "
            "of one as the setting recipe_toml"
        )
    return recipes.load(name)


def check_settings(recipe: str, settings: Mapping[str, Any]) -> None:
    """Refuse settings that no unit could follow. Raises as `recipe_of`."""
    for name, value in settings.items():
        if name not in SETTINGS:
            raise UsageError(f"{name} is not a setting of a job; known are {', '.join(SETTINGS)}")
        if name in ("leave_out", ACCEPTED):
            good = isinstance(value, list | tuple) and all(isinstance(each, str) for each in value)
            expected = "a list of names of frames" if name == "leave_out" else "a list of causes"
        elif name == SET_ASIDE:
            good = isinstance(value, Mapping) and all(isinstance(each, str) for each in value.values())
            expected = "reasons by names of frames"
        else:
            good, expected = value is None or isinstance(value, str), "text"
        if not good:
            raise UsageError(f"{name} is {value!r}; expected {expected}")
    if len(settings.get("recipe_toml") or "") > LONGEST_RECIPE:
        raise UsageError(
            f"recipe_toml is longer than {LONGEST_RECIPE} characters; a recipe has about 40 lines"
        )
    recipe_of(recipe, settings)


class Wanted(TypedDict, total=False):
    """What is wanted of a stack, wherever its frames come from; as in `Submission` unless something else is said here."""

    owner: Required[str]
    recipe: str
    """`recipes.DEFAULT` if not given."""
    settings: Mapping[str, Any]
    """``reference``: name of the frame whose geometry the picture has; ``leave_out``: names of frames;
    ``recipe_toml``: text of a recipe, which is then called ``recipe``; ``accepted``: what the job is not to be held for, as
    releasing it writes it.
    """
    priority: int
    sources: Sequence[str]
    digest: str | None
    duplicates: Duplicates
    key: str | None


def submission(
    stack: str,
    frames: Sequence[Path],
    *,
    hold: str | None = None,
    refused: tuple[str, str] | None = None,
    faults: Mapping[str, str] | None = None,
    aside: Mapping[Path, str] | None = None,
    **wanted: Unpack[Wanted],
) -> Submission:
    """A stack of files for `Store.submit`. Only their sizes are looked at.

    Parameters
    ----------
    frames
        Paths, in natural order of their names; times in the frames go before that order later.
    hold
        As in `Submission`.
    refused
        Cause and reason why nothing can be made of it; it is recorded as failed.
    faults
        Why frames cannot be used, by name.
    aside
        Files that were taken with these frames and are not to be used, with the reasons: they are listed as left out, so
        that a person may take them in.

    Raises
    ------
    UsageError, RecipeRefused
        The recipe or a setting is not known, or there are no frames.
    """
    common = _common(wanted)
    entries = tuple(_entry(path, (faults or {}).get(path.name)) for path in frames)
    if aside:
        entries = _with_aside(entries, aside, common["settings"])
    if refused is None:
        check_settings(common["recipe"], common["settings"])
        if not entries:
            raise UsageError(f"{stack}: no frames were given; expected the frames of one stack")
    units, weights = first_units([(e.path, e.size) for e in entries])
    return Submission(
        stack=stack,
        frames=entries,
        units=() if refused is not None else units,
        weights=weights,
        hold=hold,
        refused=refused,
        **common,
    )


def _common(wanted: Wanted) -> dict[str, Any]:
    """Fields of a submission by what is wanted."""
    return {
        **wanted,
        "recipe": wanted.get("recipe", recipes.DEFAULT),
        "settings": dict(wanted.get("settings", {})),
        "sources": tuple(wanted.get("sources", ())),
    }


def _with_aside(
    entries: tuple[FrameEntry, ...], aside: Mapping[Path, str], settings: dict[str, Any]
) -> tuple[FrameEntry, ...]:
    """The frames with those that were set aside, each in its place by its name, and ``settings`` that leave these out."""
    reasons = {path.name: why for path, why in aside.items()}
    own = {Path(entry.path).name for entry in entries}
    others = [
        replace(_entry(path, None), state=FrameState.LEFT_OUT, reason=why) for path, why in aside.items()
    ]
    others = [
        entry for entry in others if Path(entry.path).name not in own
    ]  # names tell frames of a job apart
    settings["leave_out"] = [*(settings.get("leave_out") or ()), *(Path(e.path).name for e in others)]
    settings[SET_ASIDE] = {name: why for name, why in reasons.items() if name not in own}
    found = list(entries)
    for other in others:
        found.insert(sum(natural(entry.path) < natural(other.path) for entry in found), other)
    return tuple(found)


def _entry(path: Path, fault: str | None) -> FrameEntry:
    state = FrameState.PRESENT if fault is None else FrameState.REFUSED
    path = Path(os.path.abspath(path))  # noqa: PTH100 - links are kept: the name is what people know
    try:
        return FrameEntry(path=str(path), size=path.stat().st_size, state=state, reason=fault)
    except OSError:  # told by the unit that opens it
        return FrameEntry(path=str(path), state=state, reason=fault)


def upload_submission(
    stack: str,
    frames: Sequence[tuple[str, int | None, str | None]],
    **wanted: Unpack[Wanted],
) -> Submission:
    """A stack whose frames are still to come, as name, size and digest of each; held until `plan_upload`.

    A frame's place is `frame_path`. Digests are SHA-256, as 64 hexadecimal digits or as RFC 9530 writes them. Raises as
    `submission`.
    """
    common = _common(wanted)
    check_settings(common["recipe"], common["settings"])
    if not frames:
        raise UsageError(f"{stack}: no frames were announced; expected the frames of one stack")
    names = [check_name(name) for name, _, _ in frames]
    if len(set(names)) < len(names):
        twice = next(name for name in names if names.count(name) > 1)
        raise UsageError(f"two frames are called {twice!r}; expected a name of its own for each frame")
    entries = tuple(
        FrameEntry(path=name, size=size, digest=hex_digest(sha), state=FrameState.EXPECTED)
        for name, size, sha in frames
    )
    return Submission(
        stack=stack,
        frames=entries,
        weights=first_units([(name, size) for name, size, _ in frames])[1],
        hold=f"not all of its {len(entries)} frames are here",
        **common,
    )


def check_name(name: str) -> str:
    """Check the name of a frame for use in one of our folders. Raises `UsageError`."""
    plain = name and name not in (".", "..") and name == name.strip() and name.isprintable()
    if not plain or any(c in name for c in '/\\:*?"<>|') or name.startswith("."):
        raise UsageError(
            f"{name!r} cannot be the name of a frame; expected a plain file name such as 'F0001.tif'"
        )
    if len(os.fsencode(name)) > 200:
        raise UsageError(f"{name[:40]!r}... is too long for a name; expected at most 200 bytes")
    return name


def hex_digest(digest: str | None) -> str | None:
    """A SHA-256 digest as 64 hexadecimal digits, from that or from RFC 9530's ``sha-256=:BASE64:``."""
    if digest is None:
        return None
    text = digest.strip()
    try:
        if text.startswith("sha-256=:") and text.endswith(":"):
            raw = base64.b64decode(text[len("sha-256=:") : -1], validate=True)
        else:
            raw = bytes.fromhex(text)
    except (ValueError, binascii.Error):
        raw = b""
    if len(raw) != 32:
        raise UsageError(
            f"{digest!r} is not a SHA-256 digest; expected sha-256=:BASE64: or 64 hexadecimal digits"
        )
    return raw.hex()


def frame_path(places: Places, job: int, path: str) -> Path:
    """Where a frame lies whose row in the store has this path: as it stands, or among the uploads."""
    if Path(path).is_absolute():
        return Path(path)
    return places.uploads / (path if "/" in path else f"{job}/{path}")


def plan_upload(store: Store, job: int, places: Places, *, who: str = "server") -> bool:
    """Let a job of uploaded frames begin if all of them are here; whether they are. May be called again and again.

    One that was announced to be held (`THEN_HELD`) gets its units and waits for its release.

    Raises
    ------
    NotFound
        There is no such job.
    """
    entries = store.frames(job)
    if not entries or any(entry.state is FrameState.EXPECTED for entry in entries):
        return False
    found = store.job(job)
    if found.state is not JobState.HELD or store.units(job):
        return True
    files = []
    for entry in entries:
        path = frame_path(places, job, entry.path)
        files.append((entry.path, path.stat().st_size if path.exists() else entry.size))
    units, weights = first_units(files)
    hold = HELD if (found.reason or "").endswith(THEN_HELD) else None
    store.begin(job, units, weights=weights, hold=hold, who=who)
    return True


def begin_uploads(store: Store, places: Places) -> int:
    """Begin all jobs whose frames are here but that were not begun because the process was stopped; how many."""
    begun, after = 0, None
    while True:
        page = store.jobs(JobQuery(states=frozenset({JobState.HELD}), limit=200, after=after))
        for job in page.jobs:
            if not store.units(job.id) and plan_upload(store, job.id, places):
                begun += 1
        after = page.after
        if after is None:
            return begun


def root_of(store: Store, job: Job) -> int:
    """Number of the job whose work folder a job shares: the first of those that it is a repetition of."""
    while job.again_of is not None:
        job = store.job(job.again_of)
    return job.id
