"""How the lie of the land shelters or exposes a point, and what it does to the wind."""

from shelterscape.science.terrain.horizon import horizon_angle, topex
from shelterscape.science.terrain.open_wind import Edges, OpenWind, speed_up, speed_ups

__all__ = ["Edges", "OpenWind", "horizon_angle", "speed_up", "speed_ups", "topex"]
