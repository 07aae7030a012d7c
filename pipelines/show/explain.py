"""Why a place has its zone: every test of every option, its number, its threshold, and the soils behind them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import scipy.sparse as sp
import shapely
from pyproj import Transformer
from rasterio.transform import rowcol

from geo.errors import StudyError
from geo.options import COVERS
from geo.rating import TESTS, ZONE_NAMES, Zones, classify
from pipelines.run.result import StudyResult, load_result
from pipelines.show.explain_spring import SpringReason, site_row, spring_reason
from pipelines.show.field.numbers import season_count, zone_rules
from pipelines.study.words import did_you_mean


@dataclass(frozen=True, slots=True)
class TestLine:
    """One test of one option.

    Attributes
    ----------
    test : str
        ``season``, ``winter``, ``gap`` or ``shortfall``.
    value, threshold : float
        Shares 0-1; mm for the gap.
    at_least : bool
        True when the value must reach the threshold, False when it must stay at or below it.
    passed, waived : bool
        Waived: water tests of irrigated ground.
    margin : float
        In units of the threshold; below zero fails.
    """

    __test__ = False
    test: str
    value: float
    threshold: float
    at_least: bool
    passed: bool
    waived: bool
    margin: float


@dataclass(frozen=True, slots=True)
class OptionLine:
    """The tests of one cover option."""

    option: str
    passed: bool
    tests: tuple[TestLine, ...]


@dataclass(frozen=True, slots=True)
class ComponentLine:
    """One simulated soil of a site: share of the simulated ground 0-1, capacity and rooting limit in mm."""

    name: str
    share: float
    capacity_mm: float
    root_limit_mm: float
    texture: str


@dataclass(frozen=True, slots=True)
class SiteReason:
    """Why one site (a map unit under a climate cell) has its zone under one rule, dryland or irrigated."""

    site: int
    map_unit: str
    irrigated: bool
    zone_code: int
    zone: str
    limiting_factor: str
    limiting_option: str
    margin: float
    agreement: float
    rated_share: float
    reason: str
    capacity_mm: float
    precip_mm: float
    components: tuple[ComponentLine, ...]
    options: tuple[OptionLine, ...]
    spring: SpringReason | None = None


@dataclass(frozen=True, slots=True)
class SharedSite:
    """A site of a field and its share of the field, 0-1."""

    share: float
    reason: SiteReason


@dataclass(frozen=True, slots=True)
class WholeField:
    """What a cover costs on all rated ground of a field: the number of the map, the page and the tables."""

    option: str
    gap_mm: float
    shortfall_years: float


@dataclass(frozen=True, slots=True)
class FieldReason:
    """Why a field has its zone.

    Attributes
    ----------
    zone_shares : dict
        Share of the field by zone code, code 0 is ground without data.
    sites : tuple of SharedSite
        Largest share first.
    main : int
        Place in `sites` of the site with most ground in the zone of the field.
    whole : tuple of WholeField
        Each cover over all rated ground, beside which the tests of the main site are those of one soil.
    spring : SpringReason or None
        Ending the overwintering mix by the spring, over all rated ground; None on irrigated ground.
    """

    field_id: str
    name: str
    irrigated: bool
    area_ha: float
    zone_code: int
    zone: str
    reason: str
    margin: float
    agreement: float
    zone_shares: dict[int, float]
    sites: tuple[SharedSite, ...]
    main: int
    whole: tuple[WholeField, ...] = ()
    spring: SpringReason | None = None


@dataclass(frozen=True, slots=True)
class PointReason:
    """Why the ground at a point has its zone (dryland rule, as on the map), and the fields that it lies in."""

    longitude: float
    latitude: float
    reason: SiteReason
    fields: tuple[str, ...]
    irrigated_fields: tuple[str, ...]


def open_result(folder: Path) -> StudyResult:
    """Read a finished run from its output folder, or from the ``data`` folder inside it.

    Raises
    ------
    StudyError
        When there is no such folder or it holds no finished run.
    """
    if not folder.is_dir():
        raise StudyError(
            "There is no such result folder.", str(folder), "Give a folder that a run has written, such as larkspur."
        )
    return load_result(folder if (folder / "result.json").exists() else folder / "data")


def explain_site(result: StudyResult, site: int, *, irrigated: bool = False) -> SiteReason:
    """Return every test of a site under the dryland or the irrigated rule."""
    zones, place = _zones_of(result, site, irrigated)
    row = zones.table.iloc[place]
    tests = zones.tests.isel(site=place)
    options = []
    for option in COVERS:
        lines = tuple(_test_line(tests, option, test) for test in TESTS)
        options.append(OptionLine(option, all(line.passed for line in lines), lines))
    about = result.sites.iloc[site]
    outcomes = result.outcomes.isel(site=site)
    symbol, name = str(about.get("symbol") or ""), str(about.get("name") or "")
    return SiteReason(
        site=site,
        map_unit=" ".join(part for part in (symbol, name) if part) or str(about["map_unit_id"]),
        irrigated=irrigated,
        zone_code=int(row["zone_code"]),
        zone=str(row["zone"]),
        limiting_factor=str(row["limiting_factor"]),
        limiting_option=str(row["limiting_option"]),
        margin=float(row["margin"]),
        agreement=float("nan") if irrigated else float(outcomes["agreement"]),
        rated_share=float(about["rated_share"]),
        reason=str(about["reason"] or ""),
        capacity_mm=float(outcomes["capacity_mm"]),
        precip_mm=float(outcomes["precip_mm"]),
        components=_components(result, site),
        options=tuple(options),
        spring=None if irrigated or row["zone"] == "not_rated" else spring_reason(result, site_row(result, site)),
    )


def explain_point(result: StudyResult, longitude: float, latitude: float) -> PointReason:
    """Explain the ground at a point (EPSG:4326).

    Raises
    ------
    StudyError
        When the point is outside the study or on ground without soil data.
    """
    row, column = _pixel(result, longitude, latitude)
    site = int(result.site_raster[row, column])
    if site < 0:
        raise StudyError(
            "The soil map has no data at this point.", f"{longitude:g}, {latitude:g}", "Try a point nearby."
        )
    x, y = _to_grid(result).transform(longitude, latitude)
    inside = result.fields[result.fields.geometry.intersects(shapely.Point(x, y))] if len(result.fields) else None
    ids = [] if inside is None else inside["field_id"].astype(str).tolist()
    wet = [] if inside is None else inside.loc[inside["irrigated"].astype(bool), "field_id"].astype(str).tolist()
    return PointReason(longitude, latitude, explain_site(result, site), tuple(ids), tuple(wet))


def explain_field(result: StudyResult, field_id: str) -> FieldReason:
    """Explain a field, under the rule that applies to it.

    Raises
    ------
    StudyError
        When there is no such field; the nearest ids are named.
    """
    ids = result.fields["field_id"].astype(str).tolist()
    if field_id not in ids:
        raise _no_field(field_id, ids)
    place = ids.index(field_id)
    field = result.fields.iloc[place]
    irrigated = bool(field["irrigated"])
    part = sp.csr_matrix(result.coverage).getrow(place)
    order = np.argsort(-part.data, kind="stable")
    sites = tuple(
        SharedSite(float(part.data[k]), explain_site(result, int(part.indices[k]), irrigated=irrigated))
        for k in order
    )
    code = int(field["zone_code"])
    shares = {number: float(field[f"share_{zone}"]) for number, zone in ZONE_NAMES.items()}
    shares[0] = max(0.0, 1.0 - sum(shares.values()))
    return FieldReason(
        field_id=field_id,
        name=str(field["name"] or ""),
        irrigated=irrigated,
        area_ha=float(field["area_ha"]),
        zone_code=code,
        zone=str(field["zone"]),
        reason=str(field.get("reason") or ""),
        margin=float(field["margin"]),
        agreement=float(field["agreement"]),
        zone_shares={number: share for number, share in sorted(shares.items()) if share > 5e-4},
        sites=sites,
        main=next((k for k, s in enumerate(sites) if s.reason.zone_code == code), 0),
        whole=tuple(
            WholeField(o, float(field[f"planting_gap_mm_{o}"]), float(field[f"shortfall_years_{o}"]))
            for o in (COVERS if field["zone"] != "not_rated" else ())
        ),
        spring=None if irrigated or field["zone"] == "not_rated" else spring_reason(result, field),
    )


def seasons_of(result: StudyResult) -> int:
    """Return the number of seasons behind each share of years."""
    return season_count(result)


def _zones_of(result: StudyResult, site: int, irrigated: bool) -> tuple[Zones, int]:
    """Return zones that hold the site, and its row: those of the run, or those of the irrigated rule."""
    if not irrigated:
        return Zones(result.zones, result.tests), site
    share = result.sites["rated_share"].to_numpy(float)[[site]]
    rules = zone_rules(result, "irrigated_rules")
    return classify(result.outcomes.isel(site=[site]), rules, share, water_tests=False), 0


def _test_line(tests: object, option: str, test: str) -> TestLine:
    chosen = tests.sel(option=option, test=test)  # type: ignore[attr-defined]
    margin = float(chosen["margin"])
    return TestLine(
        test=test,
        value=float(chosen["value"]),
        threshold=float(chosen["threshold"]),
        at_least=test in ("season", "winter"),
        passed=bool(chosen["passed"]) and not np.isnan(float(chosen["value"])),
        waived=bool(np.isposinf(margin)),
        margin=margin,
    )


def _components(result: StudyResult, site: int) -> tuple[ComponentLine, ...]:
    weights = result.site_units[result.site_units["site"] == site].sort_values("weight", ascending=False)
    units = result.units.loc[weights["unit"]]
    capacity = units[[f"awc_{k}_mm" for k in range(1, 5)]].sum(axis=1)
    return tuple(
        ComponentLine(str(name), float(weight), float(mm), float(limit), str(texture or ""))
        for name, weight, mm, limit, texture in zip(
            units["component"], weights["weight"], capacity, units["root_limit_mm"], units["surface_texture"],
            strict=True,
        )
    )  # fmt: skip


def _to_grid(result: StudyResult) -> Transformer:
    return Transformer.from_crs("EPSG:4326", str(result.grid.crs), always_xy=True)


def _pixel(result: StudyResult, longitude: float, latitude: float) -> tuple[int, int]:
    x, y = _to_grid(result).transform(longitude, latitude)
    rows, columns = result.site_raster.shape
    if np.isfinite([x, y]).all():
        row, column = rowcol(result.grid.affine, x, y)
        if 0 <= row < rows and 0 <= column < columns:
            return row, column
    box = result.grid.extent.to_crs("EPSG:4326").boundingbox
    swapped = box.left <= latitude <= box.right and box.bottom <= longitude <= box.top
    raise StudyError(
        "The point is outside the study." + (" Longitude and latitude seem swapped." if swapped else ""),
        f"{longitude:g}, {latitude:g}",
        f"Give longitude {box.left:.3f} to {box.right:.3f} and latitude {box.bottom:.3f} to {box.top:.3f}, "
        "longitude first.",
    )


def _no_field(field_id: str, ids: list[str]) -> StudyError:
    if not ids:
        return StudyError("The study has no fields.", field_id, "Ask for a point: --point LON,LAT.")
    hint = did_you_mean(field_id, ids, 3).strip() or f"The ids run from {min(ids)} to {max(ids)}."
    return StudyError("There is no such field.", field_id, f"{hint} All of them are in fields.csv.")
