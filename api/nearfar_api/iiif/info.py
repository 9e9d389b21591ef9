"""What a client learns about a picture before it asks for any part: info.json of the IIIF Image API 3.0, section 5."""

from __future__ import annotations

from typing import Any

from nearfar.frames.deliverable import TILE, level_sizes
from nearfar_api.iiif.pictures import Picture
from nearfar_api.iiif.views import LARGEST_AREA, LARGEST_EDGE, QUALITIES

CONTEXT = "http://iiif.io/api/image/3/context.json"
PROFILE = "http://iiif.io/api/image/3/level2.json"
FEATURES = ["canonicalLinkHeader", "mirroring", "profileLinkHeader", "sizeUpscaling"]
"""What is offered beyond level 2."""


def information(picture: Picture, address: str) -> dict[str, Any]:
    """The document for a picture that lies under an address."""
    sizes = level_sizes(picture.width, picture.height, _steps(picture))
    return {
        "@context": CONTEXT,
        "id": address,
        "type": "ImageService3",
        "protocol": "http://iiif.io/api/image",
        "profile": "level2",
        "width": picture.width,
        "height": picture.height,
        "maxWidth": LARGEST_EDGE,
        "maxHeight": LARGEST_EDGE,
        "maxArea": LARGEST_AREA,
        "sizes": [
            {"width": width, "height": height}
            for width, height in reversed(sizes)
            if max(width, height) <= LARGEST_EDGE and width * height <= LARGEST_AREA
        ],
        "tiles": [{"width": TILE, "height": TILE, "scaleFactors": [1 << n for n in range(len(sizes))]}],
        "preferredFormats": ["jpg"],
        "extraQualities": [quality for quality in QUALITIES if quality != "default"],
        "extraFeatures": FEATURES,
    }


def _steps(picture: Picture) -> int:
    """Halvings until the picture is one tile, with the picture itself."""
    count, edge = 1, max(picture.width, picture.height)
    while edge > TILE:
        count, edge = count + 1, (edge + 1) // 2
    return count
