"""Settings of further workers, on this machine or another: what all share from the server's file, the rest from here."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping
from pathlib import Path

from nearfar.errors import UsageError
from nearfar.places import Places
from nearfar.server_settings import ServerSettings, load_server
from nearfar.settings import default_scratch


def join(
    file: Path,
    options: Mapping[str, Mapping[str, object]],
    *,
    environment: Mapping[str, str] | None = None,
) -> ServerSettings:
    """Settings of workers for the server that a settings file is of.

    Where the data folder, the store and the broker are, and how patient the store is, comes from the server's file. What
    these workers may take comes from this machine: options, environment, its own file. Their scratch is this machine's
    own, unless one is named.

    Raises
    ------
    UsageError
        The file cannot be read, does not say where the data folder is, or its store serves one machine alone.
    """
    environment = os.environ if environment is None else environment
    shared = load_server({}, environment={}, file=file)
    own = load_server(options, environment=environment)
    data = (options.get("server") or {}).get("data")
    if data is None and "data" not in shared.server.model_fields_set:
        raise UsageError(
            f"settings {file}: server.data is not set; write the data folder there as all machines see it, or give --data"
        )
    server = shared.server.model_copy(update={"data": own.server.data} if data is not None else {})
    scratch = own.worker.scratch or scratch_for(server.data, environment)
    worker = own.worker.model_copy(update={"scratch": scratch, "share_rows": shared.worker.share_rows})
    return shared.model_copy(update={"server": server, "worker": worker})


def scratch_for(data: Path, environment: Mapping[str, str]) -> Path:
    """Where this machine keeps decoded frames for the server of a data folder."""
    name = hashlib.sha256(os.fsencode(data)).hexdigest()[:12]
    return default_scratch(environment) / f"server-{name}"


def check_there(places: Places) -> None:
    """Raise `UsageError` if the data folder is not there: workers do not make it."""
    if not places.state.is_dir():
        raise UsageError(
            f"data folder {places.data}: expected the folder of a server (with {places.state.name}/ in it), found "
            f"{'another folder' if places.data.is_dir() else 'nothing'}. Workers do not make it: mount the share at this "
            "very path, name the right folder with --data, or start the server first"
        )
