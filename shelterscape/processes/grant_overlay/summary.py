"""Summary of a run of `grant-overlay`: findings, figures and a map."""

from __future__ import annotations

import textwrap
from collections.abc import Hashable

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from shelterscape.files.draw_sheets import FeatureGroup, MapPanel, MapSheet
from shelterscape.files.draw_views import overview, views_of
from shelterscape.process.stages import Summary
from shelterscape.processes.grant_overlay.layers import GrantResults, caution
from shelterscape.processes.grant_overlay.loading import GrantData
from shelterscape.processes.grant_overlay.spec import GrantOverlayInputs
from shelterscape.science.grants.parts import OUTSIDE, QUALIFIES
from shelterscape.science.grants.scheme import money

AREA_STYLES = (("#7d8f9b", "..."), ("#b59a6d", "\\\\\\"), ("#8d7aa8", "///"), ("#6f8f7a", "---"))
PAID_COLOURS = ("#1f5f4a", "#b5561f", "#53318c", "#a8326a", "#2f6f8f")
NONE_COLOUR = "#4a4a4a"
BEYOND_M = 1500.0
"""Ground around the belts on which areas are drawn, m: more than any view shows."""


def summarise(results: GrantResults, params: GrantOverlayInputs) -> Summary:
    """Answer, figures and a map."""
    dates = sorted({str(scheme.rules_date) for scheme in results.paid.ground.schemes})
    return Summary(
        question=f"What would grants pay for these belts, planted in {results.paid.start_year}?",
        answer=[_schemes(results), *_thresholds(results), *_widening(results)],
        certainty=[f"Grant rules as of {' and '.join(dates)}; the grant body decides"],
        figures={
            "payment": _payment(results),
            "currency": results.paid.ground.schemes[0].currency,
        },
        pictures={"grant_parts": _map(results)},
    )


def _widening(results: GrantResults) -> list[str]:
    """The widening with the largest additional payment."""
    wider = results.tables["grant_widening"]
    if not len(wider):
        return []
    best = wider.iloc[int(wider["extra_payment"].to_numpy().argmax())]
    scheme = results.data.schemes[0]
    amount = money(round(best["extra_payment"] * scheme.minor_per_major), scheme)
    return [
        f"Widening adds up to {amount} of payments ({best['name']}, “{best['scheme']}”); "
        f"{len(wider)} options compared"
    ]


def _thresholds(results: GrantResults) -> list[str]:
    """One finding for each rule whose threshold new planting reaches."""
    table = results.tables["assessment_thresholds"]
    found = []
    reached = table[table["threshold_result"] == "reached"]
    for (country, rule), rows in reached.groupby(["country", "rule"], sort=False):
        largest = rows.iloc[0]
        more = f", the largest of {len(rows)} groups" if len(rows) > 1 else ""
        found.append(
            f"Caution, {country}: {largest['part_area_ha']:.2f} ha of new planting count together "
            f"({largest['years_counted']}{more}). The rule “{rule}” applies from "
            f"{largest['threshold_ha']:g} ha: {largest['advice']}"
        )
    return found


def _schemes(results: GrantResults) -> str:
    """Payment by each scheme, with the number of belts and their area, in one sentence."""
    found, paid = results.layers["grant_parts"], results.paid
    if paid.ground.belts.empty:
        return "There are no belts that a scheme could pay for"
    texts = []
    for index, scheme in enumerate(paid.ground.schemes):
        good = found[(found["scheme"] == scheme.name) & (found["qualification"] == QUALIFIES)]
        rows = [row for row in paid.rows if row.scheme == index]
        years = sorted({row.year for row in rows})
        when = f" in {years[0]}–{years[-1]}" if years else ""
        count = good["name"].nunique()
        texts.append(
            f"“{scheme.name}” would pay {money(sum(r.amount_minor for r in rows), scheme)}{when} "
            f"({count} belt{'s' * (count != 1)}, {good['part_area_ha'].sum():.2f} ha)"
        )
    return "; ".join(texts)


def _payment(results: GrantResults) -> float | None:
    """The largest payment by one scheme for belts of the holding; schemes are seldom combined.

    Belts without a holding belong to it where an earlier step chose them for it.
    """
    data, table = results.data, results.tables["grant_by_holding"]
    ids = table["holding_id"].astype("string").fillna("")
    without_ids = bool((ids == "").all())
    if not (data.chosen_here if without_ids else data.holding_id):
        return None
    # One row for each holding and scheme, so that no amounts are added here.
    own = table[without_ids | (ids == data.holding_id)]
    return float(own["payment"].max()) if len(own) else 0.0


def _map(results: GrantResults) -> MapSheet:
    """Map of the schemes that pay for each belt, with the amount or a reason beside it."""
    data, paid = results.data, results.paid
    amounts = {
        scheme.name: sum(r.amount_minor for r in paid.rows if r.scheme == index)
        for index, scheme in enumerate(paid.ground.schemes)
    }
    texts = {s.name: money(amounts[s.name], s) for s in paid.ground.schemes}
    parts = results.layers["grant_parts"]
    belts = parts.dissolve("name").reset_index()
    grid = data.relief.grid if data.relief else data.grid
    views = views_of(belts.geometry.to_numpy(), list(belts.geometry.area), grid)
    panels = [MapPanel("all belts and grant areas", view=overview(views, grid))]
    panels += [MapPanel(f"{letter}: amount, or why none is paid", view=view)
               for letter, view in views.items()]  # fmt: skip
    return MapSheet(
        title=f"Grant payments for new belts planted in {paid.start_year}",
        panels=tuple(panels),
        groups=(*_areas(data), *_strips(parts, texts)),
        grid=grid,
        ground=data.relief.elevation if data.relief else None,
        outlined=data.parcels,
        outline_label="parcels",
        labels=_amounts(results, belts),
        boxes=views,
        notes=(
            "Amounts are sums over all years, after caps; reasons shortened, in full in "
            f"grant_reasons.csv. {caution(paid.ground.schemes)}",
        ),
    )


def _amounts(results: GrantResults, belts: gpd.GeoDataFrame) -> dict[tuple[float, float], str]:
    """Name and parcel of each belt with its payment, or the first reason against one."""
    paid = results.tables["grant_payments"].groupby("name")["payment"].sum()
    reasons = _first_reasons(results.tables["grant_reasons"])
    currency = results.paid.ground.schemes[0].currency
    found = {}
    parcels = _parcels_under(results.data, belts)
    columns = belts["name"], parcels, belts.geometry
    for name, parcel, shape in zip(*columns, strict=True):
        why = f"{paid[name]:,.0f} {currency}" if name in paid else reasons.get(name, "not paid")
        point = shape.representative_point()
        words = textwrap.wrap(textwrap.shorten(str(why), 60, placeholder=" …"), 26)
        where = f"{name}, parcel {parcel}" if parcel else str(name)
        found[point.x, point.y] = "\n".join([where, *words])
    return found


def _first_reasons(table: pd.DataFrame) -> pd.Series:
    """First reason by belt; that of a scheme whose area a belt is in comes before the others."""
    is_outside = table["reason"].astype(str).str.startswith(OUTSIDE)
    return pd.concat([table[~is_outside], table[is_outside]]).groupby("name")["reason"].first()


def _parcels_under(data: GrantData, belts: gpd.GeoDataFrame) -> list[str]:
    """Parcel of each belt: as stated, else the one under its middle; empty where unknown."""
    stated = [str(parcel) for parcel in belts["parcel_id"]]
    if data.parcels is None:
        return stated
    points = belts.geometry.representative_point().to_numpy()
    belt, parcel = shapely.STRtree(data.parcels.geometry.to_numpy()).query(points, "intersects")
    under = dict(zip(belt, data.parcels["parcel_id"].to_numpy()[parcel], strict=True))
    return [one or str(under.get(row, "")) for row, one in enumerate(stated)]


def _areas(data: GrantData) -> list[FeatureGroup]:
    """Grant areas, and ground under an agreement."""
    names = sorted(data.areas)
    styles = {name: AREA_STYLES[i % len(AREA_STYLES)] for i, name in enumerate(names)}
    box = shapely.box(*data.grid.bounds)
    areas = [
        FeatureGroup(f"grant area: {name}", _clipped(data.areas[name], box), *styles[name])
        for name in names
        if not data.areas[name].is_empty
    ]
    if data.agreements:
        under = shapely.union_all([agreement.area for agreement in data.agreements])
        areas.append(
            FeatureGroup("already under an agreement", _clipped(under, box), "#000000", "xxx")
        )
    return areas


def _clipped(area: shapely.Geometry, box: shapely.Geometry) -> np.ndarray:
    # Areas extend beyond the frame, so that the frame does not look like their edge.
    return np.array([shapely.intersection(area, shapely.buffer(box, BEYOND_M))], dtype=object)


def _strips(found: gpd.GeoDataFrame, money_of: dict[str, str]) -> list[FeatureGroup]:
    """Ground of belts by the scheme that pays for it, above the ground that no scheme pays for."""
    good = found[found["qualification"] == QUALIFIES]
    grounds: dict[Hashable, shapely.Geometry] = {
        name: shapely.union_all(rows.geometry.to_numpy()) for name, rows in good.groupby("scheme")
    }
    every = shapely.union_all(found.geometry.to_numpy())
    unpaid = shapely.difference(every, shapely.union_all(list(grounds.values())))
    # Rounding leaves slivers along the edge of paid ground.
    unpaid = shapely.buffer(shapely.buffer(unpaid, -0.05), 0.05)
    shown = [
        FeatureGroup("not paid for", np.array([unpaid], dtype=object), NONE_COLOUR, dashed=True)
    ]
    for i, (name, text) in enumerate(sorted(money_of.items())):
        ground = grounds.get(name, shapely.MultiPolygon())
        colour = PAID_COLOURS[i % len(PAID_COLOURS)]
        shown.append(
            FeatureGroup(f"paid for by “{name}”: {text}", np.array([ground], object), colour)
        )
    return shown
