"""What the settings make of the watched folders."""

from __future__ import annotations

from pathlib import Path

from nearfar.places import places_of
from nearfar.runner.watching.folders import watched_folders
from nearfar.server_settings import load_server


def test_each_watched_folder_says_whether_its_folders_are_cards(tmp_path: Path) -> None:
    for name in ("asked", "as-usual"):
        (tmp_path / name).mkdir()
    file = tmp_path / "nearfar.toml"
    file.write_text(
        f'[server]\ndata = "{tmp_path / "data"}"\n[inbox]\neach_folder = "stack"\nfolders = ['
        f'{{path = "{tmp_path / "asked"}", each_folder = "card"}}, {{path = "{tmp_path / "as-usual"}"}}]\n'
    )
    settings = load_server(environment={}, file=file)
    found = {Path(each.path).name: each.of_cards for each in watched_folders(settings, places_of(settings))}
    assert found == {"inbox": False, "asked": True, "as-usual": False}
