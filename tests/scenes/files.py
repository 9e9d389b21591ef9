"""Write frames as a camera or a raw converter would: JPEG, 16-bit TIFF or 16-bit PNG with Exif and profile."""

from __future__ import annotations

import json
import struct
import zlib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cv2
import numpy as np
import simplejpeg
from numpy.typing import NDArray

from tests.scenes import tags
from tests.scenes.scene import Scene
from tests.scenes.tags import Camera

SUFFIX = {"jpeg": ".jpg", "tiff16": ".tif", "tiff16-deflate": ".tif", "png16": ".png"}


def jpeg(
    pixels: NDArray[np.uint8], *, quality: int, exif: bytes, profile: bytes, subsampling: str = "420"
) -> bytes:
    """JFIF stream with an APP1 Exif and an APP2 profile segment behind the start marker."""
    body = simplejpeg.encode_jpeg(np.ascontiguousarray(pixels), quality, "RGB", subsampling)
    app1 = b"Exif\0\0" + exif
    app2 = b"ICC_PROFILE\0\x01\x01" + profile
    heads = [
        b"\xff\xe1" + struct.pack(">H", len(app1) + 2) + app1,
        b"\xff\xe2" + struct.pack(">H", len(app2) + 2) + app2,
    ]
    return bytes(body[:2]) + b"".join(heads) + bytes(body[2:])


def tiff16(
    pixels: NDArray[np.uint16], *, camera: Camera, number: int, profile: bytes, deflate: bool = False
) -> bytes:
    """Baseline RGB TIFF, 16 bits, in strips of 64 rows, Exif directory included."""
    h, w, _ = pixels.shape
    strips = [pixels[y : y + 64].astype("<u2").tobytes() for y in range(0, h, 64)]
    if deflate:
        strips = [zlib.compress(s, 1) for s in strips]
    main, exif = camera.tags(number)
    offsets, counts = tuple(0 for _ in strips), tuple(len(s) for s in strips)
    first = {
        **main,
        0x0100: (tags.LONG, w),
        0x0101: (tags.LONG, h),
        0x0102: (tags.SHORT, (16, 16, 16)),
        0x0103: (tags.SHORT, 8 if deflate else 1),
        0x0106: (tags.SHORT, 2),
        0x0111: (tags.LONG, offsets),
        0x0115: (tags.SHORT, 3),
        0x0116: (tags.LONG, 64),
        0x0117: (tags.LONG, counts),
        0x011C: (tags.SHORT, 1),
        0x8773: (tags.UNDEFINED, profile),
        tags.EXIF_IFD: (tags.LONG, 0),
    }
    second = 8 + len(tags.directory(first, 8))
    behind = tags.directory(exif, second)
    at = second + len(behind)
    at += -at % 16
    first[0x0111] = (tags.LONG, tuple(at + sum(counts[:i]) for i in range(len(counts))))
    first[tags.EXIF_IFD] = (tags.LONG, second)
    head = b"II*\0\x08\0\0\0" + tags.directory(first, 8) + behind
    return head.ljust(at, b"\0") + b"".join(strips)


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def png16(pixels: NDArray[np.uint16], *, exif: bytes, profile: bytes) -> bytes:
    """PNG with iCCP and eXIf chunks."""
    done, stream = cv2.imencode(".png", pixels[..., ::-1], [cv2.IMWRITE_PNG_COMPRESSION, 1])
    assert done
    whole = stream.tobytes()
    extra = _chunk(b"iCCP", b"profile\0\0" + zlib.compress(profile)) + _chunk(b"eXIf", exif)
    return whole[:33] + extra + whole[33:]


def as_8bit(pixels: NDArray[np.uint16]) -> NDArray[np.uint8]:
    return ((pixels.astype(np.uint32) * 255 + 32767) // 65535).astype(np.uint8)


def frame_bytes(
    pixels: NDArray[np.uint16],
    format: str,
    *,
    number: int,
    camera: Camera,
    quality: int = 95,
) -> bytes:
    """One frame (h, w, 3) as a file's content."""
    exif, profile = tags.exif_block(camera, number), tags.srgb_profile()
    if format == "jpeg":
        return jpeg(as_8bit(pixels), quality=quality, exif=exif, profile=profile)
    if format == "png16":
        return png16(pixels, exif=exif, profile=profile)
    return tiff16(pixels, camera=camera, number=number, profile=profile, deflate=format == "tiff16-deflate")


def write(
    scene: Scene,
    folder: Path,
    *,
    format: str = "jpeg",
    quality: int = 95,
    camera: Camera | None = None,
    first: int = 0,
    prefix: str = "",
) -> list[Path]:
    """Write all frames into ``folder`` (made if missing) as F0001, F0002 ...; returns their paths in order.

    ``format``: jpeg, tiff16, tiff16-deflate or png16. ``first``: number of the first frame for name and time.
    """
    folder.mkdir(parents=True, exist_ok=True)
    camera = camera or Camera()

    def one(k: int) -> Path:
        path = folder / f"{prefix}F{first + k + 1:04d}{SUFFIX[format]}"
        path.write_bytes(
            frame_bytes(scene.frames[k], format, number=first + k, camera=camera, quality=quality)
        )
        return path

    with ThreadPoolExecutor(2) as pool:
        return list(pool.map(one, range(len(scene.frames))))


def write_truth(scene: Scene, path: Path) -> None:
    """Truth beside (never among) the frames: arrays as .npz, poses and gains as .json of the same name."""
    np.savez(path.with_suffix(".npz"), truth=scene.truth, depth=scene.depth, moving=scene.moving)
    facts = {
        "poses": scene.poses.tolist(),
        "gains_ev": scene.gains_ev.tolist(),
        "reference": scene.reference,
        "noise": scene.noise,
        "aperture": scene.aperture,
        "names": list(scene.names),
    }
    path.with_suffix(".json").write_text(json.dumps(facts))
