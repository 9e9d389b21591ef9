"""What `nearfar doctor` finds of buckets that answer, refuse, are away, or have keys that others can read."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from nearfar.places import places_of
from nearfar.runner.doctor.buckets import buckets
from nearfar.runner.doctor.examine import Finding, Level, Subject, examine
from nearfar.server_settings import load_server
from tests.worker.runner.objects.storage import Storage


def found(storage: Storage, folder: Path, **changes: Any) -> list[Finding]:
    table = storage.table(folder, **changes).model_dump(mode="json", exclude_none=True)
    given: dict[str, dict[str, object]] = {
        "server": {"data": folder / "data"},
        "objects": {"buckets": [table]},
    }
    settings = load_server(given, environment={}, file=Path(os.devnull))
    return list(examine(Subject(settings=settings, places=places_of(settings)), [("buckets", buckets)]))


def test_a_bucket_that_answers_is_fine_and_nothing_is_written_there(storage: Storage, tmp_path: Path) -> None:
    before = storage.keys()
    (one,) = found(storage, tmp_path, results="merged/")
    assert (one.about, one.level) == ("bucket shoots", Level.OK)
    assert "s3://shoots/cards/, results go to s3://shoots/merged/" in one.found
    assert storage.keys() == before


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"name": "elsewhere", "user": "warden"}, "no bucket of that name"),
        ({"endpoint": "http://127.0.0.1:1"}, "(http://127.0.0.1:1)"),
        ({"keys": "env:NOBODY_SET_THIS"}, "NOBODY_SET_THIS_ID and NOBODY_SET_THIS_SECRET"),
    ],
)
def test_one_that_will_not_do_is_a_problem_with_a_remedy(
    storage: Storage, tmp_path: Path, changes: dict[str, Any], said: str
) -> None:
    (one,) = found(storage, tmp_path, **changes)
    assert one.level is Level.PROBLEM
    assert said in one.found
    assert one.remedy


def test_keys_that_all_may_read_and_a_way_that_all_may_see_are_told(storage: Storage, tmp_path: Path) -> None:
    keys = tmp_path / "open.keys"
    keys.write_text('id = "me"\nsecret = "mine"\n')
    keys.chmod(0o644)
    told = found(storage, tmp_path, keys=str(keys), endpoint="http://objects.invalid")
    assert [one.level for one in told] == [Level.ADVICE, Level.ADVICE, Level.PROBLEM]
    assert "every user of this machine can read it" in told[0].found
    assert "https://" in (told[1].remedy or "")
