"""Values in the user's own units: US customary or metric, at the precision that the study earns."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from geo.errors import StudyError
from geo.season import month_day
from pipelines.study.unit_registry import line
from pipelines.study.words import Catalogue, load_catalogue

System = Literal["us", "metric"]


@dataclass(frozen=True, slots=True)
class Shown:
    """A value ready to be read: `text` is the number with its unit, such as ``1.2 in``, or the words for "no data".

    `number` is the rounded number alone (None when missing), `digits` the same as text, `unit` the label of the unit.
    """

    text: str
    number: float | None
    unit: str
    digits: str = ""

    def __str__(self) -> str:
        return self.text


def convert(value: float, source: str, target: str) -> float:
    """Return a value in another unit (such as ``mm``, ``kilogram / hectare``)."""
    scale, offset = line(source, target)
    return value * scale + offset


def _nice(value: float, step: float) -> float:
    return math.floor(value / step + 0.5) * step


class Units:
    """Format values of the study for people, in US customary units (inch, acre, lb/ac, degF) or in metric ones.

    Raises
    ------
    StudyError
        When the system is unknown.
    """

    def __init__(self, system: str = "us", catalogue: Catalogue | None = None) -> None:
        if system not in ("us", "metric"):
            raise StudyError("The display units are unknown.", f"units = {system!r}", "Use 'us' or 'metric'.")
        self.system: System = "us" if system == "us" else "metric"
        self.words = catalogue or load_catalogue()

    @property
    def us(self) -> bool:
        """True for US customary units."""
        return self.system == "us"

    def depth(self, mm: float) -> Shown:
        """Water depth: 0.1 in, or whole mm; of whole steps of 0.1 mm, as the tests of the zones compare them."""
        mm = mm if mm is None or math.isnan(mm) else _nice(mm, 0.1)
        if self.us:
            return self._show(mm, "millimeter", "inch", 0.1, 1, "inch")
        return self._show(mm, "millimeter", "millimeter", 1, 0, "mm")

    def area(self, ha: float) -> Shown:
        """Area: whole acres (0.1 below 10), or 0.1 ha."""
        if not self.us:
            return self._show(ha, "hectare", "hectare", 0.1, 1, "hectare")
        small = not math.isnan(ha) and abs(convert(ha, "hectare", "acre")) < 9.95
        step, decimals = (0.1, 1) if small else (1.0, 0)
        return self._show(ha, "hectare", "acre", step, decimals, "acre")

    def mass(self, kg_ha: float) -> Shown:
        """Dry matter: to 10 lb/ac or 10 kg/ha below 1,000, to 50 above."""
        source, target = "kilogram / hectare", "pound / acre" if self.us else "kilogram / hectare"
        step = 50 if not math.isnan(kg_ha) and abs(convert(kg_ha, source, target)) >= 1000 else 10
        return self._show(kg_ha, source, target, step, 0, "pound_acre" if self.us else "kg_hectare")

    def percent(self, share: float) -> Shown:
        """Share of 1 as whole percent."""
        shown = self._show(share * 100, "percent", "percent", 1, 0, "percent")
        text = self.words.t("common.percent", number=shown.digits)
        return shown if shown.number is None else replace(shown, text=text)

    def date(self, day_of_year: float) -> Shown:
        """Day of a 365-day year as a month and a day: ``May 15`` in US order, ``15 May`` otherwise."""
        if day_of_year is None or math.isnan(day_of_year):
            return self._missing("")
        month, day = month_day(day_of_year)
        name = self.words.items("common.months")[month - 1]
        text = self.words.t("common.date_us" if self.us else "common.date_metric", month=name, day=day)
        return Shown(text, float(round(day_of_year)), "", text)

    def share_as_years(self, share: float, n: int) -> Shown:
        """Share of years, in whole steps of 0.001 as the tests compare them, as a count: ``6 in 10 years``."""
        if share is None or math.isnan(share):
            return self._missing(self.words.t("common.unit.years"))
        count = int(_nice(_nice(min(max(share, 0.0), 1.0), 0.001) * n, 1))
        text = self.words.t("common.years_in", count=count, total=n)
        return Shown(text, float(count), self.words.t("common.unit.years"), str(count))

    def _show(self, value: float, source: str, target: str, step: float, decimals: int, label: str) -> Shown:
        unit = self.words.t(f"common.unit.{label}")
        if value is None or math.isnan(value):
            return self._missing(unit)
        number = _nice(convert(float(value), source, target), step)
        digits = f"{number:,.{decimals}f}"
        if float(digits.replace(",", "")) == 0:
            digits = digits.removeprefix("-")
        digits = digits.replace("-", "\N{MINUS SIGN}")
        return Shown(self.words.t("common.quantity", number=digits, unit=unit), number + 0.0, unit, digits)

    def _missing(self, unit: str) -> Shown:
        return Shown(self.words.t("common.no_data"), None, unit, self.words.t("common.no_data"))
