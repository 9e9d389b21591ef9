"""Removing goes no further than the folder that is given."""

from __future__ import annotations

from pathlib import Path

from nearfar.runner.results.remove import remove_file, remove_folder


def test_only_what_lies_directly_in_a_folder_can_be_removed(tmp_path: Path) -> None:
    folder = tmp_path / "a" / "b"
    folder.mkdir(parents=True)
    (folder / "a.rows").write_text("rows")
    for path, within in [
        (folder, tmp_path),
        (tmp_path / "a" / "..", tmp_path / "a"),
        (folder / "a.rows", folder),
    ]:
        assert not remove_folder(path, within=within)
    assert not remove_file(folder / "a.rows", within=tmp_path)
    assert not remove_file(folder, within=folder.parent)
    assert not remove_file(folder / "none", within=folder)
    assert (folder / "a.rows").exists()
    assert remove_folder(folder, within=folder.parent)
