"""The render step on surveyed frames: what the tile kernel is given, and the keys of the bands."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from nearfar.frames.colour import light_table
from nearfar.frames.headers import FrameHeader
from nearfar.merge.chooser import numbers, weights, where
from nearfar.merge.focus.find import FocusMap, FocusWriter
from nearfar.merge.kernel.picture_calls import TileFrame, TileKernel, render_bytes
from nearfar.merge.keys import key
from nearfar.merge.mapped_arrays import MappedArrays
from nearfar.merge.plan import Plan
from nearfar.merge.recipe import Recipe
from nearfar.merge.register import Registration
from nearfar.merge.render import Renderer
from nearfar.merge.sensor import Spots
from nearfar.merge.survey import MappedFrame
from nearfar.merge.surveyed_stack import SurveyedStack

VERSION = 17

BEHIND = 0.3
"""Weight of the tile kernel (render.c) for what lies behind, measured on rendered brackets of four kinds."""
TOLD_FLAT, TOLD_SHARP, CLEAR = 0.4, 0.05, 40.0
"""Shares of the noise's variance that the chooser is told, where no frame has detail and where one alone has energies far
above so many times the noise's. Told all, it gives up detail that is fine throughout, or was sharpened: bold print was 1 dB
below a plain pyramid. Told little, it takes noise for detail where nothing is sharp, and one frame where several together
are better, as at hairs in small steps. Averaging knows all noise."""
KEEP_NOISE = 1e-9
"""Variance to give for a frame that is shown as it is: it keeps its noise, that of its colours as well."""
MODEST = 48 << 20
"""Bytes of work memory that a tile may always take, per thread ..."""
USUAL = 2
"""... or so many times what one with the mean number of frames takes, up to the plan's limit. The few with many more frames
are made in pieces: that costs a twentieth of a stack's time, and they alone would decide the memory of the whole run."""
ORDERS = {"near-first": 1, "far-first": -1, "unknown": 0}


def order_of(headers: Sequence[FrameHeader], recipe: Recipe) -> int:
    """1 if the first of the used frames is focused nearest, -1 if the last one is, 0 if that is unknown."""
    asked = recipe.focus.order
    if asked in ORDERS:
        return ORDERS[asked]
    known = [d for h in headers if (d := h.camera.subject_distance) is not None]
    return -1 if len(known) == len(headers) and known[-1] < known[0] else 1


def band_keys(focus_key: str, recipe: Recipe, bands: int) -> list[str]:
    """Keys of the bands of a stack."""
    params = {"agreement": recipe.render.agreement, "order": recipe.focus.order}
    if (spread := where.SPREADS.get(recipe.render.chooser)) is not None:
        params["chooser"] = f"{weights.load().digest} {spread:g}"
    return [key("render", VERSION, {**params, "band": b}, [focus_key]) for b in range(bands)]


def gain_table(header: FrameHeader, gain_ev: float) -> NDArray[np.float32] | None:
    """Table from a sample to the encoded value with the frame's gain removed in linear light; None if there is no gain."""
    if abs(gain_ev) < 0.001:
        return None
    light = light_table(header.icc, header.bits).astype(np.float64)
    encoded = np.linspace(0, 1, light.size)
    return np.asarray(np.interp(light * 2.0**-gain_ev, light, encoded), np.float32)


class GainTables:
    """The `gain_table` of each used frame, in order. Those of 16 bit, 256 KiB each, lie in a file without a name.

    Parameters
    ----------
    folder
        Where that file may lie.
    """

    def __init__(self, stack: SurveyedStack, registration: Registration, folder: Path) -> None:
        self._mapped: MappedArrays | None = None
        self.tables: list[NDArray[np.float32] | None] = []
        gains = [(stack.frames[k].header, registration.frames[k].gain_ev) for k in registration.used]
        if gains[0][0].bits == 16:
            self._mapped = MappedArrays.passing(folder, [(np.float32, (1 << 16,))] * len(gains))
        for place, (header, gain_ev) in enumerate(gains):
            table = gain_table(header, gain_ev)
            if table is not None and self._mapped is not None:
                kept = self._mapped.arrays[place]
                kept[:] = table
                table = kept
            self.tables.append(table)

    def forget(self) -> None:
        """Give the pages of the file back."""
        if self._mapped is not None:
            self._mapped.forget()


def make_renderer(
    stack: SurveyedStack,
    mapped: Sequence[MappedFrame],
    registration: Registration,
    *,
    spots: Spots,
    found: FocusMap,
    volume: FocusWriter,
    tables: GainTables,
    plan: Plan,
    relax: Callable[[], None],
) -> Renderer:
    """The renderer of a stack.

    Parameters
    ----------
    mapped
        Pixels of the used frames, in order.
    spots
        Places on the sensor to be taken from other frames, or filled.
    found, volume
        What the focus step made.
    relax
        Called often; gives mapped pages back, and raises to stop.
    """
    recipe, noise, used, size = stack.recipe, stack.noise, registration.used, stack.size
    headers = [stack.frames[k].header for k in used]
    frames = [
        TileFrame(
            pixels=m.pixels,
            pose=registration.pose_at(k),
            table=table,
            bend=registration.frames[k].bend,
            fill=spots.fill(m.pixels, m.pixels.table) if spots.places else None,
        )
        for k, table, m in zip(used, tables.tables, mapped, strict=True)
    ]
    kernel = TileKernel(
        size=size,
        frames=frames,
        prior=volume.prior,
        admitted=volume.admitted,
        variance=found.variance if len(used) > 1 else np.full_like(found.variance, KEEP_NOISE),
        order=order_of(headers, recipe),
        numbers={
            "channel": numbers.CHANNEL,
            "band0": numbers.BAND0 * float(noise.bands[0]),
            "band1": numbers.BAND1 * float(noise.bands[1]),
            "prior_weight": numbers.PRIOR_WEIGHT,
            "behind": BEHIND,
            "agreement": recipe.render.agreement,
            "quiet": numbers.QUIET,
            "spread": where.SPREADS.get(recipe.render.chooser, 0.0),
            "told_flat": TOLD_FLAT,
            "told_sharp": TOLD_SHARP,
            "clear": CLEAR,
        },
        mapped=True,
        net=weights.load().numbers if recipe.render.chooser in where.SPREADS else None,
        spots=spots.table(),
    )
    return Renderer(
        kernel,
        size=size,
        channels=headers[0].channels,
        tile=plan.tile,
        work_limit=min(plan.work_limit, _modest(kernel, volume, plan.tile)),
        relax=relax,
    )


def _modest(kernel: TileKernel, volume: FocusWriter, tile: int) -> int:
    """Bytes of work memory that are enough for all but a few tiles."""
    frames = np.count_nonzero(volume.admitted) * kernel.frames / volume.admitted.size
    return max(MODEST, render_bytes(min(tile, 256), round(USUAL * frames), learned=kernel.learned))
