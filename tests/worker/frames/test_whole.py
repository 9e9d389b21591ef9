"""A file appears complete under its name, or not at all."""

from __future__ import annotations

from pathlib import Path

import pytest

from nearfar.frames.whole import remove_parts, whole_file


def test_the_name_appears_when_all_is_written(tmp_path: Path) -> None:
    target = tmp_path / "picture.tif"
    with whole_file(target) as temporary:
        temporary.write_bytes(b"all of it")
        assert temporary.parent == tmp_path
        assert not target.exists()
    assert target.read_bytes() == b"all of it"
    assert [path.name for path in tmp_path.iterdir()] == ["picture.tif"]


def test_an_error_leaves_the_old_file_and_nothing_else(tmp_path: Path) -> None:
    target = tmp_path / "picture.tif"
    target.write_bytes(b"old")

    def spoil() -> None:
        with whole_file(target) as temporary:
            temporary.write_bytes(b"half")
            raise RuntimeError("stopped")

    with pytest.raises(RuntimeError, match="stopped"):
        spoil()
    assert target.read_bytes() == b"old"
    assert [path.name for path in tmp_path.iterdir()] == ["picture.tif"]


def test_the_temporary_name_is_hidden_short_and_marked_as_partial(tmp_path: Path) -> None:
    with whole_file(tmp_path / ("x" * 250 + ".tif")) as temporary:
        assert temporary.name.startswith(".")
        assert temporary.suffix == ".part"
        assert len(temporary.name) < 40
        temporary.touch()


def test_data_reach_the_disk_before_the_name_and_the_folder_after(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The order that POSIX needs: fsync(2) of the file, rename(2), fsync(2) of the folder."""
    steps: list[str] = []
    rename = Path.replace

    def renamed(self: Path, target: Path) -> Path:
        steps.append("rename")
        return rename(self, target)

    monkeypatch.setattr("nearfar.frames.whole.os.fsync", lambda _: steps.append("sync"))
    monkeypatch.setattr(Path, "replace", renamed)
    with whole_file(tmp_path / "a.tif") as temporary:
        temporary.touch()
    assert steps == ["sync", "rename", "sync"]
    del steps[:]
    with whole_file(tmp_path / "b.tif", durable=False) as temporary:
        temporary.touch()
    assert steps == ["rename"], "whoever asks for that syncs them all"


def test_parts_of_the_dead_are_removed_and_those_of_the_living_are_not(tmp_path: Path) -> None:
    target, other = tmp_path / "picture.tif", tmp_path / "other.tif"
    with whole_file(target) as living, whole_file(other) as others:
        dead = living.with_name(living.name.replace(".part", "0.part"))
        dead.write_bytes(b"left by a killed run")
        remove_parts(target)
        assert not dead.exists()
        assert living.exists()
        assert others.exists()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["other.tif", "picture.tif"]
