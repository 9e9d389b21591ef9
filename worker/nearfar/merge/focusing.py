"""The focus step on surveyed frames, and what it stores in scratch: the focus map, and the volume of prior and admission."""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.focus.find import FocusMap, FocusWriter, find_focus
from nearfar.merge.focus.movement import Moved, take_from_one
from nearfar.merge.focus.patterns import PatternShare, compare_all
from nearfar.merge.focus.seen import FocusFrame
from nearfar.merge.kernel.picture_calls import CELL, grid_shape
from nearfar.merge.keys import key
from nearfar.merge.mapped_arrays import MappedArrays
from nearfar.merge.recipe import Recipe
from nearfar.merge.register import Registration
from nearfar.merge.register.pictures import even_rows
from nearfar.merge.scratch import Scratch
from nearfar.merge.sensor import Spots
from nearfar.merge.stored_arrays import checksum_of
from nearfar.merge.survey import Surveyed
from nearfar.merge.surveyed_stack import SurveyedStack

VERSION = 23

MOST_PAGES = 32 << 20
"""Bytes of a volume of which all pages may be in memory while it is filled; a frame alone touches a page of each row."""


def focus_key(register_key: str, recipe: Recipe) -> str:
    """Key of a stack's focus map."""
    focus = recipe.focus
    params: dict[str, object] = {"admit": focus.admit, "peak": focus.peak, "neighbours": focus.neighbours}
    params |= {"noise": recipe.render.noise, "spots": recipe.sensor.spots, "movement": focus.movement}
    return key("focus", VERSION, params, [register_key])


def focus_stack(
    stack: SurveyedStack,
    name: str,
    registration: Registration,
    *,
    spots: Spots,
    tick: Callable[[float], None],
    share: PatternShare | None = None,
) -> tuple[FocusMap, FocusWriter, list[Moved]]:
    """Focus map, volume and movement of the used frames, from scratch if they are there under ``name``, or made now.

    Parameters
    ----------
    spots
        Places on the sensor that count for nothing.
    tick
        Given the parts of the frames that are done, in frames.
    share
        Given if another process compares patterns meanwhile (`help_compare`).
    """
    scratch, used = stack.scratch, registration.used
    rows, cols = grid_shape(*stack.size)
    shape = (rows, len(used), cols)
    stored = scratch.load_text(name, "moved")
    volume_there = scratch.has(name, "volume", 3 * rows * cols * len(used))
    if stored is None or not (scratch.has(name, "focus") and volume_there):
        if spots.places:
            stack.held.clear()  # coverage saw the frames with their spots
        views = _views(stack, registration, spots)
        with scratch.writing(name, "volume") as part:  # synced: others see mapped pages on a share only then
            writer = _volume(part, shape, new=True)
            done = _giving_back(writer, tick)
            found = find_focus(
                views,
                size=stack.size,
                noise=stack.noise,
                recipe=stack.recipe.focus,
                writer=writer,
                threads=stack.threads,
                tick=done,
                small=_small(stack, registration),
            )
            moved: list[Moved] = []
            if stack.recipe.focus.movement:
                moved = take_from_one(
                    views,
                    _small(stack, registration),
                    writer,
                    size=stack.size,
                    threads=stack.threads,
                    tick=lambda: done(0.0),
                    share=share,
                )
            known = np.array([checksum_of(part)], np.uint32)
        scratch.save(name, "focus", {**vars(found), "volume": known})
        stored = [vars(m) for m in moved]
        scratch.save_text(name, "moved", stored)
    stack.held.clear()  # also of what coverage alone was made of
    fields = list(FocusMap.__dataclass_fields__)
    *values, known = scratch.load(name, "focus", *fields, "volume")
    if checksum_of(scratch.path(name, "volume")) != known[0]:
        raise scratch.spoilt(scratch.path(name, "volume"), "a checksum that is not that of its data")
    volume = _volume(scratch.path(name, "volume"), shape, new=False)
    told = [
        Moved(box=tuple(m["box"]), frame=m["frame"], cells=m["cells"], left_out=m["left_out"]) for m in stored
    ]
    return FocusMap(**dict(zip(fields, values, strict=True))), volume, told


def help_compare(
    stack: SurveyedStack,
    registration: Registration,
    *,
    spots: Spots,
    share: PatternShare,
    check: Callable[[], None],
) -> None:
    """Compare patterns for the process that makes the focus map. Raises what ``share`` and ``check`` raise."""
    compared = compare_all(
        _views(stack, registration, spots),
        _small(stack, registration),
        grid_shape(*stack.size),
        size=stack.size,
        threads=stack.threads,
        share=share,
    )
    for _ in compared:
        check()


def _views(stack: SurveyedStack, registration: Registration, spots: Spots) -> list[FocusFrame]:
    spotted = spots.cells(grid_shape(*stack.size), CELL) if spots.places else None
    return [view_of(stack, registration, k, spotted) for k in registration.used]


def _small(stack: SurveyedStack, registration: Registration) -> list[Callable[[], NDArray[np.float32]]]:
    even = registration.banded
    return [_small_of(stack.scratch, stack.frames[k], even=even) for k in registration.used]


def _small_of(scratch: Scratch, frame: Surveyed, *, even: bool) -> Callable[[], NDArray[np.float32]]:
    def read() -> NDArray[np.float32]:
        light = frame.light(scratch)
        return even_rows(light) if even else light

    return read


def view_of(
    stack: SurveyedStack, registration: Registration, place: int, spotted: NDArray[np.bool_] | None = None
) -> FocusFrame:
    """A frame that is used, as focus and coverage see it; ``spotted``: as of `FocusFrame`."""
    frame, found = stack.frames[place], registration.frames[place]
    return FocusFrame(
        read=partial(frame.energies, stack.scratch),
        pose=registration.pose_at(place),
        gain_ev=found.gain_ev,
        bend=found.bend,
        spotted=spotted,
        key=frame.key,
        held=stack.held,
    )


def _giving_back(volume: FocusWriter, tick: Callable[[float], None]) -> Callable[[float], None]:
    """``tick``, which also gives the volume's pages back where they would be many."""
    if volume.prior.nbytes + volume.admitted.nbytes <= MOST_PAGES:
        return tick

    def done(share: float) -> None:
        volume.forget()
        tick(share)

    return done


def _volume(path: Path, shape: tuple[int, int, int], *, new: bool) -> FocusWriter:
    """Prior (uint16) and admission (uint8), (R, n, C) each, one after the other in a mapped file."""
    flags = os.O_RDWR | os.O_CREAT | os.O_TRUNC if new else os.O_RDONLY
    descriptor = os.open(path, flags, 0o666)
    try:
        if new:
            # A full disk would kill the process at the first touch.
            os.posix_fallocate(descriptor, 0, 3 * int(np.prod(shape)))
        mapped = MappedArrays(descriptor, [(np.uint16, shape), (np.uint8, shape)], write=new)
    finally:
        os.close(descriptor)
    prior, admitted = mapped.arrays
    return FocusWriter(prior, admitted, mapped.forget)
