"""Places of the sensor that tell nothing of the scene: found from the set itself, filled, and passed over.

A hot or dead pixel, or a grain of dust, stays at its place of the sensor while the scene moves, breathes or blurs
between the frames. Lined up with the scene it would become a line. `search` and `dust` find such places, `spots` holds
them and says what a frame has there instead.
"""

from __future__ import annotations

from nearfar.merge.sensor.finding import find_spots, look_at
from nearfar.merge.sensor.looking import SensorFrame
from nearfar.merge.sensor.spots import Spot, Spots

__all__ = ["SensorFrame", "Spot", "Spots", "find_spots", "look_at"]
