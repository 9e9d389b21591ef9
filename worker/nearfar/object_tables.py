"""Settings of object storage: the buckets that the server may ask, and how much of each it may touch."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated, Self
from urllib.parse import urlsplit

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from nearfar.table_types import Seconds, Table, absolute, listed

BUCKET = re.compile(r"^[a-z0-9][a-z0-9.-]{1,61}[a-z0-9]$")
"""Names of buckets, by the naming rules of the S3 API (from memory)."""


def address_of(text: str) -> tuple[str, str]:
    """Bucket and prefix of ``s3://bucket/prefix``; the prefix ends with '/' or is empty. Raises `ValueError`."""
    scheme, _, rest = text.strip().partition("://")
    bucket, _, prefix = rest.partition("/")
    if scheme != "s3" or not BUCKET.fullmatch(bucket):
        raise ValueError(f"{text[:200]!r}: expected an address like s3://bucket/prefix/")
    return bucket, _prefix(prefix)


def _prefix(text: str) -> str:
    """As a folder is written, so that 'a' does not let in 'ab'; servers may lay keys out as files."""
    parts = text.strip().rstrip("/").split("/")
    if parts != [""] and any(part in {"", ".", ".."} or not part.isprintable() for part in parts):
        raise ValueError(
            f"{text[:200]!r}: expected a prefix like cards/2031/, without empty parts, '.' and '..'"
        )
    return "/".join(parts) + "/" if parts != [""] else ""


def _endpoint(text: str) -> str:
    parts = urlsplit(text)
    plain = not (parts.username or parts.password or parts.query or parts.fragment)
    if parts.scheme not in {"https", "http"} or not parts.hostname or not plain:
        raise ValueError(f"{text!r}: expected the address of a server, like https://objects.example")
    return text.rstrip("/")


def _keys(text: str) -> str:
    return text if text.startswith("env:") else str(absolute(Path(text)))


class BucketTable(Table):
    """A bucket of an object storage that speaks S3, and how much of it the server may touch."""

    name: Annotated[str, Field(pattern=BUCKET.pattern)]
    endpoint: Annotated[str, AfterValidator(_endpoint)]
    """Where the storage answers; nothing else is ever asked."""
    keys: Annotated[str, Field(min_length=1), AfterValidator(_keys)]
    """File with ``id`` and ``secret`` as TOML; or ``env:SHOOTS``: they are SHOOTS_ID and SHOOTS_SECRET there."""
    region: str = Field(default="us-east-1", pattern=r"^[a-z0-9-]{1,64}$")
    """What requests are signed for."""
    prefix: Annotated[str, AfterValidator(_prefix)] = ""
    """What the keys of frames begin with that may be fetched; empty: all that the bucket has."""
    watch: Annotated[str, AfterValidator(_prefix)] | None = None
    """Prefix of which each folder is a stack, which becomes a job once nothing in it changes; below ``prefix``."""
    results: Annotated[str, AfterValidator(_prefix)] | None = None
    """Prefix below which results are put; if not given, none are."""

    @model_validator(mode="after")
    def _watched_is_open(self) -> Self:
        if self.watch is not None and not self.watch.startswith(self.prefix):
            raise ValueError(
                f"watch {self.watch!r} does not lie below prefix {self.prefix!r}, from where frames may be fetched"
            )
        if self.watch is not None and self.results is not None and self.results.startswith(self.watch):
            raise ValueError(
                f"results {self.results!r} lie below watch {self.watch!r} and would become stacks; part the two"
            )
        return self

    @property
    def target(self) -> str:
        """Where results are put, as ``s3://bucket/prefix/``."""
        return f"s3://{self.name}/{self.results or ''}"


class ObjectsTable(Table):
    """Object storage that speaks S3: from where frames may be fetched, and where results are put."""

    buckets: Annotated[tuple[BucketTable, ...], BeforeValidator(listed)] = ()
    """In the file as ``[[objects.buckets]]``."""
    parallel: int = Field(default=4, ge=1, le=32)
    """Frames that are fetched at a time."""
    scan: Seconds = 30.0
    """Seconds between two looks at watched prefixes."""
    quiet: Seconds = 60.0
    """Seconds for which nothing may change in a stack there before it counts as complete."""

    @model_validator(mode="after")
    def _one_of_each(self) -> Self:
        names = [bucket.name for bucket in self.buckets]
        if len(set(names)) < len(names):
            raise ValueError(f"two buckets have one name ({', '.join(sorted(names))}); give each once")
        if sum(bucket.results is not None for bucket in self.buckets) > 1:
            raise ValueError("results go to one bucket; found results with more than one")
        return self

    @property
    def target(self) -> BucketTable | None:
        """The bucket that results are put to."""
        return next((bucket for bucket in self.buckets if bucket.results is not None), None)

    def bucket(self, name: str) -> BucketTable | None:
        """The bucket of that name."""
        return next((bucket for bucket in self.buckets if bucket.name == name), None)
