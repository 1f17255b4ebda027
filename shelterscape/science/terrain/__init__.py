"""How the lie of the land shelters or exposes a point."""

from __future__ import annotations

from shelterscape.science.terrain.horizon import horizon_angle, topex

__all__ = ["horizon_angle", "topex"]
