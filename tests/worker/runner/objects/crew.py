"""A server without processes that has a bucket, and frames that lie there."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from nearfar.jobs import JobState, Store, Transfers
from nearfar.object_tables import BucketTable
from nearfar.places import Places, places_of
from nearfar.runner import planning
from nearfar.runner.objects.buckets import Bucket
from nearfar.runner.objects.carrying import Carrier
from tests.worker.jobs.making import bring_to, submit
from tests.worker.runner.objects.storage import SHOOTS
from tests.worker.runner.serving import settings_for, store_of

FRAMES = {f"cards/moss/{k:02d}.jpg": bytes([k]) * (700_000 + k) for k in range(5)}


class Crew:
    """A server without processes, and who carries for it."""

    def __init__(self, tmp_path: Path, table: BucketTable, *, parallel: int = 2) -> None:
        bucket = table.model_dump(mode="json", exclude_none=True)
        self.settings = settings_for(tmp_path / "data", objects={"buckets": [bucket], "parallel": parallel})
        self.places: Places = places_of(self.settings)
        self.places.make()
        self.store: Store = store_of(self.settings)
        self.transfers = Transfers(self.store)
        self.bucket = Bucket(table)
        self.carrier = self.another()

    @property
    def prefix(self) -> str:
        """Of results."""
        return self.settings.objects.buckets[0].results or ""

    def another(self) -> Carrier:
        return Carrier(self.settings, self.places, self.store, rests=(0.0,), every=0.05)

    def submit(self, prefix: str = "cards/moss/") -> int:
        listed = self.bucket.listed(prefix, most=100)
        frames = [(each.key.rpartition("/")[2], each.size, None) for each in listed]
        made = planning.upload_submission("moss", frames, owner="studio")
        detail = {"objects": [(each.key, each.etag) for each in listed]}
        return self.transfers.submit(made, place=f"s3://{SHOOTS}/{prefix}", detail=detail, who="tester").job

    def came(self, job: int) -> dict[str, bytes]:
        folder = self.places.uploads / str(job)
        return {path.name: path.read_bytes() for path in sorted(folder.iterdir())} if folder.exists() else {}

    def result(self, name: str = "moss", *, large: int = 100_000) -> tuple[int, Path]:
        """A job that is done, and the folder of its result."""
        job = submit(self.store)
        bring_to(self.store, job, JobState.DONE)
        folder = self.places.results / name
        folder.mkdir()
        picture = np.random.default_rng(job).bytes(large)
        contents = {"tif": picture, "preview.jpg": b"small", "report.txt": b"words", "report.json": b"{}"}
        for ending, data in contents.items():
            (folder / f"{name}.{ending}").write_bytes(data)
        with self.store.database.engine.begin() as conn:
            conn.exec_driver_sql("UPDATE jobs SET result = ? WHERE id = ?", (f"{folder}/{name}.tif", job))
        return job, folder

    def state(self, job: int) -> tuple[str, str | None]:
        (found,) = self.transfers.of_jobs([job])[job]
        return found.state, found.reason
