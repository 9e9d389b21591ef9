"""Settings of the server and its workers: option over environment over file over default.

The file is the one of `nearfar.settings`; its tables are the classes of `nearfar.server_tables`, whose fields are all the
settings there are. ``port`` of the table ``[server]`` is ``NEARFAR_SERVER_PORT`` in the environment.
"""

from __future__ import annotations

import difflib
import json
import os
from collections.abc import Collection, Iterable, Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from nearfar.errors import UsageError
from nearfar.object_tables import BucketTable, ObjectsTable
from nearfar.server_tables import (
    BrokerTable,
    ClientTable,
    InboxTable,
    KeepTable,
    NotifyTable,
    PeopleTable,
    ServerSettings,
    ServerTable,
    StoreTable,
    WatchedFolder,
    WorkerTable,
)
from nearfar.settings import NAMES as PLAIN_NAMES
from nearfar.settings import PREFIX, read_toml, settings_file, unknown

__all__ = [
    "SHORT",
    "TABLES",
    "BrokerTable",
    "BucketTable",
    "ClientTable",
    "InboxTable",
    "KeepTable",
    "NotifyTable",
    "ObjectsTable",
    "PeopleTable",
    "ServerSettings",
    "ServerTable",
    "StoreTable",
    "WatchedFolder",
    "WorkerTable",
    "load_server",
    "to_environment",
    "unknown_variables",
]

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
        `os.environ` if not given.
    file
        The settings file; `nearfar.settings.settings_file` if not given.

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
        for name in _names_in(table):
            variable = f"{PREFIX}{table}_{name}".upper()
            if environment.get(variable):
                found.append((variable, table, name, environment[variable]))
    for table, given in options.items():
        found += [
            (f"--{name.replace('_', '-')}", table, name, v) for name, v in given.items() if v is not None
        ]
    return found


def unknown_variables(environment: Mapping[str, str]) -> list[str]:
    """Variables that look like settings and are none, each with what may be meant: nobody reads them."""
    known = {f"{PREFIX}{table}_{name}".upper() for table in TABLES for name in _names_in(table)}
    like = tuple(f"{PREFIX}{table}_".upper() for table in TABLES)
    odd = [name for name in sorted(environment) if name.startswith(like) and name not in known]
    return [
        f"{name} in the environment is not a setting and does nothing{_perhaps(name, known)}" for name in odd
    ]


def _perhaps(name: str, known: Iterable[str]) -> str:
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.8)
    return f"; did you mean {near[0]}?" if near else ""


def _names_in(table: str) -> Collection[str]:
    return ServerSettings.model_fields[table].annotation.model_fields  # type: ignore[union-attr,no-any-return]


def _in_file(file: Path) -> list[tuple[str, str, str, object]]:
    found: list[tuple[str, str, str, object]] = []
    for name, value in read_toml(file).items():
        if name in TABLES and isinstance(value, dict):
            known = list(_names_in(name))
            for key in value:
                if key not in known:
                    raise unknown(file, f"{name}.{key}", known)
            found += [(f"settings {file}: {name}.{key}", name, key, v) for key, v in value.items()]
        elif name in PLAIN_NAMES:
            found.append((f"settings {file}: {name}", "worker", name, value))
        else:
            raise unknown(file, name, [*PLAIN_NAMES, *TABLES])
    return sorted(found, key=lambda entry: "." in entry[0].removeprefix(f"settings {file}: "))


def _in_words(error: ValidationError, origin: Mapping[tuple[str, ...], str]) -> str:
    first = error.errors(include_url=False)[0]
    place = tuple(str(part) for part in first["loc"])
    where = origin.get(place[:2], ".".join(place))
    reason = first["msg"].removeprefix("Value error, ")
    found = first.get("input")
    shown = "" if isinstance(found, dict) else f", found {found!r}"
    return f"{where}: {reason}{shown}"
