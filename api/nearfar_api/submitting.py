"""How a request becomes a job: frames by path or to be uploaded, the same request twice, recipes by name or as text.

Paths are followed to their ends and then have to lie in a folder that the settings open. One outside is answered as one
that does not exist, so that nobody learns from the server what lies elsewhere.
"""

from __future__ import annotations

import hashlib
import os
import stat
import unicodedata
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from nearfar.errors import RecipeRefused, UsageError
from nearfar.intake.digests import set_digest
from nearfar.intake.listing import Listing, list_frames
from nearfar.jobs import Duplicates, Submission, Submitted, Transfers
from nearfar.merge import recipe as recipes
from nearfar.runner import planning
from nearfar.runner.disk import free_bytes, short_of_space
from nearfar.runner.objects import stacks
from nearfar.runner.objects.buckets import Stored
from nearfar.runner.watching.moving import digest_of
from nearfar.settings import format_size
from nearfar_api import objects, shares
from nearfar_api.access.caller import Caller
from nearfar_api.context import Context
from nearfar_api.models.requests import MergeSettings, NewJob, UploadFrame
from nearfar_api.problems import Problem
from nearfar_api.quota import quota
from nearfar_api.transfer import digests


def submit(ctx: Context, new: NewJob, *, key: str | None, by: Caller) -> Submitted:
    """Record what a request asks for, or find the job that the same request made before.

    Raises
    ------
    Problem
        Paths that may not be read, a frame that is too large, no space, someone else's name, the owner's limits.
    NearfarError
        As the listing, the recipe and the store say.
    """
    owner = owner_of(new, by)
    without = {"objects"} if new.objects is None else None  # requests of before said nothing of them
    fingerprint = hashlib.sha256(new.model_dump_json(exclude=without).encode()).hexdigest()
    if key is not None:
        known = ctx.store.known(owner=owner, key=key, fingerprint=fingerprint)
        if known is not None:
            return Submitted(job=known, new=False)
    check_space(ctx)
    check_recipe(new.recipe, new.settings, open_folders(ctx, by))
    place: str | None = None
    listed: list[Stored] = []
    if new.objects is not None:
        place, listed = objects.listed(ctx, new.objects)
        built = stacks.submission(place, listed, stack=new.stack, **_common(new, owner, key))
        built, upload = _maybe_held(built, new), sum(each.size for each in listed)
    elif new.upload is not None:
        built, upload = _upload(ctx, new, owner, key), sum(frame.size for frame in new.upload)
        _check_room(ctx, upload)
    else:
        built, upload = _by_path(ctx, new, owner, key, open_folders(ctx, by)), 0
    built = replace(built, fingerprint=fingerprint if key is not None else None)
    with quota.checked(ctx, owner, upload=upload):
        if place is None:
            return ctx.store.submit(built, who=by.name)
        detail = stacks.detail_of(listed)
        return Transfers(ctx.store).submit(built, place=place, detail=detail, who=by.name)


def owner_of(new: NewJob, by: Caller) -> str:
    """Whose job it becomes: the caller's, unless whoever runs the server says otherwise. Raises `Problem`."""
    if new.owner is None or new.owner == by.owner or by.runs:
        return new.owner or by.owner
    raise Problem(
        "no-right",
        f"{by.name} submits as {by.owner}; submitting for {new.owner[:100]!r} takes the role run.",
        needs="run",
    )


def check_space(ctx: Context) -> None:
    """Raises `Problem` while a disk is short of space: nothing new is taken then."""
    reason = short_of_space(ctx.places, ctx.settings.worker.spare_disk)
    if reason is not None:
        raise Problem("no-space", f"{reason[:1].upper()}{reason[1:]}.")


def _check_room(ctx: Context, upload: int) -> None:
    """Raises `Problem` if announced frames do not fit onto the disk as it is: no job is made that cannot get them."""
    spare, free = ctx.settings.worker.spare_disk, free_bytes(ctx.places.uploads)
    if upload > free - spare:
        raise Problem(
            "no-space",
            f"The frames have {format_size(upload)} in all; the disk of {ctx.places.uploads} has {format_size(free)} free, "
            f"of which {format_size(spare)} are to stay free. No job was made. Make room there, or lower "
            "worker.spare_disk, and send the same frames again.",
        )


def check_recipe(name: str, settings: MergeSettings | None, roots: Sequence[Path] = ()) -> None:
    """Raises `RecipeRefused` if a recipe is none of the server's, or its text is none; `Problem` if the text names
    dark or flat frames outside ``roots``, the folders from which the caller may take frames.
    """
    if settings is not None and settings.recipe_toml is not None:
        sensor = recipes.parse(settings.recipe_toml, name=name).sensor
        for path in (sensor.dark, sensor.flat):
            if path is not None:
                shares.in_time(path, lambda path=path: _check_masters(path, roots))  # type: ignore[misc]
    elif name not in recipes.names():
        raise RecipeRefused(
            f"no recipe is called {name!r}; there are {', '.join(recipes.names())}. Name one of these, or send the text of "
            "your own: the commands do so if --recipe is the path of a file"
        )


def _check_masters(text: str, roots: Sequence[Path]) -> None:
    """Refuse a file or folder of dark or flat frames that leads outside."""
    found = resolve(text, roots, base=Path(os.sep))
    for path in found.iterdir() if found.is_dir() else ():
        if not any(Path(os.path.realpath(path)).is_relative_to(root) for root in roots):
            raise nowhere(str(path), roots)


def _common(
    new: NewJob, owner: str, key: str | None, *, digest: str | None = None, sources: Sequence[str] = ()
) -> planning.Wanted:
    return {
        "digest": digest,
        "sources": sources,
        "owner": owner,
        "recipe": new.recipe,
        "settings": new.settings.given(),
        "priority": new.priority,
        "duplicates": new.duplicates,
        "key": key,
    }


def _upload(ctx: Context, new: NewJob, owner: str, key: str | None) -> Submission:
    frames = new.upload or []
    _check_frames(frames, largest=ctx.settings.server.largest_upload)
    contents = [_sha256(frame) for frame in frames]
    known = [content for content in contents if content is not None]
    whole = len(known) == len(frames)
    digest = set_digest(known, recipe=new.recipe, settings=new.settings.given()) if whole else None
    built = planning.upload_submission(
        new.stack or "",
        [(frame.name, frame.size, content) for frame, content in zip(frames, contents, strict=True)],
        **_common(new, owner, key, digest=digest),
    )
    return _maybe_held(built, new)


def _maybe_held(built: Submission, new: NewJob) -> Submission:
    return replace(built, hold=f"{built.hold}{planning.THEN_HELD}") if new.hold else built


def _sha256(frame: UploadFrame) -> str | None:
    return digests.parse(frame.digest)["sha-256"].hex() if frame.digest is not None else None


def _check_frames(frames: Sequence[UploadFrame], *, largest: int) -> None:
    seen: dict[str, str] = {}
    for number, frame in enumerate(frames):
        where = f"#/upload/{number}"
        if frame.size > largest:
            raise Problem(
                "too-large",
                f"{frame.name} has {format_size(frame.size)}; a frame may have {format_size(largest)} "
                "(server.largest_upload).",
                limit=largest,
                pointer=f"{where}/size",
            )
        other = seen.setdefault(unicodedata.normalize("NFC", frame.name), frame.name)
        if other is not frame.name:
            raise _fault(f"{where}/name", f"two frames are called {other!r}; each needs a name of its own")
        try:
            planning.check_name(frame.name)
        except UsageError as error:
            raise _fault(f"{where}/name", str(error)) from error
        try:
            if frame.digest is not None and "sha-256" not in digests.parse(frame.digest):
                raise ValueError("found no SHA-256; write sha-256=:BASE64:")
        except ValueError as error:
            raise _fault(f"{where}/digest", str(error)) from error


def _fault(pointer: str, detail: str) -> Problem:
    return Problem("invalid", f"{pointer}: {detail}", errors=[{"pointer": pointer, "detail": detail}])


def _by_path(ctx: Context, new: NewJob, owner: str, key: str | None, roots: Sequence[Path]) -> Submission:
    given = [new.folder] if new.folder is not None else new.frames or []
    top = shares.top_of(given[0], base=ctx.places.inbox)
    places, listing = shares.in_time(top, lambda: _listed(given, roots, base=ctx.places.inbox))
    first = places[0]
    name = new.stack or (first.name if new.folder is not None else first.parent.name)
    sources = [str(first)] if new.folder is not None else sorted({str(path.parent) for path in places})
    digest: str | None = None
    if new.duplicates is Duplicates.SKIP:
        contents = shares.each_in_time(top, listing.frames, digest_of)
        digest = set_digest(contents, recipe=new.recipe, settings=new.settings.given())

    def built() -> Submission:
        return planning.submission(
            name,
            listing.frames,
            hold=planning.HELD if new.hold else None,
            **_common(new, owner, key, digest=digest, sources=sources),
        )

    return shares.in_time(top, built)


def _listed(given: Sequence[str], roots: Sequence[Path], *, base: Path) -> tuple[list[Path], Listing]:
    """Where the paths of a request lead to, and the frames there."""
    places = [resolve(path, roots, base=base) for path in given]
    listing = list_frames(places)
    _check_ends(listing, roots)
    return places, listing


def open_folders(ctx: Context, by: Caller) -> tuple[Path, ...]:
    """Real paths of the folders from which frames may be taken; uploads of others only if they may be seen."""
    places = ctx.places
    uploads = (places.uploads,) if by.sees_all else ()
    return tuple(shares.real(path) for path in (places.inbox, *uploads, *ctx.settings.server.shared))


def resolve(text: str, roots: Sequence[Path], *, base: Path) -> Path:
    """Where a path leads to; raises the same `Problem` if there is nothing and if it may not be seen."""
    path = Path(os.path.realpath(base / text))
    if any(path.is_relative_to(root) for root in roots) and path.exists():
        return path
    raise nowhere(text, roots)


def nowhere(text: str, roots: Sequence[Path]) -> Problem:
    """The answer for a path that does not exist, or not for whoever asks."""
    folders = ", ".join(str(root) for root in roots)
    return Problem("no-such-path", f"{text}: there is no such file or folder below {folders}.")


def _check_ends(listing: Listing, roots: Sequence[Path]) -> None:
    """Refuse links that lead elsewhere, and what is no file."""
    for path in listing.frames:
        end = Path(os.path.realpath(path))
        if not any(end.is_relative_to(root) for root in roots) or not _is_file(end):
            raise nowhere(str(path), roots)


def _is_file(path: Path) -> bool:
    try:
        return stat.S_ISREG(path.stat().st_mode)
    except OSError:
        return False
