"""Imports run one way: api -> runner -> {intake, jobs, merge} -> frames -> {settings, errors, optics}.

Read from the source by `ast`, so that an import inside a function or under a condition counts as well.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ALLOWED: dict[str, set[str]] = {
    # What each part may import from, besides itself.
    "api": {"runner", "intake", "jobs", "merge", "bracket", "frames", "base"},
    "command": {"api", "runner", "intake", "jobs", "merge", "bracket", "frames", "base"},
    "runner": {"intake", "jobs", "merge", "bracket", "frames", "base"},
    "intake": {"frames", "base"},
    "jobs": {"base"},  # the store knows no pixels
    "merge": {"frames", "base"},
    "bracket": {"base"},  # a plan reads no picture
    "frames": {"base"},
    "base": set(),
}
BASE = {
    *(
        "durable",
        "errors",
        "longest_run",
        "object_tables",
        "optics",
        "places",
        "progress",
        "server_settings",
        "server_tables",
        "settings",
    ),
    "table_types",
}
IMPURE = {"celery", "fastapi", "kombu", "sqlalchemy", "starlette", "uvicorn"}
"""What the engine must never know: queue, store and server."""


def part_of(module: str) -> str:
    """The part of the house that a module belongs to."""
    names = module.split(".")
    if names[0] == "nearfar_api":
        return "api"
    if names[0] != "nearfar":
        raise ValueError(f"{module} is not ours")
    top = names[1] if len(names) > 1 else ""
    if top in BASE or not top:
        return "base"
    return "command" if top == "cli" else top


def ours(name: str) -> bool:
    return name.split(".", maxsplit=1)[0] in {"nearfar", "nearfar_api"}


def imports(tree: ast.AST, modules: set[str]) -> Iterator[tuple[int, str]]:
    """Line and full name of every import; ``from nearfar import optics`` counts as ``nearfar.optics``."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"line {node.lineno}: relative import"
            for alias in node.names:
                full = f"{node.module}.{alias.name}"
                yield node.lineno, full if full in modules else str(node.module)


def modules_below(checkout: Path) -> dict[str, Path]:
    found = {}
    for root in (checkout / "worker", checkout / "api"):
        for path in root.rglob("*.py"):
            parts = path.relative_to(root).with_suffix("").parts
            found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def breaches(sources: dict[str, str]) -> list[str]:
    """Imports that run the wrong way, in ``sources``: text by module name."""
    found = []
    for module, text in sorted(sources.items()):
        own = part_of(module)
        for line, name in imports(ast.parse(text), set(sources)):
            if own == "merge" and name.split(".")[0] in IMPURE:
                found.append(f"{module}:{line} imports {name}: the engine is pure")
            if ours(name) and part_of(name) not in ALLOWED.get(own, set()) | {own}:
                found.append(f"{module}:{line} imports {name}: {own} may not know {part_of(name)}")
    return found


def test_no_import_runs_the_wrong_way(checkout: Path) -> None:
    modules = modules_below(checkout)
    assert {"nearfar.merge.recipe", "nearfar.errors", "nearfar_api"} <= set(modules)
    assert {part_of(m) for m in modules} <= set(ALLOWED)
    assert breaches({name: path.read_text(encoding="utf-8") for name, path in modules.items()}) == []


@pytest.mark.parametrize(
    ("module", "text"),
    [
        ("nearfar.merge.plan", "from nearfar.jobs import store"),
        ("nearfar.merge.plan", "from nearfar import jobs"),
        ("nearfar.merge.plan", "def late():\n    import nearfar.runner.tasks"),
        ("nearfar.merge.plan", "import sqlalchemy.orm"),
        ("nearfar.jobs.store", "from nearfar.merge.recipe import Recipe"),
        ("nearfar.frames.decode", "from nearfar.merge import keys"),
        ("nearfar.errors", "import nearfar.frames"),
        ("nearfar.intake.card.exposures", "import nearfar_api"),
    ],
)
def test_an_import_that_runs_the_wrong_way_is_found(module: str, text: str) -> None:
    sources = {module: text, "nearfar.jobs": "", "nearfar.jobs.store": "", "nearfar.merge.keys": ""} | {
        module: text
    }
    assert [entry.split(":")[0] for entry in breaches(sources)] == [module]


@pytest.mark.parametrize(
    ("module", "text"),
    [
        ("nearfar.merge.plan", "from nearfar.frames.decode import decode"),
        ("nearfar.merge.plan", "from nearfar.merge import keys"),
        ("nearfar.runner.tasks", "from nearfar.jobs import store\nfrom nearfar.merge import plan"),
        ("nearfar_api.app", "from nearfar.runner import tasks"),
        ("nearfar.frames.decode", "from nearfar import optics\nimport numpy as np"),
    ],
)
def test_an_import_that_runs_the_right_way_is_let_through(module: str, text: str) -> None:
    names = [
        "nearfar.optics",
        "nearfar.merge.keys",
        "nearfar.merge.plan",
        "nearfar.jobs.store",
        "nearfar.runner.tasks",
    ]
    assert breaches(dict.fromkeys(names, "") | {module: text}) == []
