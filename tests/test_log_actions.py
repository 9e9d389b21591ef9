"""Every line of the log has an action, a stable name by which programs find it: ``subject.what-happened``.

Read from the source by `ast`, so that a call that no test reaches counts as well.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

LEVELS = {"debug", "info", "warning", "error", "exception", "critical", "log"}
ACTION = re.compile(r"[a-z]+\.[a-z]+(-[a-z]+)*")


def log_calls(tree: ast.AST) -> Iterator[ast.Call]:
    for node in ast.walk(tree):
        match node:
            case ast.Call(func=ast.Attribute(attr=level, value=ast.Name(id="log" | "logger" | "logging"))):
                if level in LEVELS:
                    yield node


def assigned(tree: ast.AST, name: str, before: int) -> ast.expr:
    """What ``name`` stands for on line ``before``: the assignment nearest above it."""
    found = [
        (node.lineno, node.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Assign | ast.AnnAssign) and node.value is not None and node.lineno < before
        for target in (node.targets if isinstance(node, ast.Assign) else [node.target])
        if isinstance(target, ast.Name) and target.id == name
    ]
    return max(found, key=lambda pair: pair[0])[1]


def action_in(extra: ast.expr, tree: ast.AST) -> str | None:
    """The action that an ``extra`` gives: the key of a dict, or the argument of the function that makes one."""
    if isinstance(extra, ast.Name):
        return action_in(assigned(tree, extra.id, extra.lineno), tree)
    if isinstance(extra, ast.Call):
        return next((text for arg in extra.args if (text := text_of(arg)) is not None), None)
    if not isinstance(extra, ast.Dict):
        return None
    for key, value in zip(extra.keys, extra.values, strict=True):
        if key is None:
            if isinstance(value, ast.Call) and (inner := action_in(value, tree)) is not None:
                return inner
        elif text_of(key) == "action":
            return text_of(value)
    return None


def text_of(node: ast.expr) -> str | None:
    """A text in the source; what an f-string fills in counts as 'x'."""
    if isinstance(node, ast.JoinedStr):
        return "".join(text_of(part) or "x" for part in node.values)
    return node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else None


def without_action(source: str) -> list[str]:
    """Lines of a module's log calls without an action of the right form, with what they have in its place."""
    tree = ast.parse(source)
    wrong = []
    for call in log_calls(tree):
        extra = next((word.value for word in call.keywords if word.arg == "extra"), None)
        action = None if extra is None else action_in(extra, tree)
        if action is None or ACTION.fullmatch(action) is None:
            wrong.append(f"line {call.lineno}: {action}")
    return wrong


def modules() -> list[Path]:
    checkout = Path(__file__).parents[1]
    found = sorted(path for part in ("worker", "api") for path in (checkout / part).rglob("*.py"))
    return [path for path in found if any(log_calls(ast.parse(path.read_text("utf-8"))))]


def test_every_log_call_has_an_action() -> None:
    found = modules()

    assert len(found) > 20  # the search finds them
    wrong = {path.name: lines for path in found if (lines := without_action(path.read_text("utf-8")))}
    assert wrong == {}


@pytest.mark.parametrize(
    "call",
    [
        'log.info("done")',
        'log.info("done", extra={"job": 3})',
        'log.info("done", extra={"job": 3, "action": "not moved"})',
        'log.info("done", extra={"action": "done"})',
        'log.info("done", extra={"action": "unit.set_aside"})',
        'log.info("done", extra=about(claim))',
    ],
)
def test_a_call_without_one_is_found(call: str) -> None:
    assert len(without_action(call)) == 1


@pytest.mark.parametrize(
    "call",
    [
        'log.info("done", extra={"action": "unit.done", **claim.log_context()})',
        'log.info("done", extra=about(claim, "unit.done"))',
        'log.info("done", extra={**claim.log_context(), **told("unit.set-aside")})',
        'about = {"action": f"objects.{kind}"}\nlog.info("done", extra=about)',
    ],
)
def test_a_call_with_one_passes(call: str) -> None:
    assert without_action(call) == []
