"""Layers a planner gives: lines, keep-clear areas, water, openings, holdings and constraints."""

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

LINE_COLUMNS = ("name", "design", "must_have", "forbidden")
KEEP_CLEAR_COLUMNS = ("reason", "clear_m")
OPENING_COLUMNS = ("name", "width_m")
PARCEL_COLUMNS = ("parcel_id", "holding_id")
HOLDING_COLUMNS = ("holding_id", "public")

GATEWAY_M = 5.0
"""Width of an opening where none is given, metres (E)."""

WATER_CLEAR_M = 5.0
"""How far belts keep from water where no clearance is given, metres (E)."""

FARTHEST_CLEAR_M = 1000.0

YES, NO = ("true", "yes", "1", "1.0", "y"), ("false", "no", "0", "0.0", "n", "")


def given_lines(layer: gpd.GeoDataFrame, where: str) -> gpd.GeoDataFrame:
    """Lines drawn by a planner.

    Parameters
    ----------
    layer : GeoDataFrame
        Lines; `LINE_COLUMNS` are read where they exist.
    where : str
        What to call the layer in errors.

    Returns
    -------
    GeoDataFrame
        Those columns, filled; ``must_have`` and ``forbidden`` true or false.

    Raises
    ------
    InputError
        ``column-bad`` for shapes that are no lines, for words that are no answer, and for a line
        both required and forbidden.
    """
    if (shapely.get_dimensions(layer.geometry.to_numpy()) != 1).any():
        raise InputError(
            "column-bad",
            "Candidate lines must be lines; this layer holds other shapes.",
            where=where,
            mend="Draw each belt as a line along its middle.",
        )
    frame = gpd.GeoDataFrame(geometry=layer.geometry.to_numpy(), crs=layer.crs)
    for column in ("name", "design"):
        frame[column] = words(layer, column)
    for column in ("must_have", "forbidden"):
        frame[column] = _answers(layer, column, where)
    both = (frame["must_have"] & frame["forbidden"]).to_numpy()
    if both.any():
        raise InputError(
            "column-bad",
            "A line cannot be both asked for and ruled out.",
            where=f"{where}, feature {int(np.argmax(both)) + 1}",
            mend="Clear must_have or forbidden.",
        )
    return frame


def keep_clear(layer: gpd.GeoDataFrame, where: str) -> tuple[list[Cutter], list[Notice]]:
    """Ground to be kept clear, as cutters by reason, in order of the reasons' names.

    Parameters
    ----------
    layer : GeoDataFrame
        Shapes of any kind with ``reason`` and ``clear_m``: how far the face of a belt must keep
        from the outline as drawn, metres.
    where : str
        What to call the layer in errors and notices.

    Returns
    -------
    cutters : list of Cutter
    notices : list of Notice

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
        Cutter(
            f"keep clear: {reason}", shapes[(here := (reasons == reason).to_numpy())], clear[here]
        )
        for reason in sorted(set(reasons))
    ], notices


def water(layer: gpd.GeoDataFrame, where: str) -> tuple[list[Cutter], list[Notice]]:
    """Water as a cutter; its clearance is that of ``clear_m`` or the usual one (E).

    Parameters
    ----------
    layer : GeoDataFrame
        Shapes of any kind with ``clear_m`` (m) where known.
    where : str
        What to call the layer in errors and notices.

    Returns
    -------
    cutters : list of Cutter
    notices : list of Notice

    Raises
    ------
    InputError
        ``column-bad``.
    """
    clear, notices = _metres(layer, "clear_m", where, WATER_CLEAR_M)
    return [Cutter("water", layer.geometry.to_numpy(), clear)], notices


def openings_given(layer: gpd.GeoDataFrame, where: str) -> tuple[list[Cutter], list[Notice]]:
    """Gateways, tracks and streams that belts leave open, ``width_m`` wide in all.

    Parameters
    ----------
    layer : GeoDataFrame
        Shapes of any kind with ``width_m`` (m) where known.
    where : str
        What to call the layer in errors and notices.

    Returns
    -------
    cutters : list of Cutter
    notices : list of Notice

    Raises
    ------
    InputError
        ``column-bad``.
    """
    width, notices = _metres(layer, "width_m", where, GATEWAY_M)
    shapes, owner = shapely.get_parts(layer.geometry.to_numpy(), return_index=True)
    return [Cutter("opening", shapes, width[owner] / 2, is_opening=True)], notices


def heeded(cutters: list[Cutter]) -> list[str]:
    """Usual constraints that reasons of cutters speak of.

    Parameters
    ----------
    cutters : list of Cutter

    Returns
    -------
    list of str
        Words of `USUAL`.
    """
    reasons = " ".join(one.reason for one in cutters).casefold()
    return [usual for usual in USUAL if usual.removesuffix("s") in reasons]


def with_holding_ids(layer: gpd.GeoDataFrame, where: str) -> gpd.GeoDataFrame:
    """Holdings or parcels with ``holding_id`` as text and ``public`` as true or false.

    Parameters
    ----------
    layer : GeoDataFrame
        Areas with ``holding_id``, and ``public`` where any is.
    where : str
        What to call the layer in errors.

    Returns
    -------
    GeoDataFrame

    Raises
    ------
    InputError
        ``column-missing``, and ``column-bad`` for shapes that are no areas, or words that are no
        answer.
    """
    if (shapely.get_dimensions(layer.geometry.to_numpy()) != 2).any():
        raise InputError(
            "column-bad", "This layer must hold areas.", where=where, mend="Draw them as areas."
        )
    if "holding_id" not in layer:
        raise InputError(
            "column-missing",
            "The layer has no such column.",
            where=where,
            value="holding_id",
            mend="Name the column that says whose each is, with --field.",
        )
    return layer.assign(
        holding_id=words(layer, "holding_id"), public=_answers(layer, "public", where)
    )


def _answers(layer: gpd.GeoDataFrame, column: str, where: str) -> NDArray[np.bool_]:
    answers = [str(word).casefold() for word in words(layer, column)]
    for i, word in enumerate(answers):
        if word not in (*YES, *NO):
            raise InputError(
                "column-bad",
                f"{column} must be true or false.",
                where=f"{where}, feature {i + 1}",
                value=word,
            )
    return np.array([word in YES for word in answers], dtype=bool)


def _metres(
    layer: gpd.GeoDataFrame, column: str, where: str, without: float
) -> tuple[NDArray[np.float64], list[Notice]]:
    """A column of distances, filled where not given."""
    values = _distances(layer, column, where, FARTHEST_CLEAR_M)
    missing = np.isnan(values)
    notices = []
    if missing.any():
        text = f"{where}: {column} not given, taken as {without:g} m"
        notices.append(Notice("value-assumed", text, int(missing.sum())))
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
            f"{column} must be metres from 0 to {farthest_m:g}.",
            where=f"{where}, feature {row + 1}",
            value=given.iloc[row],
            mend="Correct it, or leave it empty.",
        )
    return values


EFFECTS = ("forbid", "consent", "consult", "note")
"""What a constraint requires, strictest first: no belt; consent; consultation; care."""

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
"""Constraints usually examined before belts are planted."""

NOT_CHECKED = "not checked: no layer given"

WORDS = ("constraint", "effect", "name", "authority", "date")
CONSTRAINT_COLUMNS = (*WORDS, "distance_m")
"""Every column of a layer of constraints that is used."""

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
    """Check a layer of constraints and fill what was not given.

    Parameters
    ----------
    layer : GeoDataFrame
        Shapes of any kind with ``effect``; `CONSTRAINT_COLUMNS` are read where they exist.
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
    frame["distance_m"] = _distances(layer, "distance_m", where, FARTHEST_M)
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


def forbidding(register: Sequence[gpd.GeoDataFrame]) -> list[Cutter]:
    """What the register forbids, as ground to be cut out.

    Parameters
    ----------
    register : sequence of GeoDataFrame
        As `complete_constraints` returns them.

    Returns
    -------
    list of Cutter
    """
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
    """Constraints on each candidate, and those that nobody examined.

    Parameters
    ----------
    candidates : GeoDataFrame
        Lines with ``candidate`` and ``width_m``, as they were left by cutting.
    register : sequence of GeoDataFrame
        As `complete` returns them.
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
