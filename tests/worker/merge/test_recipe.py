"""Recipes: what is built in, what is refused and how the refusal reads."""

from __future__ import annotations

import dataclasses
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest

from nearfar.errors import RecipeRefused
from nearfar.merge import recipe
from nearfar.merge.recipe import FocusRecipe, Recipe, RegisterRecipe, RenderRecipe, load, parse

BUILT_IN = ["flicker", "landscape", "macro", "microscope", "standard"]


@pytest.fixture
def recipe_toml(tmp_path: Path) -> Callable[..., Path]:
    def write(text: str, name: str = "moss.toml") -> Path:
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return write


def test_the_built_in_recipes_are_found_by_name() -> None:
    assert recipe.names() == BUILT_IN
    for name in BUILT_IN:
        loaded = load(name)
        assert loaded.name == name
        assert loaded.title


def test_the_standard_recipe_is_the_default_and_states_every_default(checkout: Path) -> None:
    standard = load()
    assert standard == dataclasses.replace(Recipe(), title=standard.title)
    table = tomllib.loads((checkout / "config" / "recipes" / "standard.toml").read_text(encoding="utf-8"))
    for section, kind in recipe.SECTIONS.items():
        expected = {f.name: f.default for f in dataclasses.fields(kind)}  # type: ignore[arg-type]
        assert table[section] == {name: value for name, value in expected.items() if value is not None}


def test_a_recipe_comes_from_a_file_and_takes_its_name(recipe_toml: Callable[..., Path]) -> None:
    path = recipe_toml("[focus]\nadmit = 0.7\n[render]\nnoise = 0.01\ntile = 256")
    for loaded in (load(path), load(str(path))):
        assert loaded.name == "moss"
        assert loaded.focus == FocusRecipe(admit=0.7)
        assert loaded.render == RenderRecipe(noise=0.01, tile=256)
        assert loaded.register == RegisterRecipe()


def test_a_whole_number_stands_for_a_number_with_a_fraction() -> None:
    parsed = parse("[focus]\nadmit = 1", name="x")
    assert parsed.focus.admit == 1.0
    assert isinstance(parsed.focus.admit, float)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[focus]\nneighbors = 3", "focus.neighbors is not a setting .* did you mean focus.neighbours?"),
        ("[fokus]", "fokus is not a setting .* did you mean focus?"),
        (
            "[render]\nwobble = 1",
            "render.wobble is not a setting .* known are agreement, chooser, noise, tile",
        ),
        ("[focus]\nadmit = 2", "focus.admit is 2.0; expected a number from 0.05 to 1"),
        ("[focus]\nadmit = true", "focus.admit is true; expected a number"),
        ("[focus]\nadmit = nan", "focus.admit is nan; expected a number"),
        ("[render]\nagreement = inf", "render.agreement is inf; expected a number"),
        ("[focus]\nneighbours = 1.5", "focus.neighbours is 1.5; expected a whole number from 0 to 16"),
        ("[focus]\nneighbours = 17", "focus.neighbours is 17; expected a whole number from 0 to 16"),
        ("[render]\ntile = 100", "render.tile is 100; expected one of 64, 128, 256"),
        ("[register]\nrepeats = 'all'", "register.repeats is 'all'; expected one of 'average', 'keep-one'"),
        ("[register]\ngains = 1", "register.gains is 1; expected true or false"),
        (
            "[deliver]\npreview_edge = 10",
            "deliver.preview_edge is 10; expected a whole number from 64 to 16384",
        ),
        ("focus = 3", r"focus is 3; expected a table: \[focus\]"),
        ("title = 3", "title is 3; expected text"),
        ("[focus", "not readable as TOML"),
        ("[focus]\nadmit = 0.5\nadmit = 0.5", "not readable as TOML"),
    ],
)
def test_mistakes_are_refused_with_key_value_and_what_would_do(
    recipe_toml: Callable[..., Path], text: str, words: str
) -> None:
    path = recipe_toml(text)
    with pytest.raises(RecipeRefused, match=words) as refusal:
        load(path)
    assert str(path) in str(refusal.value)


def test_values_are_checked_however_a_recipe_is_made() -> None:
    with pytest.raises(RecipeRefused, match="focus.admit is -1"):
        FocusRecipe(admit=-1.0)
    with pytest.raises(RecipeRefused, match="render.tile is 3"):
        dataclasses.replace(RenderRecipe(), tile=3)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("makro", "did you mean macro?"),
        ("qqq", "there are flicker, landscape"),
        ("", "no recipe is called ''"),
    ],
)
def test_an_unknown_name_is_refused_with_the_known_ones(name: str, words: str) -> None:
    with pytest.raises(RecipeRefused, match=words):
        load(name)


def test_a_file_that_is_not_there_or_is_no_text_is_refused_with_its_path(
    tmp_path: Path, recipe_toml: Callable[..., Path]
) -> None:
    with pytest.raises(RecipeRefused, match="none.toml: No such file"):
        load(tmp_path / "none.toml")
    path = recipe_toml("")
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(RecipeRefused, match="moss.toml: it is not UTF-8 text"):
        load(path)


def test_the_digest_changes_with_every_setting_but_not_with_the_words() -> None:
    plain = Recipe()
    assert dataclasses.replace(plain, name="other", title="Another").digest() == plain.digest()
    changed: dict[str, dict[str, object]] = {
        "raw": {"balance": "camera", "curve": "linear"},
        "sensor": {"spots": False, "dark": "/masters/dark", "flat": "/masters/flat"},
        "register": {
            "same_scene": 0.5,
            "repeats": "keep-one",
            "other_light": "keep",
            "gains": False,
            "bend": False,
        },
        "coverage": {"when": "hold", "detail": 0.5, "stage_step_um": 5.0},
        "focus": {"admit": 0.4, "peak": 0.2, "order": "unknown", "neighbours": 1, "movement": False},
        "render": {"agreement": 0.5, "chooser": "careful", "noise": 0.01, "tile": 64},
        "deliver": {"preview_edge": 1024, "height": True, "pixel_um": 1.5},
    }
    digests = {plain.digest()}
    for section, kind in recipe.SECTIONS.items():
        values = changed[section]
        assert set(values) == {f.name for f in dataclasses.fields(kind)}  # type: ignore[arg-type]
        for name, value in values.items():
            part = dataclasses.replace(getattr(plain, section), **{name: value})
            digests.add(dataclasses.replace(plain, **{section: part}).digest())
    assert len(digests) == 1 + sum(len(values) for values in changed.values())
