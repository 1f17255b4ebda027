"""Picture of the wind over the cross-section of one belt, for any process."""

from __future__ import annotations

from shelterscape.files.draw_sheets import SectionRow, SectionSheet
from shelterscape.science.belt_section import LIMITS, BeltSection
from shelterscape.terms import TERMS


def section_sheet(
    title: str, section: BeltSection, rows: tuple[SectionRow, ...] = ()
) -> SectionSheet:
    """Describe the picture of a section.

    Parameters
    ----------
    title : str
        Names belt, leaf state and year.
    section : BeltSection
        As `science.belt_section.belt_section` returns it.
    rows : tuple of SectionRow
        Rows of plants, from windward to leeward, drawn below it.

    Returns
    -------
    SectionSheet
        For `Summary.pictures`; its notes state the limits.
    """
    return SectionSheet(
        title,
        section.distance_m,
        section.height_m,
        section.relative_wind,
        TERMS["relative_wind"],
        (section.belt_height_m, section.width_m, section.stem_m),
        (LIMITS,),
        rows,
    )
