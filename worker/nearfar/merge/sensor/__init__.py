"""The sensor: hot and dead pixels and dust, found from the frames of the stack themselves and filled.

A hot or dead pixel, or a grain of dust, stays at its place on the sensor while the scene moves, breathes or blurs between
the frames. Aligned with the scene it would become a streak. `finding` and `dust` find such places; `spots` holds them and
says what a frame gets there instead.
"""

from __future__ import annotations

from nearfar.merge.sensor.finding import find_spots, look_at
from nearfar.merge.sensor.spots import Spot, Spots
from nearfar.merge.sensor.view import SensorFrame

__all__ = ["SensorFrame", "Spot", "Spots", "find_spots", "look_at"]
