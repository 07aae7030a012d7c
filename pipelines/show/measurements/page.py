"""The page of own measurements: measured beside modelled water, and what the answer is from a measured start."""

from __future__ import annotations

from dataclasses import asdict
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from geo.balance import days_after_harvest
from geo.options import OPTIONS
from geo.season import Calendar, day_of_year
from geo.soils import WHOLE_SHARE, misfit
from pipelines.run.measured import ALL_FEET, SOUNDING, Measured
from pipelines.run.result import StudyResult
from pipelines.show.charts import ChartWords
from pipelines.show.field.calendar import study_calendar
from pipelines.show.field.page import field_file_name, page_assets, page_footer, safe_text
from pipelines.show.measurements.chart import MeasuredChart, measured_chart
from pipelines.show.measurements.words import anchors, day_with_year, start_sentence, zone_sentence
from pipelines.show.page_templates import template
from pipelines.study.staging import write_whole
from pipelines.study.units import Units, convert
from pipelines.study.words import Catalogue, load_catalogue

FEW = 10
_FEET = (ALL_FEET, 1, 2, 3, 4)
_STYLE = """
.measured th[scope=rowgroup] { font-weight: 700; padding-top: .6rem; }
.measured .sum th, .measured .sum td { font-weight: 700; border-bottom-color: var(--rule); }
.places section { break-inside: avoid-column; }
h2, h3 { overflow-wrap: anywhere; }
@media (max-width: 360px) { table { font-size: .72rem; } thead th { font-size: .64rem; overflow-wrap: anywhere; } }
@media print { .places { columns: 1; } .chart { max-height: 60mm; } }
"""


def write_measured_page(result: StudyResult, path: Path, *, field_pages: bool = True) -> bool:
    """Write the page, whole or not at all; without measurements, take away that of an earlier run.

    Parameters
    ----------
    result : StudyResult
    path : Path
        In the folder of the county page.
    field_pages : bool
        Link to the pages of the fields.

    Returns
    -------
    bool
        True when the page was written.
    """
    if result.measured is None:
        path.unlink(missing_ok=True)
        return False
    write_whole(path, render_measured_page(result, field_pages=field_pages))
    return True


def render_measured_page(result: StudyResult, *, field_pages: bool = True) -> str:
    """Return the HTML of the page."""
    assert result.measured is not None
    words = load_catalogue()
    units = Units(str(result.settings.get("units", "us")), words)
    page = _Page(result, result.measured, words, units, field_pages)
    return template("measurements.html.j2").render(page.context())


@lru_cache(maxsize=1)
def _style() -> Markup:
    return Markup(str(page_assets()["style"]) + _STYLE)


class _Page:
    """Everything on the page of one study."""

    def __init__(
        self, result: StudyResult, measured: Measured, words: Catalogue, units: Units, field_pages: bool
    ) -> None:
        self.result, self.measured, self.words, self.units = result, measured, words, units
        self.field_pages = field_pages
        self.calendar: Calendar = study_calendar(result.settings["season"])
        self.seasons = result.seasons
        self.factor = convert(1.0, "millimeter", "inch") if units.us else 1.0

    def t(self, key: str, **values: object) -> str:
        return self.words.t(f"measured.{key}", **values)

    def context(self) -> dict[str, Any]:
        """Return what the template fills in; plain text is escaped there."""
        compared, starts = self.measured.compared, self.measured.starts
        dates = pd.concat([compared["date"], starts["date"]])
        places = pd.concat([compared["place"], starts["place"]]).nunique()
        span = [self.date(d) for d in (dates.min(), dates.max())] if len(dates) else ["", ""]
        facts = self.t("facts", used=self.measured.used, rows=self.measured.rows, places=places, first=span[0],
                       last=span[1])  # fmt: skip
        left_out = self.measured.rows - self.measured.used
        return {
            "t": self.t,
            "common": self.words.t,
            "lang": self.words.language,
            "style": _style(),
            "study": safe_text(self.result.settings["name"]),
            "invented": "invented" in str(self.result.settings["name"]).lower(),
            "facts": facts,
            "left_out": self.t("listed", count=left_out) if left_out else "",
            "answers": self.answers(),
            "places": [self.place(str(place), rows) for place, rows in compared.groupby("place", sort=True)],
            "starts": [self.start(rows) for _, rows in starts.groupby("place", sort=True)],
            "seasons": self.seasons,
            "unit": self.units.depth(0).unit,
            "us": self.units.us,
            "footer": page_footer(self.result, self.words),
        }

    def date(self, date: pd.Timestamp) -> str:
        """Return a day with its year."""
        return day_with_year(date, self.words, self.units)

    def answers(self) -> list[dict[str, Any]]:
        """Return the summary: first of the very season, where the weather knows it, then of the average of all."""
        compared = self.measured.compared
        out = []
        for key, column in (("own", "own_mm"), ("mean", "mean_mm")):
            rows = compared[compared[column].notna()]
            total = rows[rows["layer"] == ALL_FEET]
            if total.empty:
                continue
            found = misfit(total[column], total["measured_mm"])
            bias = self.units.depth(abs(found.bias_mm))
            way = "even" if not bias.number else "more" if found.bias_mm > 0 else "less"
            said = self.t(
                f"answer.{key}", way=self.t(f"answer.{way}", bias=bias), below=found.below, n=found.n,
                rmse=self.units.depth(found.rmse_mm), seasons=self.seasons, inside=_inside(total),
            )  # fmt: skip
            out.append(
                {
                    "key": key,
                    "said": said,
                    "few": self.t("answer.few") if found.n < FEW else "",
                    "rows": self.answer_rows(rows, column),
                }
            )
        return out

    def answer_rows(self, rows: pd.DataFrame, column: str) -> list[dict[str, Any]]:
        """Return the summary by option and by foot."""
        total = rows[rows["layer"] == ALL_FEET]
        parts = [(self.t("answer.all_feet"), total)]
        if total["option"].nunique() > 1:
            names = {o: self.words.t(f"common.option.{o}") for o in OPTIONS}
            parts += [(names[o], part) for o in OPTIONS if len(part := total[total["option"] == o])]
        parts += [(self.foot(k), part) for k in _FEET[1:] if len(part := rows[rows["layer"] == k])]
        out = []
        for name, part in parts:
            found = misfit(part[column], part["measured_mm"])
            out.append(
                asdict(found)
                | {
                    "name": name,
                    "bias": self.units.depth(found.bias_mm).digits,
                    "rmse": self.units.depth(found.rmse_mm).digits,
                    "inside": _inside(part),
                }
            )
        return out

    def foot(self, layer: int) -> str:
        """Return the name of a one-foot layer."""
        upper, lower = (f"{k}" if self.units.us else f"{k * 30}" for k in (layer - 1, layer))
        return self.words.t("field.depth.foot_us" if self.units.us else "field.depth.foot_metric", top=upper,
                            bottom=lower)  # fmt: skip

    def place(self, place: str, rows: pd.DataFrame) -> dict[str, Any]:
        """Return heading, chart and table of one place."""
        first = rows.iloc[0]
        total = rows[rows["layer"] == ALL_FEET].sort_values(["after_harvest", "option"], kind="stable")
        known = bool(rows["own_mm"].notna().any())
        return {
            **self.heading(first),
            "anchor": anchors(self.measured)[place],
            "chart": self.chart(place, total, known),
            "own": known,
            "groups": [self.group(part, known) for _, part in rows.groupby([*SOUNDING], sort=True, dropna=False)],
            "part": bool((rows.loc[rows["layer"] != ALL_FEET, "measured_share"] < WHOLE_SHARE).any()),
            "assumed": bool(rows["assumed"].any()),
        }

    def heading(self, row: pd.Series) -> dict[str, str]:
        """Return what a place is called, and the page of its field."""
        place, name = safe_text(row["place"]), safe_text(row["name"])
        linked = self.field_pages and bool(row["is_field"])
        return {
            "name": name or place,
            "id": place if name and name != place else "",
            "link": f"fields/{field_file_name(str(row['place']))}" if linked else "",
        }

    def group(self, part: pd.DataFrame, known: bool) -> dict[str, Any]:
        """Return the rows of one sounding: its feet, then all of them."""
        first = part.iloc[0]
        option = self.words.t(f"common.option.{first['option']}")
        spot = ""
        if np.isfinite(first["longitude"]) and first["is_field"]:
            spot = self.t("place.ground", latitude=f"{first['latitude']:.4f}", longitude=f"{first['longitude']:.4f}")
        feet = [self.line(r, known) for r in part[part["layer"] != ALL_FEET].to_dict("records")]
        total = [self.line(r, known) for r in part[part["layer"] == ALL_FEET].to_dict("records")]
        return {
            "name": self.t("place.row", date=self.date(first["date"]), option=option),
            "spot": spot,
            "lines": feet + (total if len(feet) > 1 else []),
        }

    def line(self, row: dict[Any, Any], known: bool) -> dict[str, Any]:
        """Return one line of the table."""
        depth, total = self.units.depth, row["layer"] == ALL_FEET
        value = depth(row["measured_mm"]).digits
        if not total and row["measured_share"] < WHOLE_SHARE:
            value = self.t("place.part_mark", value=value)
        low, high = depth(row["p10_mm"]).digits, depth(row["p90_mm"]).digits
        return {
            "name": self.t("place.total") if total else self.foot(int(row["layer"])),
            "total": total,
            "measured": value,
            "mean": depth(row["mean_mm"]).digits,
            "most": self.t("place.range", low=low, high=high),
            "own": depth(row["own_mm"]).digits if known else "",
        }

    def chart(self, place: str, total: pd.DataFrame, known: bool) -> MeasuredChart:
        """Return the chart of one place with its text alternative."""
        depth, options = self.units.depth, {o: self.words.t(f"common.option_short.{o}") for o in OPTIONS}
        said = []
        for row in total.to_dict("records"):
            text = self.t(
                "place.chart_part", date=self.date(row["date"]), option=options[row["option"]],
                measured=depth(row["measured_mm"]), mean=depth(row["mean_mm"]), low=depth(row["p10_mm"]),
                high=depth(row["p90_mm"]),
            )  # fmt: skip
            said.append(text + (self.t("place.chart_own", own=depth(row["own_mm"])) if known else ""))
        keys = ("measured", "mean", "most", "own")
        words = ChartWords(
            title=self.t("place.chart_title"),
            description=self.t("place.chart_text", place=safe_text(place), parts="; ".join(said)),
            y_label=self.t("place.y_us" if self.units.us else "place.y_metric"),
            names=options | {key: self.t(f"place.key_{key}") for key in keys},
            months=self.words.items("common.months"),
        )
        length = days_after_harvest(self.calendar.planting, self.calendar)
        return measured_chart(total, self.factor, day_of_year(self.calendar.harvest), length, words)

    def start(self, rows: pd.DataFrame) -> dict[str, Any]:
        """Return what the answer of one place is from the measured start, beside the one as modelled."""
        first = rows.iloc[0]
        return {
            **self.heading(first),
            "said": start_sentence(first, self.words, self.units),
            "zone": zone_sentence(first, self.words),
            "rows": [self.start_row(r) for r in rows.to_dict("records")],
        }

    def start_row(self, row: dict[Any, Any]) -> dict[str, str]:
        """Return one option: as modelled, and from the measured start."""
        depth = self.units.depth

        def change(name: str) -> str:
            pair = (row[name], row[f"{name}_start"])
            shown = [
                self.units.share_as_years(v, self.seasons).digits if name == "shortfall_years" else depth(v).digits
                for v in pair
            ]
            return self.t("start.change", before=shown[0], after=shown[1])

        stubble = row["option"] == "stubble"
        return {
            "name": self.words.t(f"common.option.{row['option']}"),
            "water": change("planting_water_mm"),
            "gap": "–" if stubble else change("planting_gap_mm"),
            "short": "–" if stubble else change("shortfall_years"),
        }


def _inside(rows: pd.DataFrame) -> int:
    """Return how many readings lie in the range that 8 of 10 years have."""
    return int(rows["measured_mm"].between(rows["p10_mm"], rows["p90_mm"]).sum())
