"""What the page of measurements and a measured field's own page both say of a measured start."""

from __future__ import annotations

import pandas as pd

from geo.season import day_of_year
from pipelines.run.measured import Measured
from pipelines.show.legend import zone_styles
from pipelines.study.units import Units
from pipelines.study.words import Catalogue

PAGE = "measurements.html"


def anchors(measured: Measured) -> dict[str, str]:
    """Return the id of each compared place on the page of measurements."""
    return {str(place): f"place-{k}" for k, place in enumerate(sorted(measured.compared["place"].unique()), 1)}


def day_with_year(date: pd.Timestamp, words: Catalogue, units: Units) -> str:
    """Return a date such as ``Jul 25, 2019``."""
    day = units.date(day_of_year((date.month, date.day)))
    return words.t("measured.date_us" if units.us else "measured.date_metric", day=day, year=date.year)


def zone_sentence(start: pd.Series, words: Catalogue) -> str:
    """Say whether the zone stays when the balance starts from the measured water."""
    styles = zone_styles(words)
    before, after = (
        words.t("measured.start.zone", code=styles[int(start[k])].code, label=styles[int(start[k])].label)
        for k in ("zone_code", "zone_code_start")
    )
    if before == after:
        return words.t("measured.start.same", zone=before)
    return words.t("measured.start.other", before=before, after=after)


def start_sentence(start: pd.Series, words: Catalogue, units: Units) -> str:
    """Say when and how much was measured, and what the model has there at harvest."""
    days = int(start["after_harvest"])
    when = words.t(
        "measured.start.on" if days == 0 else "measured.start.after" if days > 0 else "measured.start.before",
        count=abs(days),
    )
    return words.t(
        "measured.start.start" if units.us else "measured.start.start_metric",
        date=day_with_year(start["date"], words, units), days=when, measured=units.depth(start["measured_mm"]),
        feet=int(start["feet"]), modelled=units.depth(start["modelled_mm"]),
    )  # fmt: skip


def field_note(measured: Measured | None, field_id: str, words: Catalogue, units: Units) -> dict[str, str] | None:
    """Return what a field's page says of its measurements, and where to find the rest; None without any."""
    if measured is None:
        return None
    start = measured.starts[measured.starts["place"] == field_id]
    place = anchors(measured).get(field_id)
    if start.empty and place is None:
        return None
    said = words.t("measured.field.compared")
    if not start.empty:
        first = start.iloc[0]
        water = units.depth(first["measured_mm"])
        date = day_with_year(first["date"], words, units)
        said = words.t("measured.field.start", date=date, water=water) + " " + zone_sentence(first, words)
    return {"text": said, "link": PAGE + (f"#{place}" if place else "")}
