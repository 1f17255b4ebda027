"""Layer and tables of `grant-overlay`."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import pandas as pd

from shelterscape.process.money import decimal_amounts
from shelterscape.process.stages import Results
from shelterscape.processes.grant_overlay.loading import GrantData
from shelterscape.processes.grant_overlay.spec import GRANT_CAUTION
from shelterscape.science import grants
from shelterscape.science.grants.as_planted import stem_result
from shelterscape.science.grants.parts import FAILS, parts
from shelterscape.science.grants.paying import Payments
from shelterscape.science.grants.scheme import COUNTING_UNITS, Scheme

ASSESSMENT = "Screening only, not a decision: the authority decides, and rules change."
MONEY = {
    "uncapped_minor": "payment_before_caps",
    "payment_minor": "payment",
    "extra_cost_minor": "extra_cost",
    "extra_payment_minor": "extra_payment",
    "at_stake_minor": "at_stake",
    "planned_minor": "payment_planned",
}
"""Columns of decimal amounts in files, by the columns of whole minor units they come from."""

SUMS = ["uncapped_minor", "payment_minor"]


@dataclass(frozen=True, kw_only=True)
class GrantResults(Results):
    """Layers and tables, with the data and payments that `summarise` needs.

    Parameters
    ----------
    data : GrantData
    paid : Payments
    """

    data: GrantData
    paid: Payments


def caution(schemes: Iterable[Scheme]) -> str:
    """The caution on every output, with the date of each scheme file."""
    in_order = sorted(schemes, key=lambda s: s.name)
    dates = "; ".join(f"“{s.name}” as of {s.rules_date}" for s in in_order)
    return f"{GRANT_CAUTION} Rules used: {dates}."


def results_of(paid: Payments, data: GrantData, planned: Payments | None = None) -> GrantResults:
    """The layer of parts and all tables; payments as planned add the table of claims."""
    cautions_by_scheme = {s.name: caution([s]) for s in paid.ground.schemes}
    one = paid.ground.schemes[0]

    def for_files(frame: pd.DataFrame) -> pd.DataFrame:
        """A table with decimal amounts, their currency and the caution of each scheme."""
        cautions = frame["scheme"].map(cautions_by_scheme).astype(object)
        amounts = {
            name: decimal_amounts(frame[minor], one.minor_per_major)
            for minor, name in MONEY.items()
            if minor in frame
        }
        rest = frame.drop(columns=[minor for minor in MONEY if minor in frame])
        return rest.assign(**amounts, currency=one.currency, caution=cautions)

    found = for_files(parts(paid))
    fails = found[found["qualification"] == FAILS]
    columns = [
        "name",
        "holding_id",
        "parcel_id",
        "scheme",
        "reason",
        "part_area_ha",
        "part_length_m",
    ]
    rows = payment_rows(paid)
    wider = grants.widening_options(paid.ground, data.areas, data.agreements, paid.start_year)
    compared = grants.threshold_comparison(data.new_planting, data.own, data.thresholds, data.areas)
    return GrantResults(
        layers={"grant_parts": found},
        tables={
            "grant_reasons": pd.DataFrame(fails[[*columns, "caution"]]),
            "grant_payments": for_files(rows),
            "grant_actions": for_files(grants.grant_actions(paid, data.dates)),
            **({} if planned is None else {"grant_claims": for_files(claims(paid, planned))}),
            **{
                name: for_files(sums)
                for name, sums in _sums(rows, data, cautions_by_scheme).items()
            },
            "grant_widening": for_files(wider),
            "assessment_thresholds": compared.assign(caution=ASSESSMENT),
        },
        data=data,
        paid=paid,
    )


def payment_rows(paid: Payments) -> pd.DataFrame:
    """Every payment as a row, with names in place of positions."""
    ground = paid.ground
    # Costs are counted in minor units, and shown in units of the currency.
    units = COUNTING_UNITS | {"cost": ground.schemes[0].minor_per_major}
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
                "payment_item": rate.what,
                "payment_kind": rate.kind,
                "payment_basis": rate.per,
                "paid_quantity": row.quantity / units[rate.per],
                "payment_year": row.year,
                "uncapped_minor": row.uncapped_minor,
                "payment_minor": row.amount_minor,
            }
        )
    columns = [
        "name",
        "holding_id",
        "parcel_id",
        "scheme",
        "payment_item",
        "payment_kind",
        "payment_basis",
        "paid_quantity",
        "payment_year",
    ]
    return pd.DataFrame(records, columns=[*columns, *SUMS])


def claims(paid: Payments, planned: Payments) -> pd.DataFrame:
    """Payment for each belt by each scheme as planned and as planted."""
    records = []
    for at, belt in enumerate(paid.ground.belts.itertuples(index=False)):
        for index, scheme in enumerate(paid.ground.schemes):
            records.append(
                {
                    "name": belt.name,
                    "holding_id": belt.holding_id,
                    "parcel_id": belt.parcel_id,
                    "scheme": scheme.name,
                    "line_source": belt.line_source,
                    "planted_count": belt.planted_count,
                    "dead_count": belt.dead_count,
                    "living_stems_per_ha": belt.living_stems_per_ha,
                    "min_stems_per_ha": scheme.claim.min_stems_per_ha,
                    "stem_result": stem_result(belt.living_stems_per_ha, scheme),
                    "planned_minor": planned.by_belt.get((at, index), 0),
                    "payment_minor": paid.by_belt.get((at, index), 0),
                }
            )
    return pd.DataFrame(records).astype({"min_stems_per_ha": float})


def _sums(rows: pd.DataFrame, data: GrantData, schemes: Iterable[str]) -> dict[str, pd.DataFrame]:
    """Totals by holding, by scheme and by year, each the sum of its rows."""
    found = {
        table: rows.groupby(keys, as_index=False)[SUMS].sum()
        for table, keys in (
            ("grant_by_holding", ["holding_id", "scheme"]),
            ("grant_by_scheme", ["scheme"]),
            ("grant_by_year", ["payment_year", "scheme"]),
        )
    }
    # A scheme that pays nothing has a row, too.
    every = found["grant_by_scheme"].set_index("scheme").reindex(sorted(schemes), fill_value=0)
    found["grant_by_scheme"] = every.rename_axis("scheme").reset_index()
    holdings = found["grant_by_holding"]
    holdings["name"] = [data.holding_names.get(str(one), "") for one in holdings["holding_id"]]
    return found
