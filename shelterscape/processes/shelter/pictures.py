"""Preview pictures of `shelter`, with all that they must say about themselves."""

from __future__ import annotations

import pandas as pd

from shelterscape.files.draw import ChartSheet, MapSheet
from shelterscape.kernels.shelter_curves import CURVES
from shelterscape.processes.shelter.over_year import Field, Job, Year
from shelterscape.science.belts import Case
from shelterscape.science.terrain.validity import NOT_MODELLED
from shelterscape.terms import TERMS

STATUS_WORDS = {
    "S": "seen in its source",
    "S2": "seen in texts citing it",
    "M": "from memory",
    "E": "an engineering choice",
}


def draw(years: list[Year], hectares: pd.DataFrame, job: Job, cautions: tuple[str, ...]) -> None:
    """Draw the map of relative wind and, where years are looked at, the chart through them."""
    settled = job.settled
    fields = {case: field for year in years for case, field in year.fields.items()}
    notes = (*_notes(job), *cautions)
    job.run.picture(
        "relative_wind",
        MapSheet(
            title="How far belts shelter the ground: relative wind",
            panels={_heading(case, job): field for case, field in fields.items()},
            grid=job.grid,
            term=TERMS["relative_wind"],
            notes=notes,
            ground=job.elevation,
            belts=job.belts,
            across=len(settled.seasons),
        ),
    )
    site = {case: field for year in years for case, field in year.site.items()}
    if site:
        job.run.picture("site_wind", _site_wind(site, years, notes, job))
    if any(year is not None for year in settled.years):
        job.run.picture("sheltered_hectares", _chart(hectares, notes))


def _site_wind(
    fields: dict[Case, Field], years: list[Year], notes: tuple[str, ...], job: Job
) -> MapSheet:
    lost = {c: mask for year in years for c, mask in year.hills_not_modelled.items()}
    return MapSheet(
        title="Wind with hills and belts: site wind",
        panels={_heading(case, job): field for case, field in fields.items()},
        grid=job.grid,
        term=TERMS["site_wind" if job.speeds_known else "site_wind_relative"],
        notes=(
            f"Dotted: wind over hills not modelled ({NOT_MODELLED}).",
            *notes,
        ),
        ground=job.elevation,
        belts=job.belts,
        across=len(job.settled.seasons),
        doubtful={_heading(case, job): mask for case, mask in lost.items()},
    )


def _heading(case: Case, job: Job) -> str:
    when = "as surveyed" if case.year is None else f"belts not yet grown, year {case.year}"
    winds = job.settled.winds[case.season].label
    return f"{case.season_label}, {when}; {winds}; {job.settled.how.at_height_m:g} m above ground"


def _notes(job: Job) -> tuple[str, ...]:
    settled = job.settled
    how, model = settled.how, CURVES[settled.how.curve]
    powers = {1.0: "wind run", 2.0: "force (wind speed squared)", 3.0: "erosion (speed cubed)"}
    weighed = powers.get(settled.power, f"wind speed to the power {settled.power:g}")
    shares = {w.label: w.calm for w in settled.winds.values()}
    calm = ", ".join(f"{share:.0%} of the time in {label}" for label, share in shares.items())
    return (
        f"Mean over {len(job.settled.directions())} wind directions, weighted by {weighed}, "
        f"{how.at_height_m:g} m above ground. Calm ({calm}) changes nothing.",
        f"Curve “{model.name}”: {model.source} ({STATUS_WORDS[model.status]}); off by "
        f"{model.rmse:.2f} on average (RMSE) against published figures. Reach ± 25 %.",
    )


def _chart(hectares: pd.DataFrame, notes: tuple[str, ...]) -> ChartSheet:
    grown = hectares[hectares["year"].notna()]
    lines = {
        str(season): ([float(y) for y in rows["year"]], [float(ha) for ha in rows["sheltered_ha"]])
        for season, rows in grown.groupby("season", sort=False)
    }
    surveyed = hectares[hectares["year"].isna()].set_index("season")["sheltered_ha"]
    return ChartSheet(
        title="Sheltered hectares through the years",
        x_label="year",
        y_label=TERMS["sheltered_area"].label,
        lines=lines,
        levels={str(s): (f"{s}, as surveyed", float(ha)) for s, ha in surveyed.items()},
        notes=(f"{TERMS['sheltered_area'].meaning} Belts not yet grown.", *notes),
    )
