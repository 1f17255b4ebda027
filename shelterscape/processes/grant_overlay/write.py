"""Layer, tables and findings of `grant-overlay`."""

from __future__ import annotations

from collections.abc import Iterable

import geopandas as gpd
import pandas as pd

from shelterscape.process import Run
from shelterscape.processes.grant_overlay.inputs import Job
from shelterscape.processes.grant_overlay.outputs import SCREENED
from shelterscape.science import grants
from shelterscape.science.grants.parts import FAILS, QUALIFIES, parts
from shelterscape.science.grants.paying import Payments
from shelterscape.science.grants.scheme import COUNTED_PER, Scheme, money

ASSESSMENT = "A caution, not a decision: the authority decides, and rules change."
SUMS = ["uncapped_minor", "payment_minor"]


def caution(schemes: Iterable[Scheme]) -> str:
    """What every output says of itself, with the date of each scheme file."""
    dates = "; ".join(f"“{s.name}” as of {s.dated}" for s in sorted(schemes, key=lambda s: s.name))
    return f"{SCREENED} Rules used: {dates}."


def write(paid: Payments, job: Job, run: Run) -> gpd.GeoDataFrame:
    """Write layer and tables; give the parts back, for the picture."""
    by_name = {s.name: s for s in paid.ground.schemes}
    words = {name: caution([scheme]) for name, scheme in by_name.items()}
    currency = paid.ground.schemes[0].currency
    found = parts(paid)
    found = found.assign(currency=currency, caution=found["scheme"].map(words).astype(object))
    run.layer("grant_parts", found)
    fails = found[found["result"] == FAILS]
    wanted = ["name", "holding_id", "parcel_id", "scheme", "reason", "area_ha", "length_m"]
    run.table("grant_reasons", pd.DataFrame(fails[[*wanted, "caution"]]))
    rows = payment_rows(paid)
    rows["currency"], rows["caution"] = currency, rows["scheme"].map(words).astype(object)
    run.table("grant_payments", rows)
    _write_sums(rows, job, words, currency, run)
    _write_widening(paid, job, words, currency, run)
    _write_thresholds(job, run)
    _tell(paid, found, run)
    return found


def payment_rows(paid: Payments) -> pd.DataFrame:
    """Every payment as a row with words in place of numbers."""
    ground = paid.ground
    records = []
    for row in paid.rows:
        scheme, belt = ground.schemes[row.scheme], ground.belts.iloc[row.belt]
        rate = scheme.rates[row.rate]
        records.append(
            {
                "name": belt["name"],
                "holding_id": belt["holding_id"],
                "parcel_id": belt["parcel_id"],
                "scheme": scheme.name,
                "what": rate.what,
                "kind": rate.kind,
                "per": rate.per,
                "counted": row.counted / COUNTED_PER[rate.per],
                "year": row.year,
                "uncapped_minor": row.uncapped_minor,
                "payment_minor": row.amount_minor,
            }
        )
    columns = ["name", "holding_id", "parcel_id", "scheme", "what", "kind", "per", "counted"]
    return pd.DataFrame(records, columns=[*columns, "year", *SUMS])


def _write_sums(
    rows: pd.DataFrame, job: Job, words: dict[str, str], currency: str, run: Run
) -> None:
    """Totals by holding, scheme and year, each the sum of its rows."""
    for table, keys in (
        ("grant_by_holding", ["holding_id", "scheme"]),
        ("grant_by_scheme", ["scheme"]),
        ("grant_by_year", ["year", "scheme"]),
    ):
        sums = rows.groupby(keys, as_index=False)[SUMS].sum()
        if table == "grant_by_scheme":
            # A scheme that pays nothing is worth a line.
            every = sums.set_index("scheme").reindex(sorted(words), fill_value=0)
            sums = every.rename_axis("scheme").reset_index()
        if table == "grant_by_holding":
            sums["name"] = [job.holding_names.get(str(one), "") for one in sums["holding_id"]]
        sums["currency"], sums["caution"] = currency, sums["scheme"].map(words).astype(object)
        run.table(table, sums)


def _write_widening(
    paid: Payments, job: Job, words: dict[str, str], currency: str, run: Run
) -> None:
    wider = grants.widening(paid.ground, job.areas, job.agreements, paid.start_year)
    if len(wider):
        best = wider.iloc[int(wider["extra_payment_minor"].to_numpy().argmax())]
        run.finding(
            f"{len(wider)} ways of widening belts too narrow for a scheme looked at; the most "
            f"brings {money(int(best['extra_payment_minor']), paid.ground.schemes[0])} more "
            f"({best['name']}, “{best['scheme']}”)"
        )
    wider["extra_cost_minor"] = wider["extra_cost_minor"].astype("Int64")
    wider["currency"], wider["caution"] = currency, wider["scheme"].map(words).astype(object)
    run.table("grant_widening", wider)


def _write_thresholds(job: Job, run: Run) -> None:
    found = grants.reached(job.new_planting, job.own, job.thresholds, job.areas)
    over = found[found["result"] == "reached"]
    for (country, rule), rows in over.groupby(["country", "rule"], sort=False):
        most = rows.iloc[0]
        more = f", one of {len(rows)} such groups" if len(rows) > 1 else ""
        run.finding(
            f"CAUTION, {country}: {most['area_ha']:.2f} ha of new planting counts together "
            f"({most['years']}{more}); from {most['threshold_ha']:g} ha “{rule}” holds: "
            f"{most['advice']}"
        )
    run.table("assessment_thresholds", found.assign(caution=ASSESSMENT))


def _tell(paid: Payments, found: gpd.GeoDataFrame, run: Run) -> None:
    """Say in sentences what each scheme pays."""
    for index, scheme in enumerate(paid.ground.schemes):
        good = found[(found["scheme"] == scheme.name) & (found["result"] == QUALIFIES)]
        rows = [row for row in paid.rows if row.scheme == index]
        years = sorted({row.year for row in rows})
        when = f" over {years[0]}–{years[-1]}" if years else ""
        run.finding(
            f"“{scheme.name}” (rules of {scheme.dated}) would pay "
            f"{money(sum(r.amount_minor for r in rows), scheme)}{when} for "
            f"{good['area_ha'].sum():.2f} ha, {good['length_m'].sum():,.0f} m, of "
            f"{good['name'].nunique()} belts"
        )
