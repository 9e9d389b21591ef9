"""What a folder itself says about its stacks."""

from __future__ import annotations

from pathlib import Path

import pytest

from nearfar.intake.place import Watched
from nearfar.intake.wishes import Wishes
from tests.worker.intake.watched import Watching, lay_frames


def test_the_nearest_folder_that_says_something_wins(tmp_path: Path) -> None:
    root = str(tmp_path / "inbox")
    watching = Watching(
        tmp_path, watched=[Watched(path=root, wishes=Wishes(owner="studio", recipe="landscape"))]
    )
    deep = watching.root / "anna" / "beetle"
    lay_frames(deep, "1.tif")
    (watching.root / "anna" / "nearfar.toml").write_text('owner = "anna"\nrecipe = "macro"\npriority = 3\n')
    (deep / "nearfar.toml").write_text('recipe = "flicker"\nreference = "1.tif"\n')
    found = watching.settle()["anna/beetle"]
    assert found.arrival is not None
    assert found.arrival.wishes == Wishes(owner="anna", recipe="flicker", priority=3, reference="1.tif")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("recipe = ", "not readable as TOML"),
        ('colour = "red"', "colour is not a setting"),
        ('priority = "high"', "a whole number"),
        ("priority = 12", "-9 to 9"),
        ("priority = true", "a whole number"),
        ('recipe = "../evil.toml"', "the name of a recipe"),
        ('owner = " "', "1 to 200 characters"),
    ],
)
def test_a_wish_that_cannot_be_is_the_reason_to_wait(watching: Watching, text: str, told: str) -> None:
    lay_frames(watching.root / "a", "1.tif")
    (watching.root / "a" / "nearfar.toml").write_text(text)
    entry = watching.settle()["a"].entry
    assert entry.state == "waiting"
    assert told in entry.why
    (watching.root / "a" / "nearfar.toml").unlink()
    assert watching.settle()["a"].arrival is not None
