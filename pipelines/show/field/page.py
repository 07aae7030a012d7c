"""One self-contained page a field: answers, zone map, charts, calendar and cautions, complete without script."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Callable, Collection
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from geo.options import OPTIONS
from geo.rating.zone_codes import RECOMMENDED_OPTION, ZONE_NAMES
from geo.season import Calendar, day_of_year
from pipelines.run.result import StudyResult
from pipelines.show.charts import ChartWords, StoredChart, style_variables
from pipelines.show.field.calendar import draw_calendar, study_calendar
from pipelines.show.field.map import draw_field
from pipelines.show.field.numbers import FieldNumbers, season_count
from pipelines.show.field.spring import spring_advice, spring_line
from pipelines.show.field.words import Case, write_answer
from pipelines.show.legend import ZoneStyle, zone_styles
from pipelines.show.measurements.words import field_note
from pipelines.show.page_templates import script_hash, template
from pipelines.study.field_tables import aum_per_acre, cautions_for, grazing, seeding_rate_factor
from pipelines.study.input_facts import source_facts
from pipelines.study.staging import write_whole
from pipelines.study.units import Units, convert
from pipelines.study.words import Catalogue, load_catalogue

Progress = Callable[[int, int], None]
_HERE = Path(__file__).resolve().parents[1]
_PLAIN_ID = re.compile(r"[A-Z0-9][A-Z0-9_-]{0,59}")
_RESERVED = re.compile(r"(CON|PRN|AUX|NUL|COM\d|LPT\d)", re.I)
_LOOKS_HASHED = re.compile(r"-[0-9A-F]{12}$")
NAME_LIMIT = 80
FACT_LIMIT = 48
"""Longer remarks on a data set (a licence in sentences) stay in the run record, where there is room."""


def field_file_name(field_id: str) -> str:
    """Return the file name of a field's page: safe on every system, and its own for every id.

    Ids of capitals, digits, ``-`` and ``_`` keep their name. Any other id is cleaned and carries a part of its
    SHA-256, since file systems may treat ``a`` and ``A``, or two spellings of one accented letter, as the same.
    """
    if _PLAIN_ID.fullmatch(field_id) and not _RESERVED.fullmatch(field_id) and not _LOOKS_HASHED.search(field_id):
        return f"{field_id}.html"
    ascii_id = unicodedata.normalize("NFKD", field_id).encode("ascii", "ignore").decode()
    clean = re.sub(r"[^A-Za-z0-9_-]+", "-", ascii_id).strip("-_")[:40] or "field"
    digest = hashlib.sha256(field_id.encode("utf-8", "surrogatepass")).hexdigest()[:12].upper()
    return f"{clean}-{digest}.html"


def safe_text(text: object, limit: int = NAME_LIMIT) -> str:
    """Return text fit to stand in a line: no control or direction-changing characters, not endless."""
    kept = "".join(" " if unicodedata.category(c) in ("Cc", "Zl", "Zp") else c for c in str(text))
    kept = "".join(c for c in kept if unicodedata.category(c) not in ("Cf", "Cs", "Co", "Cn") or c == "\u200d")
    kept = " ".join(kept.split())
    return kept if len(kept) <= limit else kept[: limit - 1] + "\u2026"


@lru_cache(maxsize=1)
def page_assets() -> dict[str, Markup | str]:
    """Return the style sheet and the script of the pages, and the hash of the script for the page's policy."""
    script = (_HERE / "assets" / "field.js").read_text(encoding="utf-8").strip()
    style = (_HERE / "assets" / "field.css").read_text(encoding="utf-8").strip()
    for mode, variables in style_variables().items():
        style = style.replace(f"/* {mode} line colours */", variables)
    return {"script": Markup(script), "style": Markup(style), "script_hash": script_hash(script)}


@dataclass
class _Study:
    """What every page of one study shares."""

    result: StudyResult
    numbers: FieldNumbers
    words: Catalogue
    units: Units
    styles: dict[int, ZoneStyle]
    calendar: Calendar


def write_field_pages(
    result: StudyResult, folder: Path, *, progress: Progress | None = None, only: Collection[str] | None = None
) -> list[Path]:
    """Write the page of every field to ``<folder>/<field_file_name(field_id)>``, each whole or not at all.

    Parameters
    ----------
    result : StudyResult
    folder : Path
        Made when it does not exist.
    progress : callable, optional
        Called with the number of pages done and the number of all pages.
    only : collection of str, optional
        Ids of the fields to write; all by default.

    Returns
    -------
    list of Path
        The written files, in the order of the fields.
    """
    folder.mkdir(parents=True, exist_ok=True)
    study = _study(result)
    ids = result.fields["field_id"].astype(str).tolist()
    rows = [k for k, field_id in enumerate(ids) if only is None or field_id in only]
    written = []
    for done, row in enumerate(rows, start=1):
        path = folder / field_file_name(ids[row])
        write_whole(path, _render(study, row))
        written.append(path)
        if progress is not None:
            progress(done, len(rows))
    return written


def render_field_page(result: StudyResult, field_id: str) -> str:
    """Return the HTML of one field's page."""
    row = result.fields["field_id"].astype(str).tolist().index(field_id)
    return _render(_study(result), row)


def _study(result: StudyResult) -> _Study:
    words = load_catalogue()
    return _Study(
        result=result,
        numbers=FieldNumbers(result),
        words=words,
        units=Units(str(result.settings.get("units", "us")), words),
        styles=zone_styles(words),
        calendar=study_calendar(result.settings["season"]),
    )


def _render(study: _Study, row: int) -> str:
    field = study.result.fields.iloc[row]
    numbers, words, units = study.numbers, study.words, study.units
    code = int(field["zone_code"])
    case = Case(
        zone_code=code,
        shares=numbers.zone_shares(row),
        area_ha=float(field["area_ha"]),
        irrigated=bool(field["irrigated"]),
        next_crop=safe_text(field["next_crop"] or ""),
        reason=safe_text(numbers.reason(row)),
        numbers=numbers.of(row),
        deciding=numbers.deciding(row, code),
        seasons=numbers.seasons,
        latest_day=float(numbers.data["latest_termination_day"].values[row]),
        mix_bonus=max(study.result.settings.get("mix_water_bonus", {}).values(), default=0.0),
        weeds=bool(study.result.settings.get("stubble_weeds", False)),
    )
    rated = ZONE_NAMES[code] != "not_rated" and not np.isnan(float(case.numbers["capacity_mm"]))
    zone_of_site = numbers.zone_of_site(row)
    drawn = draw_field(field.geometry, study.result.site_raster, study.result.grid, zone_of_site, units.system)
    context: dict[str, Any] = {
        "t": words.t,
        "lang": words.language,
        "units": units,
        "name": safe_text(field["name"] or field["field_id"]),
        "field_id": safe_text(field["field_id"]),
        "previous": safe_text(field["previous_crop"] or ""),
        "next": case.next_crop,
        "area": units.area(case.area_ha),
        "irrigated": case.irrigated,
        "study": safe_text(study.result.settings["name"]),
        "answer": write_answer(case, numbers.rules, words, units),
        "measured": field_note(study.result.measured, str(field["field_id"]), words, units),
        "zone": study.styles[code],
        "styles": study.styles,
        "drawn": drawn,
        "legend": _legend(study, case, drawn),
        "cell": f"{abs(study.result.grid.affine.a):g} m",
        "rated": rated,
        "cautions": cautions_for(rated, float(field["slope_percent"])),
        "slope": units.percent(float(field["slope_percent"]) / 100),
        "footer": page_footer(study.result, study.words),
        **page_assets(),
    }
    if rated:
        context |= _rated_parts(study, case, field)
    return template("field.html.j2").render(context)


def _legend(study: _Study, case: Case, drawn: Any) -> list[dict[str, Any]]:
    """Return the zones that the map shows or that have ground, with their area."""
    codes = sorted(set(case.shares) | {p.code for p in drawn.zones}, key=lambda c: (c == 0, c))
    return [
        {
            "code": code,
            "style": study.styles.get(code),
            "area": study.units.area(case.shares.get(code, 0.0) * case.area_ha),
        }
        for code in codes
        if case.shares.get(code, 0.0) > 0
    ]


def _rated_parts(study: _Study, case: Case, field: pd.Series) -> dict[str, Any]:
    words, units, numbers = study.words, study.units, case.numbers
    calendar = study.calendar
    freeze = [float(numbers["first_freeze_day"].sel(quantile=q)) for q in (0.10, 0.50, 0.90)]
    early = float(day_of_year(calendar.early_termination))
    recommended = RECOMMENDED_OPTION[ZONE_NAMES[case.zone_code]]
    return {
        "options": [_option_row(case, option, units, option == recommended) for option in OPTIONS],
        "seasons": case.seasons,
        "chart": _chart(study, case, freeze[1]),
        "depth": _depth(study, case),
        "strip": draw_calendar(calendar, freeze, case.latest_day, words, units),
        "latest": units.date(case.latest_day) if not np.isnan(case.latest_day) else None,
        "spring": spring_advice(case, spring_line(field), study.numbers.rules, early, words, units),
        "seeding": _seeding(float(numbers["precip_mm"]), words, units),
        "grazing": {
            "aum": f"{grazing()['animal_unit_month']:.0f}",
            "eaten": units.percent(grazing()["eaten_share"]),
            "most": units.percent(grazing()["eaten_share_max"]),
        },
    }


def _seeding(precip_mm: float, words: Catalogue, units: Units) -> str:
    factor = float(seeding_rate_factor(precip_mm))
    key = "full" if factor == 1 else "factor"
    return words.t(f"field.seed.{key}", factor=f"{factor:g}", precip=units.depth(precip_mm))


def _option_row(case: Case, option: str, units: Units, recommended: bool) -> dict[str, Any]:
    data = case.numbers.sel(option=option)
    middle = data.sel(quantile=0.5)
    biomass = float(middle["biomass_kg_ha"])
    aum = aum_per_acre(biomass) * (1.0 if units.us else convert(1, "1 / acre", "1 / hectare"))
    row: dict[str, Any] = {
        "key": option,
        "recommended": recommended,
        "water": units.depth(float(middle["planting_water_mm"])).digits,
        "cover": units.percent(float(middle["ground_cover"])),
        "april": units.percent(float(middle["april_ground_cover"])),
    }
    if option == "stubble":
        return row | dict.fromkeys(("short", "gap", "dry", "wet", "biomass", "aum"))
    return row | {
        "short": units.share_as_years(float(data["shortfall_years"]), case.seasons).digits,
        "gap": units.depth(float(middle["planting_gap_mm"])).digits,
        "dry": units.depth(float(data["dry_spring_gap_mm"])).digits,
        "wet": units.depth(float(data["wet_spring_gap_mm"])).digits,
        "biomass": units.mass(biomass).digits,
        "aum": units.depth(np.nan).text if np.isnan(aum) else f"{aum:.1f}",
    }


def _chart(study: _Study, case: Case, freeze_day: float) -> StoredChart:
    words, units = study.words, study.units
    stored = case.numbers["stored_mm"].transpose("quantile", "option", "step")
    low, median, high = (
        _depth_values(stored.sel(quantile=q, option=list(OPTIONS)).values, units) for q in (0.25, 0.50, 0.75)
    )
    target = study.numbers.rules.target_share * float(case.numbers["capacity_mm"])
    names = {option: words.t(f"common.option_short.{option}") for option in OPTIONS}
    parts = [
        words.t("field.stored.part", option=names[o], water=units.depth(float(water)))
        for o, water in zip(OPTIONS, case.numbers["planting_water_mm"].sel(quantile=0.5).values, strict=True)
    ]
    chart_words = ChartWords(
        title=words.t("field.stored.title"),
        description=words.t("field.stored.description", parts=", ".join(parts), target=units.depth(target)),
        y_label=words.t("common.unit_long.inch" if units.us else "common.unit_long.mm"),
        names=names | {mark: words.t(f"field.stored.{mark}") for mark in ("target", "freeze", "planting")},
        months=words.items("common.months"),
    )
    return StoredChart(
        step=stored["step"].values, line=median, low=low, high=high,
        target=float(_depth_values(np.array(target), units)),
        harvest_day=day_of_year(study.calendar.harvest), planting_day=day_of_year(study.calendar.planting),
        freeze_day=freeze_day, words=chart_words,
    )  # fmt: skip


def _depth_values(mm: np.ndarray, units: Units) -> np.ndarray:
    return mm * convert(1.0, "millimeter", "inch") if units.us else mm


def _depth(study: _Study, case: Case) -> list[dict[str, Any]]:
    """Return the two tables of water by foot: heading, and rows of (depth, cells of number and bar length)."""
    units, words = study.units, study.words
    paw = case.numbers["paw_layer_mm"].transpose("check", "layer", "option").sel(option=list(OPTIONS))
    top = float(np.nanmax(paw.values)) or 1.0
    tables = []
    for check, key in (("mid_november", "november"), ("planting", "planting")):
        rows = []
        for layer in paw["layer"].values:
            upper, lower = (f"{k}" if units.us else f"{k * 30}" for k in (int(layer) - 1, int(layer)))
            name = words.t("field.depth.foot_us" if units.us else "field.depth.foot_metric", top=upper, bottom=lower)
            cells = [
                {"text": units.depth(float(v)).digits, "bar": 0 if np.isnan(v) else round(40 * float(v) / top)}
                for v in paw.sel(check=check, layer=layer).values
            ]
            rows.append({"name": name, "cells": cells})
        tables.append({"heading": words.t(f"field.depth.{key}"), "rows": rows})
    return tables


def page_footer(result: StudyResult, words: Catalogue) -> list[str]:
    """Return what the page rests on: program, settings, data with their licences."""
    record, settings = result.provenance, result.settings
    parts = []
    for item in record.get("inputs", []):
        facts = [safe_text(fact) for fact in source_facts(item, words).values() if fact]
        parts.append(", ".join(fact for fact in facts if len(fact) <= FACT_LIMIT))
    model = words.t(
        "field.page.model",
        program=safe_text(record.get("program", "")),
        study=safe_text(settings["name"]),
        hash=safe_text(str(record.get("study_hash", ""))[:8]),
        seed=record.get("seed", settings.get("seed", "")),
        seasons=season_count(result),
        date=safe_text(str(record.get("started", ""))[:10]),
    )
    data = [words.t("field.page.data", parts="; ".join(parts))] if parts else []
    return [words.t("field.page.invented_note"), model, *data]
