"""Shelter and exposure by the terrain, and terrain wind."""

from __future__ import annotations

from shelterscape.science.terrain.horizon import horizon_angle, view_complete
from shelterscape.science.terrain.linear_theory import Edges, TerrainWind
from shelterscape.science.terrain.topographic_exposure import TOPEX_BOUNDS, topex, topex_class
from shelterscape.science.terrain.upwind import upwind_slope, weighted_horizon_deg
from shelterscape.science.terrain.wind_over_terrain import speed_up, speed_ups

__all__ = [
    "TOPEX_BOUNDS",
    "Edges",
    "TerrainWind",
    "horizon_angle",
    "speed_up",
    "speed_ups",
    "topex",
    "topex_class",
    "upwind_slope",
    "view_complete",
    "weighted_horizon_deg",
]
