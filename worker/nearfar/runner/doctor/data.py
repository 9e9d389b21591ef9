"""Checks of the folders of a server: can they be written to, by whom, with how much space, and what do their clocks say."""

from __future__ import annotations

import os
import pwd
import secrets
import shutil
import stat
import time
from collections.abc import Iterator
from pathlib import Path

from nearfar.errors import StoreError
from nearfar.jobs import place
from nearfar.runner.doctor.examine import Finding, Subject, advice, fine, problem
from nearfar.settings import format_size

COMFORT = 10 << 30
"""Bytes of free space below which a few large stacks fill the disk; common practice, no source."""
SKEW = 2.0
"""Seconds by which clocks may differ; FAT keeps times of files to two seconds."""
FUTURE = 60.0
"""Seconds by which a frame's time may lie ahead before it is worth a word."""
LOOKED_AT = 10_000
"""Entries of watched folders whose times are read at most."""


def places_of(subject: Subject) -> dict[str, Path]:
    """Every folder that the server writes to, by its name for people."""
    places = subject.places
    found = {
        "data": places.data,
        "inbox": places.inbox,
        "results": places.results,
        "uploads": places.uploads,
        "work": places.work,
        "hints": places.hints,
        "state": places.state,
        "scratch": places.scratch,
    }
    if subject.settings.inbox.after == "move":
        found["merged"] = places.moved
    return found


def folders(subject: Subject) -> Iterator[Finding]:
    """Write into each folder, read it back, rename it, remove it."""
    good, missing = [], []
    for name, folder in places_of(subject).items():
        finding = _folder(name, folder)
        if finding is not None:
            yield finding
        elif folder.exists():
            good.append(name)
        else:
            missing.append(name)
    where = subject.places.data
    if good:
        yield fine("folders", f"{where}: {', '.join(good)} can be written to")
    if missing:
        yield fine(
            "folders", f"{where}: {', '.join(missing)} not there yet; the server makes them when it starts"
        )
    for watched in subject.settings.inbox.folders:
        yield _watched(watched.path)


def _folder(name: str, folder: Path) -> Finding | None:
    existing = folder
    while not existing.exists() and existing != existing.parent:
        existing = existing.parent
    if not existing.is_dir():
        return problem(
            f"folder {name}",
            f"{existing} is not a folder",
            "Move it away, or name another place in the settings.",
        )
    try:
        probe(existing)
    except OSError as error:
        return problem(
            f"folder {name}",
            f"{existing}: {error.strerror or error}, as user {user()}",
            f"Let this user write there (chown {user()} or chmod u+rwx {existing}), or name another folder.",
        )
    return None


def probe(folder: Path) -> float:
    """Write a file, sync it, rename it and remove it; the time that the file system gave it. Raises `OSError`."""
    first = folder / f".nearfar-probe-{secrets.token_hex(6)}.part"
    second = first.with_suffix(".tmp")
    try:
        descriptor = os.open(first, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
        try:
            os.write(descriptor, b"nearfar")
            os.fsync(descriptor)
            os.lseek(descriptor, 0, os.SEEK_SET)
            if os.read(descriptor, 16) != b"nearfar":
                raise OSError(0, "what was written cannot be read back", str(first))
            changed = os.fstat(descriptor).st_mtime
        finally:
            os.close(descriptor)
        first.rename(second)
    finally:
        first.unlink(missing_ok=True)
        second.unlink(missing_ok=True)
    return changed


def _watched(folder: Path) -> Finding:
    if not folder.is_dir():
        return problem(
            f"watched {folder}",
            "there is no such folder",
            "Make it, mount the share, or take it out of inbox.folders.",
        )
    if not os.access(folder, os.R_OK | os.X_OK):
        return problem(
            f"watched {folder}",
            f"user {user()} may not read it",
            f"Let this user read it: chmod o+rx {folder}.",
        )
    return fine(f"watched {folder}", "can be read")


def user() -> str:
    """Name of the user of this process."""
    try:
        return pwd.getpwuid(os.geteuid()).pw_name
    except KeyError:
        return str(os.geteuid())


def rights(subject: Subject) -> Iterator[Finding]:
    """Who the server is, and who else may read and change what it makes."""
    mask = os.umask(0o022)
    os.umask(mask)
    about, found = "rights", f"user {user()}, umask {mask:03o}"
    if mask & 0o070 == 0o070 and not subject.settings.server.locked:
        yield advice(
            about,
            f"{found}: nobody else can read results",
            "Start the server with umask 022 (all may read) or 027 (the group may).",
        )
    elif not mask & 0o002:
        yield advice(
            about,
            f"{found}: everybody can change results",
            "Start the server with umask 022 or 002 for a group.",
        )
    else:
        yield fine(about, found)
    for folder in _tops(subject):
        yield from _strangers(subject, folder, mask)


def _tops(subject: Subject) -> list[Path]:
    """The data folder, and what the server writes to outside of it."""
    data = subject.places.data
    others = {path for path in places_of(subject).values() if not path.is_relative_to(data)}
    return [path for path in (data, *sorted(others)) if path.exists()]


def _strangers(subject: Subject, folder: Path, mask: int) -> Iterator[Finding]:
    """Whether any user of this machine may write to a folder, or read there although the server asks who comes."""
    mode = folder.stat().st_mode
    if not all(above.stat().st_mode & stat.S_IXOTH for above in folder.parents):
        return  # they do not get there
    if mode & stat.S_IWOTH:
        yield advice("rights", f"every user of this machine may write in {folder}", f"chmod o-w {folder}")
    if subject.settings.server.locked and mode & stat.S_IXOTH and not mask & stat.S_IROTH:
        yield advice(
            "rights",
            f"the server asks who comes, and every user of this machine can read frames and results in {folder}",
            f"chmod o-rwx {folder}, or start the server with umask 027.",
        )


def disks(subject: Subject) -> Iterator[Finding]:
    """Space and number of files that are left on each file system that is written to."""
    spare = subject.settings.worker.spare_disk
    for names, folder in _by_disk(subject):
        about = f"disk of {', '.join(names)}"
        free = shutil.disk_usage(folder).free
        found = f"{format_size(max(free, 1))} free at {folder}"
        system = os.statvfs(folder)
        if free < spare:
            yield problem(
                about,
                f"{found}, less than the {format_size(spare)} that stay free: no job is begun",
                "Make room, put the folder on another disk, or lower worker.spare_disk.",
            )
        elif system.f_files and system.f_favail < 1000:
            yield problem(
                about, f"room for {system.f_favail} more files at {folder}", "Remove files that nobody needs."
            )
        elif free < COMFORT:
            yield advice(about, found, "A few large stacks fill that. Make room or use a larger disk.")
        else:
            yield fine(about, found)
    if subject.settings.store.url is None and subject.places.data.exists():
        try:
            place.refuse_network(subject.places.data)
        except StoreError as error:
            yield problem(
                "disk of the job store", str(error), "Put the data folder on a disk of this machine."
            )


def _by_disk(subject: Subject) -> list[tuple[list[str], Path]]:
    """Names of the folders that lie on each file system, and an existing folder there."""
    found: dict[int, tuple[list[str], Path]] = {}
    for name, wanted in places_of(subject).items():
        folder = next(path for path in (wanted, *wanted.parents) if path.exists())
        names, _ = found.setdefault(folder.stat().st_dev, ([], folder))
        names.append(name)
    return list(found.values())


def clock(subject: Subject) -> Iterator[Finding]:
    """Compare this machine's clock with that of the file systems, and look for frames from the future."""
    about = "clock"
    told = time.strftime("%Y-%m-%d %H:%M:%S %z")
    worst = 0.0
    for _, folder in _by_disk(subject):
        if os.access(folder, os.W_OK):
            before = time.time()
            worst = max(worst, abs(probe(folder) - before), key=abs)
    if worst > SKEW:
        yield problem(
            about,
            f"this machine says {told}, and the disk's clock is {worst:.0f} s off",
            "Set both clocks by a time server (chrony, systemd-timesyncd); until then waiting times are wrong.",
        )
    elif time.time() < place_in_time():
        yield problem(
            about, f"this machine says {told}, which is before this program was made", "Set the clock."
        )
    else:
        yield fine(about, f"{told}; files get the same time")
    ahead = list(from_the_future(subject))
    if ahead:
        yield advice(
            about,
            f"{len(ahead)} files in the watched folders are from the future, {ahead[0]} for one",
            "Nothing is lost: arrival is judged by this machine's clock. Set the clock of the machine that writes them.",
        )


def place_in_time() -> float:
    """When this program was put on this machine, seconds since 1970."""
    return Path(__file__).stat().st_mtime - 86_400


def from_the_future(subject: Subject) -> Iterator[Path]:
    """Files of the watched folders whose time lies ahead."""
    limit = time.time() + FUTURE
    left = LOOKED_AT
    for top in (subject.places.inbox, *(f.path for f in subject.settings.inbox.folders)):
        for folder, _, names in os.walk(top):
            for name in names:
                left -= 1
                if left < 0:
                    return
                path = Path(folder, name)
                try:
                    if path.stat().st_mtime > limit:
                        yield path
                except OSError:
                    continue
