"""``python -m tests.acceptance.picturing``: the pictures in README.md, made from what the server shows of our own scenes.

A server merges the stack of `tests.scenes.demo` and sorts a rendered card; a browser looks at it. Beside the pages there is
a frame beside the merged picture. Everything lies in ``pictures`` beside this file, small enough to be kept.
"""

from __future__ import annotations

import io
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
from PIL import Image, ImageCms

from tests.acceptance.command import HOME
from tests.acceptance.serving import Served, served
from tests.api.process import PATIENCE
from tests.pages.browser import chromium, opened
from tests.scenes.card import write_card
from tests.scenes.demo import write_demo

PICTURES = Path(__file__).with_name("pictures")
STACK, CARD = "drawer-37", "wetland"
LARGEST, ALL = 300_000, 1_500_000
"""Bytes of one, and of all together."""
HALF = (792, 528)
"""Of a frame and of the merged picture, beside each other."""
CROP = (260, 640, 396, 264)
"""A part of both at twice its size: left, top, width, height."""
GAP = 8


def main() -> int:
    PICTURES.mkdir(exist_ok=True)
    folder = Path(tempfile.mkdtemp(prefix="nearfar-pictures-"))
    try:
        write_demo(folder / STACK)
        write_card(folder / CARD, seed=50, events=4, bodies=1)
        (folder / CARD / "DCIM" / "100NRFAR" / "empty.JPG").unlink()
        with served(folder / "data") as server:
            job = _merged(server, folder)
            card = _sorted(server, folder)
            with chromium() as browser:
                _look(browser, server, job, card)
            frames = sorted((server.inbox / STACK).iterdir())
            merged = httpx.get(
                f"{server.url}/iiif/3/job-{job}/full/max/0/default.jpg", timeout=PATIENCE
            ).raise_for_status()
            _beside(_srgb(frames[len(frames) // 2]), Image.open(io.BytesIO(merged.content)))
    finally:
        shutil.rmtree(folder)
        shutil.rmtree(HOME, ignore_errors=True)
    sizes = {path.name: path.stat().st_size for path in sorted(PICTURES.glob("*.webp"))}
    print("\n".join(f"{name}: {size / 1000:.0f} kB" for name, size in sizes.items()))
    return 1 if max(sizes.values()) > LARGEST or sum(sizes.values()) > ALL else 0


def _merged(server: Served, folder: Path) -> int:
    (folder / STACK).rename(server.inbox / STACK)
    server.wait(lambda: [j for j in server.jobs() if j["state"] == "done"], 300, what="the picture is there")
    return int(server.jobs()[0]["id"])


def _sorted(server: Served, folder: Path) -> str:
    """The card, sorted; a pause keeps its clear stacks waiting."""
    httpx.put(f"{server.url}/api/v1/server", json={"state": "paused"}, timeout=PATIENCE).raise_for_status()
    (folder / CARD).rename(server.inbox / CARD)

    def asked() -> list[Any]:
        return [c for c in server.get("/cards")["cards"] if c["stacks"]["ask"] and c["stacks"]["taken"]]

    server.wait(asked, 300, what="the card is sorted")
    return str(asked()[0]["id"])


def _look(browser: Any, server: Served, job: int, card: str) -> None:
    """Pages at the width of a desk and of a phone, light and dark."""

    def ready(page: Any) -> None:
        page.wait_for_selector("#viewer[data-ready]")
        page.click("[data-do=focus]")
        page.wait_for_timeout(1500)

    _shot(browser, "overview", f"{server.url}/")
    _shot(browser, "stack", f"{server.url}/jobs/{job}")
    _shot(browser, "picture", f"{server.url}/jobs/{job}/picture", scheme="dark", then=ready)
    _shot(browser, "card", f"{server.url}/cards/{card}?at=2")
    _shot(browser, "plan", f"{server.url}/plan?way=ring&focal=50mm&near=45cm&far=6m")
    for name, path in (("stack-phone", f"jobs/{job}"), ("card-phone", f"cards/{card}?show=ask")):
        _shot(browser, name, f"{server.url}/{path}", width=390, scheme="dark")


def _shot(
    browser: Any,
    name: str,
    url: str,
    *,
    width: int = 1280,
    scheme: str = "light",
    then: Callable[[Any], None] | None = None,
) -> None:
    with opened(browser, width=width, color_scheme=scheme) as page:
        page.goto(url, wait_until="networkidle" if then is None and name != "overview" else "load")
        page.wait_for_timeout(500)
        if then is not None:
            then(page)
        _keep(name, Image.open(io.BytesIO(page.screenshot())))


def _keep(name: str, picture: Image.Image) -> None:
    """As WebP, at the highest quality that is small enough."""
    for quality in (88, 80, 70, 60, 45):
        picture.convert("RGB").save(PICTURES / f"{name}.webp", quality=quality, method=6)
        if (PICTURES / f"{name}.webp").stat().st_size <= LARGEST * 0.6:
            return


def _beside(frame: Image.Image, merged: Image.Image) -> None:
    """A frame from the middle of the stack and the merged picture; below, a part of each, larger."""
    sheet = Image.new("RGB", (2 * HALF[0] + GAP, 2 * HALF[1] + GAP), "white")
    for column, whole in enumerate((frame, merged)):
        left, top, width, height = CROP
        part = whole.crop((left, top, left + width, top + height))
        x = column * (HALF[0] + GAP)
        sheet.paste(whole.resize(HALF, Image.Resampling.LANCZOS), (x, 0))
        sheet.paste(part.resize(HALF, Image.Resampling.BICUBIC), (x, HALF[1] + GAP))
    _keep("frame-and-merged", sheet)


def _srgb(path: Path) -> Image.Image:
    """A frame in the colours of screens."""
    frame = Image.open(path)
    own = ImageCms.ImageCmsProfile(io.BytesIO(frame.info["icc_profile"]))
    found = ImageCms.profileToProfile(frame, own, ImageCms.createProfile("sRGB"), outputMode="RGB")
    assert found is not None
    return found


if __name__ == "__main__":
    raise SystemExit(main())
