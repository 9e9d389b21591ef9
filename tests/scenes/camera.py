"""What a camera makes of light before it writes a JPEG: a mosaic of colours, noise that grows with light, sharpening."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import rawpy
from numpy.typing import NDArray

from tests.scenes import light
from tests.scenes.light import Floats
from tests.worker.frames.makers import write_dng

BLACK, FULL = 64, 16383
"""Levels of black and white in the DNG files that are made here."""
LUMA = np.array([0.299, 0.587, 0.114], np.float32)


@dataclass(frozen=True, kw_only=True)
class Sensor:
    """``noise``: sigma in linear light at white; it falls with the root of light, down to a tenth in the dark.

    ``sharpen``: how much of luma less a Gaussian of one pixel is added. ``corners``: light that a corner lacks, 0..1.
    ``converter``: colours between are made by LibRaw, as raw converters do, which keeps more of fine detail.
    """

    noise: float = 0.012
    sharpen: float = 0.6
    corners: float = 0.2
    converter: bool = False

    def develop(self, linear: Floats, random: np.random.Generator) -> NDArray[np.uint16]:
        """A picture (h, w, 3) of linear light, white at 1, as the camera has it: sRGB."""
        seen = linear * self._falloff(linear.shape)[..., None]
        mosaic = np.empty(seen.shape[:2], np.float32)
        for y, x, colour in ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2)):
            mosaic[y::2, x::2] = seen[y::2, x::2, colour]
        sigma = np.float32(self.noise) * np.sqrt(np.clip(mosaic, 0.01, None))
        mosaic += sigma * random.standard_normal(mosaic.shape, np.float32)
        colours = (_converted if self.converter else _quickly)(np.clip(mosaic, 0, 1))
        return np.rint(self._sharpened(light.encode(colours)) * 65535).astype(np.uint16)

    def truth(self, linear: Floats) -> Floats:
        """The same without mosaic and noise, float32 0..1."""
        return self._sharpened(light.encode(linear * self._falloff(linear.shape)[..., None]))

    def _falloff(self, shape: tuple[int, ...]) -> Floats:
        y, x = np.mgrid[-1 : 1 : shape[0] * 1j, -1 : 1 : shape[1] * 1j]
        return (1 - self.corners * (x * x + y * y) / 2).astype(np.float32)

    def _sharpened(self, encoded: Floats) -> Floats:
        luma = encoded @ LUMA
        fine = luma - cv2.GaussianBlur(luma, (0, 0), 1.0)
        return np.clip(encoded + np.float32(self.sharpen) * fine[..., None], 0, 1).astype(np.float32)


def _quickly(mosaic: Floats) -> Floats:
    whole = np.rint(mosaic * 65535).astype(np.uint16)
    return cv2.demosaicing(whole, cv2.COLOR_BayerBG2RGB_EA).astype(np.float32) / 65535


def _converted(mosaic: Floats) -> Floats:
    with tempfile.TemporaryDirectory() as folder:
        levels = np.rint(BLACK + mosaic * (FULL - BLACK)).astype(np.uint16)
        path = write_dng(Path(folder, "raw.dng"), sensor=levels, neutral=(1, 1, 1, 1, 1, 1))
        with rawpy.imread(str(path)) as opened:
            samples = opened.postprocess(
                use_camera_wb=True,
                no_auto_bright=True,
                adjust_maximum_thr=0.0,
                user_flip=0,
                output_bps=16,
                output_color=rawpy.ColorSpace.raw,
                gamma=(1, 1),
            )
    return samples.astype(np.float32) / 65535
