"""Frames sent from the page: many at once, with what arrived so far, on after a lost line, a reload, a killed server."""

from __future__ import annotations

import re
import shutil
import signal
from pathlib import Path
from typing import Any

import pytest

from tests.pages.conftest import Studio

LINE = ["Failed to load resource", "Failed to fetch", "network error", "ERR_"]
"""What the browser and htmx say in the console where the line is lost."""


@pytest.fixture(scope="module")
def forty(studio: Studio, tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Forty frames in the order in which a person would choose them: nine, and the last of them again and again."""
    folder = tmp_path_factory.mktemp("forty")
    sources = sorted(studio.frames.iterdir())
    return [Path(shutil.copy(sources[min(k, 8)], folder / f"moss {k + 1}.jpg")) for k in range(40)]


FRAMES = re.compile(r"/frames/\d+$")
"""Addresses to which frames are sent."""
PIECE = 4 << 20
"""Bytes that the page sends at a time; two frames are on their way together."""
LARGE = 10 << 20
"""Bytes of a frame of three pieces."""


def large(folder: Path, count: int = 3, size: int = LARGE) -> list[Path]:
    """Files of several pieces. What is in them nobody looks at before all are here."""
    folder.mkdir(exist_ok=True)
    found = [folder / f"basalt-{k}.tif" for k in range(1, count + 1)]
    for number, path in enumerate(found):
        path.write_bytes(bytes([number]) * size)
    return found


def choose(page: Any, files: list[Path]) -> None:
    page.locator(".drop input").set_input_files(files)


def newest(studio: Studio, stack: str) -> dict[str, Any]:
    found = [job for job in studio.server.jobs() if job["stack"] == stack]
    return found[-1] if found else {}


def received(studio: Studio, job: int) -> int:
    return sum(f["received"] for f in studio.server.get(f"/jobs/{job}/frames")["frames"])


def ranges(page: Any) -> list[tuple[str, int, int]]:
    """From now on: frame, first and last byte of all that is sent."""
    found: list[tuple[str, int, int]] = []

    def note(request: Any) -> None:
        if request.method == "PUT":
            start, end = request.headers["content-range"].split()[1].split("/")[0].split("-")
            found.append((request.url.rsplit("/", 1)[1], int(start), int(end)))

    page.on("request", note)
    return found


class Brake:
    """Lets so many pieces through and keeps those that follow until the line is lost, however fast the machine is."""

    def __init__(self, page: Any, pieces: int) -> None:
        self.page, self.left, self.kept = page, pieces, list[Any]()
        page.route(FRAMES, self._asked)

    def _asked(self, route: Any) -> None:
        if route.request.method == "PUT" and self.left <= 0:
            self.kept.append(route)
            return
        self.left -= route.request.method == "PUT"
        route.continue_()

    def lose(self) -> None:
        """What is kept is lost with the line."""
        while self.kept:
            self.kept.pop().abort("internetdisconnected")

    def release(self) -> None:
        """From now on all goes through."""
        self.page.unroute(FRAMES, self._asked)


def test_forty_frames_go_up_and_become_a_job_in_their_order(
    studio: Studio, page: Any, forty: list[Path]
) -> None:
    page.goto(studio.url)
    choose(page, forty)
    page.wait_for_selector(".sending >> text=All 40 frames are here", timeout=60_000)
    job = newest(studio, "moss")
    names = [f["name"] for f in studio.server.get(f"/jobs/{job['id']}/frames")["frames"]]
    assert names == [path.name for path in forty]
    assert page.get_attribute(".sending a", "href") == f"/merge/jobs/{job['id']}"
    for number in (1, 40):
        sent = studio.server.data / "uploads" / str(job["id"]) / forty[number - 1].name
        assert sent.read_bytes() == forty[number - 1].read_bytes()


@pytest.mark.parametrize(
    ("names", "called"),
    [
        (["F0001.jpg", "F0002.jpg", "F0010.jpg"], "F0001-F0010"),
        (["NF_0007.JPG", "NF_0008.JPG"], "NF_0007-NF_0008"),
        (["0412.jpg"], "0412"),
        (["leaf 9.jpg", "leaf 10.jpg"], "leaf"),
        (["slate-moss.jpg"], "slate-moss"),
    ],
)
def test_frames_without_a_name_are_called_by_a_persons_word_or_by_the_first_and_the_last(
    studio: Studio, page: Any, forty: list[Path], tmp_path: Path, names: list[str], called: str
) -> None:
    page.goto(studio.url)
    choose(
        page, [Path(shutil.copy(source, tmp_path / name)) for source, name in zip(forty, names, strict=False)]
    )
    page.wait_for_selector(".sending >> text=frames are here", timeout=60_000)
    assert page.text_content(".sending a") == called


def test_frames_are_dropped_anywhere_on_the_page(studio: Studio, page: Any) -> None:
    page.goto(studio.url)
    page.evaluate(
        """() => {
            const data = new DataTransfer();
            for (const k of [10, 9]) data.items.add(new File([new Uint8Array(100)], `chip ${k}.tif`, { lastModified: k }));
            const tell = name => document.body.dispatchEvent(new DragEvent(name, { dataTransfer: data, bubbles: true }));
            tell('dragenter');
            window.shown = document.querySelector('.drop').classList.contains('over');
            tell('drop');
        }"""
    )
    page.wait_for_selector(".sending >> text=All 2 frames are here")
    assert page.evaluate("window.shown && !document.querySelector('.drop.over')")
    frames = studio.server.get(f"/jobs/{newest(studio, 'chip')['id']}/frames")["frames"]
    assert [f["name"] for f in frames] == ["chip 9.tif", "chip 10.tif"], "in the order of their numbers"


def test_folders_and_frames_dropped_together_become_one_stack_each(studio: Studio, page: Any) -> None:
    """Entries as the File and Directory Entries API (W3C) gives them; a script cannot make real folders."""
    page.goto(studio.url)
    page.evaluate(
        """() => {
            const file = name => new File([new Uint8Array(100)], name, { lastModified: name.length });
            const entry = name => ({ name, isFile: true, isDirectory: false, file: ok => ok(file(name)) });
            const folder = (name, ...parts) => ({ name, isFile: false, isDirectory: true, createReader: () => {
                const left = [...parts, []];
                return { readEntries: ok => ok(left.shift()) };
            } });
            const item = found => ({
                kind: 'file', webkitGetAsEntry: () => found, getAsFile: () => found.isFile ? file(found.name) : null,
            });
            const drop = new Event('drop', { bubbles: true, cancelable: true });
            const given = [folder('fern', [entry('fern-2.tif'), entry('.hidden')], [entry('fern-1.tif'), folder('deeper')]),
                folder('lichen', [entry('l.tif')]), folder('empty'), entry('pebble-1.tif')];
            drop.dataTransfer = { types: ['Files'], items: given.map(item) };
            document.body.dispatchEvent(drop);
        }"""
    )
    for stack, names in {
        "fern": ["fern-1.tif", "fern-2.tif"],
        "lichen": ["l.tif"],
        "pebble": ["pebble-1.tif"],
    }.items():
        page.wait_for_selector(
            f".sending li:has(a:text-is('{stack}')) >> text=All {len(names)} frames are here"
        )
        frames = studio.server.get(f"/jobs/{newest(studio, stack)['id']}/frames")["frames"]
        assert [f["name"] for f in frames] == names
    assert page.locator(".sending li").count() == 3


def test_a_lost_line_is_waited_for_and_little_is_sent_twice(
    studio: Studio, page: Any, tmp_path: Path
) -> None:
    page.told.expected += LINE
    files = large(tmp_path / "line")
    page.goto(studio.url)
    page.fill("[name=stack]", "lost-line")
    brake = Brake(page, 2)
    choose(page, files)
    studio.server.wait(lambda: page.wait_for_timeout(20) or brake.kept, what="some of it is on its way")
    page.context.set_offline(True)
    brake.lose()
    page.wait_for_selector(".sending >> text=The connection is lost")
    job = newest(studio, "lost-line")["id"]
    missing = 3 * LARGE - received(studio, job)
    assert missing > 0
    sent = ranges(page)
    brake.release()
    page.context.set_offline(False)
    page.wait_for_selector(".sending >> text=All 3 frames are here", timeout=60_000)
    assert sum(end - start + 1 for _, start, end in sent) <= missing + 2 * PIECE
    assert [path.read_bytes() for path in files] == [
        (studio.server.data / "uploads" / str(job) / path.name).read_bytes() for path in files
    ]


def test_after_a_reload_and_a_killed_server_the_same_frames_go_on_where_they_were(
    studio: Studio, page: Any, tmp_path: Path
) -> None:
    page.told.expected += LINE
    files = large(tmp_path / "killed", count=4)
    page.goto(studio.url)
    page.fill("[name=stack]", "killed")
    brake = Brake(page, 3)
    choose(page, files)
    studio.server.wait(
        lambda: (
            page.wait_for_timeout(20)
            or (newest(studio, "killed") and received(studio, newest(studio, "killed")["id"]))
        ),
        what="some of it is here",
    )
    job = newest(studio, "killed")["id"]
    page.on("dialog", lambda dialog: dialog.accept())
    page.reload()
    page.wait_for_selector(f"#arrive-{job}")
    here = received(studio, job)
    assert 0 < here < 4 * LARGE
    brake.release()
    studio.server.stop(signal.SIGKILL)
    studio.server.start()
    page.goto(studio.url)
    assert received(studio, job) >= here
    sent = ranges(page)
    page.fill("[name=stack]", "killed")
    choose(page, files)
    page.wait_for_selector(".sending >> text=All 4 frames are here", timeout=60_000)
    assert newest(studio, "killed")["id"] == job, "no second job"
    assert sum(end - start + 1 for _, start, end in sent) <= 4 * LARGE - here + 2 * PIECE


def test_what_is_refused_says_why(studio: Studio, page: Any, tmp_path: Path) -> None:
    page.told.expected.append("422")
    page.goto(studio.url)
    bad = tmp_path / "moss:slate?.jpg"
    bad.write_bytes(b"moss")
    choose(page, [bad])
    told = page.wait_for_selector(".sending .alarm:has-text('cannot be the name of a frame')")
    assert bad.name in told.inner_text()
