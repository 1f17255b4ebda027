"""The constraint register: what stands against a belt, who decides, and what nobody looked at."""

from __future__ import annotations

import difflib
from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape.errors import InputError, Notice
from shelterscape.science.columns import words
from shelterscape.science.siting.cutting import Cutter

EFFECTS = ("forbid", "consent", "consult", "note")
"""What a constraint asks for, hardest first: no belt; leave of an authority; talk with it; care."""

USUAL = (
    "deep peat",
    "designated sites",
    "monuments",
    "species-rich grass",
    "waders",
    "watercourses",
    "old woodland",
    "rights of way",
    "services",
)
"""Constraints usually looked at before belts are planted."""

NOT_CHECKED = "not checked: no layer given"

WORDS = ("constraint", "effect", "name", "authority", "date")
READ_COLUMNS = (*WORDS, "distance_m")
"""Every column of a layer of constraints that is made use of."""

FARTHEST_M = 10_000.0

LEAST_WITHIN_M = 0.01

TABLE_COLUMNS = (
    "candidate",
    "constraint",
    "effect",
    "name",
    "distance_m",
    "found_m",
    "within_m",
    "authority",
    "date",
)


def complete(
    layer: gpd.GeoDataFrame, where: str, constraint: str = ""
) -> tuple[gpd.GeoDataFrame, list[Notice]]:
    """Check a layer of constraints and fill what was not given.

    Parameters
    ----------
    layer : GeoDataFrame
        Shapes of any kind with ``effect``; all of `READ_COLUMNS` are read where they stand.
    where : str
        What to call the layer in errors and notices.
    constraint : str
        What the layer is about, where its column ``constraint`` does not say; the best words are
        those of `USUAL`.

    Returns
    -------
    layer : GeoDataFrame
        Those columns, filled: distance 0 where not given.
    notices : list of Notice

    Raises
    ------
    InputError
        ``column-missing``, ``name-unknown`` for an effect, ``column-bad`` for a distance.
    """
    if "effect" not in layer:
        raise InputError(
            "column-missing",
            "A layer of constraints must say what each asks for.",
            where=where,
            value="effect",
            mend=f"Add a column effect with one of: {', '.join(EFFECTS)}.",
        )
    frame = gpd.GeoDataFrame(geometry=layer.geometry.to_numpy(), crs=layer.crs)
    for column in WORDS:
        frame[column] = words(layer, column)
    frame["effect"] = frame["effect"].str.casefold()
    frame["constraint"] = frame["constraint"].where(frame["constraint"] != "", constraint)
    frame["constraint"] = [_usual(word) for word in frame["constraint"]]
    _check_effects(frame["effect"], where)
    frame["distance_m"] = _distances(layer, where)
    notices = []
    for column in ("authority", "date"):
        if missing := int((frame[column] == "").sum()):
            text = f"{where}: {column} not given; a constraint without it is hard to rely on"
            notices.append(Notice("value-assumed", text, missing))
    if missing := int(frame["distance_m"].isna().sum()):
        text = f"{where}: distance_m not given, taken as 0"
        notices.append(Notice("value-assumed", text, missing))
    frame["distance_m"] = frame["distance_m"].fillna(0.0)
    return frame, notices


def _usual(word: str) -> str:
    """A word as the register has it, where it means one of the usual constraints."""
    folded = word.casefold()
    return next((u for u in USUAL if u in (folded, folded + "s")), word)


def _check_effects(found: pd.Series, where: str) -> None:
    for i, effect in enumerate(found):
        if effect not in EFFECTS:
            near = difflib.get_close_matches(effect, EFFECTS, n=1)
            hint = f"Did you mean {near[0]}? " if near else ""
            raise InputError(
                "name-unknown",
                "There is no such effect of a constraint.",
                where=f"{where}, feature {i + 1}",
                value=effect,
                mend=f"{hint}Use one of: {', '.join(EFFECTS)}.",
            )


def _distances(layer: gpd.GeoDataFrame, where: str) -> NDArray[np.float64]:
    if "distance_m" not in layer:
        return np.full(len(layer), np.nan)
    given = layer["distance_m"]
    values = pd.to_numeric(given, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    bad = (values < 0) | (values > FARTHEST_M) | (np.isnan(values) & given.notna().to_numpy())
    if bad.any():
        row = int(np.argmax(bad))
        raise InputError(
            "column-bad",
            f"distance_m must be metres from 0 to {FARTHEST_M:g}.",
            where=f"{where}, feature {row + 1}",
            value=given.iloc[row],
            mend="Correct it, or leave it empty for none.",
        )
    return values


def forbidding(register: Sequence[gpd.GeoDataFrame]) -> list[Cutter]:
    """What the register forbids, as ground to be cut out."""
    found = []
    for layer in register:
        barred = layer[layer["effect"] == "forbid"]
        for constraint, rows in barred.groupby("constraint", sort=True):
            areas, clear = rows.geometry.to_numpy(), rows["distance_m"].to_numpy(dtype=float)
            found.append(Cutter(f"forbidden: {constraint}", areas, clear))
    return found


def checked(
    candidates: gpd.GeoDataFrame,
    register: Sequence[gpd.GeoDataFrame],
    looked_at: Sequence[str] = (),
) -> pd.DataFrame:
    """What stands against each candidate, and what nobody looked at.

    Parameters
    ----------
    candidates : GeoDataFrame
        Lines with ``candidate`` and ``width_m``, as they were left by cutting.
    register : sequence of GeoDataFrame
        As `complete` gives them.
    looked_at : sequence of str
        Usual constraints that were heeded by another road, such as a layer of water.

    Returns
    -------
    DataFrame
        `TABLE_COLUMNS`: a row for each candidate and each constraint within its distance of the
        face of the belt, with the distance found and the metres of belt within; then a row
        without a candidate for each usual constraint of which no layer was given.
    """
    parts = [_against(candidates, layer) for layer in register]
    told = {word for layer in register for word in layer["constraint"]} | set(looked_at)
    missing = [word for word in USUAL if word not in told]
    parts.append(pd.DataFrame({"constraint": missing, "effect": NOT_CHECKED}))
    table = pd.concat([pd.DataFrame(columns=list(TABLE_COLUMNS)), *parts], ignore_index=True)
    asked = ["candidate", "name", "authority", "date"]
    table[asked] = table[asked].fillna("")
    numbers = ["distance_m", "found_m", "within_m"]
    table[numbers] = table[numbers].astype(float)
    return table[list(TABLE_COLUMNS)]


def _against(candidates: gpd.GeoDataFrame, layer: gpd.GeoDataFrame) -> pd.DataFrame:
    lines, half = candidates.geometry.to_numpy(), candidates["width_m"].to_numpy(dtype=float) / 2
    shapes, reach = layer.geometry.to_numpy(), layer["distance_m"].to_numpy(dtype=float)
    if not len(lines) or not len(shapes):
        return pd.DataFrame(columns=list(TABLE_COLUMNS))
    farthest = float(reach.max() + half.max())
    at, of = shapely.STRtree(shapes).query(lines, predicate="dwithin", distance=farthest)
    found = np.maximum(shapely.distance(lines[at], shapes[of]) - half[at], 0.0)
    around = shapely.buffer(shapes[of], np.maximum(reach[of] + half[at], 1e-3))
    within = shapely.length(shapely.intersection(lines[at], around))
    # What was cut away ends on the very edge of the ground forbidden, and is not in it.
    order = np.lexsort((of, at))
    order = order[within[order] > LEAST_WITHIN_M]
    return (
        layer.drop(columns="geometry")
        .iloc[of[order]]
        .assign(
            candidate=candidates["candidate"].to_numpy()[at[order]],
            found_m=found[order],
            within_m=within[order],
        )
    )
