"""How the lie of the land shelters or exposes a point, and what it does to the wind."""

from __future__ import annotations

from shelterscape.science.terrain.air import Edges, OpenWind
from shelterscape.science.terrain.horizon import horizon_angle, view_complete
from shelterscape.science.terrain.open_wind import speed_up, speed_ups
from shelterscape.science.terrain.topographic_exposure import TOPEX_CLASSES, topex, topex_class
from shelterscape.science.terrain.upwind import upwind_slope, weighted_horizon

__all__ = [
    "TOPEX_CLASSES",
    "Edges",
    "OpenWind",
    "horizon_angle",
    "speed_up",
    "speed_ups",
    "topex",
    "topex_class",
    "upwind_slope",
    "view_complete",
    "weighted_horizon",
]
