"""The annotated settings file names every setting of the server with its default, and cannot fall behind."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel, ValidationError

from nearfar import settings
from nearfar.server_settings import TABLES, ServerSettings, unknown_variables

SETTING = re.compile(r"# ([a-z_]+ = .*)")
OWN = "Not set: "
"""How the comment of a setting begins whose default follows the machine or other settings."""


def shown(checkout: Path, table: str) -> dict[str, tuple[Any, str]]:
    """Value and comment of each setting of a table, by its name; a name may come twice, the last one counts."""
    text = (checkout / "config" / "nearfar.toml").read_text(encoding="utf-8")
    after = text.split(f"\n# [{table}]\n")[1].split("\n# ---")[0]
    found: dict[str, tuple[Any, str]] = {}
    for block in re.split(r"\n\n+", after.strip()):
        for line in block.splitlines():
            match = SETTING.fullmatch(line)
            if match is not None:
                found |= {name: (value, block) for name, value in tomllib.loads(match[1]).items()}
    return found


def model(table: str) -> type[BaseModel]:
    kind: Any = ServerSettings.model_fields[table].annotation
    assert issubclass(kind, BaseModel)
    return kind


@pytest.mark.parametrize("table", TABLES)
def test_a_merge_passes_over_all_tables_of_the_server(table: str, tmp_path: Path) -> None:
    file = tmp_path / "nearfar.toml"
    file.write_text(f'threads = 3\n[{table}]\nmoss = "slate"\n')
    assert settings.load(environment={}, file=file).threads == 3


@pytest.mark.parametrize("table", TABLES)
def test_every_setting_is_shown_and_no_other(table: str, checkout: Path) -> None:
    assert list(shown(checkout, table)) == list(model(table).model_fields)


@pytest.mark.parametrize("table", TABLES)
def test_every_default_is_the_one_of_the_program(table: str, checkout: Path) -> None:
    for name, (value, comment) in shown(checkout, table).items():
        field = model(table).model_fields[name]
        if field.default_factory is not None or field.default is None:
            assert OWN in comment, f"{table}.{name} follows the machine; its comment has to say how"
        else:
            assert OWN not in comment
            read = model(table).model_validate({name: value})
            assert getattr(read, name) == field.default, f"{table}.{name}"


@pytest.mark.parametrize("table", TABLES)
def test_every_line_reads_when_its_sign_is_taken_away(table: str, checkout: Path) -> None:
    values = {name: value for name, (value, _) in shown(checkout, table).items()}
    try:
        read = model(table).model_validate(values)
    except ValidationError as error:
        pytest.fail(str(error))
    assert read.model_fields_set == set(values)


def test_a_variable_of_the_environment_that_is_no_setting_is_named() -> None:
    good = dict.fromkeys(("NEARFAR_SERVER_PORT", "NEARFAR_URL", "NEARFAR_KERNEL", "NEARFAR_LISTEN_FD"), "1")
    assert unknown_variables(good) == []
    said = "NEARFAR_KEEP_VERSION in the environment is not a setting and does nothing"
    assert unknown_variables(good | {"NEARFAR_KEEP_VERSION": "2"}) == [
        f"{said}; did you mean NEARFAR_KEEP_VERSIONS?"
    ]


def test_the_example_of_a_watched_folder_reads(checkout: Path) -> None:
    text = (checkout / "config" / "nearfar.toml").read_text(encoding="utf-8")
    example = next(line[2:] for line in text.splitlines() if line.startswith("# folders = [{"))
    (folder,) = model("inbox").model_validate(tomllib.loads(example)).folders  # type: ignore[attr-defined]
    assert (folder.path, folder.recipe, folder.priority) == (Path("/mnt/share/cards"), "macro", 1)


def test_the_example_of_a_bucket_reads(checkout: Path) -> None:
    text = (checkout / "config" / "nearfar.toml").read_text(encoding="utf-8")
    example = next(line[2:] for line in text.splitlines() if line.startswith("# buckets = [{"))
    (bucket,) = model("objects").model_validate(tomllib.loads(example)).buckets  # type: ignore[attr-defined]
    assert (bucket.name, bucket.prefix, bucket.results) == ("shoots", "cards/", None)
