"""Mends and processes that end: whatever happens when, the picture is whole and the wish is carried out."""

from __future__ import annotations

import contextlib
import os
import select
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from nearfar.jobs import MendState
from nearfar.runner.mending import files
from nearfar.runner.mending.process import Mender
from nearfar.runner.results.versions import earlier, first_picture
from nearfar.server_settings import to_environment
from tests.worker.runner.mending.mended import Mending
from tests.worker.runner.serving import PATH


def process(mending: Mending) -> subprocess.Popen[bytes]:
    with mending.store.database.engine.begin() as conn:  # the bench has a host's name of its own
        conn.exec_driver_sql("DELETE FROM server WHERE name = 'host'")
    environment = {k: v for k, v in os.environ.items() if not k.startswith("NEARFAR_")}
    environment |= to_environment(mending.settings) | {"PYTHONPATH": PATH}
    return subprocess.Popen([sys.executable, "-m", "nearfar.runner.mending.process"], env=environment)


def wait_for(look: Callable[[], bool], what: str) -> None:
    end = time.monotonic() + 60
    while not look():
        assert time.monotonic() < end, what
        time.sleep(0.01)


def test_a_process_carries_mends_out_and_leaves_when_it_is_told(mending: Mending) -> None:
    running = process(mending)
    try:
        mending.want(use="smooth")
        wait_for(lambda: mending.state is MendState.SHOWN, "the mend is shown")
        assert len(earlier(mending.picture)) == 1
        running.send_signal(signal.SIGTERM)
        assert running.wait(60) == 0
    finally:
        running.kill()
        running.wait()


def test_a_process_that_was_killed_leaves_the_wish_to_the_next_one(mending: Mending) -> None:
    first = mending.picture.read_bytes()
    mending.want(use="map", box=[20, 20, 600, 400])
    running = process(mending)
    try:
        wait_for(lambda: held(mending) or mending.state is not MendState.WORKING, "it began")
    finally:
        running.kill()
        running.wait()
    running = process(mending)
    try:
        wait_for(lambda: mending.state is MendState.SHOWN, "the mend is shown")
    finally:
        running.kill()
        running.wait()
    assert first_picture(mending.picture).read_bytes() == first != mending.picture.read_bytes()


def killed(mending: Mending, after: float) -> None:
    """Carry out what is wanted in a child of this process, and kill that after some seconds."""
    child = os.fork()
    if child == 0:
        try:
            mender = Mender(mending.settings, mending.places, mending.store, threads=1)
            mending.store.release_mending()
            mender.turn()
        finally:
            os._exit(0)
    ended = os.pidfd_open(child)
    if not select.select([ended], [], [], after)[0]:
        os.kill(child, signal.SIGKILL)
    os.close(ended)
    os.waitpid(child, 0)


def test_killed_at_any_moment_the_picture_is_whole_and_the_wish_is_carried_out(mending: Mending) -> None:
    first = mending.picture.read_bytes()
    began = time.monotonic()
    mending.mend(use="map", box=[20, 20, 600, 400])
    whole = time.monotonic() - began
    states = [mending.picture.read_bytes(), first]
    rng = np.random.default_rng(8)
    for turn in range(8):
        shutil.rmtree(mending.places.state / "mends", ignore_errors=True)  # so that all tiles are made again
        (mending.store.redo_mend if turn % 2 else mending.store.undo_mend)(mending.job, 1, who="ada")
        wanted = states[(turn + 1) % 2]
        for _ in range(2):
            killed(mending, float(rng.uniform(0.0, 1.2 * whole)))
            assert mending.picture.read_bytes() in states
            assert first_picture(mending.picture).read_bytes() == first
        mending.store.release_mending()
        if mending.state is MendState.WORKING:
            mending.carry_out()
        assert mending.picture.read_bytes() == wanted
        assert [m["number"] for m in mending.report()["mends"]] == ([1] if turn % 2 else [])
    mending.mend(use="smooth", box=[5, 5, 20, 20])
    assert mending.bench.parts() == [], "what was half made goes with the next mend"


@pytest.mark.parametrize("at", range(9))
def test_an_end_between_any_two_writes_is_made_good(
    mending: Mending, monkeypatch: pytest.MonkeyPatch, at: int
) -> None:
    first = mending.picture.read_bytes()
    mending.mend(use="smooth")
    shown = mending.picture.read_bytes()
    mending.store.undo_mend(mending.job, 1, who="ada")
    left = [at]

    def counted(of: Callable[..., Any]) -> Callable[..., Any]:
        def call(*values: Any, **more: Any) -> Any:
            left[0] -= 1
            if left[0] < 0:
                raise KeyboardInterrupt
            return of(*values, **more)

        return call

    with monkeypatch.context() as patched:
        for owner, name in ((Path, "rename"), (Path, "replace"), (os, "link"), (files, "sync")):
            patched.setattr(owner, name, counted(getattr(owner, name)))
        with contextlib.suppress(KeyboardInterrupt):
            mending.mender.turn()
    assert mending.picture.read_bytes() in (first, shown)
    mending.store.release_mending()
    if mending.state is MendState.WORKING:
        mending.carry_out()
    assert mending.picture.read_bytes() == first
    assert mending.report()["mends"] == []
    mending.mend(use="smooth", box=[5, 5, 20, 20])
    assert mending.bench.parts() == []
    assert first_picture(mending.picture).read_bytes() == first


def held(mending: Mending) -> bool:
    """Whether somebody has the mends at work."""
    with mending.store.database.engine.connect() as conn:
        state = conn.exec_driver_sql(f"SELECT state FROM mending WHERE job = {mending.job}").scalar()
        conn.rollback()
    return bool(state == "held")
