"""Keys, under which outputs are stored, and fingerprints, which tell cheaply that a frame is still the same file.

A key is a digest of a step's version, its parameters and the keys of its inputs. Two runs that would make the same bytes
ask for the same key, so an output that exists is never made again. Nothing else is needed to resume.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from nearfar.errors import UsageError

KEY_LENGTH = 32
"""Hexadecimal digits of a key: 128 bits, so that two outputs never get the same key by chance."""

PIECE = 1 << 20
"""Bytes that `file_digest` reads at a time."""


def _refuse(value: object, where: str, remedy: str) -> UsageError:
    return UsageError(f"{where}: a key cannot hold {value!r} of type {type(value).__name__}; {remedy}")


def _canonical(value: object, where: str) -> Any:
    """``value`` made of types that JSON writes in exactly one way."""
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, int):
        return int(value)
    if isinstance(value, float):
        if not math.isfinite(value):
            raise _refuse(value, where, "give a finite number")
        return float(value) + 0.0  # minus zero becomes zero: it makes no other picture
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = {f.name: getattr(value, f.name) for f in dataclasses.fields(value)}
        return _canonical(fields, where)
    if isinstance(value, Mapping):
        return _canonical_mapping(value, where)
    if isinstance(value, list | tuple):
        return [_canonical(v, f"{where}[{i}]") for i, v in enumerate(value)]
    if isinstance(value, os.PathLike):
        raise _refuse(value, where, "a path says nothing about contents: give the file's digest")
    raise _refuse(value, where, "give numbers, text, None, or lists, mappings and data classes of them")


def _canonical_mapping(value: Mapping[Any, Any], where: str) -> dict[str, Any]:
    for name in value:
        if not isinstance(name, str):
            raise _refuse(name, where, "names of parameters are text")
    return {name: _canonical(v, f"{where}.{name}") for name, v in value.items()}


def canonical(value: object) -> str:
    """``value`` as JSON with sorted names and no blanks, the same on every machine.

    Parameters
    ----------
    value
        None, bool, int, finite float, str, NumPy scalars of these, and lists, tuples, mappings with text names
        and data classes made of them. Floats are written so that reading them gives the same bits; ``1`` and
        ``1.0`` differ, a NumPy scalar and the Python number of the same value do not, nor do a data class and
        the mapping of its fields.

    Raises
    ------
    UsageError
        The value is of another type. For paths and arrays give a digest of their contents.
    """
    return json.dumps(_canonical(value, "value"), sort_keys=True, separators=(",", ":"), ensure_ascii=True)


def key(step: str, version: int, params: Mapping[str, object], inputs: Sequence[str]) -> str:
    """Key of the output that ``step`` makes of ``inputs``: 32 hexadecimal digits.

    Parameters
    ----------
    step
        Name of the step, e.g. ``'survey'``.
    version
        Raised by whoever changes what the step makes of the same input.
    params
        Whatever else decides the output; see `canonical`.
    inputs
        Keys or digests of what the step reads, in the order in which it matters.
    """
    if isinstance(inputs, str):
        raise _refuse(inputs, "inputs", "give a list of keys, even for one")
    text = canonical([step, int(version), params, [str(name) for name in inputs]])
    return hashlib.sha256(text.encode("ascii")).hexdigest()[:KEY_LENGTH]


def file_digest(path: Path | str) -> str:
    """SHA-256 (FIPS 180-4) of a file's bytes, 64 hexadecimal digits, in 1 MiB of memory.

    Reads every byte: about a second per gigabyte if the file is cached and the processor hashes in hardware, so use it
    where the file is read anyway. A `Fingerprint` costs one system call.
    """
    digest = hashlib.sha256()
    buffer = bytearray(PIECE)
    view = memoryview(buffer)
    with open(path, "rb", buffering=0) as file:
        while count := file.readinto(buffer):
            digest.update(view[:count])
    return digest.hexdigest()


@dataclass(frozen=True, kw_only=True)
class Fingerprint:
    """What the file system says about a file, which differs after every usual way of changing it.

    Writing changes ``mtime_ns`` and ``ctime_ns``; a copy that restores the old time still changes ``ctime_ns``; renaming
    another file to the name changes ``inode``. A change of the same size within one tick of the file system's clock is not
    noticed; `file_digest` would notice it.
    """

    size: int
    mtime_ns: int
    ctime_ns: int
    inode: int
    device: int

    @classmethod
    def of(cls, path: Path | str) -> Fingerprint:
        """Take the fingerprint of a file; links are followed. Raises `OSError` if there is none."""
        return cls.of_status(Path(path).stat())

    @classmethod
    def of_status(cls, status: os.stat_result) -> Fingerprint:
        """The same from a status at hand, e.g. ``os.fstat`` of the open file."""
        return cls(
            size=status.st_size,
            mtime_ns=status.st_mtime_ns,
            ctime_ns=status.st_ctime_ns,
            inode=status.st_ino,
            device=status.st_dev,
        )
