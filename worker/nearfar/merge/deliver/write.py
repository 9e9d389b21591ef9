"""Deliver: the picture and its side files, each complete under its name or not there at all.

The picture itself gets its name last: if it is there, so is everything else.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path

from nearfar.frames.decode import exif_block
from nearfar.frames.deliverable import Composite, PictureTags, Sums, write_picture
from nearfar.frames.xmp import xmp_packet
from nearfar.merge.deliver.beside import Beside
from nearfar.merge.deliver.delivery import Delivery
from nearfar.merge.deliver.outputs import Outputs
from nearfar.merge.deliver.report import Report
from nearfar.merge.deliver.side_files import SOFTWARE, side_writers, write_height, write_reports
from nearfar.merge.focus.find import FocusMap
from nearfar.merge.survey import Surveyed
from nearfar.merge.surveyed_stack import SurveyedStack


def _used(report: Report, stack: SurveyedStack) -> list[Surveyed]:
    return [f for f, told in zip(stack.frames, report.content["frames"], strict=True) if told["used"]]


def picture_tags(report: Report, stack: SurveyedStack) -> PictureTags:
    """The picture's tags: profile and camera data of the reference frame, and what the picture was made from."""
    reference = next(f for f in stack.frames if f.header.path.name == report.content["reference"])
    used = _used(report, stack)
    times = [f.header.camera.exposure_time for f in used]
    known = tuple(t for t in times if t is not None)
    packet = xmp_packet(
        [f.header.path.name for f in used],
        stack.recipe.name,
        report.content["key"],
        SOFTWARE,
        reference=reference.header.path.name,
    )
    return PictureTags(
        icc=reference.header.icc,
        exif=exif_block(reference.header),
        xmp=packet,
        software=SOFTWARE,
        composite=Composite(
            in_set=len(stack.frames), used=len(used), exposure_times=known if len(known) == len(used) else ()
        ),
    )


def deliver(
    delivery: Delivery,
    outputs: Outputs,
    report: Report,
    stack: SurveyedStack,
    found: FocusMap,
    *,
    stop: Callable[[], None],
    finish: Callable[[Report], Report],
    verify: Callable[[Path, Sums], None] = lambda *_: None,
    beside: Beside | None = None,
) -> Report:
    """Write the picture and all side files; returns the report as written.

    Parameters
    ----------
    delivery
        With all bands gathered.
    report
        Without times; ``finish`` completes it just before it is written. It tells which frames of the stack were used.
    found
        The focus map.
    stop
        Called often; raises to stop.
    verify
        Given the picture's file before it has its name, and the checksums of its tiles; raises to reject it.
    beside
        Side files that another process may have made; those that are there, or will be soon, are taken.
    """
    tags = picture_tags(report, stack)
    headers = [f.header for f in _used(report, stack)]
    writers = side_writers(delivery, tags, found, report, stack.recipe)
    began = time.monotonic()

    def side(ending: str) -> None:
        if beside is not None:
            now = time.monotonic()
            beside.wait(ending, now + (now - began), stop)
        with outputs.writing(outputs.named(ending)) as part:
            if beside is None or not beside.take(ending, part):
                writers[ending](part)

    sides = [partial(side, ending) for ending in writers]
    heights = partial(write_height, outputs, delivery, headers, stack.recipe)
    with outputs.writing(outputs.picture) as part, ThreadPoolExecutor(stack.threads) as pool:
        if beside is None:
            more = [pool.submit(work) for work in (*sides, heights)]
        width, height = delivery.size
        sums = write_picture(
            part,
            width=width,
            height=height,
            channels=delivery.channels,
            levels=delivery.picture_levels(stop),
            tags=tags,
        )
        verify(part, sums)
        if beside is not None:
            heights()
            # What another process has not begun by now is made here, from the other end.
            more = [pool.submit(work) for work in reversed(sides)]
        for written in more:
            written.result()
            stop()
        report = finish(report)
        write_reports(outputs, report)
        stop()
    return report
