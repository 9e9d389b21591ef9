"""Recipes: named sets of merge settings, read from TOML files that a person writes.

A recipe is checked in full before any work starts: a misspelt key or a value out of range is never ignored but refused,
with its name, what was found and what is allowed. Built-in recipes lie in config/recipes/ and are part of the package.
"""

from __future__ import annotations

import difflib
import math
import tomllib
import types
import typing
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any, Self

from nearfar.errors import RecipeRefused
from nearfar.merge.keys import key

DEFAULT = "standard"
"""Name of the recipe that is used when none is asked for."""

VERSION = 1
"""Raised when the same settings come to mean something else."""


@dataclass(frozen=True, kw_only=True)
class Bounds:
    """What a setting may hold: a closed range for numbers, or a list of choices, or both."""

    low: float | None = None
    high: float | None = None
    choices: tuple[object, ...] = ()
    numbers: int = 0
    """A list of this many numbers within the range may take the place of a choice; 0: it may not."""

    def hold(self, value: Any) -> bool:
        """Whether ``value`` is allowed."""
        if isinstance(value, tuple):
            within = Bounds(low=self.low, high=self.high)
            return len(value) == self.numbers and all(type(v) is float and within.hold(v) for v in value)
        if self.choices:
            return value in self.choices
        return self.low is None or self.high is None or self.low <= value <= self.high


def _setting(
    default: Any,
    *,
    low: float | None = None,
    high: float | None = None,
    choices: tuple[object, ...] = (),
    numbers: int = 0,
) -> Any:
    bounds = Bounds(low=low, high=high, choices=choices, numbers=numbers)
    return field(default=default, metadata={"bounds": bounds})


def _settings(section: type[Any]) -> list[tuple[str, tuple[type, ...], Bounds]]:
    """Name, accepted types and bounds of each setting of a section."""
    hints = typing.get_type_hints(section)
    return [(f.name, _kinds(hints[f.name]), f.metadata["bounds"]) for f in fields(section)]


def _kinds(hint: Any) -> tuple[type, ...]:
    if not isinstance(hint, types.UnionType):
        return (hint,)
    return tuple(typing.get_origin(kind) or kind for kind in typing.get_args(hint))


def _shown(value: object) -> str:
    return {True: "true", False: "false"}[value] if isinstance(value, bool) else repr(value)


def _expected(kinds: tuple[type, ...], bounds: Bounds) -> str:
    words = {bool: "true or false", str: "text", int: "a whole number", float: "a number"}
    if bounds.choices:
        text = "one of " + ", ".join(_shown(c) for c in bounds.choices)
        if not bounds.numbers:
            return text
        return f"{text}, or a list of {bounds.numbers} numbers from {bounds.low:g} to {bounds.high:g}"
    text = words[kinds[0]]
    return text if bounds.low is None else f"{text} from {bounds.low:g} to {bounds.high:g}"


def _checked(where: str, value: Any, kinds: tuple[type, ...], bounds: Bounds) -> Any:
    """``value`` in its declared type. Raises `RecipeRefused`, which names the key, the value and what is allowed."""
    if value is None and type(None) in kinds:
        return None
    if float in kinds and isinstance(value, int) and not isinstance(value, bool):
        value = float(value)
    if bounds.numbers and isinstance(value, list | tuple):
        value = tuple(float(v) if isinstance(v, int) and not isinstance(v, bool) else v for v in value)
    fits = type(value) in kinds and not (isinstance(value, float) and not math.isfinite(value))
    if not fits or not bounds.hold(value):
        raise RecipeRefused(f"{where} is {_shown(value)}; expected {_expected(kinds, bounds)}")
    return value


def _refuse_unknown(table: Mapping[str, object], known: list[str], prefix: str = "") -> None:
    for name in table:
        if name not in known:
            near = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
            hint = f"did you mean {prefix}{near[0]}?" if near else f"known are {', '.join(known)}"
            raise RecipeRefused(f"{prefix}{name} is not a setting of a recipe; {hint}")


class _Section:
    """A table of a recipe. Values are checked in every way of making one."""

    SECTION: typing.ClassVar[str]

    def __post_init__(self) -> None:
        for name, kinds, bounds in _settings(type(self)):
            value = _checked(f"{self.SECTION}.{name}", getattr(self, name), kinds, bounds)
            object.__setattr__(self, name, value)

    @classmethod
    def from_table(cls, table: Mapping[str, object]) -> Self:
        """Read a TOML table. Missing keys keep their defaults, unknown ones are refused. Raises `RecipeRefused`."""
        _refuse_unknown(table, [name for name, *_ in _settings(cls)], f"{cls.SECTION}.")
        return cls(**table)


@dataclass(frozen=True, kw_only=True)
class RegisterRecipe(_Section):
    """How frames are lined up."""

    SECTION: typing.ClassVar[str] = "register"

    same_scene: float = _setting(0.6, low=0.0, high=1.0)
    """Correlation that a frame must reach with its neighbours to count as the same scene."""
    repeats: str = _setting("average", choices=("average", "keep-one"))
    """What happens to two frames with the same focus: both are used, or the later one is left out."""
    other_light: str = _setting("leave-out", choices=("leave-out", "keep"))
    """What happens to a frame that lines up with its neighbours but has other light in a large part, as behind a hand or
    without its flash."""
    gains: bool = _setting(True)
    """Whether differences in brightness between frames are measured and evened out."""
    bend: bool = _setting(True)
    """Whether frames are bent smoothly if shift, scale and roll do not line them up."""


@dataclass(frozen=True, kw_only=True)
class RawRecipe(_Section):
    """How camera raw frames are developed: all alike."""

    SECTION: typing.ClassVar[str] = "raw"

    balance: str | tuple[float, float, float] = _setting(
        "first", choices=("first", "camera"), numbers=3, low=0.05, high=20.0
    )
    """White balance: the first frame's for all of them, each file's own, or factors of red, green and blue."""
    curve: str = _setting("gamma", choices=("gamma", "linear"))
    """How samples are encoded: by the curve of sRGB, or in linear light."""


@dataclass(frozen=True, kw_only=True)
class SensorRecipe(_Section):
    """What the sensor adds to the scene: hot pixels, dust, dark current, uneven response."""

    SECTION: typing.ClassVar[str] = "sensor"

    spots: bool = _setting(True)
    """Whether hot and dead pixels and dust are searched for and taken from other frames or filled."""
    dark: str | None = _setting(None)
    """File or folder of frames taken with the cap on: subtracted from every frame."""
    flat: str | None = _setting(None)
    """File or folder of frames of an even surface: every frame is divided by them."""


@dataclass(frozen=True, kw_only=True)
class CoverageRecipe(_Section):
    """What happens to a stack that leaves a slice of depth out."""

    SECTION: typing.ClassVar[str] = "coverage"

    when: str = _setting("warn", choices=("warn", "hold"))
    """Merge and warn, or hold the stack until a person has looked."""
    detail: float = _setting(0.75, low=0.05, high=0.99)
    """Share of the finest detail that must be left midway between two frames."""
    stage_step_um: float | None = _setting(None, low=0.001, high=1_000_000.0)
    """How far rail or stage moved from frame to frame, micrometres; to say where a frame is missing, and for heights."""


@dataclass(frozen=True, kw_only=True)
class FocusRecipe(_Section):
    """How the frames for each place are chosen."""

    SECTION: typing.ClassVar[str] = "focus"

    admit: float = _setting(0.5, low=0.05, high=1.0)
    """Sharpness, as a share of the sharpest frame's, from which a frame is considered for a place."""
    peak: float = _setting(0.25, low=0.01, high=1.0)
    """The same for a frame that is sharper than both its neighbours there: something thin may lie in it."""
    order: str = _setting("camera", choices=("camera", "near-first", "far-first", "unknown"))
    """Which end of the stack was focused nearest: where two things are each sharp in a frame, the nearer one is kept.
    ``camera``: by the distances in the camera data, or near first if there are none."""
    neighbours: int = _setting(2, low=0, high=16)
    """Frames before and after the sharpest one that are always considered."""
    movement: bool = _setting(True)
    """Whether what moves between frames is taken whole from a single frame."""


@dataclass(frozen=True, kw_only=True)
class RenderRecipe(_Section):
    """How the pixels of the result are made."""

    SECTION: typing.ClassVar[str] = "render"

    agreement: float = _setting(0.4, low=0.01, high=100.0)
    """How far frames may differ and still be averaged, as a multiple of the noise's variance."""
    chooser: str = _setting("learned", choices=("rule", "learned", "careful"))
    """Who picks the frames of a place: the rule alone, or a small trained net where frames differ, with ``careful`` where
    they differ at all; the net takes longer."""
    noise: float | None = _setting(None, low=0.0, high=0.25)
    """Noise of one frame, standard deviation with white at 1; measured if not given."""
    tile: int = _setting(256, choices=(64, 128, 256))
    """Edge of the kernel's tiles, pixels. Changes speed and memory, but no pixel."""


@dataclass(frozen=True, kw_only=True)
class DeliverRecipe(_Section):
    """What files are delivered, and how."""

    SECTION: typing.ClassVar[str] = "deliver"

    preview_edge: int = _setting(2048, low=64, high=16384)
    """Longer edge of the preview, pixels."""
    height: bool = _setting(False)
    """Whether a height map is delivered, with a shaded relief to look at."""
    pixel_um: float | None = _setting(None, low=0.0001, high=1_000_000.0)
    """Size in the scene of a pixel of the picture, micrometres; the height map's resolution tags state it."""


@dataclass(frozen=True, kw_only=True)
class Recipe:
    """A named set of merge settings."""

    name: str = DEFAULT
    title: str = ""
    raw: RawRecipe = field(default_factory=RawRecipe)
    sensor: SensorRecipe = field(default_factory=SensorRecipe)
    register: RegisterRecipe = field(default_factory=RegisterRecipe)
    coverage: CoverageRecipe = field(default_factory=CoverageRecipe)
    focus: FocusRecipe = field(default_factory=FocusRecipe)
    render: RenderRecipe = field(default_factory=RenderRecipe)
    deliver: DeliverRecipe = field(default_factory=DeliverRecipe)

    def digest(self) -> str:
        """32 hexadecimal digits that depend on every setting, but not on name and title."""
        return key("recipe", VERSION, {name: getattr(self, name) for name in SECTIONS}, [])


SECTIONS: dict[str, type[_Section]] = {
    s.SECTION: s
    for s in (
        RawRecipe,
        SensorRecipe,
        RegisterRecipe,
        CoverageRecipe,
        FocusRecipe,
        RenderRecipe,
        DeliverRecipe,
    )
}


def parse(text: str, *, name: str, beside: Path | None = None) -> Recipe:
    """Read a recipe from TOML text.

    Parameters
    ----------
    name
        The recipe's name, unless the text gives one.
    beside
        The folder that relative paths in it start from; None: only absolute paths are allowed.

    Raises
    ------
    RecipeRefused
        The text is not TOML, a key is unknown (the message suggests the nearest known one), or a value has the wrong type
        or lies out of range.
    """
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RecipeRefused(f"not readable as TOML: {error}") from error
    _refuse_unknown(table, ["name", "title", *SECTIONS])
    values: dict[str, Any] = {"name": name}
    values |= {k: _checked(k, table[k], (str,), Bounds()) for k in ("name", "title") if k in table}
    for section, kind in SECTIONS.items():
        part = table.get(section, {})
        if not isinstance(part, dict):
            raise RecipeRefused(
                f"{section} is {_shown(part)}; expected a table: [{section}] on a line of its own"
            )
        values[section] = kind.from_table(part)
    values["sensor"] = _placed(values["sensor"], beside)
    return Recipe(**values)


def _placed(sensor: SensorRecipe, beside: Path | None) -> SensorRecipe:
    """The same with absolute paths. Raises `RecipeRefused` if one is relative and there is no folder to start from."""

    def whole(name: str, value: str | None) -> str | None:
        if value is None or Path(value).is_absolute():
            return value
        if not value or beside is None:
            raise RecipeRefused(f"sensor.{name} is {value!r}; expected the whole path, from / on")
        return str(beside.absolute() / value)

    return replace(sensor, dark=whole("dark", sensor.dark), flat=whole("flat", sensor.flat))


def folder() -> Path:
    """The folder of the built-in recipes: inside the installed package, or config/recipes of a checkout."""
    package = Path(__file__).resolve().parents[1]
    installed = package / "recipes"
    return installed if installed.is_dir() else package.parents[1] / "config" / "recipes"


def names() -> list[str]:
    """Names of the built-in recipes, sorted."""
    return sorted(path.stem for path in folder().glob("*.toml"))


def load(name_or_path: str | Path = DEFAULT) -> Recipe:
    """Load a built-in recipe by its name, or one from a file.

    Text that contains a path separator or ends in ``.toml`` is a file; everything else is a name.

    Raises
    ------
    RecipeRefused
        There is no such recipe, or it cannot be read; the message names the file.
    """
    wanted = str(name_or_path)
    is_file = isinstance(name_or_path, Path) or "/" in wanted or wanted.endswith(".toml")
    path = Path(wanted) if is_file else folder() / f"{wanted}.toml"
    if not is_file and wanted not in names():
        near = difflib.get_close_matches(wanted, names(), n=1, cutoff=0.5)
        hint = f"did you mean {near[0]}?" if near else f"there are {', '.join(names())}"
        raise RecipeRefused(f"no recipe is called {wanted!r}; {hint} (the name of a file ends in .toml)")
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        raise RecipeRefused(f"recipe {path}: {reason}; give the path of a readable TOML file") from error
    try:
        return parse(text, name=path.stem, beside=path.parent)
    except RecipeRefused as error:
        raise RecipeRefused(f"recipe {path}: {error}") from error
