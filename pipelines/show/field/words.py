"""The sentences of a field page: which option, how often it costs water, what limits it, what would change it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import xarray as xr

from geo.rating import RECOMMENDED_OPTION, ZONE_NAMES, ZoneRules
from pipelines.show.field.numbers import Deciding
from pipelines.study.units import Units
from pipelines.study.words import Catalogue

WHOLE = 0.995
REST_PARTS = 3
"""The answer names the three largest other zones; the legend has them all."""


@dataclass(frozen=True)
class Answer:
    """The answers on top of a field page, as plain text.

    Attributes
    ----------
    headline, acres, rest : str
        What to do, on how much ground, and what the other ground is.
    cost : str
        How often the option costs the next crop its water.
    short_years, total_years : int or None
        The same as a count, for the row of squares.
    enough : str
        What "enough water" means here.
    limit, change, sure : str
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
    change: str = ""
    sure: str = ""
    special: str = ""
    trials: str = ""


@dataclass(frozen=True)
class Case:
    """What the sentences need to know of one field; shares by zone code, code 0 is ground without data."""

    zone_code: int
    shares: dict[int, float]
    area_ha: float
    irrigated: bool
    next_crop: str
    reason: str
    numbers: xr.Dataset
    deciding: Deciding
    seasons: int
    latest_day: float
    mix_bonus: float = 0.0
    weeds: bool = False


def write_answer(case: Case, rules: ZoneRules, words: Catalogue, units: Units) -> Answer:
    """Put a field's answer into words."""
    zone = ZONE_NAMES[case.zone_code]
    headline = words.t(f"zones.headline.{zone}")
    if zone == "not_rated":
        reason = case.reason or words.t("field.answer.not_rated_none")
        return Answer(headline, special=words.t("field.answer.not_rated", reason=reason))
    option = RECOMMENDED_OPTION[zone]
    count, cost = _cost(case, option, words)
    return Answer(
        headline=headline,
        acres=_acres(case, words, units),
        rest=_rest(case, words, units),
        cost=cost,
        short_years=count,
        total_years=case.seasons,
        enough=words.t(
            "field.answer.enough",
            target=units.depth(rules.target_share * float(case.numbers["capacity_mm"])),
            share=units.percent(rules.target_share),
        ),
        limit=_limit(case, words, units),
        change=_change(case, words, units),
        sure=_sure(case, words, units),
        special=_irrigated(case, option, words, units),
        trials=_premises(case, words),
    )


def _premises(case: Case, words: Catalogue) -> str:
    trials = words.t("field.answer.trials_bonus" if case.mix_bonus else "field.answer.trials")
    return f"{trials} {words.t('field.answer.weedy')}" if case.weeds else trials


def _acres(case: Case, words: Catalogue, units: Units) -> str:
    share = case.shares.get(case.zone_code, 0.0)
    total = units.area(case.area_ha)
    if share <= 0:
        return ""
    if share > WHOLE:
        return words.t("field.answer.acres_all", total=total)
    return words.t("field.answer.acres", area=units.area(share * case.area_ha), total=total)


def _rest(case: Case, words: Catalogue, units: Units) -> str:
    parts = [
        words.t("field.answer.rest_part", area=units.area(share * case.area_ha), code=code)
        for code, share in sorted(case.shares.items(), key=lambda pair: -pair[1])
        if code not in (0, case.zone_code) and share > 0.005
    ][:REST_PARTS]
    return words.t("field.answer.rest", parts=", ".join(parts)) if parts else ""


def _cost(case: Case, option: str, words: Catalogue) -> tuple[int | None, str]:
    """Say the short years of the option that is on offer; of the nearest cover where stubble is kept."""
    asked = option
    if option == "stubble":
        asked = case.deciding.option or "winter_killed"
    share = float(case.numbers["shortfall_years"].sel(option=asked))
    if math.isnan(share):
        return None, words.t("common.no_data")
    count = round(share * case.seasons)
    key = "cost_stubble" if option == "stubble" else {0: "cost_none", 1: "cost_one"}.get(count, "cost")
    text = words.t(
        f"field.answer.{key}", count=count, total=case.seasons, crop=_crop(case, words), option=_name(asked, words)
    )
    return count, text


def _crop(case: Case, words: Catalogue) -> str:
    return f"{case.next_crop}" if case.next_crop else words.t("field.next_crop")


def _name(option: str, words: Catalogue) -> str:
    return words.t(f"common.option_text.{option}")


def _form(deciding: Deciding) -> str:
    """Return the key of the sentence that fits the deciding test."""
    if deciding.test in ("gap", "shortfall"):
        return f"water_{deciding.test}"
    if deciding.test == "winter":
        return "winter_killed" if deciding.option == "winter_killed" else "winter_alive"
    return deciding.test


def _limit(case: Case, words: Catalogue, units: Units) -> str:
    test = case.deciding
    if ZONE_NAMES[case.zone_code] == "either":
        return words.t("field.limit.none")
    if not test.test or math.isnan(test.value):
        return words.t("field.limit.unknown")
    if test.test == "gap":
        value, limit = str(units.depth(test.value)), str(units.depth(test.threshold))
    else:
        value, limit = _counts(test, case.seasons)
    whole = case.shares.get(case.zone_code, 0.0) > WHOLE
    where = "" if whole else words.t("field.limit.where", code=case.zone_code)
    return words.t(
        f"field.limit.{_form(test)}",
        where=where,
        option=_name(test.option, words),
        value=value,
        total=case.seasons,
        limit=limit,
    )


def _counts(test: Deciding, total: int) -> tuple[str, str]:
    """Return value and limit as counts of years that can never seem to meet a limit which they miss."""
    if test.test == "shortfall":
        most = math.floor(test.threshold * total + 1e-9)
        count = round(test.value * total)
        return str(max(count, most + 1) if test.value > test.threshold else min(count, most)), str(most)
    least = math.ceil(test.threshold * total - 1e-9)
    count = round(test.value * total)
    return str(min(count, least - 1) if test.value < test.threshold else max(count, least)), str(least)


def _change(case: Case, words: Catalogue, units: Units) -> str:
    test = case.deciding
    if ZONE_NAMES[case.zone_code] == "either":
        return words.t("field.change.irrigated" if case.irrigated else "field.change.none")
    if not test.test or math.isnan(test.value):
        return words.t("field.change.none")
    value = str(units.depth(test.value)) if test.test == "gap" else _counts(test, case.seasons)[0]
    text = words.t(f"field.change.{_form(test)}", option=_name(test.option, words), value=value, total=case.seasons)
    if test.factor == "water" and not math.isnan(case.latest_day):
        text += " " + words.t("field.change.early", date=units.date(case.latest_day))
    return text


def _sure(case: Case, words: Catalogue, units: Units) -> str:
    agreement = float(case.numbers["agreement"])
    soil = words.t("field.answer.sure_soil")
    if math.isnan(agreement):
        return f"{words.t('field.answer.sure_one')} {soil}"
    return f"{words.t('field.answer.sure', share=units.percent(agreement))} {soil}"


def _irrigated(case: Case, option: str, words: Catalogue, units: Units) -> str:
    if not case.irrigated:
        return ""
    if option == "stubble":
        return words.t("field.answer.irrigated_stubble")
    gap = units.depth(max(0.0, float(case.numbers["planting_gap_mm"].sel(option=option, quantile=0.5))))
    return words.t("field.answer.irrigated", gap=gap, option=_name(option, words))
