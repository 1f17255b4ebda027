"""What a run of `grant-overlay` says of itself: findings, figures and a picture."""

from __future__ import annotations

from collections.abc import Hashable

import geopandas as gpd
import numpy as np
import shapely

from shelterscape.files.draw_sheets import FeatureSheet, Shown
from shelterscape.process.stages import Summary
from shelterscape.processes.grant_overlay.layers import GrantResults, caution
from shelterscape.processes.grant_overlay.loading import GrantData
from shelterscape.processes.grant_overlay.spec import GrantOverlayInputs
from shelterscape.science.grants.parts import QUALIFIES
from shelterscape.science.grants.scheme import money

AREA_STYLES = (("#7d8f9b", "..."), ("#b59a6d", "\\\\\\"), ("#8d7aa8", "///"), ("#6f8f7a", "---"))
PAID_COLOURS = ("#1f5f4a", "#b5561f", "#53318c", "#a8326a", "#2f6f8f")
NONE_COLOUR = "#4a4a4a"


def summarise(results: GrantResults, params: GrantOverlayInputs) -> Summary:
    """Findings, figures and a picture."""
    return Summary(
        findings=[*_widening(results), *_thresholds(results), *_schemes(results)],
        figures={"payment_minor": _payment(results)},
        pictures={"grant_parts": _map(results)},
    )


def _widening(results: GrantResults) -> list[str]:
    wider = results.tables["grant_widening"]
    if not len(wider):
        return []
    best = wider.iloc[int(wider["extra_payment_minor"].to_numpy().argmax())]
    amount = money(int(best["extra_payment_minor"]), results.data.schemes[0])
    return [
        f"{len(wider)} ways of widening belts too narrow for a scheme compared; the most adds "
        f"{amount} ({best['name']}, “{best['scheme']}”)"
    ]


def _thresholds(results: GrantResults) -> list[str]:
    """One caution for each rule that new planting reaches."""
    table = results.tables["assessment_thresholds"]
    found = []
    over = table[table["result"] == "reached"]
    for (country, rule), rows in over.groupby(["country", "rule"], sort=False):
        most = rows.iloc[0]
        more = f", one of {len(rows)} such groups" if len(rows) > 1 else ""
        found.append(
            f"CAUTION, {country}: {most['area_ha']:.2f} ha of new planting counts together "
            f"({most['years']}{more}); from {most['threshold_ha']:g} ha “{rule}” holds: "
            f"{most['advice']}"
        )
    return found


def _schemes(results: GrantResults) -> list[str]:
    """What each scheme pays."""
    found, paid = results.layers["grant_parts"], results.paid
    texts = []
    for index, scheme in enumerate(paid.ground.schemes):
        good = found[(found["scheme"] == scheme.name) & (found["result"] == QUALIFIES)]
        rows = [row for row in paid.rows if row.scheme == index]
        years = sorted({row.year for row in rows})
        when = f" over {years[0]}–{years[-1]}" if years else ""
        texts.append(
            f"“{scheme.name}” (rules of {scheme.dated}) would pay "
            f"{money(sum(r.amount_minor for r in rows), scheme)}{when} for "
            f"{good['area_ha'].sum():.2f} ha, {good['length_m'].sum():,.0f} m, of "
            f"{good['name'].nunique()} belts"
        )
    return texts


def _payment(results: GrantResults) -> float | None:
    """What the scheme that pays most pays for belts of the holding; schemes seldom add up.

    Belts that name no holding belong to it where an earlier step chose them on it.
    """
    data, table = results.data, results.tables["grant_by_holding"]
    named = table["holding_id"].astype("string").fillna("")
    nameless = bool((named == "").all())
    if not (data.chosen_here if nameless else data.holding_id):
        return None
    mine = table[nameless | (named == data.holding_id)]
    by_scheme = mine.groupby("scheme")["payment_minor"].sum()
    return float(by_scheme.max()) if len(by_scheme) else 0.0


def _map(results: GrantResults) -> FeatureSheet:
    """Which scheme pays for which belt."""
    data, paid = results.data, results.paid
    amounts = {
        scheme.name: sum(r.amount_minor for r in paid.rows if r.scheme == index)
        for index, scheme in enumerate(paid.ground.schemes)
    }
    texts = {s.name: money(amounts[s.name], s) for s in paid.ground.schemes}
    return FeatureSheet(
        title=f"What grants would pay for new belts, planted in {paid.start_year}",
        shown=(*_areas(data), *_strips(results.layers["grant_parts"], texts)),
        grid=data.grid,
        notes=(
            "Amounts are sums over all years, after caps. Strips are drawn wider than they are.",
            caution(paid.ground.schemes),
        ),
    )


def _areas(data: GrantData) -> list[Shown]:
    """Grant areas, and ground under an agreement."""
    names = sorted(data.areas)
    styles = {name: AREA_STYLES[i % len(AREA_STYLES)] for i, name in enumerate(names)}
    box = shapely.box(*data.grid.bounds)
    areas = [
        Shown(f"grant area: {name}", _clipped(data.areas[name], box), *styles[name])
        for name in names
        if not data.areas[name].is_empty
    ]
    if data.agreements:
        under = shapely.union_all([agreement.area for agreement in data.agreements])
        areas.append(Shown("under an agreement already", _clipped(under, box), "#000000", "xxx"))
    return areas


def _clipped(area: shapely.Geometry, box: shapely.Geometry) -> np.ndarray:
    # Drawn past the frame, so that the frame does not look like the edge of an area.
    return np.array([shapely.intersection(area, shapely.buffer(box, 100.0))], dtype=object)


def _strips(found: gpd.GeoDataFrame, money_of: dict[str, str]) -> list[Shown]:
    """Ground by the schemes that pay for it, what none pays for beneath."""
    good = found[found["result"] == QUALIFIES]
    grounds: dict[Hashable, shapely.Geometry] = {
        name: shapely.union_all(rows.geometry.to_numpy()) for name, rows in good.groupby("scheme")
    }
    every = shapely.union_all(found.geometry.to_numpy())
    unpaid = shapely.difference(every, shapely.union_all(list(grounds.values())))
    # Rounding leaves hair-fine rests along the edge of paid ground.
    unpaid = shapely.buffer(shapely.buffer(unpaid, -0.05), 0.05)
    shown = [Shown("paid for by none", np.array([unpaid], dtype=object), NONE_COLOUR, dashed=True)]
    for i, (name, text) in enumerate(sorted(money_of.items())):
        ground = grounds.get(name, shapely.MultiPolygon())
        colour = PAID_COLOURS[i % len(PAID_COLOURS)]
        shown.append(Shown(f"paid for by “{name}”: {text}", np.array([ground], object), colour))
    return shown
