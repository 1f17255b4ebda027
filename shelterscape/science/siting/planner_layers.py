"""Layers of the planner: lines, keep-clear areas, water, openings, holdings and constraints."""

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
from shelterscape.science.siting.exclusion import ExclusionZone

LINE_COLUMNS = ("name", "design", "must_have", "forbidden")
KEEP_CLEAR_COLUMNS = ("reason", "clear_m")
OPENING_COLUMNS = ("name", "width_m")
PARCEL_COLUMNS = ("parcel_id", "holding_id")
HOLDING_COLUMNS = ("holding_id", "public")

GATEWAY_M = 5.0
"""Width of an opening where none is given, metres (assumed)."""

WATER_CLEAR_M = 5.0
"""Clearance of belts from water where none is given, metres (assumed)."""

FARTHEST_CLEAR_M = 1000.0

YES, NO = ("true", "yes", "1", "1.0", "y"), ("false", "no", "0", "0.0", "n", "")


def drawn_lines(layer: gpd.GeoDataFrame, where: str) -> gpd.GeoDataFrame:
    """Check and complete lines drawn by a planner.

    Parameters
    ----------
    layer : GeoDataFrame
        Lines, optionally with `LINE_COLUMNS`.
    where : str
        Name of the layer in errors.

    Returns
    -------
    GeoDataFrame
        `LINE_COLUMNS`, complete; ``must_have`` and ``forbidden`` are true or false.

    Raises
    ------
    InputError
        ``column-bad`` for shapes other than lines, values other than true or false, and a line both
        required and forbidden.
    """
    if (shapely.get_dimensions(layer.geometry.to_numpy()) != 1).any():
        raise InputError(
            "column-bad",
            "Candidate lines must be lines; this layer contains other shapes.",
            where=where,
            hint="Draw each belt as a line along its middle.",
        )
    frame = gpd.GeoDataFrame(geometry=layer.geometry.to_numpy(), crs=layer.crs)
    for column in ("name", "design"):
        frame[column] = words(layer, column)
    for column in ("must_have", "forbidden"):
        frame[column] = _booleans(layer, column, where)
    both = (frame["must_have"] & frame["forbidden"]).to_numpy()
    if both.any():
        raise InputError(
            "column-bad",
            "A line cannot be both required and forbidden.",
            where=f"{where}, feature {int(np.argmax(both)) + 1}",
            hint="Set must_have or forbidden of this line to false.",
        )
    return frame


def keep_clear_zones(
    layer: gpd.GeoDataFrame, where: str
) -> tuple[list[ExclusionZone], list[Notice]]:
    """Keep-clear areas as exclusion zones by reason, in alphabetical order.

    Parameters
    ----------
    layer : GeoDataFrame
        Shapes of any kind with ``reason`` and ``clear_m``: distance, m, from the outline to the
        face of a belt.
    where : str
        Name of the layer in errors and notices.

    Returns
    -------
    zones, notices : list of ExclusionZone, list of Notice

    Raises
    ------
    InputError
        ``column-bad``.
    """
    reasons = pd.Series(words(layer, "reason"))
    reasons = reasons.where(reasons != "", "keep clear")
    clear, notices = _metres(layer, "clear_m", where, 0.0)
    shapes = layer.geometry.to_numpy()
    return [
        ExclusionZone(
            f"keep clear: {reason}", shapes[(here := (reasons == reason).to_numpy())], clear[here]
        )
        for reason in sorted(set(reasons))
    ], notices


def water_zones(layer: gpd.GeoDataFrame, where: str) -> tuple[list[ExclusionZone], list[Notice]]:
    """Water as an exclusion zone, with clearance ``clear_m`` or the default (assumed).

    Parameters
    ----------
    layer : GeoDataFrame
        Shapes of any kind with ``clear_m`` (m) where known.
    where : str
        Name of the layer in errors and notices.

    Returns
    -------
    zones, notices : list of ExclusionZone, list of Notice

    Raises
    ------
    InputError
        ``column-bad``.
    """
    clear, notices = _metres(layer, "clear_m", where, WATER_CLEAR_M)
    return [ExclusionZone("water", layer.geometry.to_numpy(), clear)], notices


def opening_zones(layer: gpd.GeoDataFrame, where: str) -> tuple[list[ExclusionZone], list[Notice]]:
    """Gateways, tracks and streams that belts leave open over a width of ``width_m``.

    Parameters
    ----------
    layer : GeoDataFrame
        Shapes of any kind with ``width_m`` (m) where known.
    where : str
        Name of the layer in errors and notices.

    Returns
    -------
    zones, notices : list of ExclusionZone, list of Notice

    Raises
    ------
    InputError
        ``column-bad``.
    """
    width, notices = _metres(layer, "width_m", where, GATEWAY_M)
    shapes, owner = shapely.get_parts(layer.geometry.to_numpy(), return_index=True)
    return [ExclusionZone("opening", shapes, width[owner] / 2, is_opening=True)], notices


def usual_constraints_in(exclusion_zones: list[ExclusionZone]) -> list[str]:
    """Usual constraints that are mentioned in the reasons of exclusion zones.

    Parameters
    ----------
    exclusion_zones : list of ExclusionZone

    Returns
    -------
    list of str
        Members of `USUAL_CONSTRAINTS`.
    """
    reasons = " ".join(one.reason for one in exclusion_zones).casefold()
    return [usual for usual in USUAL_CONSTRAINTS if usual.removesuffix("s") in reasons]


def with_holding_ids(layer: gpd.GeoDataFrame, where: str) -> gpd.GeoDataFrame:
    """Holdings or parcels with ``holding_id`` as text and ``public`` as true or false.

    Parameters
    ----------
    layer : GeoDataFrame
        Areas with ``holding_id`` and optionally ``public``.
    where : str
        Name of the layer in errors.

    Returns
    -------
    GeoDataFrame

    Raises
    ------
    InputError
        ``column-missing``, and ``column-bad`` for shapes other than areas and values other than
        true or false.
    """
    if (shapely.get_dimensions(layer.geometry.to_numpy()) != 2).any():
        raise InputError(
            "column-bad", "This layer must hold areas.", where=where, hint="Remove other shapes."
        )
    if "holding_id" not in layer:
        raise InputError(
            "column-missing",
            "The layer lacks the column holding_id.",
            where=where,
            value="holding_id",
            hint="Add the column, or name the column that identifies holdings with --field.",
        )
    return layer.assign(
        holding_id=words(layer, "holding_id"), public=_booleans(layer, "public", where)
    )


def _booleans(layer: gpd.GeoDataFrame, column: str, where: str) -> NDArray[np.bool_]:
    answers = [str(word).casefold() for word in words(layer, column)]
    for i, word in enumerate(answers):
        if word not in (*YES, *NO):
            raise InputError(
                "column-bad",
                f"{column} must be true or false.",
                where=f"{where}, feature {i + 1}",
                value=word,
                hint="Use true, false, yes, no, 1, 0 or leave it empty.",
            )
    return np.array([word in YES for word in answers], dtype=bool)


def _metres(
    layer: gpd.GeoDataFrame, column: str, where: str, without: float
) -> tuple[NDArray[np.float64], list[Notice]]:
    """A column of distances, completed with a default."""
    values = _distances(layer, column, where, FARTHEST_CLEAR_M)
    missing = np.isnan(values)
    notices = []
    if missing.any():
        text = f"{where}: {column} not given, assumed to be {without:g} m"
        notices = [Notice("value-assumed", text, int(missing.sum()))]
    return np.where(missing, without, values), notices


def _distances(
    layer: gpd.GeoDataFrame, column: str, where: str, farthest_m: float
) -> NDArray[np.float64]:
    """A column of distances, NaN where not given."""
    if column not in layer:
        return np.full(len(layer), np.nan)
    given = layer[column]
    values = pd.to_numeric(given, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    bad = (values < 0) | (values > farthest_m) | (np.isnan(values) & given.notna().to_numpy())
    if bad.any():
        row = int(np.argmax(bad))
        raise InputError(
            "column-bad",
            f"{column} must be a number of metres from 0 to {farthest_m:g}.",
            where=f"{where}, feature {row + 1}",
            value=given.iloc[row],
            hint=f"Set it to a number from 0 to {farthest_m:g}, or leave it empty.",
        )
    return values


EFFECTS = ("forbid", "consent", "consult", "note")
"""What a constraint requires, strictest first: no belt, consent, consultation, or care."""

USUAL_CONSTRAINTS = (
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
"""Constraints usually examined before belts are planted."""

NOT_CHECKED = "not checked: no layer given"

TEXT_COLUMNS = ("constraint", "effect", "name", "authority", "date")
CONSTRAINT_COLUMNS = (*TEXT_COLUMNS, "distance_m")
"""All columns read from a layer of constraints."""

FARTHEST_M, LEAST_WITHIN_M = 10_000.0, 0.01
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


def complete_constraints(
    layer: gpd.GeoDataFrame, where: str, constraint: str = ""
) -> tuple[gpd.GeoDataFrame, list[Notice]]:
    """Check and complete a layer of constraints.

    Parameters
    ----------
    layer : GeoDataFrame
        Shapes of any kind with ``effect``, optionally with the other `CONSTRAINT_COLUMNS`.
    where : str
        Name of the layer in errors and notices.
    constraint : str
        Name of the constraint where the column ``constraint`` is empty; preferably one of
        `USUAL_CONSTRAINTS`.

    Returns
    -------
    layer : GeoDataFrame
        `CONSTRAINT_COLUMNS`, complete; the distance is 0 where not given.
    notices : list of Notice

    Raises
    ------
    InputError
        ``column-missing``, ``name-unknown`` for an effect, ``column-bad`` for a distance.
    """
    if "effect" not in layer:
        raise InputError(
            "column-missing",
            "A layer of constraints must state what each constraint requires.",
            where=where,
            value="effect",
            hint=f"Add a column effect with one of: {', '.join(EFFECTS)}.",
        )
    frame = gpd.GeoDataFrame(geometry=layer.geometry.to_numpy(), crs=layer.crs)
    for column in TEXT_COLUMNS:
        frame[column] = words(layer, column)
    frame["effect"] = frame["effect"].str.casefold()
    frame["constraint"] = frame["constraint"].where(frame["constraint"] != "", constraint)
    frame["constraint"] = [_usual_name(word) for word in frame["constraint"]]
    _check_effects(frame["effect"], where)
    frame["distance_m"] = _distances(layer, "distance_m", where, FARTHEST_M)
    notices = []
    for column in ("authority", "date"):
        if missing := int((frame[column] == "").sum()):
            text = f"{where}: {column} not given; constraints without it are less reliable"
            notices.append(Notice("value-assumed", text, missing))
    if missing := int(frame["distance_m"].isna().sum()):
        notices.append(Notice("value-assumed", f"{where}: distance_m assumed to be 0 m", missing))
    frame["distance_m"] = frame["distance_m"].fillna(0.0)
    return frame, notices


def _usual_name(word: str) -> str:
    """The usual name of a constraint, or the name given where there is none."""
    folded = word.casefold()
    return next((u for u in USUAL_CONSTRAINTS if u in (folded, folded + "s")), word)


def _check_effects(found: pd.Series, where: str) -> None:
    for i, effect in enumerate(found):
        if effect not in EFFECTS:
            near = difflib.get_close_matches(effect, EFFECTS, n=1)
            hint = f"Did you mean {near[0]}? " if near else ""
            raise InputError(
                "name-unknown",
                "The effect of a constraint is unknown.",
                where=f"{where}, feature {i + 1}",
                value=effect,
                hint=f"{hint}Use one of: {', '.join(EFFECTS)}.",
            )


def forbidden_zones(constraint_layers: Sequence[gpd.GeoDataFrame]) -> list[ExclusionZone]:
    """Constraints that forbid belts, as exclusion zones.

    Parameters
    ----------
    constraint_layers : sequence of GeoDataFrame
        As `complete_constraints` returns them.

    Returns
    -------
    list of ExclusionZone
    """
    found = []
    for layer in constraint_layers:
        forbidding = layer[layer["effect"] == "forbid"]
        for constraint, rows in forbidding.groupby("constraint", sort=True):
            areas, clear = rows.geometry.to_numpy(), rows["distance_m"].to_numpy(dtype=float)
            found.append(ExclusionZone(f"forbidden by constraint: {constraint}", areas, clear))
    return found


def constraint_checks(
    candidates: gpd.GeoDataFrame,
    constraint_layers: Sequence[gpd.GeoDataFrame],
    checked_elsewhere: Sequence[str] = (),
) -> pd.DataFrame:
    """Constraints on each candidate, and usual constraints without a layer.

    Parameters
    ----------
    candidates : GeoDataFrame
        Lines with ``candidate`` and ``width_m``, after exclusions.
    constraint_layers : sequence of GeoDataFrame
        As `complete_constraints` returns them.
    checked_elsewhere : sequence of str
        Usual constraints covered by other layers, such as water.

    Returns
    -------
    DataFrame
        `TABLE_COLUMNS`: a row for each candidate and each constraint whose distance reaches the
        face of the belt, with the distance found and the length of belt within; then a row
        without a candidate for each usual constraint without a layer.
    """
    parts = [_checks_of(candidates, layer) for layer in constraint_layers]
    reported = {word for layer in constraint_layers for word in layer["constraint"]} | set(
        checked_elsewhere
    )
    missing = [word for word in USUAL_CONSTRAINTS if word not in reported]
    parts.append(pd.DataFrame({"constraint": missing, "effect": NOT_CHECKED}))
    table = pd.concat([pd.DataFrame(columns=list(TABLE_COLUMNS)), *parts], ignore_index=True)
    texts, numbers = (
        ["candidate", "name", "authority", "date"],
        ["distance_m", "found_m", "within_m"],
    )
    table[texts], table[numbers] = table[texts].fillna(""), table[numbers].astype(float)
    return table[list(TABLE_COLUMNS)]


def _checks_of(candidates: gpd.GeoDataFrame, layer: gpd.GeoDataFrame) -> pd.DataFrame:
    lines, half = candidates.geometry.to_numpy(), candidates["width_m"].to_numpy(dtype=float) / 2
    shapes, reach = layer.geometry.to_numpy(), layer["distance_m"].to_numpy(dtype=float)
    if not len(lines) or not len(shapes):
        return pd.DataFrame(columns=list(TABLE_COLUMNS))
    farthest = float(reach.max() + half.max())
    at, of = shapely.STRtree(shapes).query(lines, predicate="dwithin", distance=farthest)
    found = np.maximum(shapely.distance(lines[at], shapes[of]) - half[at], 0.0)
    around = shapely.buffer(shapes[of], np.maximum(reach[of] + half[at], 1e-3))
    within = shapely.length(shapely.intersection(lines[at], around))
    # Lines end exactly at the edge of forbidden ground after exclusions: that is not within it.
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
