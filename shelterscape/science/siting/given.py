"""Layers a planner gives beside parcels and belts, checked and filled."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape.errors import InputError, Notice
from shelterscape.science.columns import words
from shelterscape.science.siting.constraints import USUAL
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

FARTHEST_M = 1000.0

YES, NO = ("true", "yes", "1", "1.0", "y"), ("false", "no", "0", "0.0", "n", "")


def given_lines(layer: gpd.GeoDataFrame, where: str) -> gpd.GeoDataFrame:
    """Lines drawn by a planner.

    Parameters
    ----------
    layer : GeoDataFrame
        Lines; `LINE_COLUMNS` are read where they stand.
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
        both asked for and ruled out.
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
    """Water as a cutter; its clearance is that of ``clear_m`` or the usual one (E)."""
    clear, notices = _metres(layer, "clear_m", where, WATER_CLEAR_M)
    return [Cutter("water", layer.geometry.to_numpy(), clear)], notices


def openings_given(layer: gpd.GeoDataFrame, where: str) -> tuple[list[Cutter], list[Notice]]:
    """Gateways, tracks and streams that belts leave open, ``width_m`` wide in all."""
    width, notices = _metres(layer, "width_m", where, GATEWAY_M)
    shapes, owner = shapely.get_parts(layer.geometry.to_numpy(), return_index=True)
    return [Cutter("opening", shapes, width[owner] / 2, is_opening=True)], notices


def heeded(cutters: list[Cutter]) -> list[str]:
    """Usual constraints that reasons of cutters speak of."""
    reasons = " ".join(one.reason for one in cutters).casefold()
    return [usual for usual in USUAL if usual.removesuffix("s") in reasons]


def with_holding_ids(layer: gpd.GeoDataFrame, where: str) -> gpd.GeoDataFrame:
    """Holdings or parcels with ``holding_id`` as text and ``public`` as true or false.

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
    if column not in layer:
        layer = layer.assign(**{column: np.nan})
    values = pd.to_numeric(layer[column], errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    missing = np.isnan(values)
    bad = (values < 0) | (values > FARTHEST_M) | (missing & layer[column].notna().to_numpy())
    if bad.any():
        row = int(np.argmax(bad))
        raise InputError(
            "column-bad",
            f"{column} must be metres from 0 to {FARTHEST_M:g}.",
            where=f"{where}, feature {row + 1}",
            value=layer[column].iloc[row],
            mend="Correct it, or leave it empty.",
        )
    notices = []
    if missing.any():
        text = f"{where}: {column} not given, taken as {without:g} m"
        notices.append(Notice("value-assumed", text, int(missing.sum())))
    return np.where(missing, without, values), notices
