"""Settings of the command: option over environment over file over default, read once into a frozen object.

Every value is checked where it comes in, and a refusal names the place that it came from. What is not said
anywhere follows the machine: half of the memory that is free to take, and every processor that this process may
use.
"""

from __future__ import annotations

import difflib
import os
import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from nearfar.errors import UsageError

LEAST_MEMORY = 256 << 20
"""Bytes below which the default never falls."""

UNITS = {
    "": 1,
    "B": 1,
    "KB": 10**3,
    "MB": 10**6,
    "GB": 10**9,
    "TB": 10**12,
    "K": 1 << 10,
    "M": 1 << 20,
    "G": 1 << 30,
    "T": 1 << 40,
    "KIB": 1 << 10,
    "MIB": 1 << 20,
    "GIB": 1 << 30,
    "TIB": 1 << 40,
}
"""Bytes in a unit: KiB and its kin by IEC 80000-13, kB and its kin by the SI; a bare letter means the former."""

T = TypeVar("T")

PREFIX = "NEARFAR_"
NAMES = ("memory", "threads", "scratch")
SERVER_TABLES = (
    "server",
    "people",
    "store",
    "broker",
    "worker",
    "inbox",
    "keep",
    "notify",
    "objects",
    "client",
)
"""Tables of the settings file that `nearfar.server_settings` and the commands that talk to a server read: its ``TABLES``,
which take longer to load than a merge should wait.
"""


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What the command may take, and where."""

    memory: int
    """Bytes that the process may use at its peak."""
    threads: int
    """Threads that work at the same time."""
    scratch: Path
    """Folder for what is made on the way and kept between runs."""


def parse_size(text: str) -> int:
    """Bytes in a size that a person wrote: ``'2GiB'``, ``'400 MiB'``, ``'1.5 GB'``, ``'1048576'``.

    Raises
    ------
    UsageError
        If it is no positive number with a unit that is known, with what was found and examples that would do.
    """
    match = re.fullmatch(r"\s*(\d+(?:\.\d*)?|\.\d+)\s*([A-Za-z]*)\s*", text, re.ASCII)
    if match is None:
        raise UsageError(f"{text!r} is not a size; write a number and a unit, like 2GiB, 400MiB or 1.5 GB")
    unit = UNITS.get(match[2].upper())
    if unit is None:
        raise UsageError(
            f"{text!r}: there is no unit {match[2]!r}; use B, kB, MB, GB, TB or KiB, MiB, GiB, TiB"
        )
    size = round(float(match[1]) * unit)
    if size < 1:
        raise UsageError(f"{text!r} is no memory at all; write a size above zero, like 2GiB")
    return size


def format_size(size: float) -> str:
    """Bytes for people, in binary units with three figures or more: ``'2 GiB'``, ``'1.46 GiB'``, ``'1023 KiB'``."""
    units = ["B", "KiB", "MiB", "GiB", "TiB"]
    while size >= 1024 and len(units) > 1:
        size /= 1024
        units.pop(0)
    digits = 0 if size >= 100 else 1 if size >= 10 else 2
    text = f"{size:.{digits}f}"
    return f"{text.rstrip('0').rstrip('.') if '.' in text else text} {units[0]}"


def parse_threads(text: str) -> int:
    """Number of threads that a person wrote; at least one."""
    try:
        threads = int(text)
    except ValueError:
        threads = 0
    if not 1 <= threads <= 1024:
        raise UsageError(f"{text!r} is not a number of threads; write a whole number from 1 to 1024")
    return threads


def parse_folder(text: str) -> Path:
    """Folder that a person wrote, absolute, with ``~`` resolved. It need not exist yet."""
    if not text.strip():
        raise UsageError("the scratch folder is empty text; write a path")
    return Path(text).expanduser().absolute()


def available_memory(root: Path = Path("/")) -> int | None:
    """Bytes that this process could still take: what the kernel calls available, or what is left of a container's limit.

    Read from /proc/meminfo and the control groups (version 2 and 1) below ``root``; None if nothing is known.
    """
    found = [_available_in_meminfo(root / "proc/meminfo")]
    for folder in _group_folders(root, "memory"):
        found.append(_left_in_group(folder, "memory.max", "memory.current", "inactive_file"))
        found.append(
            _left_in_group(folder, "memory.limit_in_bytes", "memory.usage_in_bytes", "total_inactive_file")
        )
    known = [size for size in found if size is not None]
    return min(known) if known else None


def _available_in_meminfo(path: Path) -> int | None:
    match = re.search(r"^MemAvailable:\s+(\d+) kB", _read(path), re.MULTILINE)
    return int(match[1]) << 10 if match else None


def _left_in_group(folder: Path, limit: str, usage: str, reclaimable: str) -> int | None:
    """Limit less usage, if the file cache that can be dropped at once does not count as used."""
    most, used = _read(folder / limit).strip(), _read(folder / usage).strip()
    if not most.isdigit() or not used.isdigit():
        return None
    cache = re.search(rf"^{reclaimable} (\d+)$", _read(folder / "memory.stat"), re.MULTILINE)
    return max(0, int(most) - max(0, int(used) - (int(cache[1]) if cache else 0)))


def _group_folders(root: Path, controller: str) -> list[Path]:
    """Folders of this process's control groups for a controller, from its own up to the top."""
    mount = root / "sys/fs/cgroup"
    folders = []
    for line in _read(root / "proc/self/cgroup").splitlines():
        number, _, rest = line.partition(":")
        controllers, _, path = rest.partition(":")
        if number == "0" and not controllers:
            top = mount
        elif controller in controllers.split(","):
            top = mount / controller
        else:
            continue
        own = top / path.lstrip("/")
        folders += [own, *(p for p in own.parents if p.is_relative_to(top))]
    return folders


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="ascii", errors="replace")
    except OSError:
        return ""


def default_memory(root: Path = Path("/")) -> int:
    """Half of what is available, and at least 256 MiB."""
    available = available_memory(root)
    return max(LEAST_MEMORY, (available or 0) // 2)


def default_threads(root: Path = Path("/")) -> int:
    """Processors that this process may use: its affinity, and the quota of a container, whichever is smaller."""
    count = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    for folder in _group_folders(root, "cpu"):
        quota = _read(folder / "cpu.max").split()
        if len(quota) != 2:
            quota = [_read(folder / f"cpu.cfs_{name}_us").strip() for name in ("quota", "period")]
        if all(part.isdigit() for part in quota) and int(quota[1]) > 0:
            count = min(count, -(-int(quota[0]) // int(quota[1])))
    return max(1, count)


def default_scratch(environment: Mapping[str, str]) -> Path:
    """The user's cache folder by the XDG base directory specification, and ``nearfar`` in it."""
    cache = environment.get("XDG_CACHE_HOME", "")
    base = Path(cache) if cache.startswith("/") else Path.home() / ".cache"
    return base / "nearfar"


def own_settings_file(environment: Mapping[str, str]) -> Path:
    """The file that ``NEARFAR_CONFIG`` names, or the user's own, whether it is there or not."""
    named = environment.get(f"{PREFIX}CONFIG")
    if named:
        return Path(named).expanduser()
    home = environment.get("XDG_CONFIG_HOME", "")
    base = Path(home) if home.startswith("/") else Path.home() / ".config"
    return base / "nearfar" / "nearfar.toml"


def settings_file(environment: Mapping[str, str]) -> Path | None:
    """The file that settings are read from: the one that ``NEARFAR_CONFIG`` names, the user's own, or a checkout's."""
    own = own_settings_file(environment)
    if environment.get(f"{PREFIX}CONFIG"):
        return own
    checkout = Path(__file__).resolve().parents[2] / "config"
    return next((path for path in (own, checkout / "nearfar.toml") if path.is_file()), None)


def read_toml(path: Path) -> dict[str, Any]:
    """What a settings file holds. Raises `UsageError` if it cannot be read or is no TOML."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else f"not readable as TOML: {error}"
        raise UsageError(
            f"settings {path}: {reason}; correct the file or name another in NEARFAR_CONFIG"
        ) from error


def unknown(path: Path, name: str, known: Sequence[str]) -> UsageError:
    """The refusal of a name in a settings file that is none of the known ones."""
    near = difflib.get_close_matches(name.rpartition(".")[2], known, n=1, cutoff=0.5)
    hint = f"did you mean {near[0]}?" if near else f"known are {', '.join(known)}"
    return UsageError(f"settings {path}: {name} is not a setting; {hint}")


def read_file(path: Path) -> dict[str, str]:
    """Settings of the command that a TOML file gives, as the text that a person would write for the option.

    Raises
    ------
    UsageError
        Where the file cannot be read, is no TOML or holds a name that is not known.
    """
    found = {}
    for name, value in read_toml(path).items():
        if name in SERVER_TABLES and isinstance(value, dict):
            continue
        if name not in NAMES:
            raise unknown(path, name, NAMES)
        if isinstance(value, bool) or not isinstance(value, str | int):
            raise UsageError(
                f'settings {path}: {name} is {value!r}; expected text like "2GiB" or a whole number'
            )
        found[name] = str(value)
    return found


def load(
    *,
    memory: str | None = None,
    threads: str | None = None,
    scratch: str | None = None,
    environment: Mapping[str, str] | None = None,
    file: Path | None = None,
) -> Settings:
    """Settings from options, the environment, a file and the machine, the first that says something winning.

    Parameters
    ----------
    memory, threads, scratch
        Texts of the options; None if one was not given.
    environment
        `os.environ` if not given.
    file
        The settings file; `settings_file` if not given.

    Raises
    ------
    UsageError
        Where a text is not understood; the message begins with where it stands.
    """
    environment = os.environ if environment is None else environment
    file = file or settings_file(environment)
    options = {"memory": memory, "threads": threads, "scratch": scratch}
    sources: dict[str, tuple[str, str]] = {}
    if file is not None:
        sources |= {name: (f"settings {file}: {name}", text) for name, text in read_file(file).items()}
    for name in NAMES:
        variable = PREFIX + name.upper()
        if environment.get(variable):
            sources[name] = (variable, environment[variable])
        option = options[name]
        if option is not None:
            sources[name] = (f"--{name}", option)
    try:
        return _settings(sources, environment)
    except RuntimeError as error:  # no home folder to be found
        raise UsageError(f"no home folder: {error}; give --scratch") from error


def _settings(sources: Mapping[str, tuple[str, str]], environment: Mapping[str, str]) -> Settings:
    def parsed(name: str, parse: Callable[[str], T]) -> T | None:
        if name not in sources:
            return None
        where, text = sources[name]
        try:
            return parse(text)
        except UsageError as error:
            raise UsageError(f"{where}: {error}") from error

    return Settings(
        memory=parsed("memory", parse_size) or default_memory(),
        threads=parsed("threads", parse_threads) or default_threads(),
        scratch=parsed("scratch", parse_folder) or default_scratch(environment),
    )
