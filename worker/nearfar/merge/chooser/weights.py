"""The weights of the chooser's net: one flat list of numbers in a small file, with a version and a digest."""

from __future__ import annotations

import hashlib
import io
import zipfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from nearfar.errors import WorkFailed
from nearfar.merge.chooser.numbers import BANDS, FEATURES, HARD_HIDDEN, HARD_STAGES, HIDDEN

F32 = NDArray[np.float32]
VERSION = 4
"""Raised when features or layout change: weights of another version are refused."""
FILE = Path(__file__).with_name("weights.npz")


def _net(mark: str, hidden: int, stages: int) -> tuple[tuple[str, tuple[int, ...]], ...]:
    """Names and shapes of a net's numbers; what its stages have is laid out stage by stage."""
    stage: tuple[tuple[str, tuple[int, ...]], ...] = (
        ("around", (hidden, 3, 3)),
        ("along", (hidden, 3)),
        ("middle", (hidden, hidden)),
        ("middle_bias", (hidden,)),
        ("most", (hidden, hidden)),
    )
    return (
        (f"{mark}inward", (hidden, FEATURES)),
        (f"{mark}inward_bias", (hidden,)),
        *((f"{mark}{name}{k}", shape) for k in range(stages) for name, shape in stage),
        (f"{mark}outward", (BANDS, hidden)),
        (f"{mark}outward_bias", (BANDS,)),
        (f"{mark}gain", (BANDS - 1, hidden)),
        (f"{mark}gain_bias", (BANDS - 1,)),
        (f"{mark}slope", (BANDS,)),
    )


USUAL, HARD = "", "hard_"
"""What names of a net's parts begin with: of the net for most cells, and of the larger one for hard cells."""
STAGES = {USUAL: 1, HARD: HARD_STAGES}
LAYOUT = (*_net(USUAL, HIDDEN, 1), *_net(HARD, HARD_HIDDEN, HARD_STAGES))
"""Parts in the order in which they lie in the list; the kernel reads them in the same order."""
COUNT = sum(int(np.prod(shape)) for _, shape in LAYOUT)


@dataclass(frozen=True, kw_only=True)
class Weights:
    """The numbers of both nets."""

    numbers: F32
    """(COUNT,)"""
    digest: str
    """16 hexadecimal digits of SHA-256 over version and numbers."""

    def parts(self) -> dict[str, F32]:
        """The list cut up and shaped by `LAYOUT`."""
        out, at = {}, 0
        for name, shape in LAYOUT:
            size = int(np.prod(shape))
            out[name] = self.numbers[at : at + size].reshape(shape)
            at += size
        return out


def digest_of(numbers: F32) -> str:
    """Digest of a list of weights, the same on every machine."""
    data = f"chooser {VERSION}\n".encode() + np.ascontiguousarray(numbers, "<f4").tobytes()
    return hashlib.sha256(data).hexdigest()[:16]


def store(path: Path, numbers: F32) -> None:
    """Write a weights file of ``numbers`` (COUNT,). Raises `ValueError` for another number of them."""
    flat = np.ascontiguousarray(numbers, "<f4")
    if flat.shape != (COUNT,):
        raise ValueError(f"{flat.shape} numbers; the layout has {COUNT}")
    with open(path, "wb") as file:
        np.savez(file, version=np.int32(VERSION), numbers=flat, digest=np.bytes_(digest_of(flat)))


@cache
def load(path: Path = FILE) -> Weights:
    """Read a weights file. Raises `WorkFailed` where it is not whole, or of another version."""
    try:
        with np.load(io.BytesIO(path.read_bytes()), allow_pickle=False) as found:
            version, numbers = int(found["version"]), np.asarray(found["numbers"], np.float32)
            digest = bytes(found["digest"]).decode("ascii")
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile) as error:
        raise WorkFailed(
            f"{path}: found {error}; expected the weights of the chooser. Install Nearfar again"
        ) from error
    if version != VERSION or numbers.shape != (COUNT,) or digest != digest_of(numbers):
        raise WorkFailed(
            f"{path}: found version {version} with {numbers.size} numbers and digest {digest}; expected version "
            f"{VERSION} with {COUNT} numbers that fit their digest. Install Nearfar again"
        )
    return Weights(numbers=numbers, digest=digest)
