"""The kernel as it is built: which compiler, which levels, and that they all compute the same."""

from __future__ import annotations

import ctypes
import importlib.util
import json
import os
import platform
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from nearfar.errors import WorkFailed
from nearfar.merge.kernel import build_hook, loader

needs_carried_compiler = pytest.mark.skipif(
    importlib.util.find_spec("ziglang") is None,
    reason="needs the compiler in config/compiler.lock: .ci/run installs it",
)


SMALL = "#include <math.h>\nfloat nf_root(float x) { return sqrtf(x); }\n"


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """A source tree whose kernel has one function."""
    root = tmp_path / "tree"
    kernel = root / build_hook.KERNEL
    kernel.mkdir(parents=True)
    (kernel / "small.c").write_text(SMALL, encoding="ascii")
    return root


@pytest.fixture
def without_compiler(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """No C compiler on the path, none named."""
    empty = tmp_path / "empty"
    empty.mkdir()
    monkeypatch.setenv("PATH", str(empty))
    monkeypatch.delenv("CC", raising=False)
    build_hook.own_compiler.cache_clear()


@pytest.fixture(autouse=True)
def _forget_the_compiler() -> None:
    build_hook.own_compiler.cache_clear()


def digests(library: Path) -> dict[str, str]:
    """What every call of the kernel makes of seeded data, with this library."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.worker.merge.kernel.bits"],
        env={**os.environ, "NEARFAR_KERNEL": str(library)},
        cwd=Path(__file__).parents[4],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    found: dict[str, str] = json.loads(done.stdout)
    return found


def test_every_level_that_runs_here_makes_the_same_bits(checkout: Path) -> None:
    libraries = {p.stem.removeprefix("kernel_"): p for p in build_hook.compile_kernel(checkout)}
    assert list(libraries) == list(build_hook.levels())
    made = [digests(libraries[level]) for level in loader.suitable()]
    assert made[0]
    assert all(one == made[0] for one in made)


@needs_carried_compiler
@pytest.mark.slow
@pytest.mark.usefixtures("without_compiler")
def test_without_a_compiler_the_carried_one_makes_the_same_bits(
    checkout: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    best = loader.suitable()[0]
    flags = build_hook.levels()[best]
    monkeypatch.setattr(build_hook, "LEVELS", {platform.machine(): {best: flags}})
    (carried,) = build_hook.compile_kernel(checkout, into=tmp_path)
    assert digests(carried) == digests(checkout / build_hook.KERNEL / carried.name)


def test_every_level_is_made_and_loads(tree: Path) -> None:
    libraries = build_hook.compile_kernel(tree)
    assert [p.name for p in libraries] == [f"kernel_{name}.so" for name in build_hook.levels()]
    for library in libraries:
        if library.stem.removeprefix("kernel_") in loader.suitable():
            root = ctypes.CDLL(str(library)).nf_root
            root.restype, root.argtypes = ctypes.c_float, [ctypes.c_float]
            assert root(9.0) == 3.0


def test_what_is_up_to_date_is_not_made_again(tree: Path) -> None:
    first = [p.stat().st_mtime_ns for p in build_hook.compile_kernel(tree)]
    assert [p.stat().st_mtime_ns for p in build_hook.compile_kernel(tree)] == first
    source = next((tree / build_hook.KERNEL).glob("*.c"))
    later = max(first) + 1
    os.utime(source, ns=(later, later))
    again = [p.stat().st_mtime_ns for p in build_hook.compile_kernel(tree)]
    assert all(new > old for new, old in zip(again, first, strict=True))


@pytest.mark.usefixtures("without_compiler")
def test_the_compiler_wheel_is_asked_for_only_where_there_is_no_compiler(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    hook = object.__new__(build_hook.KernelHook)
    assert build_hook.COMPILER_WHEEL in hook.dependencies()
    monkeypatch.undo()
    build_hook.own_compiler.cache_clear()
    if build_hook.own_compiler() is not None:
        assert build_hook.COMPILER_WHEEL not in hook.dependencies()


@pytest.mark.usefixtures("without_compiler")
def test_a_compiler_that_makes_nothing_counts_as_none(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    broken = tmp_path / "cc"
    broken.write_text(f"#!{sys.executable}\nraise SystemExit(1)\n", encoding="utf-8")
    broken.chmod(0o755)
    monkeypatch.setenv("CC", str(broken))
    assert build_hook.own_compiler() is None


def test_sources_that_do_not_compile_leave_nothing_behind_and_say_why(tree: Path) -> None:
    kernel = tree / build_hook.KERNEL
    (kernel / "broken.c").write_text(
        "int nf_broken(void) { return nothing_of_this_name; }\n", encoding="ascii"
    )
    with pytest.raises(SystemExit) as refusal:
        build_hook.compile_kernel(tree)
    assert "nothing_of_this_name" in str(refusal.value)
    assert build_hook.COMPILER_WHEEL in str(refusal.value)
    assert not list(kernel.glob("*.so"))
    assert not list(kernel.glob("*.part"))


def test_the_loader_opens_what_this_processor_can_run_and_no_more() -> None:
    flags = loader.V4_FLAGS
    assert set(loader.suitable()) <= set(build_hook.levels())
    if loader.suitable()[0] == "x86_64_v4":
        assert flags <= loader._processor_flags()
    assert loader.library()._name.endswith(f"kernel_{loader.suitable()[0]}.so")


def test_a_build_that_is_missing_is_named_with_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NEARFAR_KERNEL", "abacus")
    loader.library.cache_clear()
    try:
        with pytest.raises(WorkFailed, match="abacus.*make setup"):
            loader.library()
    finally:
        loader.library.cache_clear()


@pytest.mark.parametrize("change", ["a source", "a library of before"])
def test_a_library_of_other_sources_is_refused(
    change: str, checkout: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "kernel"
    shutil.copytree(checkout / build_hook.KERNEL, folder)
    monkeypatch.setattr(loader, "FOLDER", folder)
    monkeypatch.delenv("NEARFAR_KERNEL", raising=False)
    best = folder / f"kernel_{loader.suitable()[0]}.so"
    open_it = loader.library.__wrapped__
    if change == "a source":
        assert open_it()._name == str(best)
        with (folder / "window.h").open("a", encoding="ascii") as header:
            header.write("/* one more member */\n")
    else:  # never opened before: a process keeps what it has opened by a path
        build_hook._compile(["cc", *build_hook.FLAGS], [folder / "warp.c"], best)
    with pytest.raises(WorkFailed, match=r"kernel_.*other C sources.*make kernel"):
        open_it()


@pytest.fixture(scope="session")
def wheel(checkout: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel as a person's pip would build it, from a copy of the tree."""
    folder = tmp_path_factory.mktemp("wheel")
    tree = folder / "tree"
    names = ["worker", "api", "config", "pyproject.toml", "README.md", "LICENSE"]
    for name in names:
        source = checkout / name
        if source.is_dir():
            shutil.copytree(source, tree / name, ignore=shutil.ignore_patterns("__pycache__", "*.part"))
        else:
            shutil.copy(source, tree / name)
    command = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-build-isolation", "--no-deps"]
    done = subprocess.run(
        [*command, "--wheel-dir", str(folder), str(tree)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return next(folder.glob("*.whl"))


def test_a_wheel_holds_libraries_recipes_and_what_pages_use_but_no_sources(
    wheel: Path, checkout: Path
) -> None:
    with zipfile.ZipFile(wheel) as archive:
        names = archive.namelist()
    for level in build_hook.levels():
        assert f"nearfar/merge/kernel/kernel_{level}.so" in names
    for recipe in (checkout / "config" / "recipes").glob("*.toml"):
        assert f"nearfar/recipes/{recipe.name}" in names
    for vendored in build_hook.pages_hook(checkout).manifest(checkout):
        assert f"nearfar_api/web/vendor/{vendored}" in names
    assert not [name for name in names if name.endswith((".c", ".h", "build_hook.py", "package.json"))]
    assert "none-any" not in wheel.name


def test_an_unpacked_wheel_runs_on_its_own(wheel: Path, tmp_path: Path) -> None:
    site = tmp_path / "site"
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(site)
    code = (
        "import nearfar, nearfar_api\n"
        "from nearfar.merge import recipe\n"
        "from nearfar.merge.kernel import loader\n"
        "print(nearfar.__file__, recipe.folder(), loader.library()._name, *recipe.names(), sep='\\n')\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, "PYTHONPATH": str(site)},
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    )
    package, recipes, library, *names = done.stdout.splitlines()
    assert all(Path(p).is_relative_to(site) for p in (package, recipes, library))
    assert "standard" in names
