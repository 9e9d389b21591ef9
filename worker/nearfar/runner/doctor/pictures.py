"""Checks of what works on pictures: the compiled kernel, and each kind of file by a small sample made here."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from importlib import import_module
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray

from nearfar.errors import NearfarError
from nearfar.frames.decode import decode, read_header
from nearfar.merge.kernel import loader
from nearfar.runner.doctor.examine import Finding, Subject, advice, fine, problem

Samples = NDArray[Any]
SIZE = (48, 64)
"""Rows and columns of a sample."""
TOLERANCE = {"JPEG": 12.0, "HEIF": 24.0}
"""Mean difference of 8-bit values that a lossy kind may show; all others none."""


def kernel(_subject: Subject) -> Iterator[Finding]:
    """Which build of the kernel is used, and that it loads."""
    library = loader.library()
    name = Path(str(library._name)).stem.removeprefix("kernel_")  # noqa: SLF001 - ctypes tells it nowhere else
    best = loader.suitable()[0]
    if name != best:
        yield advice(
            "kernel",
            f"build {name} is used, and this processor runs {best}",
            "Install the package again, or take NEARFAR_KERNEL out of the environment; results are the same, only later.",
        )
    else:
        yield fine("kernel", f"build {name}")


def formats(_subject: Subject) -> Iterator[Finding]:
    """Write a sample of each kind, read it back and compare."""
    good = []
    with tempfile.TemporaryDirectory(prefix="nearfar-") as folder:
        for name, write in WRITERS.items():
            try:
                found = _round_trip(name, write, Path(folder))
            except Exception as error:  # noqa: BLE001 - whatever a broken library raises
                found = f"{type(error).__name__}: {error}"
            if found is None:
                good.append(name)
            else:
                yield problem(f"format {name}", found, "Install Nearfar again with all it needs: make setup.")
    yield fine("formats", f"{', '.join(good)} can be read")
    yield _heif()
    yield _raw()


def gradient(depth: int) -> Samples:
    """A picture without sharp edges, so that a lossy kind keeps it: shape `SIZE` by 3."""
    rows, cols = np.mgrid[0 : SIZE[0], 0 : SIZE[1]]
    planes = [rows / SIZE[0], cols / SIZE[1], (rows + cols) / sum(SIZE)]
    top = (1 << depth) - 1
    return np.ascontiguousarray(np.stack(planes, axis=-1) * top, f"u{depth // 8}")


def _write_jpeg(path: Path) -> Samples:
    path.write_bytes(imagecodecs.jpeg8_encode(gradient(8), level=95))
    return gradient(8)


def _write_png(path: Path) -> Samples:
    path.write_bytes(imagecodecs.png_encode(gradient(16)))
    return gradient(16)


def _write_tiff(path: Path) -> Samples:
    tifffile.imwrite(path, gradient(16), photometric="rgb", metadata=None)
    return gradient(16)


def _write_deflated(path: Path) -> Samples:
    tifffile.imwrite(
        path, gradient(16), photometric="rgb", compression="deflate", predictor=True, metadata=None
    )
    return gradient(16)


WRITERS: dict[str, Callable[[Path], Samples]] = {
    "JPEG": _write_jpeg,
    "PNG": _write_png,
    "TIFF": _write_tiff,
    "compressed TIFF": _write_deflated,
}
ENDINGS = {"JPEG": ".jpg", "PNG": ".png", "HEIF": ".heic"}


def _round_trip(name: str, write: Callable[[Path], Samples], folder: Path) -> str | None:
    path = folder / f"sample{ENDINGS.get(name, '.tif')}"
    wanted = write(path)
    found = decode(read_header(path))
    if found.shape != wanted.shape or found.dtype != wanted.dtype:
        return (
            f"a sample came back as {found.shape} of {found.dtype}, expected {wanted.shape} of {wanted.dtype}"
        )
    difference = float(np.abs(found.astype(np.int64) - wanted.astype(np.int64)).mean())
    return (
        None if difference <= TOLERANCE.get(name, 0.0) else f"a sample came back changed by {difference:.1f}"
    )


def _heif() -> Finding:
    try:
        library = import_module("pillow_heif")
    except ImportError:
        return advice(
            "format HEIF", "no decoder is installed", "For HEIF frames: pip install 'nearfar[heif]'."
        )

    def write(path: Path) -> Samples:
        library.from_bytes("RGB", SIZE[::-1], gradient(8).tobytes()).save(path, quality=90)
        return gradient(8)

    version = library.libheif_version()
    try:
        with tempfile.TemporaryDirectory(prefix="nearfar-") as folder:
            found = _round_trip("HEIF", write, Path(folder))
    except NearfarError as error:
        found = str(error)
    except Exception:  # noqa: BLE001 - whatever a library without encoder raises
        return fine("format HEIF", f"libheif {version}; it brings no encoder, so no sample was tried")
    if found is not None:
        return problem("format HEIF", f"libheif {version}: {found}", "Install pillow-heif again.")
    return fine("format HEIF", f"can be read (libheif {version})")


def _raw() -> Finding:
    try:
        library = import_module("rawpy")
    except Exception as error:  # noqa: BLE001 - whatever loading it raises
        return problem(
            "format raw", f"LibRaw does not load: {error}", "Install Nearfar again with all it needs."
        )
    version = ".".join(str(part) for part in library.libraw_version)
    return fine("format raw", f"camera raw files can be read (LibRaw {version})")
