"""What ending the overwintering mix by the spring gives at a place, beside both fixed dates."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from geo.season import day_of_year
from pipelines.run.result import StudyResult
from pipelines.show.field.calendar import study_calendar


@dataclass(frozen=True, slots=True)
class Ending:
    """One way to end the mix: shares of years 0-1 that end early and fall short, median gap, mean growth."""

    early_years: float
    shortfall_years: float
    gap_mm: float
    growth_kg_ha: float


@dataclass(frozen=True, slots=True)
class SpringReason:
    """What deciding each spring gives.

    Attributes
    ----------
    early_day : int
        Day of year on which the water under the mix is looked at.
    study_share : float
        The study's line, share of capacity.
    early, by_study, late : Ending
        Always ended early; early below the study's line, else at planting; always at planting.
    line_share, line_mm : float
        The line with the most growth within the water limits; NaN where it would not beat both dates.
    by_line : Ending or None
    """

    early_day: int
    study_share: float
    early: Ending
    by_study: Ending
    late: Ending
    line_share: float
    line_mm: float
    by_line: Ending | None


def spring_reason(result: StudyResult, row: Mapping[str, Any]) -> SpringReason | None:
    """Return the springs of a field's row or of a site's (`site_row`); None where they are unknown."""
    by_study = _ending(row, "spring_rule")
    share = result.outcomes.attrs.get("dry_spring_share")
    if by_study is None or share is None:
        return None
    fixed = [
        Ending(
            float(years),
            float(row[f"shortfall_years_overwinter_{name}"]),
            float(row[f"planting_gap_mm_overwinter_{name}"]),
            float(row[f"{name}_growth_kg_ha"]),
        )
        for name, years in (("early", 1.0), ("late", 0.0))
    ]
    return SpringReason(
        early_day=day_of_year(study_calendar(result.settings["season"]).early_termination),
        study_share=float(share),
        early=fixed[0],
        by_study=by_study,
        late=fixed[1],
        line_share=float(row["spring_line_share"]),
        line_mm=float(row["spring_line_mm"]),
        by_line=_ending(row, "spring_line"),
    )


def site_row(result: StudyResult, site: int) -> dict[str, float]:
    """Return the outcomes of a site under the names of the fields' columns."""
    one = result.outcomes.isel(site=site)
    row = {
        str(name): float(values)
        for name, values in one.data_vars.items()
        if not values.dims and values.dtype.kind == "f"
    }
    for option in ("overwinter_early", "overwinter_late"):
        row[f"shortfall_years_{option}"] = float(one["shortfall_years"].sel(option=option))
        row[f"planting_gap_mm_{option}"] = float(one["planting_gap_mm"].sel(option=option, quantile=0.5))
    return row


def _ending(row: Mapping[str, Any], prefix: str) -> Ending | None:
    names = ("early_years", "shortfall_years", "gap_mm", "growth_kg_ha")
    values = [float(row.get(f"{prefix}_{name}", math.nan)) for name in names]
    return None if any(map(math.isnan, values)) else Ending(*values)
