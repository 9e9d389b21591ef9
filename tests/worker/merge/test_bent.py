"""A stack whose frames are bent, from frames to picture and on to mends: nearer to the truth, told, and the same bytes
whatever tiles, threads and stops there were.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray

from nearfar.errors import Interrupted
from nearfar.frames.decode import decode, read_header
from nearfar.merge.deliver.outputs import Outputs
from nearfar.merge.kernel.bend import from_json as from_report
from nearfar.merge.kernel.twin_warp import resample, values
from nearfar.merge.recipe import Recipe, RegisterRecipe, RenderRecipe
from nearfar.merge.registering import from_json, to_json
from nearfar.merge.rendering import gain_table
from nearfar.merge.scratch import folder_for
from nearfar.merge.stack import Merge, Request, Stop
from nearfar.progress import Progress
from tests.bench import metrics
from tests.scenes.bent import BentScene, render_bent
from tests.worker.merge.mending.mendable import Bracket, wish

SIZE = (480, 360)


@pytest.fixture(scope="module")
def bent() -> BentScene:
    return render_bent("occlusion", tilt=1.5, seed=7, frames=8, size=SIZE)


@pytest.fixture(scope="module")
def merged(bent: BentScene, tmp_path_factory: pytest.TempPathFactory) -> Bracket:
    return Bracket.of(bent.scene, tmp_path_factory.mktemp("bent"))


def job_of(merged: Bracket, folder: Path, **changes: Any) -> Request:
    """The merge of the same frames to a picture in another folder."""
    folder.mkdir(exist_ok=True)
    paths = [merged.folder / "frames" / f["name"] for f in merged.report["frames"]]
    job = Request(
        headers=[read_header(p) for p in paths],
        outputs=Outputs.beside(folder / "picture.tif"),
        recipe=Recipe(),
        memory=1 << 40,
        threads=2,
        scratch=folder / "scratch",
        reference=merged.scene.names[merged.scene.reference],
    )
    return replace(job, **changes)


def picture_of(outputs: Outputs) -> NDArray[np.uint16]:
    return np.asarray(tifffile.imread(outputs.picture, key=0))


def carried(merged: Bracket, number: int, *, bent: bool = True) -> NDArray[np.float32]:
    """A frame in the picture's geometry and brightness, by the readable twin of the kernel."""
    entry = merged.report["frames"][number]
    header = read_header(merged.folder / "frames" / entry["name"])
    bend = from_report(entry["bend"], SIZE) if bent else None
    frame = values(decode(header), gain_table(header, entry["gain_ev"]))
    wide = -(-SIZE[0] // 16) * 16
    return np.clip(resample(frame, np.array(entry["pose"]), 0, 0, wide, SIZE[1], bend)[:, : SIZE[0]], 0, 1)


def test_the_picture_is_nearer_to_the_truth_and_the_report_says_why(merged: Bracket, tmp_path: Path) -> None:
    told = merged.report["bent"]
    assert told["px"] > 0.5
    assert told["left_px"] < 0.2
    assert told["text"] in merged.outputs.named("report.txt").read_text(encoding="utf-8")
    assert not any("left over" in w for w in merged.report["warnings"])
    bends = [f.get("bend") for f in merged.report["frames"]]
    assert [b is None for b in bends] == [k == merged.scene.reference for k in range(len(bends))]
    off = job_of(merged, tmp_path, recipe=Recipe(register=RegisterRecipe(bend=False)))
    report = Merge(off, Progress(quiet=True), Stop()).run().content
    assert "bent" not in report
    assert any("left over" in w for w in report["warnings"])
    mask = metrics.interior(merged.scene.truth.shape)
    straight, found = (
        metrics.psnr(np.asarray(p / 65535, np.float32), merged.scene.truth, mask)
        for p in (picture_of(off.outputs), merged.picture)
    )
    assert found > straight + 1.5


def test_tiles_threads_and_a_stop_change_no_byte(merged: Bracket, tmp_path: Path) -> None:
    first = merged.outputs.picture.read_bytes()
    other = job_of(merged, tmp_path / "one", threads=1, recipe=Recipe(render=RenderRecipe(tile=64)))
    Merge(other, Progress(quiet=True), Stop()).run()
    np.testing.assert_array_equal(picture_of(other.outputs), merged.picture)

    stop = Stop()

    class Stopped(Progress):
        def step(self, name: str, total_weight: float) -> None:
            super().step(name, total_weight)
            if name == "render":
                stop.ask("a test")

    again = job_of(merged, tmp_path / "two")
    with pytest.raises(Interrupted):
        Merge(again, Stopped(quiet=True), stop).run()
    assert not again.outputs.picture.exists()
    Merge(again, Progress(quiet=True), Stop()).run()
    assert again.outputs.picture.read_bytes() == first


def test_a_mend_takes_frames_as_they_are_bent(merged: Bracket) -> None:
    """A frame in the middle of a mend is what the specification of the warp makes of it, but for the share of the finest
    detail that the averaging gives back: .006 here at the most."""
    box, number = (144, 112, 224, 160), 1
    x, y, w, h = box
    mended = merged.mended(wish("frame", box, edge=4, frame=number))[y + 8 : y + h - 8, x + 8 : x + w - 8]
    expected = carried(merged, number)[y + 8 : y + h - 8, x + 8 : x + w - 8]
    # what a warp loses of the finest detail is given back
    assert np.abs(mended / 65535.0 - expected).max() < 0.009
    straight = carried(merged, number, bent=False)[y + 8 : y + h - 8, x + 8 : x + w - 8]
    assert np.sqrt(((mended / 65535.0 - straight) ** 2).mean()) > 1e-3


def test_a_registration_comes_back_bit_for_bit(merged: Bracket) -> None:
    folder = merged.folder / "kept"
    job = job_of(merged, folder, keep_scratch=True)
    Merge(job, Progress(quiet=True), Stop()).run()
    (path,) = folder_for(job.scratch, job.outputs.picture).glob("*.register")
    stored = json.loads(path.read_bytes())
    found = from_json(stored)
    assert found.bent is not None
    assert json.loads(json.dumps(to_json(found))) == stored
    bends = [f.bend.as_json() if f.bend else None for f in found.frames]
    assert bends == [f.get("bend") for f in merged.report["frames"]]
