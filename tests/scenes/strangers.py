"""Frames that do not belong: what a card holds besides good frames. All return uint16 sRGB like a scene's."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.scenes import light, resample, textures
from tests.scenes.light import Floats
from tests.scenes.scene import Scene, render, similarity

Frame = NDArray[np.uint16]
LUMA = np.array([0.299, 0.587, 0.114])
"""Weights of ITU-R BT.601 (from memory)."""


def _noisy(encoded: Floats, noise: float, seed: int) -> Frame:
    grain = np.random.default_rng(seed).standard_normal(encoded.shape, np.float32)
    return np.asarray(np.rint(np.clip(encoded + np.float32(noise) * grain, 0, 1) * 65535), np.uint16)


def covered(scene: Scene, *, seed: int = 1) -> Frame:
    """The lens cap is on: almost black, noise only."""
    return _noisy(np.full(scene.truth.shape, 0.02, np.float32), 1.5 * scene.noise, seed)


def featureless(scene: Scene, *, seed: int = 2) -> Frame:
    """A wall out of focus, close to the scene's mean: a faint gradient and noise."""
    h, w, _ = scene.truth.shape
    slope = np.linspace(-0.03, 0.03, w, dtype=np.float32)[None, :, None]
    return _noisy(
        np.broadcast_to(scene.truth.mean((0, 1)) + slope, (h, w, 3)).astype(np.float32), scene.noise, seed
    )


def other(scene: Scene, *, seed: int = 93) -> Frame:
    """A frame of quite another scene, same size."""
    kind = "occlusion" if scene.kind != "occlusion" else "hairs"
    h, w, _ = scene.truth.shape
    return np.array(render(kind, frames=3, size=(w, h), seed=seed, noise=scene.noise).frames[1])


def repeat(scene: Scene, k: int, *, seed: int = 4) -> Frame:
    """Frame ``k`` once more: the same focus, only the noise differs (a little less is new than in a new shot)."""
    return _noisy(scene.frames[k].astype(np.float32) / 65535, 0.7 * scene.noise, seed)


def hand(scene: Scene, *, seed: int = 5) -> Frame:
    """A hand before the lens: large, far too near to be sharp, over the last frame."""
    h, w, _ = scene.truth.shape
    random = np.random.default_rng(seed)
    mask = np.zeros((h // 4, w // 4), np.float32)
    base = np.array([w / 8 + random.uniform(-0.03, 0.03) * w, h / 4 * 1.05])
    for i in range(4):
        turn = -np.pi / 2 + (i - 1.6) * 0.23 + random.normal(0, 0.03)
        tip = base + np.array([np.cos(turn), np.sin(turn)]) * h / 4 * random.uniform(0.85, 1.0)
        cv2.line(mask, tuple(int(v) for v in base), tuple(int(v) for v in tip), 1.0, max(3, h // 30))
    cv2.circle(mask, (int(base[0]), int(base[1] - h / 16)), h // 11, 1.0, -1)
    mask = cv2.GaussianBlur(cv2.resize(mask, (w, h)), (0, 0), h / 38)[..., None]
    shade = 0.7 + 0.6 * textures.fractal(random, (h, w), fall=0.3)[..., None]
    skin = np.array([0.48, 0.27, 0.18], np.float32) * shade
    behind = light.decode(cv2.GaussianBlur(scene.frames[-1].astype(np.float32) / 65535, (0, 0), h / 60))
    return _noisy(light.encode((behind * (1 - mask) + skin * mask).astype(np.float32)), scene.noise, seed)


def fingers(
    scene: Scene, k: int, *, share: float = 0.3, soft: float = 0.05, seed: int = 6, like: str = ""
) -> Frame:
    """A hand that reaches into frame ``k`` from the right, ``share`` of its width, out of focus by ``soft`` heights:
    what is not covered is as it was. ``like``: "light" where the hand is as bright as what it covers, "colour" where it
    has its colour as well.
    """
    h, w, _ = scene.truth.shape
    random = np.random.default_rng(seed)
    mask = np.zeros((h, w), np.float32)
    for i in range(4):
        y, tip = int(h * (0.2 + 0.17 * i)), int(w * (1 - share * random.uniform(1.0, 1.3)))
        cv2.line(mask, (w + h // 4, y + h // 20), (tip, y), 1.0, h // 7, cv2.LINE_AA)
    mask = np.asarray(cv2.GaussianBlur(mask, (0, 0), soft * h), np.float32)[..., None]
    shade = 0.6 + 0.7 * textures.fractal(random, (h, w), fall=0.35)[..., None]
    skin = np.array([0.5, 0.3, 0.2], np.float32) * shade
    behind = light.decode(scene.frames[k].astype(np.float32) / 65535)
    if like:
        hidden = (behind * mask).sum((0, 1)) / mask.sum()
        same = hidden if like == "colour" else np.array([0.5, 0.3, 0.2]) * (hidden @ LUMA) / 0.348
        skin = (same * (0.85 + 0.3 * (shade - 0.6) / 0.7)).astype(np.float32)
    return _noisy(
        light.encode((behind * (1 - mask) + skin * mask).astype(np.float32)), 0.2 * scene.noise, seed
    )


def misfired(scene: Scene, k: int, *, ev: float = -3.0, seed: int = 7) -> Frame:
    """Frame ``k`` without its flash (or with another lamp): the noise of the sensor stays what it is."""
    linear = light.decode(scene.frames[k].astype(np.float32) / 65535) * np.float32(2.0**ev)
    return _noisy(light.encode(linear), scene.noise, seed)


def bump(scene: Scene, k: int, *, shift: tuple[float, float] = (120.0, -40.0), blur_noise: int = 6) -> Scene:
    """Somebody knocked the tripod before frame ``k``: it and all later ones are shifted (edges are mirrored in)."""
    w, h = scene.frames.shape[2], scene.frames.shape[1]
    move = similarity((w, h), shift=shift)
    frames, poses = scene.frames.copy(), scene.poses.copy()
    for i in range(k, len(frames)):
        frames[i] = _noisy(_shifted(frames[i], shift), 0.2 * scene.noise, blur_noise + i)
        poses[i] = resample.compose(move, poses[i])
    return replace(scene, frames=frames, poses=poses)


def _shifted(frame: Frame, shift: tuple[float, float]) -> NDArray[np.float32]:
    whole = np.rint(shift).astype(int)
    x, y = abs(whole)
    wide = np.pad(frame, ((y, y), (x, x), (0, 0)), mode="reflect")
    top, left = y - whole[1], x - whole[0]
    part = wide[top : top + frame.shape[0], left : left + frame.shape[1]]
    return part.astype(np.float32) / np.float32(65535)


def insert(scene: Scene, extra: Sequence[tuple[int, Frame]]) -> tuple[NDArray[np.uint16], list[int | None]]:
    """Put strangers before the frames of the given numbers; returns all frames and each one's own number or None."""
    frames: list[Frame] = []
    numbers: list[int | None] = []
    for k in range(len(scene.frames) + 1):
        for _, frame in [e for e in extra if e[0] == k]:
            frames.append(frame)
            numbers.append(None)
        if k < len(scene.frames):
            frames.append(scene.frames[k])
            numbers.append(k)
    return np.stack(frames), numbers


def mixed(one: Scene, two: Scene, *, interleaved: bool) -> tuple[NDArray[np.uint16], list[tuple[int, int]]]:
    """Two stacks in one folder, one after the other or in turns; returns frames and (stack, number) of each."""
    order = [(0, k) for k in range(len(one.frames))] + [(1, k) for k in range(len(two.frames))]
    if interleaved:
        order.sort(key=lambda o: (o[1], o[0]))
    return np.stack([(one, two)[s].frames[k] for s, k in order]), order
