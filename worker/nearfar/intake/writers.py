"""Who on this machine has a file open for writing, and when that cannot be told.

Linux shows open files in /proc. It does not show those of processes that this user may not look into, those of other
containers, and those of other machines that write over a network.
"""

from __future__ import annotations

import os
import re
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path

from nearfar.intake.settling import Mark

FIRST_PID_NAMESPACE = "pid:[4026531836]"
"""include/linux/proc_ns.h: PROC_PID_INIT_INO. In any other one, processes outside of it are not seen."""
_MAPPED = re.compile(r"^\S+ .w.s \S+ \S+ (\d+) +(.*)$", re.MULTILINE)


def open_writers(marks: Collection[Mark], *, proc: Path = Path("/proc")) -> Mapping[tuple[int, int], str]:
    """By device and inode, the program that has one of these files open, or mapped, for writing."""
    wanted = {mark.identity for mark in marks}
    inodes = {inode for _, inode in wanted}
    found: dict[tuple[int, int], str] = {}
    for process in _processes(proc):
        try:
            held = {*_descriptors(process, wanted), *_mappings(process, inodes, wanted)}
        except OSError:
            continue  # it ended, or is not ours to look into: see `hidden_from_us`
        for identity in held:
            found.setdefault(identity, _program(process))
    return found


def _processes(proc: Path) -> Iterator[Path]:
    try:
        entries = list(proc.iterdir())
    except OSError:
        return
    yield from (entry for entry in entries if entry.name.isdecimal())


def _descriptors(process: Path, wanted: Collection[tuple[int, int]]) -> Iterator[tuple[int, int]]:
    with os.scandir(process / "fd") as entries:
        numbers = [entry.name for entry in entries]
    for number in numbers:
        try:
            status = Path(process, "fd", number).stat()
            identity = status.st_dev, status.st_ino
            if identity in wanted and _writes(process / "fdinfo" / number):
                yield identity
        except OSError:
            continue


def _writes(fdinfo: Path) -> bool:
    text = fdinfo.read_text(encoding="ascii", errors="replace")
    flags = re.search(r"^flags:\s*([0-7]+)", text, re.MULTILINE)
    return flags is None or bool(int(flags[1], 8) & (os.O_WRONLY | os.O_RDWR))


def _mappings(
    process: Path, inodes: Collection[int], wanted: Collection[tuple[int, int]]
) -> Iterator[tuple[int, int]]:
    """Files mapped shared and writable; a mapping outlives the descriptor that it was made with."""
    try:
        text = (process / "maps").read_bytes().decode("utf-8", "surrogateescape")
    except OSError:
        return
    for match in _MAPPED.finditer(text):
        if int(match[1]) in inodes:
            # The device is asked of the file: some file systems show another number in this table.
            try:
                status = Path(match[2].replace("\\012", "\n")).stat()
            except OSError:
                continue
            if (status.st_dev, status.st_ino) in wanted:
                yield status.st_dev, status.st_ino


def _program(process: Path) -> str:
    try:
        name = (process / "comm").read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        name = "a program"
    return f"{name} (process {process.name})"


def hidden_users(*, proc: Path = Path("/proc")) -> frozenset[int] | None:
    """User ids of processes that may not be looked into; None if there is no /proc at all."""
    if not (proc / "self").exists():
        return None
    users: set[int] = set()
    for process in _processes(proc):
        try:
            os.scandir(process / "fd").close()
        except PermissionError:
            users |= _users(process)
        except OSError:
            continue
    return frozenset(users)


def _users(process: Path) -> set[int]:
    """Real, effective, saved and file system user of a process: a file server takes those of whom it serves."""
    try:
        status = (process / "status").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return set()
    line = re.search(r"^Uid:\s*([\d\s]+)$", status, re.MULTILINE)
    return {int(number) for number in line[1].split()} if line else set()


def why_unseen(
    owners: Collection[int], hidden: frozenset[int] | None, *, user: int | None = None
) -> str | None:
    """Why it cannot be told whether files of these owners are open; None if it can.

    A file of ours is written by us or by whoever acts in our name; one of somebody else by processes of theirs, which
    only the superuser sees.
    """
    if hidden is None:
        return "this system does not tell who has a file open"
    user = os.geteuid() if user is None else user
    if user == 0 and not hidden:
        return None
    strangers = {owner for owner in owners if owner != user}
    if strangers and user != 0:
        return f"files of user {min(strangers)} may be open in programs that user {user} cannot look into"
    if hidden & set(owners):
        return f"a program of user {min(hidden & set(owners))} cannot be looked into"
    return None


def contained(mount_point: str, mount_type: str, *, proc: Path = Path("/proc")) -> bool:
    """Whether we are in a container and a folder comes from outside of it, where writers are not seen."""
    try:
        namespace = str((proc / "self/ns/pid").readlink())
    except OSError:
        return False
    return namespace != FIRST_PID_NAMESPACE and mount_point != "/" and mount_type != "tmpfs"
