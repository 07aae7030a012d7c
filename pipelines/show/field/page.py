"""One self-contained page a field: answers, zone map, charts, calendar and cautions, complete without script."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Collection
from dataclasses import dataclass
from functools import lru_cache, partial
from pathlib import Path
from typing import Any

import numpy as np
import scipy.sparse as sp
import xarray as xr
from markupsafe import Markup

from geo.options import OPTIONS
from geo.rating import STATS, ZoneRules
from geo.season import CHECKS, Calendar, day_of_year
from pipelines.run.result import StudyResult
from pipelines.show.charts import ChartWords, StoredChart, style_variables
from pipelines.show.explain import FieldReason, field_reason
from pipelines.show.field.calendar import draw_calendar, study_calendar
from pipelines.show.field.map import draw_field
from pipelines.show.field.spring import spring_advice
from pipelines.show.field.words import Case, write_answer
from pipelines.show.legend import ZoneStyle, zone_styles
from pipelines.show.measurements.words import field_note
from pipelines.show.page_templates import script_hash, template
from pipelines.show.verdict_words import VerdictWords
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
_SHOWN = (
    "stored_mm", "paw_layer_mm", "planting_water_mm", "planting_gap_mm", "dry_spring_gap_mm", "wet_spring_gap_mm",
    "shortfall_years", "biomass_kg_ha", "ground_cover", "april_ground_cover", "first_freeze_day",
    "latest_termination_day",
)  # fmt: skip
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
    outcomes: xr.Dataset
    rules: ZoneRules
    says: VerdictWords
    styles: dict[int, ZoneStyle]
    calendar: Calendar

    @property
    def words(self) -> Catalogue:
        return self.says.words

    @property
    def units(self) -> Units:
        return self.says.units


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
    units = Units(str(result.settings.get("units", "us")), words)
    return _Study(
        result=result,
        outcomes=result.field_outcomes[list(_SHOWN)],
        rules=ZoneRules(**result.settings["rules"]),
        says=VerdictWords(words, units, result.seasons),
        styles=zone_styles(words),
        calendar=study_calendar(result.settings["season"]),
    )


def _render(study: _Study, row: int) -> str:
    field = study.result.fields.iloc[row]
    words, units, settings = study.words, study.units, study.result.settings
    why = field_reason(study.result, row)
    rated = bool(why.verdicts)
    zones = study.result.irrigated_zones if why.irrigated else study.result.zones
    zone_of_site = zones["zone_code"].to_numpy(np.uint8)
    case = Case(
        why=why,
        numbers=study.outcomes.isel(field=row),
        soils=_soils(study.result, row, zone_of_site),
        next_crop=safe_text(field["next_crop"] or ""),
        reason=safe_text(why.reason),
    )
    drawn = draw_field(field.geometry, study.result.site_raster, study.result.grid, zone_of_site, units.system)
    answer = write_answer(
        case,
        study.rules,
        study.says,
        mix_bonus=max(settings.get("mix_water_bonus", {}).values(), default=0.0),
        weeds=bool(settings.get("stubble_weeds", False)),
    )
    context: dict[str, Any] = {
        "t": words.t,
        "lang": words.language,
        "units": units,
        "name": safe_text(field["name"] or field["field_id"]),
        "field_id": safe_text(field["field_id"]),
        "previous": safe_text(field["previous_crop"] or ""),
        "next": case.next_crop,
        "area": units.area(why.area_ha),
        "irrigated": why.irrigated,
        "study": safe_text(settings["name"]),
        "answer": answer,
        "measured": field_note(study.result.measured, why.field_id, words, units),
        "zone": study.styles[why.zone_code],
        "styles": study.styles,
        "drawn": drawn,
        "legend": _legend(study, why),
        "cell": f"{abs(study.result.grid.affine.a):g} m",
        "rated": rated,
        "cautions": cautions_for(rated, float(field["slope_percent"])),
        "slope": units.percent(float(field["slope_percent"]) / 100),
        "footer": page_footer(study.result, words),
        **page_assets(),
    }
    if rated:
        context |= _rated_parts(study, case)
    return template("field.html.j2").render(context)


def _soils(result: StudyResult, row: int, zone_of_site: np.ndarray) -> dict[int, str]:
    """Return the soil with the most ground of each zone in a field, without its slopes."""
    part, ground = sp.csr_matrix(result.coverage).getrow(row), Counter[tuple[int, str]]()
    for site, share in zip(part.indices, part.data, strict=True):
        soil = result.sites.iloc[site]
        name = safe_text(str(soil["name"] or soil["map_unit_id"]).split(",")[0])
        ground[int(zone_of_site[site]), name] += share
    found: dict[int, str] = {}
    for (code, name), _ in ground.most_common():
        found.setdefault(code, name)
    return found


def _legend(study: _Study, why: FieldReason) -> list[dict[str, Any]]:
    """Return the zones that have ground when each soil is judged by itself, with their area."""
    return [
        {"code": code, "style": study.styles.get(code), "area": study.units.area(share * why.area_ha)}
        for code, share in sorted(why.zone_shares.items(), key=lambda part: (part[0] == 0, part[0]))
    ]


def _rated_parts(study: _Study, case: Case) -> dict[str, Any]:
    words, units, numbers = study.words, study.units, case.numbers
    calendar = study.calendar
    freeze = numbers["first_freeze_day"].values.tolist()
    early = float(day_of_year(calendar.early_termination))
    options = [_option_row(study, case, option) for option in OPTIONS]
    return {
        "options": options,
        "seasons": study.says.seasons,
        "chart": _chart(study, case, freeze[1], [str(row["water"]) for row in options]),
        "depth": _depth(study, case),
        "strip": draw_calendar(calendar, freeze, case.latest_day, words, units),
        "latest": units.date(case.latest_day) if not np.isnan(case.latest_day) else None,
        "spring": spring_advice(case, study.rules, early, study.says),
        "seeding": _seeding(case.why.precip_mm, words, units),
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


def _option_row(study: _Study, case: Case, option: str) -> dict[str, Any]:
    """Return the numbers of one option: means, and the tenth and the ninetieth year of a hundred beside them."""
    units, of = study.units, partial(case.number, option=option)

    def spread(name: str) -> str:
        low, high = (units.depth(of(name, stat=stat)).digits for stat in ("p10", "p90"))
        return study.words.t("field.compare.spread", low=low, high=high)

    row: dict[str, Any] = {
        "key": option,
        "recommended": option == case.why.recommended_option,
        "water": _printed_water(case, option, units),
        "water_spread": spread("planting_water_mm"),
        "cover": units.percent(of("ground_cover")),
        "april": units.percent(of("april_ground_cover")),
    }
    if option == "stubble":
        return row | dict.fromkeys(("short", "gap", "gap_spread", "dry", "wet", "biomass", "aum"))
    aum = aum_per_acre(of("biomass_kg_ha")) * (1.0 if units.us else convert(1, "1 / acre", "1 / hectare"))
    return row | {
        "short": units.share_as_years(of("shortfall_years"), study.says.seasons).digits,
        "gap": units.depth(of("planting_gap_mm")).digits,
        "gap_spread": spread("planting_gap_mm"),
        "dry": units.depth(of("dry_spring_gap_mm")).digits,
        "wet": units.depth(of("wet_spring_gap_mm")).digits,
        "biomass": units.mass(of("biomass_kg_ha")).digits,
        "aum": units.depth(np.nan).text if np.isnan(aum) else f"{aum:.1f}",
    }


def _printed_water(case: Case, option: str, units: Units) -> str:
    """Return the mean water at planting so that the printed numbers subtract.

    Each rounded by itself, 5.64 - 4.27 = 1.37 would read 5.6, 4.3 and 1.4. The gap is what is judged, so it keeps its
    own rounding, and the water under a cover is what the printed stubble less the printed gap leaves: at most one
    digit off.
    """
    stubble = units.depth(case.number("planting_water_mm", "stubble")).number
    gap = units.depth(case.number("planting_gap_mm", option)).number
    if stubble is None or gap is None:
        return units.depth(np.nan).digits
    return units.depth(convert(stubble - gap, "inch" if units.us else "millimeter", "millimeter")).digits


def _chart(study: _Study, case: Case, freeze_day: float, at_planting: list[str]) -> StoredChart:
    words, units = study.words, study.units
    stored = case.numbers["stored_mm"]
    by_stat = dict(zip(STATS, _depth_values(stored.transpose("stat", "option", "step").values, units), strict=True))
    target = study.rules.target_share * case.why.capacity_mm
    names = {option: words.t(f"common.option_short.{option}") for option in OPTIONS}
    unit = units.depth(0).unit
    parts = [
        words.t("field.stored.part", option=names[option], water=words.t("common.quantity", number=water, unit=unit))
        for option, water in zip(OPTIONS, at_planting, strict=True)
    ]
    chart_words = ChartWords(
        title=words.t("field.stored.title"),
        description=words.t("field.stored.description", parts=", ".join(parts), target=units.depth(target)),
        y_label=words.t("common.unit_long.inch" if units.us else "common.unit_long.mm"),
        names=names | {mark: words.t(f"field.stored.{mark}") for mark in ("target", "freeze", "planting")},
        months=words.items("common.months"),
    )
    return StoredChart(
        step=stored["step"].values, line=by_stat["mean"], low=by_stat["p10"], high=by_stat["p90"],
        target=float(_depth_values(np.array(target), units)),
        harvest_day=day_of_year(study.calendar.harvest), planting_day=day_of_year(study.calendar.planting),
        freeze_day=freeze_day, words=chart_words,
    )  # fmt: skip


def _depth_values(mm: np.ndarray, units: Units) -> np.ndarray:
    return mm * convert(1.0, "millimeter", "inch") if units.us else mm


def _depth(study: _Study, case: Case) -> list[dict[str, Any]]:
    """Return the two tables of water by foot: heading, and rows of (depth, cells of number and bar length)."""
    units, words = study.units, study.words
    paw = case.numbers["paw_layer_mm"].transpose("check", "layer", "option").values
    top = float(np.nanmax(paw)) or 1.0
    tables = []
    for check, key in (("mid_november", "november"), ("planting", "planting")):
        rows = []
        for foot, water in enumerate(paw[CHECKS.index(check)]):
            upper, lower = (f"{k}" if units.us else f"{k * 30}" for k in (foot, foot + 1))
            name = words.t("field.depth.foot_us" if units.us else "field.depth.foot_metric", top=upper, bottom=lower)
            cells = [
                {"text": units.depth(float(v)).digits, "bar": 0 if np.isnan(v) else round(40 * float(v) / top)}
                for v in water
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
        seasons=result.seasons,
        date=safe_text(str(record.get("started", ""))[:10]),
    )
    data = [words.t("field.page.data", parts="; ".join(parts))] if parts else []
    return [words.t("field.page.invented_note"), model, *data]
