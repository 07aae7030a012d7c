"""What a field page says of dry and wet springs: when to end the overwintering mix, and by which line in the soil."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from geo.rating import RECOMMENDED_OPTION, ZONE_NAMES, ZoneRules
from pipelines.show.field.words import Case
from pipelines.study.units import Units
from pipelines.study.words import Catalogue


@dataclass(frozen=True)
class SpringLine:
    """The line of one field, and what it gives against both fixed dates; shares 0-1, mm, kg/ha."""

    share: float
    water_mm: float
    early_years: float
    short: float
    short_early: float
    short_late: float
    growth: float
    growth_early: float
    growth_late: float


def spring_line(field: Mapping[str, Any]) -> SpringLine | None:
    """Return the line of a field's row; None where no line beats both dates, or an older run knew none."""
    share = float(field.get("spring_line_share", math.nan))
    if math.isnan(share):
        return None
    return SpringLine(
        share=share,
        water_mm=float(field["spring_line_mm"]),
        early_years=float(field["spring_line_early_years"]),
        short=float(field["spring_line_shortfall_years"]),
        short_early=float(field["shortfall_years_overwinter_early"]),
        short_late=float(field["shortfall_years_overwinter_late"]),
        growth=float(field["spring_line_growth_kg_ha"]),
        growth_early=float(field["early_growth_kg_ha"]),
        growth_late=float(field["late_growth_kg_ha"]),
    )


def spring_advice(
    case: Case, line: SpringLine | None, rules: ZoneRules, early_day: float, words: Catalogue, units: Units
) -> list[str]:
    """Return what to do in a dry and in a wet spring, and the probing line."""
    option = RECOMMENDED_OPTION[ZONE_NAMES[case.zone_code]]
    numbers = case.numbers
    target = rules.target_share * float(numbers["capacity_mm"])
    probe = words.t("field.spring.probe", target=units.depth(target))
    if option in ("", "stubble"):
        return [words.t("field.spring.stubble"), probe] if option else []
    killed = [words.t("field.spring.dry_killed")] if option == "winter_killed" else []
    if line is not None:
        return [*_by_line(line, early_day, case.seasons, words, units), *killed, probe]
    day = min(early_day, case.latest_day) if not math.isnan(case.latest_day) else early_day
    lines = [words.t("field.spring.dry", date=units.date(day)), *killed]
    wet = float(numbers["wet_spring_gap_mm"].sel(option="overwinter_late"))
    if not math.isnan(wet):
        key = "wet_yes" if wet <= rules.planting_gap_max_mm else "wet_no"
        limit = units.depth(rules.planting_gap_max_mm)
        lines.append(words.t(f"field.spring.{key}", gap=units.depth(max(wet, 0.0)), limit=limit))
    return [*lines, probe]


def _by_line(line: SpringLine, early_day: float, seasons: int, words: Catalogue, units: Units) -> list[str]:
    """Return the line, what it gives against both dates, and how far to trust it."""

    def years(share: float) -> str:
        return units.share_as_years(share, seasons).digits

    return [
        words.t(
            "field.spring.line" if units.us else "field.spring.line_metric",
            date=units.date(early_day),
            water=units.depth(line.water_mm),
            full=units.percent(line.share),
        ),
        words.t(
            "field.spring.line_gives",
            total=seasons,
            early=years(line.early_years),
            short=years(line.short),
            short_early=years(line.short_early),
            short_late=years(line.short_late),
        ),
        words.t(
            "field.spring.line_growth",
            growth=units.mass(line.growth),
            growth_early=units.mass(line.growth_early),
        ),
    ]
