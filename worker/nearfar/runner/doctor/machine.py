"""Checks of the machine: memory, processors, open files, and whether changes in folders are told."""

from __future__ import annotations

import ctypes
import errno
import os
import resource
from collections.abc import Iterator
from pathlib import Path

from nearfar import settings
from nearfar.runner.doctor.examine import Finding, Subject, advice, fine, problem
from nearfar.settings import format_size

OPEN_FILES = 1024
"""Files that a worker with a large stack may have open; each frame is one, and libraries need some."""
IN_CREATE = 0x100
"""From linux/inotify.h."""
IN_NONBLOCK = os.O_NONBLOCK
INOTIFY = Path("/proc/sys/fs/inotify")


def memory(subject: Subject) -> Iterator[Finding]:
    """What workers may take against what there is, the limit of a container included."""
    about, worker = "memory", subject.settings.worker
    available = settings.available_memory()
    wanted = f"workers may take {format_size(worker.memory)}, {format_size(worker.slot_memory)} for each of {worker.places}"
    if available is None:
        yield advice(about, f"{wanted}; how much is free is not known", "Set worker.memory by hand.")
    elif worker.memory > available:
        yield problem(
            about,
            f"{wanted}, and {format_size(max(available, 1))} are free to this process or container",
            f'Set worker.memory = "{available * 3 // 4 >> 20}MiB" or give it more; else the system ends workers.',
        )
    elif worker.slot_memory < settings.LEAST_MEMORY:
        yield advice(
            about,
            f"{wanted}: large frames will not fit",
            "Give workers more memory, or fewer slots (worker.slots = 1).",
        )
    else:
        yield fine(about, f"{wanted}; {format_size(available)} are free")


def processors(subject: Subject) -> Iterator[Finding]:
    """Threads and slots against the processors that this process may use."""
    about, worker = "processors", subject.settings.worker
    there = settings.default_threads()
    slots = "1 slot" if worker.places == 1 else f"{worker.places} slots"
    found = f"{slots} with {worker.slot_threads} threads each on {there} processors"
    if worker.places > worker.threads:
        yield advice(
            about,
            found,
            f"More slots than threads slow each other down; set worker.slots = {worker.threads}.",
        )
    elif worker.threads > 2 * there:
        yield advice(about, found, f"Set worker.threads = {there}, or give the container more processors.")
    else:
        yield fine(about, found)


def open_files(_subject: Subject) -> Iterator[Finding]:
    """How many files a process may have open."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft != resource.RLIM_INFINITY and soft < OPEN_FILES:
        yield advice(
            "open files",
            f"a process may have {soft} open, {hard} at most",
            f"Raise it to {OPEN_FILES} or more: ulimit -n {OPEN_FILES}, or LimitNOFILE= in the unit file.",
        )
    else:
        yield fine("open files", f"a process may have {'any number' if soft < 0 else soft} open")


def file_events(subject: Subject) -> Iterator[Finding]:
    """Whether the kernel reports changes in the watched folders. If not, looking every few seconds does."""
    about = "file events"
    folders = [subject.places.inbox, *(f.path for f in subject.settings.inbox.folders)]
    there = [folder for folder in folders if folder.is_dir()] or [Path("/tmp")]  # noqa: S108 - only watched
    number = watch_once(there[0])
    limits = ", ".join(f"{name} {_limit(name)}" for name in ("max_user_watches", "max_user_instances"))
    if number == 0:
        yield fine(about, f"changes in {there[0]} are reported; {limits}")
    elif number in (errno.EMFILE, errno.ENOSPC):
        name = "max_user_instances" if number == errno.EMFILE else "max_user_watches"
        yield advice(
            about,
            f"{os.strerror(number)}: fs.inotify.{name} = {_limit(name)} is used up; folders are looked at every "
            f"{subject.settings.inbox.scan:g} s instead",
            f"sysctl fs.inotify.{name}={max(2 * _as_number(_limit(name)), 1024)}, and the same in /etc/sysctl.d/.",
        )
    else:
        yield advice(
            about,
            f"{os.strerror(number)}; folders are looked at every {subject.settings.inbox.scan:g} s instead",
            "Nothing has to be done; new frames are noticed a little later.",
        )


def watch_once(folder: Path) -> int:
    """Watch a folder for a moment, as inotify(7) has it; 0, or the number of the error."""
    library = ctypes.CDLL(None, use_errno=True)
    descriptor = library.inotify_init1(IN_NONBLOCK)
    if descriptor < 0:
        return ctypes.get_errno()
    try:
        added = library.inotify_add_watch(descriptor, os.fsencode(folder), IN_CREATE)
        return ctypes.get_errno() if added < 0 else 0
    finally:
        os.close(descriptor)


def _limit(name: str) -> str:
    try:
        return (INOTIFY / name).read_text(encoding="ascii").strip()
    except OSError:
        return "unknown"


def _as_number(text: str) -> int:
    return int(text) if text.isdigit() else 0
