"""``python -m tests.bench.tiles [--megapixels 100] [--tiles 200]``: how fast a large result can be looked at.

A file as a merge delivers it, with the noise of a camera and a wide profile, lies under a running server, which is
asked over HTTP as a viewer asks: info.json, the whole at the width of a screen, then tiles of all levels. Cold means
that the server was just started; the file may be in the system's own cache. A missed bar is printed as short.
"""

from __future__ import annotations

import argparse
import os
import random
import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx
import numpy as np

from nearfar.frames.deliverable import PictureTags, write_picture
from nearfar.merge.deliver.pyramid import TileStream, pyramid
from nearfar.places import places_of
from nearfar.runner.opening import open_by
from nearfar.server_settings import ServerSettings
from tests.api.iiif.painting import wide_profile
from tests.api.making import done
from tests.api.process import Process, running

TILE_BAR, FIRST_BAR = 0.060, 2.0
"""Seconds: 95 of 100 tiles, and the first look."""
SIDE = (4, 3)
NOISE = 250
"""Standard deviation of 16-bit samples: a frame at a low sensitivity."""
TOGETHER = 4
"""Requests that a browser has under way."""


def large_picture(path: Path, megapixels: float, folder: Path) -> tuple[int, int]:
    """Write it, a band at a time; its width and height."""
    unit = (megapixels * 1e6 / (SIDE[0] * SIDE[1])) ** 0.5
    width, height = round(SIDE[0] * unit), round(SIDE[1] * unit)
    rng = np.random.default_rng(20261125)
    x = np.arange(width)[None, :, None] / 40
    with ThreadPoolExecutor(2) as pool:
        stream = TileStream(width, height, 3, folder / "finest", pyramid(width, height, 3, folder / "level"))
        grain = rng.normal(0, NOISE, (512, width, 3)).astype(np.float32)
        for top in range(0, height, 512):
            y = np.arange(top, min(top + 512, height))[:, None, None] / 40
            waves = np.sin(x + np.arange(3)) * np.cos(y * 1.3) + np.sin((x + y) / 11)
            rows = 26000 + 11000 * waves + np.roll(grain, top, axis=1)[: len(y)]
            stream.add(np.clip(rows, 0, 65535).astype(np.uint16), pool)
        stream.close(pool)
    levels = [level.tiles() for level in stream.levels()]
    tags = PictureTags(icc=wide_profile())
    write_picture(path, width=width, height=height, channels=3, levels=levels, tags=tags)
    for level in stream.levels():
        level.path.unlink()
    return width, height


def tile_addresses(info: dict[str, object], count: int) -> list[str]:
    """Tiles of every level as a viewer writes them, in an order that is the same each time; most are of fine levels."""
    width, height = int(str(info["width"])), int(str(info["height"]))
    found = []
    factor = 1
    while max(width, height) / factor > 256:
        step = 512 * factor
        for y in range(0, height, step):
            for x in range(0, width, step):
                w, h = min(step, width - x), min(step, height - y)
                found.append(f"{x},{y},{w},{h}/{-(-w // factor)},{-(-h // factor)}/0/default.jpg")
        factor *= 2
    random.Random(7).shuffle(found)
    return found[:count]


def timed(ask: Callable[[str], httpx.Response], addresses: Sequence[str], together: int) -> list[float]:
    """Seconds for each."""

    def one(address: str) -> float:
        began = time.perf_counter()
        response = ask(address)
        assert response.status_code == 200, response.text
        return time.perf_counter() - began

    with ThreadPoolExecutor(together) as pool:
        return list(pool.map(one, addresses))


def told(name: str, seconds: Sequence[float], bar: float | None = None) -> None:
    middle, late = (float(np.percentile(seconds, share)) for share in (50, 95))
    verdict = "" if bar is None else ("  kept" if late <= bar else f"  short of {1000 * bar:.0f} ms")
    print(f"{name:34} p50 {1000 * middle:6.1f} ms   p95 {1000 * late:6.1f} ms{verdict}", flush=True)


def look(server: Process, job: int, count: int) -> None:
    base = f"{server.url}/iiif/3/job-{job}"
    with httpx.Client(timeout=60) as client:
        client.get(f"{server.url}/health/live")
        began = time.perf_counter()
        info = client.get(f"{base}/info.json").json()
        whole = client.get(f"{base}/full/1024,/0/default.jpg")
        first = time.perf_counter() - began
        verdict = "kept" if first <= FIRST_BAR else f"short of {FIRST_BAR} s"
        print(f"first look, {len(whole.content) / 1e3:.0f} kB{'':17} {first:.3f} s  {verdict}")
        addresses = tile_addresses(info, count)
        half = len(addresses) // 2

        def ask(address: str) -> httpx.Response:
            return client.get(f"{base}/{address}")

        told("tiles, cold, one at a time", timed(ask, addresses[:half], 1), TILE_BAR)
        told(f"tiles, cold, {TOGETHER} at a time", timed(ask, addresses[half:], TOGETHER))
        told("tiles, warm, one at a time", timed(ask, addresses[:half], 1), TILE_BAR)
        told(f"tiles, warm, {TOGETHER} at a time", timed(ask, addresses[half:], TOGETHER))
        tag = client.get(f"{base}/{addresses[0]}").headers["etag"]

        def again(address: str) -> httpx.Response:
            response = client.get(f"{base}/{address}", headers={"if-none-match": tag})
            assert response.status_code == 304
            response.status_code = 200
            return response

        told("tiles that a browser has", timed(again, addresses[:half], 1))


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.tiles", description=__doc__)
    parser.add_argument("--megapixels", type=float, default=100)
    parser.add_argument("--tiles", type=int, default=200)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        settings = ServerSettings.model_validate({"server": {"data": folder / "data", "owner": "studio"}})
        places = places_of(settings)
        places.make()
        store = open_by(settings, places)
        job = done(store, places)
        store.close()
        picture = places.results / "moss" / "moss.tif"
        size = large_picture(picture, options.megapixels, folder)
        print(
            f"{size[0]} x {size[1]} pixels, {picture.stat().st_size / 1e6:.0f} MB, {os.cpu_count()} processors"
        )
        with running(folder / "data", log=folder / "server.log") as server:
            look(server, job, options.tiles)


if __name__ == "__main__":
    main()
