"""The client of one bucket: the keys that the settings name, and a connection that goes nowhere but to its endpoint.

The library for the S3 protocol (botocore, of ``nearfar[s3]``) is loaded with the first bucket that is opened. It looks for
keys and settings in no other place, and a request that an answer sends elsewhere is refused.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache, partial
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from nearfar.errors import BucketRefused, UsageError
from nearfar.object_tables import BucketTable

CONNECT = 5.0
"""Seconds for a connection."""
READ = 30.0
"""Seconds without a byte after which a connection counts as broken."""
TRIES = 1
"""How often the library itself asks: `carrying` waits and resumes by itself, and must renew its lease in between."""
ENVIRONMENT = "env:"
"""What ``keys`` of a bucket begins with if they are in the environment; otherwise it is a file's path."""
NO_LIBRARY = "object storage takes the package botocore: install nearfar[s3]"


@dataclass(frozen=True, kw_only=True)
class Keys:
    """What requests are signed with."""

    id: str
    secret: str

    def __repr__(self) -> str:
        """Never the secret."""
        return f"Keys({self.id!r})"


def keys_of(table: BucketTable, environment: Mapping[str, str]) -> Keys:
    """The keys that a bucket's settings name. Raises `UsageError`, which names what is missing and never a secret."""
    about = f"keys of the bucket {table.name}"
    if table.keys.startswith(ENVIRONMENT):
        name = table.keys.removeprefix(ENVIRONMENT)
        found = {part: environment.get(f"{name}_{part.upper()}") for part in ("id", "secret")}
        where = f"{name}_ID and {name}_SECRET in the environment"
    else:
        where = f"id and secret in {table.keys}"
        try:
            content = tomllib.loads(Path(table.keys).read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
            reason = error.strerror if isinstance(error, OSError) else "not readable as TOML"
            raise UsageError(f"{about}: {table.keys}: {reason}; expected {where}") from None
        found = {part: content.get(part) for part in ("id", "secret")}
    key, secret = found["id"], found["secret"]
    if not isinstance(key, str) or not isinstance(secret, str) or not key or not secret:
        raise UsageError(
            f"{about}: expected {where}; found {', '.join(n for n, v in found.items() if v) or 'neither'}"
        )
    return Keys(id=key, secret=secret)


@lru_cache(maxsize=8)
def open_client(table: BucketTable, keys: Keys) -> Any:
    """The library's client, which any number of threads may share; kept, since making one takes a quarter of a second."""
    try:
        from botocore.config import Config
        from botocore.session import Session
    except ImportError as error:
        raise UsageError(f"bucket {table.name}: {NO_LIBRARY}") from error
    session = Session()
    for variable in ("config_file", "credentials_file"):  # a file of this user's own has no say
        session.set_config_variable(variable, os.devnull)
    config = Config(
        signature_version="s3v4",
        connect_timeout=CONNECT,
        read_timeout=READ,
        retries={"mode": "standard", "total_max_attempts": TRIES},
        max_pool_connections=32,
        s3={"addressing_style": "path"},
        request_checksum_calculation="when_required",
        response_checksum_validation="when_required",
    )
    client = session.create_client(
        "s3",
        endpoint_url=table.endpoint,
        region_name=table.region,
        aws_access_key_id=keys.id,
        aws_secret_access_key=keys.secret,
        config=config,
    )
    client.meta.events.register("before-send.s3", partial(_refuse_elsewhere, table))
    return client


def _refuse_elsewhere(table: BucketTable, request: Any, **_: Any) -> None:
    """Refuse a request that is about to go to another host than the settings name, whatever an answer said."""
    if urlsplit(request.url)[:2] != urlsplit(table.endpoint)[:2]:
        raise BucketRefused(
            f"bucket {table.name} at {table.endpoint}: it sends on to another place, and that is not followed; "
            "correct endpoint and region of objects.buckets"
        )
