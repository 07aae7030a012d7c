"""Put the reasons of a zone into a terminal: tables of tests in the user's units, sentences around them."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from geo.rating.zone_codes import RECOMMENDED_OPTION
from pipelines.show.explain import FieldReason, OptionLine, PointReason, SiteReason, TestLine
from pipelines.show.explain_spring import Ending, SpringReason
from pipelines.show.legend import zone_styles
from pipelines.study.units import Units, convert
from pipelines.study.words import Catalogue

_SITES_SHOWN = 6
_MOST_DECIMALS = 4
_TEST_WORDS = {
    "season": "years with enough ground cover",
    "winter": "winters that kill it",
    "survives": "winters that it survives",
    "gap": "less water than stubble",
    "shortfall": "years it leaves a crop short",
}
_NAME_WIDTH, _NUMBER_WIDTH, _LIMIT_WIDTH, _RESULT_WIDTH = 32, 9, 16, 10


def print_field(console: Console, why: FieldReason, words: Catalogue, units: Units, seasons: int) -> None:
    """Print the zone of a field, where it comes from, and the tests of its main soil."""
    named = f" ({why.name})" if why.name and why.name != why.field_id else ""
    ground = "irrigated" if why.irrigated else "dry land"
    console.print(f"[bold]Field {escape(why.field_id)}{escape(named)}[/bold], {units.area(why.area_ha)}, {ground}")
    _print_zone(console, why.zone_code, words)
    if why.zone == "not_rated":
        console.print(f"Why: {escape(why.reason or 'not enough data')}.")
    parts = ", ".join(
        f"{units.percent(share)} {_label(code, words)}"
        for code, share in sorted(why.zone_shares.items(), key=lambda item: -item[1])
    )
    console.print(f"Ground of the field: {escape(parts)}.")
    if why.zone != "not_rated":
        console.print(_sure(why.margin, why.agreement, units, passes=why.zone not in _STUBBLE))
    if why.irrigated:
        console.print("Irrigated: water can be added, so only season and winter are tested.")
    if not why.sites:
        console.print("The soil map has no data on this field.")
        return
    main = why.sites[why.main]
    if why.whole and sum(s.reason.zone != "not_rated" for s in why.sites) > 1:
        console.print()
        _print_both(console, why, words, units)
    console.print(f"\n[bold]The soil that decides[/bold] ({units.percent(main.share)} of the field)")
    print_site(console, main.reason, words, units, seasons, agreement=False, spring=False)
    if why.spring is not None:
        console.print()
        _print_spring(console, why.spring, words, units)
    others = [s for k, s in enumerate(why.sites) if k != why.main]
    if others:
        console.print()
        console.print(_other_sites(others[:_SITES_SHOWN], words, units))
        if len(others) > _SITES_SHOWN:
            console.print(
                f"and {len(others) - _SITES_SHOWN} smaller pieces; ask for a point to see one: --point LON,LAT"
            )
    _print_caution(console)


def _print_both(console: Console, why: FieldReason, words: Catalogue, units: Units) -> None:
    """Print what each cover costs on the whole field beside the soil that decides, and why they differ."""
    main = why.sites[why.main]
    tests = {o.option: {line.test: line.value for line in o.tests} for o in main.reason.options}
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column(words.t("explain.both.cover"))
    for key in ("field_gap", "soil_gap", "field_short", "soil_short"):
        table.add_column(words.t(f"explain.both.{key}"), justify="right")
    for line in why.whole:
        soil = tests[line.option]
        table.add_row(
            words.t(f"common.option_short.{line.option}"),
            _water(line.gap_mm, units),
            _water(soil["gap"], units),
            str(units.percent(line.shortfall_years)),
            str(units.percent(soil["shortfall"])),
        )
    console.print(f"[bold]{words.t('explain.both.title')}[/bold]")
    console.print(table)
    rated = sum(s.share for s in why.sites if s.reason.zone != "not_rated")
    share = units.percent(main.share / rated)
    console.print(words.t("explain.both.why", share=share, soil=escape(main.reason.map_unit)))


def print_point(console: Console, why: PointReason, words: Catalogue, units: Units, seasons: int) -> None:
    """Print the zone of the ground at a point and its tests."""
    console.print(f"[bold]Point {why.longitude:g}, {why.latitude:g}[/bold]")
    _print_zone(console, why.reason.zone_code, words)
    print_site(console, why.reason, words, units, seasons)
    for field_id in why.fields:
        rule = " It is irrigated and has its own rule." if field_id in why.irrigated_fields else ""
        console.print(f"The point lies in field {escape(field_id)}.{rule} Ask with --field {escape(field_id)}.")
    _print_caution(console)


def print_site(
    console: Console,
    why: SiteReason,
    words: Catalogue,
    units: Units,
    seasons: int,
    *,
    agreement: bool = True,
    spring: bool = True,
) -> None:
    """Print soil, climate, tests, limiting factor and springs of one site."""
    console.print(f"Soil: {escape(why.map_unit)}")
    for part in why.components:
        console.print(
            f"  {units.percent(part.share)} {escape(part.name)}: holds {_water(part.capacity_mm, units)}, "
            f"roots to {_depth(part.root_limit_mm, units)}{', ' + escape(part.texture) if part.texture else ''}"
        )
    if why.rated_share < 0.995:
        console.print(f"  {units.percent(why.rated_share)} of the map unit could be simulated.")
    if why.zone == "not_rated":
        console.print(f"Why it is not rated: {escape(why.reason or 'too little of the soil is described')}.")
        return
    console.print(f"Climate: {_water(why.precip_mm, units)} of rain and snow a year, {seasons} seasons simulated")
    console.print("Tests, in the middle year or as a share of years; margin in parts of the limit:")
    for option in why.options:
        _print_option(console, option, words, units)
    console.print(_limit(why, words))
    if agreement:
        console.print(_sure(why.margin, why.agreement, units, passes=why.zone not in _STUBBLE))
    if spring and why.spring is not None:
        _print_spring(console, why.spring, words, units)


def as_json(why: FieldReason | PointReason) -> dict[str, Any]:
    """Return a reason as plain JSON types: SI units, missing numbers and waived margins as null."""

    def plain(value: Any) -> Any:
        if isinstance(value, dict):
            return {str(k): plain(v) for k, v in value.items()}
        if isinstance(value, (list, tuple)):
            return [plain(v) for v in value]
        return None if isinstance(value, float) and not math.isfinite(value) else value

    found: dict[str, Any] = plain(asdict(why))
    return found


def shown_test(line: TestLine, units: Units) -> tuple[str, str]:
    """Return value and threshold as text, with decimals enough that the text never hides on which side it falls."""
    value, threshold = line.value, line.threshold
    if line.test == "gap":
        scale = convert(1.0, "millimeter", "inch") if units.us else 1.0
        unit, start = (" in", 2) if units.us else (" mm", 1)
        value, threshold = value * scale, threshold * scale
    else:
        unit, start = "%", 0
        value, threshold = value * 100, threshold * 100
    if math.isnan(value):
        return "no data", f"{threshold:.{start}f}{unit}"
    for decimals in range(start, _MOST_DECIMALS + 1):
        left, right = f"{value:.{decimals}f}", f"{threshold:.{decimals}f}"
        if left != right or line.passed:
            break
    return f"{left}{unit}".replace("-", "\N{MINUS SIGN}"), f"{right}{unit}"


_STUBBLE = ("stubble_water", "stubble_season")


def _label(code: int, words: Catalogue) -> str:
    return zone_styles(words)[code].label if code else "no soil data"


def _print_zone(console: Console, code: int, words: Catalogue) -> None:
    style = zone_styles(words)[code]
    console.print(f"Zone {code}, [bold]{style.label}[/bold]. {style.plain}")


def _water(mm: float, units: Units) -> str:
    return str(units.depth(mm))


def _depth(mm: float, units: Units) -> str:
    return f"{convert(mm, 'mm', 'ft'):.1f} ft" if units.us else f"{mm / 10:.0f} cm"


def _print_option(console: Console, option: OptionLine, words: Catalogue, units: Units) -> None:
    verdict = "[green]fits[/green]" if option.passed else "[red]does not fit[/red]"
    console.print(f"[bold]{words.t(f'common.option.{option.option}')}[/bold]: {verdict}")
    table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column(width=_NAME_WIDTH)
    table.add_column(justify="right", width=_NUMBER_WIDTH)
    table.add_column(justify="right", width=_LIMIT_WIDTH)
    table.add_column(width=_RESULT_WIDTH)
    table.add_column(justify="right")
    for line in option.tests:
        key = "survives" if line.test == "winter" and option.option != "winter_killed" else line.test
        value, limit = shown_test(line, units)
        if line.waived:
            table.add_row("  " + _TEST_WORDS[key], value, "no limit", "not tested", "")
            continue
        bound = "at least" if line.at_least else "at most"
        passed = "[green]passes[/green]" if line.passed else "[red]fails[/red]"
        table.add_row("  " + _TEST_WORDS[key], value, f"{bound} {limit}", passed, _margin(line.margin))
    console.print(table)


def _margin(margin: float) -> str:
    if math.isnan(margin):
        return ""
    return f"{margin * 100:+.0f}%".replace("-", "\N{MINUS SIGN}")


def _limit(why: SiteReason, words: Catalogue) -> str:
    if not why.limiting_factor:
        return "Limit: none. Every option passes what it needs."
    name = words.t(f"common.option_text.{why.limiting_option}")
    chosen = RECOMMENDED_OPTION[why.zone]
    fits = "" if chosen in ("", "stubble") else f" What fits: {words.t(f'common.option_text.{chosen}')}."
    meaning = words.t(f"common.limit.{why.limiting_factor}")
    return f"Limit: [bold]{why.limiting_factor}[/bold] ({meaning}), for the {name}.{fits}"


def _sure(margin: float, agreement: float, units: Units, *, passes: bool) -> str:
    if math.isnan(margin):
        told = "Margin: not known."
    elif passes:
        told = f"Margin: what fits passes its closest test with {abs(margin) * 100:.0f}% of the limit to spare."
    else:
        told = f"Margin: the cover that comes closest misses its worst test by {abs(margin) * 100:.0f}% of the limit."
    if math.isnan(agreement):
        return f"{told} How far it depends on the model's settings was not tried."
    return f"{told} Agreement: {units.percent(agreement)} of the parameter sets give the same zone."


def _print_spring(console: Console, why: SpringReason, words: Catalogue, units: Units) -> None:
    """Print what the mix costs and grows when it is ended early, by the spring, and at planting."""
    console.print(f"[bold]{words.t('explain.spring.title')}[/bold]")
    console.print(words.t("explain.spring.what", date=units.date(why.early_day)))
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column(words.t("explain.spring.way"))
    for key in ("ends_early", "short", "gap", "growth"):
        table.add_column(words.t(f"explain.spring.{key}"), justify="right")

    def add(key: str, end: Ending, **values: object) -> None:
        table.add_row(
            "  " + words.t(f"explain.spring.{key}", **values),
            str(units.percent(end.early_years)),
            str(units.percent(end.shortfall_years)),
            _water(end.gap_mm, units),
            str(units.mass(end.growth_kg_ha)),
        )

    add("early", why.early)
    add("by_study", why.by_study, share=units.percent(why.study_share))
    if why.by_line is not None:
        add("by_line", why.by_line, share=units.percent(why.line_share), water=units.depth(why.line_mm))
    add("late", why.late)
    console.print(table)
    told = "none" if why.by_line is None else "care"
    console.print(words.t(f"explain.spring.{told}"))


def _other_sites(sites: list[Any], words: Catalogue, units: Units) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("other soils of the field")
    table.add_column("share", justify="right")
    table.add_column("zone")
    table.add_column("limit")
    table.add_column("margin", justify="right")
    for shared in sites:
        why: SiteReason = shared.reason
        limit = why.limiting_factor or (why.reason if why.zone == "not_rated" else "none")
        table.add_row(
            escape(why.map_unit),
            str(units.percent(shared.share)),
            f"{why.zone_code} {_label(why.zone_code, words)}",
            escape(limit),
            _margin(why.margin),
        )
    return table


def _print_caution(console: Console) -> None:
    console.print(
        "\n[dim]A model's view of mapped soils. Probe before you decide; local codes, product labels and licensed "
        "advisers come first.[/dim]"
    )
