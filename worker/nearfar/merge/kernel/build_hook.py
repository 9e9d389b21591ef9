"""Compiles the kernel when the package is built, with the machine's C compiler or the one that a wheel carries.

One library for each processor level, so that one wheel serves old and new machines alike. Contraction and
fast-math stay off: the same file comes out whichever library made it.
"""

from __future__ import annotations

import os
import platform
import shutil
import subprocess
import sys
import sysconfig
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

KERNEL = Path("worker/nearfar/merge/kernel")
COMPILER_WHEEL = "ziglang==0.17.1"
FLAGS = ["-O3", "-std=c11", "-ffp-contract=off", "-fno-math-errno", "-fno-trapping-math", "-shared", "-fPIC"]
LEVELS = {
    "x86_64": {
        "x86_64_v2": ["-march=x86-64-v2"],
        "x86_64_v3": ["-march=x86-64-v3"],
        "x86_64_v4": ["-march=x86-64-v4"],
    },
    "aarch64": {"aarch64": []},
}


def own_compiler() -> str | None:
    """The machine's C compiler, if it has one."""
    return os.environ.get("CC") or shutil.which("cc") or shutil.which("gcc") or shutil.which("clang")


def _command(flags: list[str]) -> list[str]:
    compiler = own_compiler()
    if compiler:
        return [compiler, *flags]
    translated = [f.replace("-march=", "-mcpu=").replace("x86-64-", "x86_64_") for f in flags]
    return [sys.executable, "-m", "ziglang", "cc", *translated]


def compile_kernel(root: Path) -> list[Path]:
    """Compile every level that is older than its sources; returns the libraries, relative to ``root``."""
    folder = root / KERNEL
    sources = sorted(folder.glob("*.c"))
    newest = max(p.stat().st_mtime_ns for p in [*sources, *folder.glob("*.h"), Path(__file__)])
    made = []
    for name, flags in LEVELS.get(platform.machine(), {platform.machine(): []}).items():
        target = folder / f"kernel_{name}.so"
        if not target.exists() or target.stat().st_mtime_ns < newest:
            part = target.with_suffix(f".{os.getpid()}.part")
            command = [*_command([*FLAGS, *flags]), "-o", str(part), *map(str, sources), "-lm"]
            subprocess.run(command, check=True)
            part.replace(target)
        made.append(target.relative_to(root))
    return made


class KernelHook(BuildHookInterface):  # type: ignore[type-arg, misc, unused-ignore]
    """Hatch calls this before it collects the files of a wheel."""

    PLUGIN_NAME = "custom"

    def dependencies(self) -> list[str]:
        """The compiler wheel, only where the machine has no compiler of its own."""
        return [] if own_compiler() else [COMPILER_WHEEL]

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Compile, and mark the wheel as made for this kind of machine."""
        if self.target_name != "wheel":
            return
        libraries = compile_kernel(Path(self.root))
        build_data["pure_python"] = False
        build_data["tag"] = f"py3-none-{sysconfig.get_platform().replace('-', '_').replace('.', '_')}"
        build_data["artifacts"].extend(f"/{p.as_posix()}" for p in libraries)


if __name__ == "__main__":
    for library in compile_kernel(Path(__file__).resolve().parents[4]):
        print(library)
