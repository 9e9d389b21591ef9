"""What the README promises is what the command has: options, exit codes, recipes, names of side files."""

from __future__ import annotations

import argparse
import re
from pathlib import Path

import pytest

from nearfar import errors
from nearfar.cli import command
from nearfar.merge import recipe
from nearfar.merge.deliver.outputs import Outputs
from tests.acceptance.command import anew


@pytest.fixture
def readme(checkout: Path) -> str:
    return (checkout / "README.md").read_text(encoding="utf-8")


def _table(text: str, head: str) -> list[str]:
    """First cells of the table whose head line begins so."""
    rows = text.split(f"| {head}", 1)[1].splitlines()[2:]
    cells = []
    for row in rows:
        if not row.startswith("|"):
            break
        cells.append(re.split(r"(?<!\\)\|", row)[1].strip())
    return cells


def _options() -> dict[str, argparse.Action]:
    (commands,) = (a for a in command.parser()._actions if isinstance(a, argparse._SubParsersAction))
    merge: argparse.ArgumentParser = commands.choices["merge"]
    return {a.option_strings[-1]: a for a in merge._actions if a.option_strings and a.dest != "help"}


def test_every_option_is_in_the_readme_and_the_other_way_round(readme: str) -> None:
    told = [cell.strip("`").split()[0] for cell in _table(readme, "option |")]
    assert sorted(told) == sorted(_options())


def test_every_command_is_in_the_readme(readme: str) -> None:
    (commands,) = (a for a in command.parser()._actions if isinstance(a, argparse._SubParsersAction))
    named = set(re.findall(r"nearfar (\w+)", readme)) | set(re.findall(r"`(\w+)`", readme))
    assert set(commands.choices) <= named


def test_every_option_says_what_it_does() -> None:
    assert all(action.help for action in _options().values())


def test_every_exit_code_is_in_the_readme_and_the_other_way_round(readme: str) -> None:
    told = {int(cell) for cell in _table(readme, "exit code |")}
    kinds = [v for v in vars(errors).values() if isinstance(v, type) and issubclass(v, errors.NearfarError)]
    assert told == {0, *(kind.exit_code for kind in kinds)}


def test_every_recipe_is_in_the_readme_and_the_other_way_round(readme: str) -> None:
    told = [cell.strip("`") for cell in _table(readme, "name | for")]
    assert sorted(told) == recipe.names()


def test_every_side_file_is_in_the_readme(readme: str) -> None:
    outputs = Outputs.beside(Path("PICTURE.tif"))
    for path in (outputs.picture, *outputs.side_files()):
        assert f"`{path.name}`" in readme


def test_help_names_the_recipes() -> None:
    said = anew("merge", "--help", env={"COLUMNS": "80"}).out
    for name in recipe.names():
        assert name in said
