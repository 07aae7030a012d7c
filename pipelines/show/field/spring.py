"""What a field page says of dry and wet springs: when to end the overwintering mix, and by which line in the soil."""

from __future__ import annotations

import math

from geo.rating import ZoneRules
from pipelines.show.explain import Ending, SpringReason
from pipelines.show.field.words import Case
from pipelines.show.verdict_words import VerdictWords


def spring_advice(case: Case, rules: ZoneRules, early_day: float, says: VerdictWords) -> list[str]:
    """Return what to do in a dry and in a wet spring, and the water that a probe should find at planting."""
    words, units, spring = says.words, says.units, case.why.spring
    probe = words.t("field.spring.probe", target=units.depth(rules.target_share * case.why.capacity_mm))
    if case.why.recommended_option == "stubble":
        return [words.t("field.spring.stubble"), probe]
    killed = [words.t("field.spring.dry_killed")] if case.fits("winter_killed") else []
    if spring is not None and spring.by_line is not None:
        return [*_by_line(spring, spring.by_line, says), *killed, probe]
    day = min(early_day, case.latest_day) if not math.isnan(case.latest_day) else early_day
    lines = [words.t("field.spring.dry", date=units.date(day)), *killed]
    if case.fits("overwinter_early", "overwinter_late"):
        wet = case.number("wet_spring_gap_mm", "overwinter_late")
        key = "wet_yes" if wet <= rules.planting_gap_max_mm else "wet_no"
        limit = units.depth(rules.planting_gap_max_mm)
        lines.append(words.t(f"field.spring.{key}", gap=units.depth(max(wet, 0.0)), limit=limit))
    return [*lines, probe]


def _by_line(spring: SpringReason, line: Ending, says: VerdictWords) -> list[str]:
    """Return the line, what it gives against both dates, and how far to trust it."""
    words, units = says.words, says.units

    def years(share: float) -> str:
        return units.share_as_years(share, says.seasons).digits

    return [
        words.t(
            "field.spring.line" if units.us else "field.spring.line_metric",
            date=units.date(spring.early_day),
            water=units.depth(spring.line_mm),
            full=units.percent(spring.line_share),
        ),
        words.t(
            "field.spring.line_gives",
            total=says.seasons,
            early=years(line.early_years),
            short=years(line.shortfall_years),
            short_early=years(spring.early.shortfall_years),
            short_late=years(spring.late.shortfall_years),
        ),
        words.t(
            "field.spring.line_growth",
            growth=units.mass(line.growth_kg_ha),
            growth_early=units.mass(spring.early.growth_kg_ha),
        ),
    ]
