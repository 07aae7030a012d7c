"""The sentences of a field page: which option, how often it costs water, what limits it, what would change it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import xarray as xr

from geo.options import OPTIONS
from geo.rating import FACTOR_OF_TEST, NOT_RATED, STATS, TESTS, ZONE_NAMES, ZoneRules
from pipelines.show.explain import FieldReason
from pipelines.show.verdict_words import Verdict, VerdictWords, limit_name

REST_PARTS, SMALL = 3, 0.005
"""The answer names the three largest parts that differ, if they are not very small; the legend has them all."""
_FACTOR = dict(zip(TESTS, FACTOR_OF_TEST, strict=True))


@dataclass(frozen=True)
class Answer:
    """The answers on top of a field page, as plain text.

    Attributes
    ----------
    headline, acres, rest : str
        What to do on the whole field, and which parts of it have another answer by themselves.
    cost : str
        How often the option costs the next crop its water.
    short_years, total_years : int or None
        The same as a count, for the row of squares.
    enough : str
        What "enough water" means here.
    limit : str
        That nothing limits the field; empty where something does.
    limits : list of (str, list of str)
        Each cover and what it fails, or that it fails nothing.
    change, sure : str
    special : str
        The rule of irrigated ground, or why there is no rating.
    trials : str
        What field trials say of mixes, where the choice is made; and what else the study assumes.
    """

    headline: str
    acres: str = ""
    rest: str = ""
    cost: str = ""
    short_years: int | None = None
    total_years: int = 0
    enough: str = ""
    limit: str = ""
    limits: tuple[tuple[str, tuple[str, ...]], ...] = ()
    change: str = ""
    sure: str = ""
    special: str = ""
    trials: str = ""


@dataclass(frozen=True)
class Case:
    """What a page says of one field.

    Attributes
    ----------
    why : FieldReason
    numbers : Dataset
        Outcomes of the field.
    soils : mapping
        By zone code, the soil with the most ground that has this zone by itself.
    next_crop, reason : str
        Text of the study, safe to show.
    """

    why: FieldReason
    numbers: xr.Dataset
    soils: Mapping[int, str]
    next_crop: str
    reason: str

    @property
    def latest_day(self) -> float:
        """Latest safe end of an overwintering mix, day of the year; NaN when no date is safe."""
        return float(self.numbers["latest_termination_day"])

    def number(self, name: str, option: str, stat: str = "mean") -> float:
        """Return an outcome of an option: a statistic over the years, or the one value that there is."""
        values = self.numbers[name].values
        return float(
            values[OPTIONS.index(option), STATS.index(stat)] if values.ndim == 2 else values[OPTIONS.index(option)]
        )

    def fits(self, *covers: str) -> bool:
        """Return whether one of the covers passes all its tests."""
        return any(all(row.passed for row in self.why.verdicts if row.cover == cover) for cover in covers)

    def verdict(self, cover: str, test: str) -> Verdict:
        """Return one test of one cover."""
        return next(row for row in self.why.verdicts if (row.cover, row.test) == (cover, test))


def write_answer(case: Case, rules: ZoneRules, says: VerdictWords, *, mix_bonus: float, weeds: bool) -> Answer:
    """Put a field's answer into words."""
    words, units, why = says.words, says.units, case.why
    headline = words.t(f"zones.headline.{_headline(why)}")
    if not why.verdicts:
        reason = case.reason or words.t("field.answer.not_rated_none")
        return Answer(headline, special=words.t("field.answer.not_rated", reason=reason))
    count, cost = _cost(case, says)
    trials = words.t("field.answer.trials_bonus" if mix_bonus else "field.answer.trials")
    limited = bool(why.limiting_test)
    return Answer(
        headline=headline,
        acres=words.t("field.answer.acres", total=units.area(why.area_ha)),
        rest=_rest(case, says),
        cost=cost,
        short_years=count,
        total_years=says.seasons,
        enough=words.t(
            "field.answer.enough",
            target=units.depth(rules.target_share * why.capacity_mm),
            share=units.percent(rules.target_share),
        ),
        limit="" if limited else words.t("field.limit.none"),
        limits=_limits(why, says) if limited else (),
        change=_change(case, says),
        sure=_sure(why, says),
        special=_irrigated(case, says),
        trials=f"{trials} {words.t('field.answer.weedy')}" if weeds else trials,
    )


def _headline(why: FieldReason) -> str:
    """Return the key of what to do; where a cover leaves enough water and the stubble is kept, it says why."""
    if why.zone != "stubble_season":
        return why.zone
    failed = [{_FACTOR[row.test] for row in why.verdicts if row.cover == c and not row.passed} for c in _covers(why)]
    dry_enough = [factors for factors in failed if "water" not in factors]
    common = set.intersection(*dry_enough)
    return f"stubble_{common.pop()}" if len(common) == 1 else "stubble_season_or_winter"


def _covers(why: FieldReason) -> list[str]:
    return list(dict.fromkeys(row.cover for row in why.verdicts))


def _rest(case: Case, says: VerdictWords) -> str:
    """Say which parts of the field have another answer when each soil is judged by itself, largest part first."""
    words, why = says.words, case.why
    others = [code for code in why.zone_shares if code not in (0, why.zone_code)]
    others.sort(key=lambda c: (c == NOT_RATED, ZONE_NAMES[c] != why.largest_zone, -why.zone_shares[c]))
    parts = [
        words.t(
            "field.answer.rest_part",
            area=says.units.area(why.zone_shares[code] * why.area_ha),
            soil=case.soils[code],
            zone=words.t(f"zones.{ZONE_NAMES[code]}.label"),
        )
        for code in others[:REST_PARTS]
        if why.zone_shares[code] > SMALL
    ]
    if not parts:
        return ""
    key = "rest" if why.zone == why.largest_zone else "rest_most"
    return words.t(f"field.answer.{key}", parts=" ".join(parts))


def _cost(case: Case, says: VerdictWords) -> tuple[int, str]:
    """Say the short years of the option that is on offer; of the nearest cover where stubble is kept."""
    words, stubble = says.words, case.why.recommended_option == "stubble"
    asked = case.why.limiting_option if stubble else case.why.recommended_option
    row = case.verdict(asked, "shortfall")
    shown = says.numbers(row)[0]
    # "just over 6" is drawn as 6 squares
    count = int(shown) if shown.isdecimal() else round(row.value * says.seasons)
    key = "cost_stubble" if stubble else {"0": "cost_none", "1": "cost_one"}.get(shown, "cost")
    crop = case.next_crop or words.t("field.next_crop")
    option = words.t(f"common.option_text.{asked}")
    return count, words.t(f"field.answer.{key}", count=shown, total=says.seasons, crop=crop, option=option)


def _limits(why: FieldReason, says: VerdictWords) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Return each cover with the clauses of the tests that it fails."""
    found = []
    for cover in _covers(why):
        failed = tuple(says.clause(row) for row in why.verdicts if row.cover == cover and not row.passed)
        found.append((says.words.t(f"common.option.{cover}"), failed or (says.words.t("verdict.fits"),)))
    return tuple(found)


def _change(case: Case, says: VerdictWords) -> str:
    words, why = says.words, case.why
    if not why.limiting_test:
        return words.t("field.change.irrigated" if why.irrigated else "field.change.none")
    row = case.verdict(why.limiting_option, why.limiting_test)
    option = words.t(f"common.option_text.{row.cover}")
    key = f"field.change.{limit_name(row.cover, row.test)}"
    text = words.t(key, option=option, value=says.numbers(row)[0], total=says.seasons)
    if why.limiting_factor == "water" and row.cover != "winter_killed" and not math.isnan(case.latest_day):
        text += " " + words.t("field.change.early", date=says.units.date(case.latest_day))
    return text


def _sure(why: FieldReason, says: VerdictWords) -> str:
    soil = says.words.t("field.answer.sure_soil")
    if math.isnan(why.agreement):
        return f"{says.words.t('field.answer.sure_one')} {soil}"
    return f"{says.words.t('field.answer.sure', share=says.units.percent(why.agreement))} {soil}"


def _irrigated(case: Case, says: VerdictWords) -> str:
    if not case.why.irrigated:
        return ""
    option = case.why.recommended_option
    if option == "stubble":
        return says.words.t("field.answer.irrigated_stubble")
    gap = says.units.depth(max(0.0, case.verdict(option, "gap").value))
    return says.words.t("field.answer.irrigated", gap=gap, option=says.words.t(f"common.option_text.{option}"))
