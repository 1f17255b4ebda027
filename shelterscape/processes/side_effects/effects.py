"""The side effects that are examined: what each needs, its source and its caution."""

from __future__ import annotations

from dataclasses import dataclass

from shelterscape.processes.side_effects.spec import SideEffectsInputs


@dataclass(frozen=True)
class Effect:
    """One side effect.

    Parameters
    ----------
    name : str
    needs : tuple of str
        Optional inputs without which it is not checked.
    source : str
        With its status.
    caution : str
    """

    name: str
    needs: tuple[str, ...]
    source: str
    caution: str

    def missing(self, params: SideEffectsInputs) -> list[str]:
        """Inputs that it needs and that are not given."""
        return [name for name in self.needs if not getattr(params, name)]

    @property
    def note(self) -> dict[str, str]:
        """Columns ``source`` and ``caution``."""
        return {"source": self.source, "caution": self.caution}


FALL_SOURCE = "mature height times a factor set by the user; no published rule found"

SLOPE = Effect(
    "slope for planting and machines",
    (),
    "slope by Horn 1981 (not verified against the source); bounds common in forestry (no source)",
    "The class alone does not make a machine safe: soil, wetness and load matter as much.",
)
RUNOFF = Effect(
    "runoff intercepted",
    (),
    "D∞ flow, Tarboton 1997 (not verified against the source); fenced belts took in up to 60 times "
    "the water of grazed pasture, Carroll and others 2004 (seen in the source)",
    "Drains, ditches and walls are not in the terrain model; channels from more than 5 ha "
    "(assumed) pass through belts. How much soaks in is not calculated.",
)
FIELD_RUNOFF = Effect("share of the runoff of fields", ("parcels",), RUNOFF.source, RUNOFF.caution)
COLD_AIR = Effect(
    "cold air held back",
    (),
    "frost pockets form uphill of dense obstacles across a slope (seen in the source); opening at "
    "the lowest point (not verified against the source); depth, slope and porosity assumed",
    "Keep the base open or leave a gap at the lowest point; ask growers where frost does damage.",
)
SNOW = Effect(
    "snow drift on roads",
    ("roads", "winds"),
    "35 H leeward, set-back 35 H sin α; 15 H windward, Tabler 2003 (both not verified against the "
    "source)",
    "A belt too near a road drifts snow onto it: consult the highway authority.",
)
SHADE = Effect(
    "winter shade on roads",
    ("roads",),
    "solar position equations of NOAA, after Meeus 1998 (not verified against the source); belts "
    "opaque, sun from 3°",
    "Ice stays longest in shade: consult the highway authority. Shade of the ground is left out.",
)
FALL = {
    kind: Effect(f"falling trees: {kind}s", (name,), FALL_SOURCE, caution)
    for kind, name, caution in (
        (
            "road",
            "roads",
            "Consult the highway authority and a qualified arboriculturist; inspect regularly.",
        ),
        (
            "building",
            "buildings",
            "Consult a qualified arboriculturist; check the local code and foundations.",
        ),
        (
            "power line",
            "power_lines",
            "Ask the operator of the line before planting: no distance is presented as safe.",
        ),
        ("path", "paths", "Have the trees inspected regularly; ask the authority for the path."),
    )
}
DRAINS = Effect(
    "drains and pipes",
    ("drains",),
    "willow, poplar, elm 30 m, others 15 m, or a sealed pipe: extension note (seen in the source)",
    "Old drains are seldom on maps: ask who knows the field, and search for outfalls.",
)
SIGHT = Effect(
    "sight lines at junctions",
    ("roads",),
    "no published rule found: distance set by the user",
    "The highway authority sets sight lines, also at bends and accesses, which are not examined.",
)
CLEARANCES = Effect(
    "clearances",
    ("keep_clear",),
    "distances of the keep-clear layer, set by the user",
    "Defer to the local code, the owner and the operator.",
)

EFFECTS = (
    SLOPE,
    RUNOFF,
    FIELD_RUNOFF,
    COLD_AIR,
    SNOW,
    SHADE,
    *FALL.values(),
    DRAINS,
    SIGHT,
    CLEARANCES,
)
"""All side effects in the order of the table of effects checked."""
