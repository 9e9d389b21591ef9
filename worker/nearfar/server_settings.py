"""Settings of the server and its workers: option over environment over file over default.

The file is the one of `nearfar.settings`; its tables are the classes here, whose fields are all the settings there
are. ``port`` of the table ``[server]`` is ``NEARFAR_SERVER_PORT`` in the environment.
"""

from __future__ import annotations

import difflib
import getpass
import json
import os
import tomllib
from collections.abc import Mapping
from ipaddress import ip_address
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    model_validator,
)

from nearfar.errors import UsageError
from nearfar.settings import NAMES as PLAIN_NAMES
from nearfar.settings import (
    PREFIX,
    default_memory,
    default_threads,
    parse_size,
    settings_file,
)


def _size(value: object) -> object:
    try:
        return parse_size(value) if isinstance(value, str) else value
    except UsageError as error:
        raise ValueError(str(error)) from error


def _absolute(value: Path) -> Path:
    if not str(value).strip():
        raise ValueError("is empty text; write a path")
    return value.expanduser().absolute()


def _listed(value: object) -> object:
    """Lists come from the environment as JSON or with commas."""
    if not isinstance(value, str):
        return value
    return (
        json.loads(value)
        if value.lstrip().startswith("[")
        else [p.strip() for p in value.split(",") if p.strip()]
    )


Size = Annotated[int, BeforeValidator(_size), Field(gt=0)]
Folder = Annotated[Path, AfterValidator(_absolute)]
Seconds = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Days = Annotated[float, Field(ge=0, allow_inf_nan=False)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True)


class ServerTable(_Table):
    """Where the server lives, and who may talk to it."""

    data: Folder = Field(default_factory=lambda: Path.home() / "nearfar")
    """Folder of everything: inbox/, results/, and what the server keeps for itself."""
    host: str = "127.0.0.1"
    """Address to listen at. Anything but this machine's own asks for a key."""
    port: int = Field(default=8765, ge=0, le=65535)
    """0 takes a free one."""
    key: str | None = None
    """Whoever talks to the server shows this; never needed on the loopback address."""
    names: Annotated[tuple[str, ...], BeforeValidator(_listed)] = ()
    """Further host names by which the server is reached, e.g. of a reverse proxy."""
    path: str = ""
    """Sub-path behind a reverse proxy, like ``/merge``."""
    shared: Annotated[tuple[Folder, ...], BeforeValidator(_listed)] = ()
    """Folders from which the API may take frames by path, besides the inbox."""
    owner: str = Field(default_factory=getpass.getuser, min_length=1, max_length=100)
    """Owner of what comes without one."""
    largest_upload: Size = 2 << 30
    """Bytes that one uploaded frame may have."""
    open_pictures: bool = False
    """Let other sites' pages show the pictures (IIIF) although the server asks for no key."""

    @model_validator(mode="after")
    def _closed_to_strangers(self) -> Self:
        if not self.key and not self.local:
            raise ValueError(
                f"host {self.host} can be reached from other machines, and there is no key; set a key of at least 16 "
                "characters, or listen at 127.0.0.1"
            )
        if self.key is not None and len(self.key) < 16:
            raise ValueError(f"key has {len(self.key)} characters; at least 16 are expected")
        if self.path and (not self.path.startswith("/") or self.path.endswith("/")):
            raise ValueError(f"path {self.path!r}: expected '' or something like '/merge'")
        return self

    @property
    def local(self) -> bool:
        """Whether only this machine can reach it."""
        try:
            return ip_address(self.host).is_loopback
        except ValueError:
            return self.host == "localhost"


class StoreTable(_Table):
    """The job store."""

    url: str | None = None
    """``postgresql://user@host/database``; a SQLite file in the data folder where not given."""
    lease: Seconds = 60.0
    """How long a worker may be silent about a unit before another takes it."""
    attempts: int = Field(default=3, ge=1, le=100)
    """How often a unit is tried."""
    retry_after: float = Field(default=5.0, ge=0)
    """Seconds of rest after a first failure; doubled after each further one."""


class BrokerTable(_Table):
    """What carries hints that work waits."""

    url: str | None = None
    """``redis://host:6379/0``; files in the data folder where not given, which needs no server."""


class WorkerTable(_Table):
    """What the workers of this machine may take."""

    memory: Size = Field(default_factory=default_memory)
    """Bytes for all units at work together; the top-level setting ``memory`` says the same."""
    threads: int = Field(default_factory=default_threads, ge=1, le=1024)
    """Threads for all units together; the top-level setting ``threads`` says the same."""
    slots: int = Field(default=0, ge=0, le=256)
    """Units at a time; 0: one for every four threads."""
    scratch: Folder | None = None
    """Folder on a fast local disk for decoded frames; in the data folder where not given."""
    spare_disk: Size = 1 << 30
    """Bytes left free on every disk that is written to."""

    @property
    def places(self) -> int:
        """Units at a time."""
        return self.slots or max(1, self.threads // 4)

    @property
    def slot_memory(self) -> int:
        """Bytes for one unit."""
        return self.memory // self.places

    @property
    def slot_threads(self) -> int:
        """Threads of one unit."""
        return max(1, self.threads // self.places)


class WatchedFolder(_Table):
    """A folder of stacks besides the inbox, each sub-folder of which is one."""

    path: Folder
    owner: str | None = None
    recipe: str | None = None
    priority: int = Field(default=0, ge=-9, le=9)


class InboxTable(_Table):
    """How the watched folders are read."""

    folders: Annotated[tuple[WatchedFolder, ...], BeforeValidator(_listed)] = ()
    """Further folders; in the file as ``[[inbox.folders]]``."""
    scan: Seconds = 2.0
    """Seconds between two looks."""
    quiet: Seconds = 5.0
    """Seconds for which nothing may change in a stack before it counts as complete."""
    quiet_unseen: Seconds = 20.0
    """The same where it cannot be seen whether a file is still open for writing: shares, other users' programs."""
    patience: Seconds = 120.0
    """Seconds after which a quiet stack with a file that cannot be read is given up, until that file changes."""
    recipe: str = "standard"
    """Recipe of stacks that come without one."""
    duplicates: Literal["skip", "again"] = "skip"
    """What to do with a set of frames that was merged before."""
    after: Literal["leave", "move"] = "leave"
    """What becomes of the frames once the result was opened again and checked. They are never deleted."""
    move_to: Folder | None = None
    """Where ``after = "move"`` puts them; ``merged`` in the data folder where not given."""
    ignore: Annotated[tuple[str, ...], BeforeValidator(_listed)] = ()
    """Further patterns of names that are no frames, like ``"*_proof.jpg"``."""


class KeepTable(_Table):
    """How long what is no longer needed stays. In days; 0 keeps for ever."""

    jobs: Days = 0.0
    """Records of jobs that ended."""
    results: Days = 0.0
    """Their results, by when the job ended."""
    uploads: Days = 7.0
    """Uploaded frames, after the job that they belong to is done; those of failed jobs go with the job's record."""
    trail: Days = 365.0
    """Lines of the audit trail."""
    work: Days = 7.0
    """What was made on the way to a result, for mending and running again with other settings."""


class ClientTable(_Table):
    """How the commands that talk to a server find it: send, jobs, show, fetch, cancel and their kin."""

    url: str | None = None
    """``https://host/path``; the server of this machine's data folder where not given. `NEARFAR_URL` says the same."""
    key: str | None = None
    """What is shown to the server; the key of ``[server]`` where not given. `NEARFAR_KEY` says the same."""


class ServerSettings(_Table):
    """All of it."""

    server: ServerTable = Field(default_factory=lambda: ServerTable())
    store: StoreTable = Field(default_factory=lambda: StoreTable())
    broker: BrokerTable = Field(default_factory=lambda: BrokerTable())
    worker: WorkerTable = Field(default_factory=lambda: WorkerTable())
    inbox: InboxTable = Field(default_factory=lambda: InboxTable())
    keep: KeepTable = Field(default_factory=lambda: KeepTable())
    client: ClientTable = Field(default_factory=lambda: ClientTable())


TABLES = tuple(ServerSettings.model_fields)
SHORT = (
    *(("worker", name) for name in PLAIN_NAMES),
    ("client", "url"),
    ("client", "key"),
)
"""Settings that the environment also knows without the name of their table."""


def load_server(
    options: Mapping[str, Mapping[str, object]] | None = None,
    *,
    environment: Mapping[str, str] | None = None,
    file: Path | None = None,
) -> ServerSettings:
    """Settings of the server from options, the environment, a file and the machine, the first that says something winning.

    Parameters
    ----------
    options
        By table and name, what was given on the command line; None as a value counts as not given.
    environment
        `os.environ` where not given.
    file
        The settings file; `nearfar.settings.settings_file` where not given.

    Raises
    ------
    UsageError
        Where a name is not known or a value will not do; the message says where it stands.
    """
    environment = os.environ if environment is None else environment
    file = file or settings_file(environment)
    values: dict[str, dict[str, Any]] = {name: {} for name in TABLES}
    origin: dict[tuple[str, ...], str] = {}
    for source, table, name, value in _given(options or {}, environment, file):
        values[table][name] = value
        origin[table, name] = source
    try:
        return ServerSettings.model_validate(values)
    except ValidationError as error:
        raise UsageError(_in_words(error, origin)) from error
    except RuntimeError as error:  # no home folder to be found
        raise UsageError(f"no home folder: {error}; give --data") from error


def to_environment(settings: ServerSettings) -> dict[str, str]:
    """Variables by which `load_server` in another process finds the very same settings, and reads no file."""
    found = {f"{PREFIX}CONFIG": os.devnull}
    for table in TABLES:
        for name, value in getattr(settings, table):
            if value is not None:
                found[f"{PREFIX}{table}_{name}".upper()] = _as_text(value)
    return found


def _as_text(value: object) -> str:
    if isinstance(value, tuple):
        return json.dumps(
            [
                e.model_dump(mode="json", exclude_none=True) if isinstance(e, BaseModel) else str(e)
                for e in value
            ]
        )
    return str(value)


def _given(
    options: Mapping[str, Mapping[str, object]], environment: Mapping[str, str], file: Path | None
) -> list[tuple[str, str, str, object]]:
    """Source, table, name and value of all that is said anywhere; what comes later wins."""
    found: list[tuple[str, str, str, object]] = []
    if file is not None:
        found += _in_file(file)
    for table, name in SHORT:
        if environment.get(PREFIX + name.upper()):
            found.append((PREFIX + name.upper(), table, name, environment[PREFIX + name.upper()]))
    for table in TABLES:
        for name in ServerSettings.model_fields[table].annotation.model_fields:  # type: ignore[union-attr]
            variable = f"{PREFIX}{table}_{name}".upper()
            if environment.get(variable):
                found.append((variable, table, name, environment[variable]))
    for table, given in options.items():
        found += [
            (f"--{name.replace('_', '-')}", table, name, v) for name, v in given.items() if v is not None
        ]
    return found


def _in_file(file: Path) -> list[tuple[str, str, str, object]]:
    try:
        content = tomllib.loads(file.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else f"not readable as TOML: {error}"
        raise UsageError(
            f"settings {file}: {reason}; mend the file or name another in NEARFAR_CONFIG"
        ) from error
    found: list[tuple[str, str, str, object]] = []
    for name, value in content.items():
        if name in TABLES and isinstance(value, dict):
            fields = ServerSettings.model_fields[name].annotation.model_fields  # type: ignore[union-attr]
            for key in value:
                if key not in fields:
                    raise UsageError(
                        f"settings {file}: {name}.{key} is not a setting; {_near(key, list(fields))}"
                    )
            found += [(f"settings {file}: {name}.{key}", name, key, v) for key, v in value.items()]
        elif name in PLAIN_NAMES:
            found.append((f"settings {file}: {name}", "worker", name, value))
        else:
            known = [*PLAIN_NAMES, *TABLES]
            raise UsageError(f"settings {file}: {name} is not a setting; {_near(name, known)}")
    return sorted(found, key=lambda entry: "." in entry[0].removeprefix(f"settings {file}: "))


def _near(name: str, known: list[str]) -> str:
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    return f"did you mean {near[0]}?" if near else f"known are {', '.join(known)}"


def _in_words(error: ValidationError, origin: Mapping[tuple[str, ...], str]) -> str:
    first = error.errors(include_url=False)[0]
    place = tuple(str(part) for part in first["loc"])
    where = origin.get(place[:2], ".".join(place))
    reason = first["msg"].removeprefix("Value error, ")
    found = first.get("input")
    shown = "" if isinstance(found, dict) else f", found {found!r}"
    return f"{where}: {reason}{shown}"
