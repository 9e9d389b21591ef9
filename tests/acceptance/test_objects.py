"""From a bucket to a bucket, by the command and the server as people run them; the picture is the one made without.

The storage is moto's server; what lies there is written and read by another client (obstore).
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import tifffile

from tests.acceptance.command import lay, merged, nearfar
from tests.acceptance.serving import served
from tests.scenes import render
from tests.worker.runner.objects.storage import object_storage

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]


def test_a_stack_goes_from_a_bucket_to_a_bucket_also_through_a_restart(tmp_path: Path) -> None:
    frames = lay(
        render("occlusion", frames=6, size=(200, 150), seed=7).frames, tmp_path / "frames", format="jpeg"
    )
    merged(tmp_path / "frames", tmp_path / "alone.tif")
    with object_storage() as storage:
        for frame in frames:
            storage.lay(f"cards/moss on slate/{frame.name}", frame.read_bytes())
        before = {key: storage.read(key) for key in storage.keys("cards/")}
        table = storage.table(tmp_path).model_dump(mode="json", exclude_none=True)
        with served(tmp_path / "data", NEARFAR_OBJECTS_BUCKETS=json.dumps([table])) as server:
            sent = nearfar("send", "s3://shoots/cards/moss on slate/", "--to", server.url, "--json")
            assert sent.code == 0, sent.err
            assert json.loads(sent.out)["stack"] == "moss on slate"
            assert server.stop() == 0
            server.start()
            again = nearfar("send", "s3://shoots/cards/moss on slate/", "--to", server.url, "--follow")
            assert again.code == 0, again.err
            assert len(server.jobs()) == 1
            server.wait(
                lambda: (server.jobs()[0]["delivered_to"] or {}).get("state") == "done", what="delivered"
            )
            shown = nearfar("show", "1", "--to", server.url)
            assert "fetched   s3://shoots/cards/moss on slate/: done" in shown.out
            assert "delivered s3://shoots/merged/moss on slate/: done" in shown.out
            doctor = nearfar("doctor", "--data", server.data, env=server.env)
            assert "bucket shoots" in doctor.out
            here = server.results / "moss on slate"
            there = {key.rpartition("/")[2]: storage.read(key) for key in storage.keys("merged/")}
            assert there == {path.name: path.read_bytes() for path in here.iterdir() if path.is_file()}
        assert {key: storage.read(key) for key in storage.keys("cards/")} == before, "frames are only read"
    fetched = tmp_path / "fetched.tif"
    fetched.write_bytes(there["moss on slate.tif"])
    assert np.array_equal(tifffile.imread(fetched), tifffile.imread(tmp_path / "alone.tif"))
