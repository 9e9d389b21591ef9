"""Settings of further workers: what all share comes from the server's file, the rest from this machine."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from nearfar.cli import command
from nearfar.errors import UsageError
from nearfar.places import places_of
from nearfar.runner.joining import check_there, join, scratch_for

SHARED = """
memory = "64GiB"
[server]
data = "{data}"
[store]
url = "postgresql://nearfar@db/nearfar"
lease = 30.0
[broker]
url = "redis://broker/0"
[worker]
slots = 9
scratch = "/fast/disk/of/the/server"
share_rows = true
"""


@pytest.fixture
def file(tmp_path: Path) -> Path:
    made = tmp_path / "studio.toml"
    made.write_text(SHARED.format(data=tmp_path / "data"), encoding="utf-8")
    return made


def test_store_broker_and_folder_are_the_servers_and_the_rest_is_this_machines(
    file: Path, tmp_path: Path
) -> None:
    here = {
        "NEARFAR_CONFIG": os.devnull,
        "XDG_CACHE_HOME": str(tmp_path / "cache"),
        "NEARFAR_WORKER_SLOTS": "2",
    }
    here["NEARFAR_STORE_URL"] = "postgresql://somewhere/else"
    found = join(file, {"worker": {"memory": "1GiB"}}, environment=here)
    assert (found.store.url, found.store.lease) == ("postgresql://nearfar@db/nearfar", 30.0)
    assert (found.broker.url, found.server.data) == ("redis://broker/0", tmp_path / "data")
    assert (found.worker.slots, found.worker.memory) == (2, 1 << 30)
    assert found.worker.share_rows, "which all machines have to do alike"
    own = scratch_for(tmp_path / "data", here)
    assert found.worker.scratch == own
    assert own.is_relative_to(tmp_path / "cache")


def test_scratch_of_this_machine_may_be_named(file: Path, tmp_path: Path) -> None:
    here = {"NEARFAR_CONFIG": os.devnull, "NEARFAR_WORKER_SCRATCH": str(tmp_path / "fast")}
    assert join(file, {}, environment=here).worker.scratch == tmp_path / "fast"


def test_shared_rows_lie_where_all_see_them(file: Path, tmp_path: Path) -> None:
    places = places_of(join(file, {}, environment={"NEARFAR_CONFIG": os.devnull, "HOME": str(tmp_path)}))
    assert places.scratch == tmp_path / "data" / "scratch"


def test_a_file_that_does_not_say_where_the_folder_is_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "studio.toml"
    file.write_text("[store]\nlease = 5.0\n", encoding="utf-8")
    with pytest.raises(UsageError, match=r"studio\.toml: server\.data is not set"):
        join(file, {}, environment={"NEARFAR_CONFIG": os.devnull})
    given = join(file, {"server": {"data": tmp_path}}, environment={"NEARFAR_CONFIG": os.devnull})
    assert given.server.data == tmp_path


def test_workers_do_not_make_a_data_folder_that_is_not_there(
    file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert command.main(["worker", "--server-settings", str(file), "--scratch", str(tmp_path / "s")]) == 2
    said = capsys.readouterr().err
    assert str(tmp_path / "data") in said
    assert "found nothing" in said
    assert not (tmp_path / "data").exists()
    (tmp_path / "data").mkdir()
    with pytest.raises(UsageError, match="found another folder"):
        check_there(places_of(join(file, {}, environment={"NEARFAR_CONFIG": os.devnull})))


@pytest.mark.parametrize("there", [False, True], ids=["nothing", "an empty folder"])
def test_nor_do_workers_that_are_given_the_folder_alone(
    there: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A mistyped path must not become a server's folder in which nobody ever puts any work."""
    monkeypatch.setenv("NEARFAR_CONFIG", os.devnull)
    data = tmp_path / "data"
    if there:
        data.mkdir()
    assert command.main(["worker", "--data", str(data), "--memory", "1GiB"]) == 2
    said = capsys.readouterr().err
    assert f"data folder {data}: expected the folder of a server" in said
    assert ("found another folder" if there else "found nothing") in said
    assert [p.name for p in tmp_path.iterdir() if p.name != "s"] == (["data"] if there else [])
    assert not there or not any(data.iterdir())
