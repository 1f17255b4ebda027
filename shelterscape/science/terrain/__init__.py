"""How terrain shelters or exposes a cell, and the wind over it."""

from __future__ import annotations

from shelterscape.science.terrain.horizon import horizon_angle, view_complete
from shelterscape.science.terrain.linear_theory import Edges, OpenWind, TerrainWind
from shelterscape.science.terrain.open_wind import speed_up, speed_ups
from shelterscape.science.terrain.topographic_exposure import TOPEX_CLASSES, topex, topex_class
from shelterscape.science.terrain.upwind import upwind_slope, weighted_horizon

__all__ = [
    "TOPEX_CLASSES",
    "Edges",
    "OpenWind",
    "TerrainWind",
    "horizon_angle",
    "speed_up",
    "speed_ups",
    "topex",
    "topex_class",
    "upwind_slope",
    "view_complete",
    "weighted_horizon",
]
