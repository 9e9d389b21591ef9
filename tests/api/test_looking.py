"""Frames of a finished job over IIIF, made ready by the real process, and which of them are sharp where."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import httpx
import numpy as np
import pytest
import tifffile
from fastapi import FastAPI
from numpy.typing import NDArray

from nearfar.frames.deliverable import PictureTags, write_picture
from nearfar.jobs import FrameEntry, Store
from nearfar.merge.kernel.picture_calls import grid_shape
from nearfar.merge.keys import file_digest
from nearfar.places import Places
from tests.api.conftest import Client
from tests.api.iiif import painting
from tests.api.making import finish, submit

SIZE = (704, 528)
NAMES = ("a.tif", "b.tif", "c.tif", "odd.tif")
KEY = "0123456789abcdef"


def shifted(x: float) -> list[list[float]]:
    return [[1.0, 0.0, x], [0.0, 1.0, 0.0]]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Frames: `b` lies 10 pixels to the right of `a` and is twice as bright as light goes; `odd` was not lined up."""
    found = tmp_path / "frames"
    found.mkdir()
    base = (painting.slopes(*SIZE) >> 8).astype(np.uint8)
    for name in NAMES:
        tifffile.imwrite(found / name, base if name != "odd.tif" else base[::-1].copy(), photometric="rgb")
    return found


@pytest.fixture
def job(store: Store, places: Places, folder: Path) -> int:
    """A job that is done, with picture, report, map of frames, and what the focus step left."""
    frames = tuple(FrameEntry(path=str(folder / name), size=1) for name in NAMES)
    number = submit(store, frames=frames)
    finish(store, places, number)
    result = places.results / "moss"
    painting.write(result / "moss.tif", painting.slopes(*SIZE))
    told = [
        {
            "name": name,
            "used": name != "odd.tif",
            "why": None if name != "odd.tif" else "it shows something else",
            "pose": shifted(10.0 * k) if name != "odd.tif" else None,
            "gain_ev": 0.0,
            "digest": file_digest(folder / name),
            "share": 0.3,
        }
        for k, name in enumerate(NAMES)
    ]
    report = {"format": "nearfar-report/1", "size": SIZE, "frames": told, "gaps": [], "focus_key": KEY}
    (result / "moss.report.json").write_text(json.dumps(report))
    write_map(result / "moss.focus.tif")
    write_volume(places.work / str(number) / f"{KEY}.volume")
    return number


def write_map(path: Path) -> None:
    """Half size: the left half of the picture comes from `a`, the right half from `c`, the top rows from none."""
    width, height = SIZE[0] // 2, SIZE[1] // 2
    values = np.full((height, width, 1), 256, np.uint16)
    values[:, width // 2 :] = 3 * 256
    values[:16] = 0
    scale = json.dumps({"nearfar-focus/1": {"frames": list(NAMES[:3])}})
    tags = PictureTags(description=scale)
    levels = [painting.tiles(values)]
    write_picture(path, width=width, height=height, channels=1, levels=levels, tags=tags)


def write_volume(path: Path) -> None:
    """`b` is everywhere half as sharp as the best; `a` is best on the left, `c` on the right."""
    rows, cols = grid_shape(*SIZE)
    prior = np.zeros((rows, 3, cols), np.uint16)
    prior[:, 0, : cols // 2], prior[:, 2, cols // 2 :] = 8192, 8192
    prior[:, 1] = 4096
    path.parent.mkdir(parents=True)
    path.write_bytes(prior.tobytes() + bytes(prior.size))


@pytest.fixture
def looking(app: FastAPI) -> Iterator[None]:
    """The process that a test started ends with it."""
    yield
    app.state.context.looking.close()


def pixels(response: httpx.Response) -> NDArray[np.uint8]:
    assert response.status_code == 200, response.text
    found = cv2.imdecode(np.frombuffer(response.content, np.uint8), cv2.IMREAD_COLOR)
    assert found is not None
    return np.asarray(found[:, :, ::-1], np.uint8)


@pytest.mark.usefixtures("looking")
def test_a_frame_is_seen_in_the_picture_s_geometry(client: Client, job: int) -> None:
    info = client.get(f"/iiif/3/job-{job}:frame-2/info.json").json()
    assert (info["width"], info["height"], info["profile"]) == (*SIZE, "level2")
    picture = pixels(client.get(f"/iiif/3/job-{job}:frame-1/100,50,300,200/max/0/default.png"))
    moved = pixels(client.get(f"/iiif/3/job-{job}:frame-2/90,50,300,200/max/0/default.png"))
    assert np.array_equal(picture, moved), "its pose says 10 pixels to the right"
    whole = pixels(client.get(f"/iiif/3/job-{job}:frame-2/full/176,132/0/default.png"))
    assert whole.shape == (132, 176, 3)


@pytest.mark.usefixtures("looking")
def test_frames_that_cannot_be_seen_say_why(client: Client, job: int, folder: Path) -> None:
    def refused(number: int, status: int) -> str:
        answer = client.get(f"/iiif/3/job-{job}:frame-{number}/info.json")
        assert answer.status_code == status, answer.text
        return str(answer.json()["detail"])

    assert "no frame 5; it has 4" in refused(5, 404)
    assert "odd.tif, is not lined up with the others: it shows something else" in refused(4, 404)
    (folder / "c.tif").write_bytes((folder / "odd.tif").read_bytes())
    assert "c.tif: found other contents" in refused(3, 422)
    (folder / "a.tif").unlink()
    assert "a.tif: found no such file" in refused(1, 422)
    assert client.get("/iiif/3/job-99:frame-1/info.json").status_code == 404
    assert client.get(f"/iiif/3/job-{job}:frame-0/info.json").status_code == 404


def sharpest(client: Client, job: int, x: int, y: int, **more: Any) -> dict[str, Any]:
    answer = client.get(f"/api/v1/jobs/{job}/sharpest", params={"x": x, "y": y, **more})
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def test_the_frames_that_are_sharp_at_a_place_come_best_first(client: Client, job: int) -> None:
    left = sharpest(client, job, 100, 300, size=96)
    assert left["box"] == [52, 252, 96, 96]
    assert left["by"] == "frames"
    assert [(f["number"], f["sharpness"], f["share"]) for f in left["frames"]] == [
        (1, 1.0, 1.0),
        (2, 0.5, 0.0),
    ]
    right = sharpest(client, job, 600, 300, size=96)
    assert [(f["name"], f["sharpness"]) for f in right["frames"]] == [("c.tif", 1.0), ("b.tif", 0.5)]
    edge = sharpest(client, job, 703, 527, size=96)
    assert edge["box"] == [608, 432, 96, 96], "moved into the picture"


def test_where_the_work_folder_was_swept_the_delivered_map_tells(
    client: Client, job: int, places: Places
) -> None:
    (places.work / str(job) / f"{KEY}.volume").unlink()
    middle = sharpest(client, job, 352, 300, size=64)
    assert middle["by"] == "map"
    assert [(f["number"], f["sharpness"], f["share"]) for f in middle["frames"]] == [
        (1, 1.0, 0.5),
        (3, 1.0, 0.5),
    ]
    assert sharpest(client, job, 100, 8, size=16)["frames"] == [], "no frame is sure there"


def test_places_outside_the_picture_and_jobs_without_one_are_refused(
    client: Client, job: int, store: Store
) -> None:
    answer = client.get(f"/api/v1/jobs/{job}/sharpest?x=704&y=3")
    assert answer.status_code == 422
    assert "704 x 528" in answer.json()["detail"]
    assert client.get("/api/v1/jobs/99/sharpest?x=1&y=1").status_code == 404
    assert client.get(f"/api/v1/jobs/{job}/sharpest?x=-1&y=1").status_code == 422
