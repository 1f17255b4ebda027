"""How the lie of the land shelters or exposes a point, and what it does to the wind."""

from shelterscape.science.terrain.horizon import horizon_angle, topex

__all__ = ["horizon_angle", "topex"]
