"""The corners of what the kernel may be given: the same bits from every build, and nothing that a sanitizer minds."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from nearfar.merge.kernel import build_hook, loader

CHECKS = ["-fsanitize=address,undefined", "-fsanitize=float-cast-overflow", "-fno-sanitize-recover=all"]


def edges(checkout: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run `edges` in a process of its own."""
    worker = str(checkout / "worker")
    paths = [str(checkout), worker, os.environ.get("PYTHONPATH", "")]
    return subprocess.run(
        [sys.executable, "-m", "tests.worker.merge.kernel.edges"],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(paths), **environment},
        cwd=checkout,
        capture_output=True,
        text=True,
        check=False,
    )


def test_every_build_makes_the_same_bits_of_the_corners(checkout: Path) -> None:
    libraries = {p.stem.removeprefix("kernel_"): p for p in build_hook.compile_kernel(checkout)}
    made = {}
    for level in loader.suitable():
        done = edges(checkout, NEARFAR_KERNEL=str(libraries[level]))
        assert done.returncode == 0, done.stderr
        made[level] = json.loads(done.stdout)
    first = made[loader.suitable()[0]]
    assert len(first) > 100
    for level, found in made.items():
        odd = [name for name, digest in found.items() if digest != first[name]]
        assert not odd, f"{level} differs in {odd}"


def sanitizers() -> list[str] | None:
    """Paths of the two sanitizers' libraries, where gcc has them."""
    compiler = shutil.which("gcc")
    if compiler is None:
        return None
    found = []
    for name in ("libasan.so", "libubsan.so"):
        asked = [compiler, f"-print-file-name={name}"]
        path = subprocess.run(asked, capture_output=True, text=True, check=False).stdout.strip()
        if not Path(path).is_absolute() or not Path(path).exists():
            return None
        found.append(path)
    return found


def test_sanitizers_find_nothing_in_the_corners(checkout: Path, tmp_path: Path) -> None:
    """AddressSanitizer and UndefinedBehaviorSanitizer of gcc, with floats that do not fit an integer besides."""
    preloaded = sanitizers()
    if preloaded is None:
        pytest.skip("needs gcc with libasan and libubsan")
    library = tmp_path / "checked.so"
    sources = sorted((checkout / build_hook.KERNEL).glob("*.c"))
    flags = ["-O0", "-std=c11", "-ffp-contract=off", "-fno-omit-frame-pointer", "-shared", "-fPIC"]
    command = ["gcc", *flags, *CHECKS, "-o", str(library), *map(str, sources), "-lm"]
    made = subprocess.run(command, capture_output=True, text=True, check=False)
    assert made.returncode == 0, made.stderr
    done = edges(
        checkout,
        NEARFAR_KERNEL=str(library),
        LD_PRELOAD=" ".join(preloaded),
        ASAN_OPTIONS="detect_leaks=0",
        UBSAN_OPTIONS="print_stacktrace=1",
    )
    assert done.returncode == 0, done.stderr[-4000:]
    best = edges(checkout)
    assert json.loads(done.stdout) == json.loads(best.stdout), "unoptimised code makes the same bits"
