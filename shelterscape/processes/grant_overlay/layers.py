"""Layer and tables of `grant-overlay`."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import pandas as pd

from shelterscape.process.stages import Results
from shelterscape.processes.grant_overlay.loading import GrantData
from shelterscape.processes.grant_overlay.spec import SCREENED
from shelterscape.science import grants
from shelterscape.science.grants.parts import FAILS, parts
from shelterscape.science.grants.paying import Payments
from shelterscape.science.grants.scheme import COUNTED_PER, Scheme

ASSESSMENT = "A caution, not a decision: the authority decides, and rules change."
SUMS = ["uncapped_minor", "payment_minor"]


@dataclass(frozen=True, kw_only=True)
class GrantResults(Results):
    """What `summarise` needs besides layers and tables.

    Parameters
    ----------
    data : GrantData
    paid : Payments
    """

    data: GrantData
    paid: Payments


def caution(schemes: Iterable[Scheme]) -> str:
    """What every output says of itself, with the date of each scheme file."""
    dates = "; ".join(f"“{s.name}” as of {s.dated}" for s in sorted(schemes, key=lambda s: s.name))
    return f"{SCREENED} Rules used: {dates}."


def results_of(paid: Payments, data: GrantData) -> GrantResults:
    """The layer of parts and all tables."""
    by_name = {s.name: s for s in paid.ground.schemes}
    words = {name: caution([scheme]) for name, scheme in by_name.items()}
    currency = paid.ground.schemes[0].currency

    def stamped(frame: pd.DataFrame) -> pd.DataFrame:
        """With the currency and the caution of each scheme."""
        told = frame["scheme"].map(words).astype(object)
        return frame.assign(currency=currency, caution=told)

    found = stamped(parts(paid))
    fails = found[found["result"] == FAILS]
    wanted = ["name", "holding_id", "parcel_id", "scheme", "reason", "area_ha", "length_m"]
    rows = payment_rows(paid)
    wider = grants.widening(paid.ground, data.areas, data.agreements, paid.start_year)
    wider["extra_cost_minor"] = wider["extra_cost_minor"].astype("Int64")
    over = grants.reached(data.new_planting, data.own, data.thresholds, data.areas)
    return GrantResults(
        layers={"grant_parts": found},
        tables={
            "grant_reasons": pd.DataFrame(fails[[*wanted, "caution"]]),
            "grant_payments": stamped(rows),
            **{name: stamped(sums) for name, sums in _sums(rows, data, words).items()},
            "grant_widening": stamped(wider),
            "assessment_thresholds": over.assign(caution=ASSESSMENT),
        },
        data=data,
        paid=paid,
    )


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


def _sums(rows: pd.DataFrame, data: GrantData, schemes: Iterable[str]) -> dict[str, pd.DataFrame]:
    """Totals by holding, scheme and year, each the sum of its rows."""
    found = {
        table: rows.groupby(keys, as_index=False)[SUMS].sum()
        for table, keys in (
            ("grant_by_holding", ["holding_id", "scheme"]),
            ("grant_by_scheme", ["scheme"]),
            ("grant_by_year", ["year", "scheme"]),
        )
    }
    # A scheme that pays nothing is worth a line.
    every = found["grant_by_scheme"].set_index("scheme").reindex(sorted(schemes), fill_value=0)
    found["grant_by_scheme"] = every.rename_axis("scheme").reset_index()
    holdings = found["grant_by_holding"]
    holdings["name"] = [data.holding_names.get(str(one), "") for one in holdings["holding_id"]]
    return found
