"""Compiles the kernel when the package is built, with the machine's C compiler or the one that a wheel carries.

One library for each processor level, so that one wheel serves old and new machines alike. Contraction and
fast-math stay off: the same pixels come out whichever compiler made whichever library. Hatch calls one hook for a
package, so that this one also lets the pages' own put its files in place.
"""

from __future__ import annotations

import functools
import importlib.util
import os
import platform
import shlex
import shutil
import subprocess
import sys
import sysconfig
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from types import ModuleType
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

KERNEL = Path("worker/nearfar/merge/kernel")
SOURCES = Path(__file__).with_name("sources.py")
RECIPES = Path("config/recipes")
PAGES_HOOK = Path("api/nearfar_api/web/build_hook.py")
COMPILER_WHEEL = "ziglang==0.17.1"
FLAGS = ["-O3", "-std=c11", "-ffp-contract=off", "-fno-math-errno", "-fno-trapping-math", "-shared", "-fPIC"]
LEVELS: dict[str, dict[str, list[str]]] = {
    "x86_64": {
        "x86_64_v2": ["-march=x86-64-v2"],
        "x86_64_v3": ["-march=x86-64-v3"],
        "x86_64_v4": ["-march=x86-64-v4"],
    },
    "aarch64": {"aarch64": []},
}
TRIAL = "#include <math.h>\n#include <stdlib.h>\ndouble trial(double x) { return sqrt(x); }\n"


def carried_compiler() -> list[str]:
    """Command of the compiler in ``COMPILER_WHEEL``, which brings its own headers and linker."""
    return [sys.executable, "-m", "ziglang", "cc"]


@functools.cache
def own_compiler() -> tuple[str, ...] | None:
    """Command of the machine's C compiler (``CC``, cc, gcc or clang), or None where none works.

    Works means that it made a library of a few lines: a compiler without the C library's headers is common on
    small systems and would fail later.
    """
    named = os.environ.get("CC")
    candidates = [shlex.split(named)] if named else [["cc"], ["gcc"], ["clang"]]
    return next((tuple(c) for c in candidates if shutil.which(c[0]) and _compiles(c)), None)


def _compiles(compiler: list[str]) -> bool:
    with tempfile.TemporaryDirectory() as folder:
        source = Path(folder, "trial.c")
        source.write_text(TRIAL, encoding="ascii")
        command = [*compiler, "-shared", "-fPIC", "-o", f"{folder}/trial.so", str(source), "-lm"]
        return subprocess.run(command, capture_output=True, check=False).returncode == 0


def _command(compiler: list[str], flags: list[str]) -> list[str]:
    if "ziglang" in compiler:
        flags = [flag.replace("-march=x86-64-", "-mcpu=x86_64_") for flag in flags]
    return [*compiler, *flags]


def levels() -> dict[str, list[str]]:
    """Name and flags of each library that is made for this kind of machine."""
    return LEVELS.get(platform.machine(), {platform.machine(): []})


def compile_kernel(root: Path, into: Path | None = None, compiler: list[str] | None = None) -> list[Path]:
    """Compile every level whose library is missing or older than its sources.

    Parameters
    ----------
    root
        Top of the source tree.
    into
        Folder for the libraries; beside the sources where not given.
    compiler
        Command to use; the machine's own, or else the carried one, where not given.

    Returns
    -------
    Paths of all libraries ``kernel_LEVEL.so``, made now or before.
    """
    folder = root / KERNEL
    into = into or folder
    compiler = compiler or list(own_compiler() or carried_compiler())
    sources = sorted(folder.glob("*.c"))
    marked = f'-DNF_SOURCES="{_module("nearfar_kernel_sources", SOURCES).digest_of(folder)}"'
    newest = max(p.stat().st_mtime_ns for p in [*sources, *folder.glob("*.h"), Path(__file__)])

    def compile_level(name: str, flags: list[str]) -> Path:
        target = into / f"kernel_{name}.so"
        if not target.exists() or target.stat().st_mtime_ns < newest:
            _compile(_command(compiler, [*FLAGS, *flags, marked]), sources, target)
        return target

    with ThreadPoolExecutor(os.cpu_count()) as at_once:
        return list(at_once.map(compile_level, levels(), levels().values()))


def _compile(command: list[str], sources: list[Path], target: Path) -> None:
    """Make ``target`` whole or not at all: two builds at once do not meet."""
    part = target.with_suffix(f".{os.getpid()}.part")
    command = [*command, "-o", str(part), *map(str, sources), "-lm"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        part.unlink(missing_ok=True)
        raise SystemExit(
            f"the kernel could not be compiled into {target.name} by '{shlex.join(command)}':\n{done.stderr}\n"
            f"Set CC to a C compiler that works, or install {COMPILER_WHEEL} and unset CC."
        )
    part.replace(target)


def pages_hook(root: Path) -> ModuleType:
    """The module that fetches what the pages use of others."""
    return _module("nearfar_pages_hook", root / PAGES_HOOK)


def _module(name: str, path: Path) -> ModuleType:
    """A module by its file: no package can be imported while one is built."""
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None  # noqa: S101 - it is a Python file
    assert spec.loader is not None  # noqa: S101
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


class KernelHook(BuildHookInterface):  # type: ignore[type-arg, misc, unused-ignore]
    """Hatch calls this before it collects the files of a wheel."""

    PLUGIN_NAME = "custom"

    def dependencies(self) -> list[str]:
        """Wheels with the compiler and with npm, each only where the machine has none that works."""
        root = Path(__file__).resolve().parents[4]
        pages: list[str] = pages_hook(root).needed(root)
        return pages if own_compiler() else [COMPILER_WHEEL, *pages]

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Compile, fetch, mark the wheel as made for this kind of machine, and put the recipes into it."""
        if self.target_name != "wheel":
            return
        root = Path(self.root)
        made = [*compile_kernel(root), *pages_hook(root).fetch(root)]
        build_data["pure_python"] = False
        build_data["tag"] = f"py3-none-{sysconfig.get_platform().replace('-', '_').replace('.', '_')}"
        build_data["artifacts"].extend(f"/{p.relative_to(root).as_posix()}" for p in made)
        if version != "editable":
            build_data["force_include"][str(root / RECIPES)] = "nearfar/recipes"


if __name__ == "__main__":
    if sys.argv[1:] == ["--need"]:
        print("" if own_compiler() else COMPILER_WHEEL)
    else:
        for library in compile_kernel(Path(__file__).resolve().parents[4]):
            print(library)
