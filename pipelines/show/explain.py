"""Why a place has its zone: its row of the answers, its verdicts, and the soils behind them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import scipy.sparse as sp
import shapely
import xarray as xr
from pyproj import Transformer
from rasterio.transform import rowcol

from geo.errors import StudyError
from geo.options import OPTIONS
from geo.rating import STATS, ZONE_NAMES
from geo.season import day_of_year
from pipelines.run.result import StudyResult, load_result
from pipelines.show.field.calendar import study_calendar
from pipelines.show.verdict_words import Verdict, verdict_rows
from pipelines.study.words import did_you_mean

_SMALLEST_SHARE = 5e-4  # smaller parts of a field would show as 0 %


@dataclass(frozen=True, slots=True)
class Ending:
    """One way to end the overwintering mix: shares of years (0-1) that end early and fall short, and means."""

    early_years: float
    shortfall_years: float
    gap_mm: float
    growth_kg_ha: float


@dataclass(frozen=True, slots=True)
class SpringReason:
    """What it gives to end the overwintering mix by the spring.

    Attributes
    ----------
    early_day : int
        Day of year on which the water under the mix is looked at.
    study_share : float
        The study's line, share of capacity.
    line_share, line_mm : float
        The line with the most growth within the water limits; NaN where it would not beat both dates.
    early, by_study, by_line, late : Ending
        Always ended early; early below the line and else at planting (None without a line); always at planting.
    """

    early_day: int
    study_share: float
    line_share: float
    line_mm: float
    early: Ending
    by_study: Ending
    by_line: Ending | None
    late: Ending


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """The answer of a place under its rule, dryland or irrigated; no `spring` on irrigated or unrated ground."""

    irrigated: bool
    zone_code: int
    zone: str
    limiting_factor: str
    limiting_option: str
    limiting_test: str
    recommended_option: str
    margin: float
    agreement: float
    rated_share: float
    reason: str
    capacity_mm: float
    precip_mm: float
    verdicts: tuple[Verdict, ...]
    spring: SpringReason | None


@dataclass(frozen=True, slots=True)
class Component:
    """One simulated soil of a site: share of the simulated ground 0-1, capacity and rooting limit in mm."""

    name: str
    share: float
    capacity_mm: float
    root_limit_mm: float
    texture: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteReason(Answer):
    """Why one site (a map unit under a climate cell) has its zone; `share` is its share of the field asked for."""

    site: int
    map_unit: str
    components: tuple[Component, ...]
    share: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldReason(Answer):
    """Why a field has its zone: it is judged by its own means.

    Attributes
    ----------
    zone_shares : dict
        Share of the field by zone code when each soil is judged by itself; code 0 is ground without data.
    largest_zone : str
        The zone with the most of it.
    sites : tuple of SiteReason
        Largest share first; empty unless asked for.
    """

    field_id: str
    name: str
    area_ha: float
    zone_shares: dict[int, float]
    largest_zone: str
    largest_zone_share: float
    sites: tuple[SiteReason, ...] = ()


@dataclass(frozen=True, slots=True)
class PointReason:
    """Why the ground at a point has its zone (dryland rule, as on the map), and the fields that it lies in."""

    longitude: float
    latitude: float
    reason: SiteReason
    fields: tuple[str, ...]
    irrigated_fields: tuple[str, ...]


def open_result(folder: Path) -> StudyResult:
    """Read a finished run from its output folder.

    Raises
    ------
    StudyError
        When there is no such folder or it holds no finished run.
    """
    if not folder.is_dir():
        raise StudyError(
            "There is no such result folder.", str(folder), "Give a folder that a run has written, such as larkspur."
        )
    return load_result(folder)


def explain_site(result: StudyResult, site: int, *, irrigated: bool = False, share: float = 1.0) -> SiteReason:
    """Return the answer of a site under the dryland or the irrigated rule."""
    wet = result.irrigated_zones, result.irrigated_verdicts
    zones, verdicts = wet if irrigated else (result.zones, result.verdicts)
    about = result.sites.iloc[site]
    parts = (str(about.get(name) or "") for name in ("symbol", "name"))
    return SiteReason(
        site=site,
        map_unit=" ".join(part for part in parts if part) or str(about["map_unit_id"]),
        components=_components(result, site),
        share=share,
        **_answer(result, site, zones.iloc[site], about, verdicts, result.outcomes, irrigated=irrigated),
    )


def field_reason(result: StudyResult, row: int) -> FieldReason:
    """Return the answer of the field in a row of the table, without those of its soils."""
    field = result.fields.iloc[row]
    shares = {code: float(field[f"share_{zone}"]) for code, zone in ZONE_NAMES.items()}
    shares[0] = max(0.0, 1.0 - sum(shares.values()))
    wet = bool(field["irrigated"])
    return FieldReason(
        field_id=str(field["field_id"]),
        name=str(field["name"] or ""),
        area_ha=float(field["area_ha"]),
        zone_shares={code: share for code, share in sorted(shares.items()) if share > _SMALLEST_SHARE},
        largest_zone=str(field["largest_zone"]),
        largest_zone_share=float(field["largest_zone_share"]),
        **_answer(result, row, field, field, result.field_verdicts, result.field_outcomes, irrigated=wet),
    )


def explain_field(result: StudyResult, field_id: str) -> FieldReason:
    """Explain a field and each of its soils, under the rule that applies to it.

    Raises
    ------
    StudyError
        When there is no such field; the nearest ids are named.
    """
    ids = result.fields["field_id"].astype(str).tolist()
    if not ids:
        raise StudyError("The study has no fields.", field_id, "Ask for a point: --point LON,LAT.")
    if field_id not in ids:
        hint = did_you_mean(field_id, ids, 3).strip() or f"The ids run from {min(ids)} to {max(ids)}."
        raise StudyError("There is no such field.", field_id, f"{hint} All of them are in fields.csv.")
    why = field_reason(result, ids.index(field_id))
    part = sp.csr_matrix(result.coverage).getrow(ids.index(field_id))
    order = np.argsort(-part.data, kind="stable")
    shares = zip(part.indices[order].tolist(), part.data[order].tolist(), strict=True)
    return replace(
        why, sites=tuple(explain_site(result, s, irrigated=why.irrigated, share=share) for s, share in shares)
    )


def explain_point(result: StudyResult, longitude: float, latitude: float) -> PointReason:
    """Explain the ground at a point (EPSG:4326).

    Raises
    ------
    StudyError
        When the point is outside the study or on ground without soil data.
    """
    x, y = Transformer.from_crs("EPSG:4326", str(result.grid.crs), always_xy=True).transform(longitude, latitude)
    row, column = rowcol(result.grid.affine, x, y) if np.isfinite([x, y]).all() else (-1, -1)
    rows, columns = result.site_raster.shape
    where = f"{longitude:g}, {latitude:g}"
    if not (0 <= row < rows and 0 <= column < columns):
        box = result.grid.extent.to_crs("EPSG:4326").boundingbox
        swapped = box.left <= latitude <= box.right and box.bottom <= longitude <= box.top
        raise StudyError(
            "The point is outside the study." + (" Longitude and latitude seem swapped." if swapped else ""),
            where,
            f"Give longitude {box.left:.3f} to {box.right:.3f} and latitude {box.bottom:.3f} to {box.top:.3f}, "
            "longitude first.",
        )
    site = int(result.site_raster[row, column])
    if site < 0:
        raise StudyError("The soil map has no data at this point.", where, "Try a point nearby.")
    inside = result.fields[result.fields.geometry.intersects(shapely.Point(x, y))]
    ids, wet = (f["field_id"].astype(str) for f in (inside, inside[inside["irrigated"].astype(bool)]))
    return PointReason(longitude, latitude, explain_site(result, site), tuple(ids), tuple(wet))


def _answer(
    result: StudyResult,
    place: int,
    row: pd.Series,
    about: pd.Series,
    verdicts: xr.Dataset,
    outcomes: xr.Dataset,
    *,
    irrigated: bool,
) -> dict[str, Any]:
    """Return what sites and fields have in common: `row` holds the answer, `about` how well the soil is known."""
    names = ("zone", "limiting_factor", "limiting_option", "limiting_test", "recommended_option")
    rated = row["zone"] != "not_rated"
    return {
        **{name: str(row[name]) for name in names},
        "zone_code": int(row["zone_code"]),
        "irrigated": irrigated,
        **{name: float(row[name]) for name in ("margin", "agreement")},
        "rated_share": float(about["rated_share"]),
        "reason": str(about["reason"] or ""),
        **{name: float(outcomes[name].values[place]) for name in ("capacity_mm", "precip_mm")},
        "verdicts": verdict_rows(verdicts, place) if rated else (),
        "spring": _spring(result, outcomes, place) if rated and not irrigated else None,
    }


def _spring(result: StudyResult, outcomes: xr.Dataset, place: int) -> SpringReason:
    """Return what ending the overwintering mix by the spring gives, beside both fixed dates."""

    def number(name: str, *at: int) -> float:
        return float(outcomes[name].values[place, *at])

    def fixed(end: str, early_years: float) -> Ending:
        option, mean = OPTIONS.index(f"overwinter_{end}"), STATS.index("mean")
        short, gap = number("shortfall_years", option), number("planting_gap_mm", option, mean)
        return Ending(early_years, short, gap, number(f"{end}_growth_kg_ha"))

    def ruled(prefix: str) -> Ending:
        names = ("early_years", "shortfall_years", "gap_mm", "growth_kg_ha")
        return Ending(*(number(f"{prefix}_{name}") for name in names))

    share = number("spring_line_share")
    return SpringReason(
        early_day=day_of_year(study_calendar(result.settings["season"]).early_termination),
        study_share=float(outcomes.attrs["dry_spring_share"]),
        line_share=share,
        line_mm=number("spring_line_mm"),
        early=fixed("early", 1.0),
        by_study=ruled("spring_rule"),
        by_line=None if math.isnan(share) else ruled("spring_line"),
        late=fixed("late", 0.0),
    )


def _components(result: StudyResult, site: int) -> tuple[Component, ...]:
    weights = result.site_units[result.site_units["site"] == site].sort_values("weight", ascending=False)
    units = result.units.loc[weights["unit"]]
    capacity = units[[f"awc_{k}_mm" for k in range(1, 5)]].sum(axis=1)
    columns = units["component"], weights["weight"], capacity, units["root_limit_mm"], units["surface_texture"]
    return tuple(
        Component(str(name), float(share), float(mm), float(limit), str(texture or ""))
        for name, share, mm, limit, texture in zip(*columns, strict=True)
    )
