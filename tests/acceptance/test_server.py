"""A server from start to picture, as those who use it meet it: the inbox, another machine, cancel, crash, power cut."""

from __future__ import annotations

import json
import shutil
import signal
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from tests.acceptance.breaking import breaking
from tests.acceptance.command import Outcome, anew, digests, lay, merged, nearfar, report_of, start
from tests.acceptance.serving import Served, processes_of, served
from tests.scenes import render
from tests.scenes.big import big

KEY = "drawer 37, second key from the left"


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """One server for the tests that leave it running; from other machines it asks for a key."""
    with served(tmp_path_factory.mktemp("serving") / "data", NEARFAR_SERVER_KEY=KEY) as server:
        yield server


@dataclass(frozen=True, kw_only=True)
class Stack:
    """Frames in a folder, and the picture that ``nearfar merge`` makes of them."""

    frames: Path
    picture: Path


@pytest.fixture(scope="module")
def dozen(tmp_path_factory: pytest.TempPathFactory) -> Stack:
    """A dozen small frames."""
    folder = tmp_path_factory.mktemp("dozen")
    scene = render("occlusion", frames=12, size=(200, 150), seed=5)
    lay(scene.frames, folder / "frames", format="jpeg")
    merged(folder / "frames", folder / "dozen.tif")
    return Stack(frames=folder / "frames", picture=folder / "dozen.tif")


@pytest.fixture(scope="module")
def long(tmp_path_factory: pytest.TempPathFactory) -> Stack:
    """Enough work for some seconds."""
    folder = tmp_path_factory.mktemp("long")
    frames = big("easy", 12, size=(1800, 1200)).folder
    merged(frames, folder / "long.tif")
    return Stack(frames=frames, picture=folder / "long.tif")


def asked(server: Served, *arguments: str | Path, key: str | None = KEY) -> Outcome:
    """A command on another machine: it knows the address of the server and the key, and nothing else."""
    env = {"NEARFAR_URL": server.url} | ({"NEARFAR_KEY": key} if key is not None else {})
    return nearfar(*arguments, env=env)


def slowly(frames: Path, target: Path, pause: float) -> None:
    """Copy frames one after the other, as a camera or a share does."""
    target.mkdir(parents=True)
    for frame in sorted(frames.iterdir()):
        shutil.copy(frame, target)
        time.sleep(pause)


def test_frames_dropped_slowly_into_the_inbox_become_one_picture(server: Served, dozen: Stack) -> None:
    folder = server.inbox / "dozen"
    slowly(dozen.frames, folder, 0.25)
    before = digests(folder)
    picture = server.results / "dozen" / "dozen.tif"
    server.wait(picture.exists, what="the picture lies in results")
    assert picture.read_bytes() == dozen.picture.read_bytes()
    report = report_of(picture)
    assert report["format"] == "nearfar-report/1"
    assert [frame["name"] for frame in report["frames"]] == sorted(before)
    assert digests(folder) == before
    (job,) = (job for job in server.jobs() if job["stack"] == "dozen")
    server.wait(lambda: server.state(job["id"]) == "done")
    assert job["sources"] == [str(folder)]
    why = nearfar("why", folder, "--data", server.data)
    assert why.code == 0, why.err
    assert "dozen" in why.out


def test_a_stack_is_sent_followed_and_fetched_from_another_machine(
    server: Served, dozen: Stack, tmp_path: Path
) -> None:
    sent = asked(server, "send", dozen.frames, "--stack", "from afar", "--owner", "lena", "--follow")
    assert sent.code == 0, sent.err
    number = sent.out.split()[1].rstrip(":")
    assert "from afar, 12 of 12 frames used" in sent.out
    new = tmp_path / "pictures"
    fetched = asked(server, "fetch", number, "--out", new)
    assert fetched.code == 0, fetched.err
    assert {p.name for p in new.iterdir()} == {"from afar.tif", "from afar.report.json"}
    assert (new / "from afar.tif").read_bytes() == dozen.picture.read_bytes()
    again = asked(server, "fetch", number, "--out", new, "--all")
    assert again.code == 0, again.err
    assert len(list(new.iterdir())) == 8
    job = json.loads(asked(server, "show", number, "--json").out)
    assert (job["state"], job["owner"], job["frames"]["used"]) == ("done", "lena", 12)
    told = asked(server, "show", number)
    assert "state     done" in told.out
    assert KEY not in sent.out + sent.err + told.out + told.err


def test_what_was_sent_before_is_found_again_and_merged_anew_only_on_request(
    server: Served, dozen: Stack
) -> None:
    def number(*options: str) -> int:
        done = asked(server, "send", dozen.frames, "--stack", "twice", "--json", "--follow", *options)
        assert done.code == 0, done.err
        return int(json.loads(done.out)["id"])

    first = number()
    assert number() == first
    second = number("--again")
    assert second != first
    assert number("--again") not in {first, second}


def test_a_sending_that_was_cut_off_goes_on_where_it_was(server: Served, long: Stack) -> None:
    command = ("send", long.frames, "--stack", "cut off")
    env = {"NEARFAR_URL": server.url, "NEARFAR_KEY": KEY}
    with start(*command, env=env) as process:
        server.wait(lambda: any(job["stack"] == "cut off" for job in server.jobs()))
        (job,) = (job for job in server.jobs() if job["stack"] == "cut off")
        server.wait(lambda: received(server, job["id"]) > 0)
        process.send_signal(signal.SIGINT)
        _, said = process.communicate(timeout=60)
    whole = sum(p.stat().st_size for p in long.frames.iterdir())
    kept = received(server, job["id"])
    if process.returncode == 130:  # unless it was quicker
        assert "The same command continues from here" in said
        assert 0 < kept < whole
    elsewhere = server.url.replace("127.0.0.1", "localhost")  # the same server by another address
    done = asked(server, *command, "--follow", "--to", elsewhere)
    assert done.code == 0, done.err
    assert [j["id"] for j in server.jobs() if j["stack"] == "cut off"] == [job["id"]]
    assert (server.results / "cut off" / "cut off.tif").read_bytes() == long.picture.read_bytes()


def received(server: Served, job: int) -> int:
    """Bytes of a job's frames that are at the server."""
    return sum(int(frame["received"]) for frame in server.get(f"/jobs/{job}/frames")["frames"])


def test_a_line_that_breaks_costs_only_what_was_on_its_way(
    server: Served, long: Stack, tmp_path: Path
) -> None:
    with breaking(server.url) as line:
        env = {"NEARFAR_URL": line.url, "NEARFAR_KEY": KEY}
        line.up += [500_000, 1_500_000]
        done = nearfar("send", long.frames, "--stack", "bad line", "--json", env=env)
        assert done.code == 0, done.err
        assert line.breaks == 2
        number = json.loads(done.out)["id"]
        line.down += [900, 1500]
        followed = nearfar("show", str(number), "--follow", env=env)
        assert followed.code == 0, followed.err
        assert line.breaks == 4
        line.down += [600_000]
        fetched = nearfar("fetch", str(number), "--out", tmp_path, env=env)
        assert fetched.code == 0, fetched.err
        assert line.breaks == 5
    assert [job["id"] for job in server.jobs() if job["stack"] == "bad line"] == [number]
    assert (tmp_path / "bad line.tif").read_bytes() == long.picture.read_bytes()


def test_strangers_are_told_that_a_key_is_needed_and_learn_nothing(server: Served, dozen: Stack) -> None:
    for key, words in (
        (None, "it asks for a key"),
        ("not the key of this drawer", "the key is not the server's"),
    ):
        for command in (("jobs",), ("send", str(dozen.frames)), ("show", "1"), ("server", "pause")):
            done = asked(server, *command, key=key)
            assert done.code == 4
            assert words in done.message
            assert done.out == ""


def test_a_failed_job_says_why_and_gives_exit_code_4(server: Served, dozen: Stack, tmp_path: Path) -> None:
    shutil.copytree(dozen.frames, tmp_path / "odd pair", ignore=lambda _, names: sorted(names)[1:])
    lay(np.full((1, 90, 120, 3), 9000, np.uint16), tmp_path / "odd pair", names=["odd size.tif"])
    done = asked(server, "send", tmp_path / "odd pair", "--follow")
    assert done.code == 4
    number = done.out.split()[1].rstrip(":")
    shown = asked(server, "show", number, "--follow")
    assert shown.code == 4
    assert "reason    " in asked(server, "show", number).out
    assert asked(server, "fetch", number, "--out", tmp_path / "new").code == 4
    assert not (tmp_path / "new").exists()
    assert "failed" in asked(server, "jobs", "--state", "failed").out


def test_cancelled_work_ends_at_once_and_leaves_nothing(server: Served, long: Stack) -> None:
    done = asked(server, "send", long.frames, "--stack", "not wanted", "--json")
    assert done.code == 0, done.err
    number = int(json.loads(done.out)["id"])
    server.wait(lambda: server.state(number) == "running")
    assert asked(server, "cancel", str(number), "--reason", "the lamp was off").code == 0
    assert server.state(number) == "cancelled"
    server.wait(lambda: not server.left_on_the_way(number), what="nothing is left on the way")
    assert not (server.results / "not wanted").exists()
    assert "the lamp was off" in asked(server, "show", str(number)).out
    assert asked(server, "show", str(number), "--follow").code == 130
    assert asked(server, "cancel", str(number)).code == 4


def test_a_paused_server_begins_nothing_until_it_is_opened(server: Served, dozen: Stack) -> None:
    assert "paused" in asked(server, "server", "pause").out
    done = asked(server, "send", dozen.frames, "--stack", "later", "--json")
    number = int(json.loads(done.out)["id"])
    time.sleep(1.0)
    assert server.state(number) == "waiting"
    assert "open" in asked(server, "server", "open").out
    server.wait(lambda: server.state(number) == "done")


def test_a_held_job_waits_for_its_release_and_again_makes_a_new_one(server: Served, dozen: Stack) -> None:
    done = asked(server, "send", dozen.frames, "--stack", "held back", "--hold", "--json")
    number = int(json.loads(done.out)["id"])
    assert server.state(number) == "held"
    assert asked(server, "release", str(number)).code == 0
    server.wait(lambda: server.state(number) == "done")
    other = asked(
        server, "again", str(number), "--recipe", "landscape", "--leave-out", "F0001.jpg", "--follow"
    )
    assert other.code == 0, other.err
    newest = server.jobs()[-1]
    assert (newest["again_of"], newest["recipe"]) == (number, "landscape")
    assert newest["frames"]["left_out"] == 1


@pytest.mark.slow
def test_a_server_killed_in_the_middle_goes_on_when_it_is_started_again(long: Stack, tmp_path: Path) -> None:
    with served(tmp_path / "data", NEARFAR_WORKER_THREADS="1", NEARFAR_STORE_LEASE="6") as server:
        shutil.copytree(long.frames, server.inbox / "long")
        server.wait(lambda: any(job["state"] == "running" for job in server.jobs()))
        server.stop(signal.SIGKILL)
        server.wait(lambda: not processes_of(server.data), what="its processes ended with it")
        assert not (server.results / "long").exists()
        server.start()
        picture = server.results / "long" / "long.tif"
        server.wait(picture.exists, what="the picture lies in results")
        assert picture.read_bytes() == long.picture.read_bytes()
        (job,) = server.jobs()
        server.wait(lambda: server.state(job["id"]) == "done")


@pytest.mark.slow
def test_a_server_that_is_stopped_hands_its_work_back_and_goes_on_later(long: Stack, tmp_path: Path) -> None:
    with served(tmp_path / "data", NEARFAR_WORKER_THREADS="1") as server:
        shutil.copytree(long.frames, server.inbox / "long")
        server.wait(lambda: any(job["state"] == "running" for job in server.jobs()))
        assert server.stop() == 0
        assert processes_of(server.data) == []
        server.start()
        picture = server.results / "long" / "long.tif"
        server.wait(picture.exists, what="the picture lies in results")
        assert picture.read_bytes() == long.picture.read_bytes()
        (job,) = server.jobs()
        server.wait(lambda: server.state(job["id"]) == "done")
        assert server.attempts(job["id"], "lost") == server.attempts(job["id"], "failed") == 0


@pytest.mark.slow
def test_a_copy_made_while_a_job_runs_is_brought_back_and_the_job_goes_on(
    long: Stack, tmp_path: Path
) -> None:
    data = tmp_path / "data"
    with served(data, NEARFAR_WORKER_THREADS="1") as server:
        shutil.copytree(long.frames, server.inbox / "long")
        server.wait(lambda: any(job["state"] == "running" for job in server.jobs()))
        made = nearfar("backup", tmp_path / "copy", "--data", data)
        assert made.code == 0, made.err
        refused = nearfar("restore", tmp_path / "copy", "--data", data, "--replace")
        assert refused.code == 2
        assert "a server runs on" in refused.message
        server.stop()
        assert "with --replace" in nearfar("restore", tmp_path / "copy", "--data", data).message
        done = nearfar("restore", tmp_path / "copy", "--data", data, "--replace")
        assert done.code == 0, done.err
        assert "kept aside: " in done.out
        server.start()
        picture = server.results / "long" / "long.tif"
        server.wait(picture.exists, what="the picture lies in results")
        assert picture.read_bytes() == long.picture.read_bytes()
        server.wait(lambda: [job["state"] for job in server.jobs()] == ["done"])


def test_a_server_that_is_not_there_is_told_in_words(tmp_path: Path) -> None:
    done = anew("jobs", "--data", tmp_path, "--to", "127.0.0.1:1")
    assert done.code == 4
    assert "no server answers at http://127.0.0.1:1 (from --to)" in done.message
