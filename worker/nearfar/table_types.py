"""What values of settings may be: sizes, folders, networks, times, lists, and the tables that hold them."""

from __future__ import annotations

import json
from ipaddress import ip_network
from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

from nearfar.errors import UsageError
from nearfar.settings import parse_size


def _size(value: object) -> object:
    try:
        return parse_size(value) if isinstance(value, str) else value
    except UsageError as error:
        raise ValueError(str(error)) from error


def absolute(value: Path) -> Path:
    """A path that holds wherever a process runs. Raises `ValueError`."""
    if not str(value).strip():
        raise ValueError("is empty text; write a path")
    return value.expanduser().absolute()


def listed(value: object) -> object:
    """Lists come from the environment as JSON or with commas."""
    if not isinstance(value, str):
        return value
    return (
        json.loads(value)
        if value.lstrip().startswith("[")
        else [p.strip() for p in value.split(",") if p.strip()]
    )


def _limit(value: object) -> object:
    return 0 if value == "0" else _size(value)


def _network(value: str) -> str:
    try:
        return str(ip_network(value, strict=False))
    except ValueError:
        raise ValueError(
            f"{value!r} is no address; write one like 10.0.0.5, or a range like 10.0.0.0/24"
        ) from None


Limit = Annotated[int, BeforeValidator(_limit), Field(ge=0)]
Network = Annotated[str, AfterValidator(_network)]
Size = Annotated[int, BeforeValidator(_size), Field(gt=0)]
Folder = Annotated[Path, AfterValidator(absolute)]
Seconds = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Days = Annotated[float, Field(ge=0, allow_inf_nan=False)]


class Table(BaseModel):
    """A table of the settings: nothing that is not known, nothing that changes."""

    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True)
