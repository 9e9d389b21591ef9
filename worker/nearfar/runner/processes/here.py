"""This process among those of its host: names that are never used twice, and what the kernel knows about others.

A number of a process alone says little: it is given again, and containers of one host each count for themselves. With
the time at which the process started, and the space in which its number counts, it is a name.
"""

from __future__ import annotations

import ctypes
import hashlib
import os
import signal
import socket
from functools import cache
from pathlib import Path

PROC = Path("/proc")
FIRST_SPACE = 0xEFFFFFFC
"""Number of the space of process numbers that a machine starts with; PROC_PID_INIT_INO in linux/proc_ns.h."""
PR_SET_PDEATHSIG = 1
"""From linux/prctl.h."""
STATE = 3
"""Place of the state in /proc/PID/stat, counted from 1; proc_pid_stat(5)."""
START = 22
EXIT_CODE = 52


@cache
def host() -> str:
    """Name of this host, and in a container of the space in which its processes are counted."""
    name = socket.gethostname()
    space = _space()
    return name if space in (0, FIRST_SPACE) else f"{name}:{space}"


def _space() -> int:
    try:
        return (PROC / "self/ns/pid").stat().st_ino
    except OSError:
        return 0


@cache
def boot() -> str:
    """Which start of this machine this is, in eight digits; what was written before it may not be whole."""
    try:
        said = (PROC / "sys/kernel/random/boot_id").read_text(encoding="ascii")
    except OSError:
        said = "unknown"
    return hashlib.sha256(said.encode()).hexdigest()[:8]


def worker_name(pid: int | None = None) -> str:
    """Name of a worker: host, number of the process, ticks since boot at which it started."""
    pid = pid or os.getpid()
    return f"{host()}/{pid}-{started(pid) or 0}"


def started(pid: int) -> int | None:
    """Ticks since boot at which a process started; None if there is none, or it is dead and not yet buried."""
    fields = _stat(PROC / str(pid))
    if fields is None or fields[0] in ("Z", "X"):
        return None
    return int(fields[START - STATE])


def stopped(pid: int) -> bool:
    """Whether a process was stopped by a signal, with all its threads, and not yet told to go on."""
    try:
        states = [(_stat(one) or "?")[0] for one in (PROC / str(pid) / "task").iterdir()]
    except OSError:
        return False
    return set(states) == {"T"}


def _stat(folder: Path) -> list[str] | None:
    """What the kernel says of a process or a thread, from its state on; None: there is none."""
    try:
        text = (folder / "stat").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return None
    return text[text.rindex(")") + 2 :].split()  # the name before may hold anything


def alive(worker: str) -> bool | None:
    """Whether the process of a worker of this host runs; None if the name is of another host."""
    found = _pid_and_start(worker)
    return None if found is None else started(found[0]) == found[1]


def end_code(worker: str) -> int | None:
    """Exit code of a worker's process that its parent has not buried yet (negative: by that signal); None: unknown."""
    pid, start = _pid_and_start(worker) or (0, 0)
    fields = _stat(PROC / str(pid))
    if fields is None or fields[0] != "Z" or int(fields[START - STATE]) != start:
        return None
    return os.waitstatus_to_exitcode(int(fields[EXIT_CODE - STATE]))


def _pid_and_start(worker: str) -> tuple[int, int] | None:
    """What the name of a worker of this host says."""
    where, _, rest = worker.rpartition("/")
    pid, _, start = rest.partition("-")
    return (int(pid), int(start)) if where == host() and pid.isdigit() and start.isdigit() else None


def die_with_parent(parent: int | None = None) -> None:
    """Let the kernel end this process when the thread that started it ends; at once if ``parent`` is gone already."""
    ctypes.CDLL(None, use_errno=True).prctl(PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
    if parent is not None and os.getppid() != parent:
        os._exit(0)


def oom_kills() -> int:
    """Processes that the kernel killed since boot since memory ran out, on this machine or in our container."""
    return max(_counted(PROC / "vmstat"), *(_counted(file) for file in _event_files()))


def _event_files() -> list[Path]:
    return [cgroup() / name for name in ("memory.events", "memory.oom_control")]


@cache
def cgroup() -> Path:
    """Folder of the control group that this process belongs to (cgroups(7)); of all if that cannot be seen."""
    base = Path("/sys/fs/cgroup")
    try:
        lines = (PROC / "self/cgroup").read_text(encoding="ascii").splitlines()
    except (OSError, UnicodeDecodeError):
        return base
    for line in lines:
        _, controllers, path = line.split(":", 2)
        if not controllers or "memory" in controllers.split(","):
            folder = base / ("memory" if controllers else "") / path.strip("/")
            return folder if folder.is_dir() else base
    return base


def _counted(file: Path) -> int:
    try:
        lines = file.read_text(encoding="ascii").splitlines()
    except (OSError, UnicodeDecodeError):
        return 0
    return next((int(line.split()[1]) for line in lines if line.startswith("oom_kill ")), 0)


def signal_name(code: int) -> str:
    """What an exit code of a process says: a signal by its name, else the code."""
    if code >= 0:
        return f"exit code {code}"
    try:
        return f"signal {-code} ({signal.Signals(-code).name})"
    except ValueError:
        return f"signal {-code}"
