"""What is said of a stack before it is sent, and by what the server knows it again."""

from __future__ import annotations

import argparse
import hashlib
from pathlib import Path
from typing import Any

import pytest

from nearfar.cli.client.send import idempotency_key, read_all, recipe_of, stack_name, wishes
from nearfar.errors import RecipeRefused
from nearfar.progress import Progress


def options(**given: Any) -> argparse.Namespace:
    plain = {"stack": None, "recipe": None, "owner": None, "priority": None, "hold": False, "again": False}
    return argparse.Namespace(**(plain | {"frames": [Path("/card/moss")]} | given))


def test_only_what_was_said_is_sent() -> None:
    assert wishes(options(stack="moss")) == {"stack": "moss"}
    said = wishes(options(stack="moss", recipe="macro", owner="lena", priority=0, hold=True, again=True))
    assert said == {
        "stack": "moss",
        "recipe": "macro",
        "owner": "lena",
        "priority": 0,
        "hold": True,
        "duplicates": "again",
    }


def test_a_stack_is_called_after_its_folder(tmp_path: Path) -> None:
    frame = tmp_path / "moss" / "F0001.tif"
    frame.parent.mkdir()
    frame.touch()
    assert stack_name([frame.parent]) == stack_name([frame]) == "moss"


def test_a_recipe_of_this_machine_travels_as_text(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text("[render]\n")
    assert recipe_of("macro") == ("macro", None)
    assert recipe_of(str(file)) == ("mine", {"recipe_toml": "[render]\n"})
    with pytest.raises(RecipeRefused, match="No such file"):
        recipe_of(str(tmp_path / "gone.toml"))


def test_frames_are_announced_with_their_digests_as_rfc_9530_writes_them(tmp_path: Path) -> None:
    """The text and its value are those of RFC 9530, appendix B.1 (from memory)."""
    file = tmp_path / "F0001.tif"
    file.write_bytes(b'{"hello": "world"}\n')
    (frame,) = read_all([file], Progress(quiet=True))
    assert frame.announced() == {
        "name": "F0001.tif",
        "size": 19,
        "digest": "sha-256=:RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg=:",
    }
    assert frame.digest == hashlib.sha256(file.read_bytes()).digest()


def test_the_same_set_has_the_same_key_and_any_other_another() -> None:
    body, frames = {"stack": "moss"}, [{"name": "a", "size": 1, "digest": "x"}]
    key = idempotency_key(body, frames, 0)
    assert key == idempotency_key(dict(body), [dict(frames[0])], 0)
    others = {
        idempotency_key(body | {"recipe": "macro"}, frames, 0),
        idempotency_key(body, [frames[0] | {"digest": "y"}], 0),
        idempotency_key(body, frames, 1),
    }
    assert len(others | {key}) == 4
