"""Belts as they were planted: their lines, plants and losses take the place of the plan."""

from __future__ import annotations

from collections.abc import Iterable

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from shelterscape.errors import InputError
from shelterscape.science.belts import refuse_points
from shelterscape.science.columns import numbers, words
from shelterscape.science.grants.belts import lengths, outlines
from shelterscape.science.grants.faults import too_few_stems
from shelterscape.science.grants.scheme import Scheme
from shelterscape.terms import TERMS

COUNTS = ("planted_count", "dead_count")
LINE_COLUMNS = ("name", *COUNTS)
TABLE_COLUMNS = ("name", "x_m", "y_m", *COUNTS)
"""Columns that are read from a layer and from a table of belts as planted."""

PLANNED, AS_PLANTED = "planned", "as planted"
TABLE = "as_planted_table"
"""Name of the table in errors."""


def lines_of_table(table: pd.DataFrame, crs: object) -> gpd.GeoDataFrame:
    """Belts as planted from a table of points and counts.

    Parameters
    ----------
    table : DataFrame
        Text, with `TABLE_COLUMNS` where known: a row for each point of a line, in order.
    crs : CRS
        Coordinate system of the points, in metres.

    Returns
    -------
    GeoDataFrame
        `LINE_COLUMNS`, a row for each belt; counts are sums over its rows, NaN without any. The
        geometry is None where a belt has no points.

    Raises
    ------
    InputError
        ``column-missing`` without names; ``column-bad`` for a faulty number, a point with one
        coordinate and a line of a single point.
    """
    if "name" not in table:
        raise InputError(
            "column-missing",
            "The table has no column name.",
            where=TABLE,
            hint="Add the column name, with the name of the belt in each row.",
        )
    found = table.assign(name=np.asarray(words(table, "name"), dtype=object))
    for column in TABLE_COLUMNS[1:]:
        found[column] = numbers(table, column, TERMS[column], TABLE, row="row")
    records = [_belt(str(name), rows) for name, rows in found.groupby("name", sort=False)]
    frame = pd.DataFrame(records, columns=[*LINE_COLUMNS, "line"])
    return gpd.GeoDataFrame(frame.drop(columns="line"), geometry=list(frame["line"]), crs=crs)


def _belt(name: str, rows: pd.DataFrame) -> dict[str, object]:
    given = rows[["x_m", "y_m"]].notna().to_numpy()
    points = rows[["x_m", "y_m"]].to_numpy(dtype=float)[given.all(axis=1)]
    if (given.any(axis=1) != given.all(axis=1)).any() or len(points) == 1:
        raise InputError(
            "column-bad",
            "A line needs two points or more, each with x_m and y_m.",
            where=f"{TABLE}, belt {name}",
            hint="Give both coordinates of every point of the belt, or of none.",
        )
    counts = {column: rows[column].sum(min_count=1) for column in COUNTS}
    return {"name": name, **counts, "line": shapely.LineString(points) if len(points) else None}


def replace_planned(
    belts: gpd.GeoDataFrame, planted: gpd.GeoDataFrame, where: str
) -> gpd.GeoDataFrame:
    """Belts with the lines and counts of those that were planted.

    Parameters
    ----------
    belts : GeoDataFrame
        As `grants.belts.complete_belts` returns them.
    planted : GeoDataFrame
        Lines or areas with `LINE_COLUMNS`, in the same coordinate system; several of one name are
        parts of one belt. Without geometry the planned line is kept.
    where : str
        Name of `planted` in errors.

    Returns
    -------
    GeoDataFrame
        As `belts`; with ``line_source``, ``planted_count``, ``dead_count`` and, where plants were
        counted, ``plants_per_ha`` and ``living_stems_per_ha`` per hectare up to the outer stems.

    Raises
    ------
    InputError
        ``belts-points``; ``name-unknown`` for a name that no belt has; ``column-bad`` for more dead
        plants than planted ones, and for names that several belts share.
    """
    refuse_points(planted, where)
    _check_names(planted["name"], belts["name"], where)
    found = belts.copy()
    shapes = found.geometry.to_numpy().copy()
    # Lines can come from a layer, and counts from a table later.
    before = found.get("line_source", pd.Series(PLANNED, index=found.index))
    source, moved = before.to_numpy(dtype=object).copy(), np.zeros(len(found), dtype=bool)
    counts = found.reindex(columns=list(COUNTS)).astype(float)
    for name, parts in planted.groupby("name", sort=False):
        (at,) = np.flatnonzero(found["name"] == name)
        lines = [line for line in parts.geometry if line is not None and not line.is_empty]
        if lines:
            together = shapely.union_all(lines) if len(lines) > 1 else lines[0]
            # Merging leaves nothing of areas.
            is_several_lines = len(lines) > 1 and shapely.get_dimensions(together) == 1
            shapes[at] = shapely.line_merge(together) if is_several_lines else together
            source[at], moved[at] = AS_PLANTED, True
        for column in COUNTS:
            total = parts[column].sum(min_count=1)
            counts.loc[at, column] = total if pd.notna(total) else counts.loc[at, column]
        _check_counts(str(name), counts.loc[at], where)
    width = found["width_m"].to_numpy()
    found = found.set_geometry(gpd.GeoSeries(shapes, index=found.index, crs=belts.crs))
    found.loc[moved, "outline"] = outlines(shapes[moved], width[moved])
    found.loc[moved, "length_m"] = lengths(shapes[moved], width[moved])
    area_ha = shapely.area(found["outline"].to_numpy()) / 1e4
    found["line_source"], found[list(COUNTS)] = source, counts
    known = counts["planted_count"].notna().to_numpy()
    found.loc[known, "plants_per_ha"] = (counts["planted_count"] / area_ha)[known]
    living = counts["planted_count"] - counts["dead_count"]
    found["living_stems_per_ha"] = living / area_ha
    return found


def _check_names(given: Iterable[str], known: Iterable[str], where: str) -> None:
    names = list(map(str, known))
    for name in given:
        if names.count(name) != 1:
            raise InputError(
                "name-unknown",
                "A belt as planted must have the name of exactly one planned belt.",
                where=where,
                value=name,
                hint=f"Use one of: {', '.join(sorted(set(names)))}.",
            )


def _check_counts(name: str, counts: pd.Series, where: str) -> None:
    if counts["dead_count"] > counts["planted_count"] or (
        pd.isna(counts["planted_count"]) and pd.notna(counts["dead_count"])
    ):
        raise InputError(
            "column-bad",
            "A belt has more dead plants than planted ones, or no count of planted ones.",
            where=f"{where}, belt {name}",
            value=counts["dead_count"],
            hint="Give planted_count and dead_count of the whole belt.",
        )


def stem_result(living_stems_per_ha: float, scheme: Scheme) -> str:
    """Result of a count of stems, by the rule of a scheme.

    Parameters
    ----------
    living_stems_per_ha : float
        NaN where stems were not counted.
    scheme : Scheme

    Returns
    -------
    str
        passes, fails, not counted, or no minimum.
    """
    least = scheme.claim.min_stems_per_ha
    if least is None:
        return "no minimum"
    if np.isnan(living_stems_per_ha):
        return "not counted"
    return "fails" if too_few_stems(living_stems_per_ha, scheme) else "passes"
