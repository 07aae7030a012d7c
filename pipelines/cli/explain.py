"""Print why a place has its zone: its verdicts in words, its springs, its soils."""

from __future__ import annotations

import math
from dataclasses import asdict
from itertools import groupby
from typing import Any

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from pipelines.show.explain import Answer, Ending, FieldReason, PointReason, SiteReason, SpringReason
from pipelines.show.legend import zone_styles
from pipelines.show.verdict_words import VerdictWords

_SITES_SHOWN = 6
_CAUTION = (
    "\n[dim]A model's view of mapped soils. Probe before you decide; local codes, product labels and licensed "
    "advisers come first.[/dim]"
)


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


def print_reason(console: Console, why: FieldReason | PointReason, says: VerdictWords) -> None:
    """Print the zone of a field or a point and all that it rests on."""
    if isinstance(why, FieldReason):
        _print_field(console, why, says)
    else:
        console.print(f"[bold]Point {why.longitude:g}, {why.latitude:g}[/bold]")
        _print_soil(console, why.reason, says)
        _print_answer(console, why.reason, says)
        for field_id in why.fields:
            rule = " It is irrigated and has its own rule." if field_id in why.irrigated_fields else ""
            console.print(f"The point lies in field {escape(field_id)}.{rule} Ask with --field {escape(field_id)}.")
    console.print(_CAUTION)


def _print_field(console: Console, why: FieldReason, says: VerdictWords) -> None:
    units = says.units
    named = f" ({why.name})" if why.name and why.name != why.field_id else ""
    ground = "irrigated" if why.irrigated else "dry land"
    console.print(f"[bold]Field {escape(why.field_id)}{escape(named)}[/bold], {units.area(why.area_ha)}, {ground}")
    if not why.sites:
        console.print("The soil map has no data on this field.")
        return
    _print_answer(console, why, says)
    parts = ", ".join(
        f"{units.percent(share)} {_label(code, says)}"
        for code, share in sorted(why.zone_shares.items(), key=lambda item: -item[1])
    )
    console.print(f"\n[bold]Each soil taken by itself[/bold]: {escape(parts)}.")
    if why.zone != why.largest_zone:
        console.print(escape(says.parts(why.zone, why.largest_zone, why.largest_zone_share * why.area_ha)))
    table = _table("soil", "share", "zone", "limit", "margin", right=("share", "margin"))
    for site in why.sites[:_SITES_SHOWN]:
        limit = says.short(site.limiting_option, site.limiting_test) if site.verdicts else site.reason
        zone = f"{site.zone_code} {_label(site.zone_code, says)}"
        table.add_row(
            escape(site.map_unit), str(units.percent(site.share)), zone, escape(limit), _margin(site.margin)
        )
    console.print(table)
    if len(why.sites) > _SITES_SHOWN:
        console.print(
            f"and {len(why.sites) - _SITES_SHOWN} smaller pieces; ask for a point to see one: --point LON,LAT"
        )


def _print_soil(console: Console, site: SiteReason, says: VerdictWords) -> None:
    units = says.units
    console.print(f"Soil: {escape(site.map_unit)}")
    for part in site.components:
        roots = f"{part.root_limit_mm / 304.8:.1f} ft" if units.us else f"{part.root_limit_mm / 10:.0f} cm"
        texture = f", {escape(part.texture)}" if part.texture else ""
        console.print(
            f"  {units.percent(part.share)} {escape(part.name)}: holds {units.depth(part.capacity_mm)}, "
            f"roots to {roots}{texture}"
        )
    if site.rated_share < 0.995:
        console.print(f"  {units.percent(site.rated_share)} of the map unit could be simulated.")


def _print_answer(console: Console, why: Answer, says: VerdictWords) -> None:
    """Print zone, verdicts, limit, margin and springs of a place."""
    style = zone_styles(says.words)[why.zone_code]
    console.print(f"Zone {why.zone_code}, [bold]{style.label}[/bold]. {style.plain}")
    if not why.verdicts:
        console.print(f"Why it is not rated: {escape(why.reason or 'too little of the soil is described')}.")
        return
    units, parts = says.units, isinstance(why, FieldReason)
    console.print(f"Climate: {units.depth(why.precip_mm)} of rain and snow a year, {says.seasons} seasons simulated")
    if why.irrigated:
        console.print("Irrigated: water can be added, so only season and winter are tested.")
    console.print("Tests; the margin is in parts of the limit" + (", and by itself this part passes:" * parts or ":"))
    for cover, rows in groupby(why.verdicts, key=lambda row: row.cover):
        tests = list(rows)
        fits = "[green]fits[/green]" if all(row.passed for row in tests) else "[red]does not fit[/red]"
        console.print(f"[bold]{says.words.t(f'common.option.{cover}')}[/bold]: {fits}")
        table = _table("", "", "", "", header=False)
        for row in tests:
            passed = "[green]passes[/green]" if row.passed else "[red]fails[/red]"
            shown = "not tested" if row.waived else passed
            ground = f"{units.percent(row.share)} of the ground" if parts and not row.waived else ""
            table.add_row("  " + says.clause(row), shown, _margin(row.margin), ground)
        console.print(table)
    option = says.words.t(f"common.option_text.{why.limiting_option}") if why.limiting_option else ""
    limit = says.short(why.limiting_option, why.limiting_test)
    console.print(f"Limit: [bold]{limit}[/bold]{f', for the {option}' if option else ''}.{_fits(why, says)}")
    console.print(_sure(why, says))
    if why.spring is not None:
        _print_spring(console, why.spring, says)


def _fits(why: Answer, says: VerdictWords) -> str:
    option = why.recommended_option
    return "" if option == "stubble" else f" What fits: {says.words.t(f'common.option_text.{option}')}."


def _sure(why: Answer, says: VerdictWords) -> str:
    percent = f"{abs(why.margin) * 100:.0f}% of the limit"
    if why.recommended_option == "stubble":
        margin = f"Margin: the cover that comes closest misses its worst test by {percent}."
    else:
        margin = f"Margin: what fits passes its closest test with {percent} to spare."
    if math.isnan(why.agreement):
        return f"{margin} How far it depends on the model's settings was not tried."
    return f"{margin} Agreement: {says.units.percent(why.agreement)} of the parameter sets give the same zone."


def _print_spring(console: Console, why: SpringReason, says: VerdictWords) -> None:
    """Print what the mix costs and grows when it is ended early, by the spring, and at planting."""
    units = says.units

    def t(key: str, **values: object) -> str:
        return says.words.t(f"explain.spring.{key}", **values)

    console.print(f"[bold]{t('title')}[/bold]\n{t('what', date=units.date(why.early_day))}")
    numbers = [t(key) for key in ("ends_early", "short", "gap", "growth")]
    table = _table(t("way"), *numbers, right=numbers)
    lines: list[tuple[str, Ending | None]] = [
        (t("early"), why.early),
        (t("by_study", share=units.percent(why.study_share)), why.by_study),
        (t("by_line", share=units.percent(why.line_share), water=units.depth(why.line_mm)), why.by_line),
        (t("late"), why.late),
    ]
    for name, end in lines:
        if end is not None:
            shares = [str(units.percent(share)) for share in (end.early_years, end.shortfall_years)]
            table.add_row(f"  {name}", *shares, str(units.depth(end.gap_mm)), str(units.mass(end.growth_kg_ha)))
    console.print(table)
    console.print(t("none" if why.by_line is None else "care"))


def _table(*columns: str, right: tuple[str, ...] | list[str] = (), header: bool = True) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_header=header)
    for name in columns:
        table.add_column(name, justify="right" if name in right else "left")
    return table


def _label(code: int, says: VerdictWords) -> str:
    return zone_styles(says.words)[code].label if code else "no soil data"


def _margin(margin: float) -> str:
    return "" if math.isnan(margin) else f"{margin * 100:+.0f}%".replace("-", "\N{MINUS SIGN}")
