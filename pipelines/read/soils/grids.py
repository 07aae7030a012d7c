"""Soil grids: available water capacity, field capacity and wilting point, or texture, by depth.

What the files' own metadata do not say can be added under ``variables`` of the study file, by property
(``awc``, ``field_capacity``, ``wilting_point``, ``sand``, ``clay``, ``organic_matter``, ``organic_carbon``,
``fragments``, ``root_limit``, ``hydrologic_group``)::

    variables = { sand = { name = "sand_*", units = "g/kg", depths_cm = [[0, 30], [30, 60]] } }

Grids of water that also hold sand and clay for the same depths take their surface and their runoff group from them; a
grid of hydrologic groups goes before that estimate.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
import xarray as xr

from geo.errors import NothingHere, Problem, StudyError
from geo.soils import (
    DEFAULT_ORGANIC_MATTER_PERCENT,
    PROFILE_MM,
    STEP_MM,
    Floats,
    GridSoils,
    SoilTable,
    foot_capacity,
    join_equal_cells,
    layer_weights,
    soils_from_texture,
    soils_from_water,
)
from pipelines.read.soils.common import Area, surface_table
from pipelines.read.soils.grid_files import Band, check_names, choose_bands, list_bands, read_band
from pipelines.read.soils.grid_units import GROUP_CODES, WITHOUT_DEPTH, is_length, to_fraction

NEEDED = {
    "water_capacity_grid": ("awc",),
    "field_capacity_grid": ("field_capacity", "wilting_point"),
    "texture_grid": ("sand", "clay"),
}
CARBON_TO_MATTER = 1.724  # the conventional (van Bemmelen) factor, from memory
HIGHEST_CAPACITY = 0.70  # m3/m3, upper limit of the survey's own column awc_r


def grid_kind(path: Path, variables: Mapping[str, Any]) -> str:
    """Return the kind of grid, or ``map_unit_raster``, from names, descriptions and the study file."""
    check_names(variables)
    bands = list_bands(path)
    if "tables" in variables:
        return "map_unit_raster"
    names = {b.holds for b in bands} | set(variables)
    for kind, needed in NEEDED.items():
        if set(needed) <= names:
            return kind
    if path.is_file() and len(bands) == 1 and not bands[0].variable:
        with rasterio.open(path) as source:
            if "int" in source.dtypes[0]:
                return "map_unit_raster"
    raise StudyError(
        "No soil property that can be used was found in the grid.",
        f"{path}; names found: {', '.join(sorted({b.label for b in bands}))[:300] or 'none'}",
        "Name the bands under variables: awc, or field_capacity and wilting_point, or sand and clay.",
    )


def read_soil_grids(
    path: Path, *, kind: str, area: Area | None = None, crs: Any = None, variables: Mapping[str, Any] | None = None
) -> tuple[SoilTable, list[Problem]]:
    """Read a grid of soil properties by depth (kind: key of `NEEDED`) and join equal cells into profiles.

    Raises
    ------
    StudyError
        When a property, a depth, a unit or the CRS is unknown, or values contradict their unit.
    """
    chosen = choose_bands(list_bands(path), variables or {}, str(path))
    missing = [n for n in NEEDED[kind] if n not in chosen]
    if missing:
        raise StudyError(
            f"The soil grid has no {' and no '.join(missing)}.",
            str(path),
            "Name the band in the study file: variables.",
        )
    layers, template, problems = _read_layers(chosen, area, crs)
    main = chosen[NEEDED[kind][0]]
    edges = np.array([b.depth_cm for b in main], float) * 10.0
    try:
        top, bottom = layer_weights(edges[:, 0], edges[:, 1])
    except ValueError as error:
        raise StudyError(f"The layers do not stack: {error}.", str(path), "Give depths_cm for each layer.") from error
    problems += _depth_notes(edges, bottom, str(path))
    _same_depths(chosen, NEEDED[kind], main)
    limit = layers["root_limit"][0] if "root_limit" in layers else np.full(template.shape, PROFILE_MM)
    limit = np.where(np.isfinite(limit), np.minimum(limit, PROFILE_MM), PROFILE_MM)
    shape = (top, bottom, limit)
    texture, listed = _texture(layers, chosen, shape, str(path))
    problems += listed
    soils, listed = _describe(kind, layers, chosen, texture, shape, str(path))
    problems += listed
    if "hydrologic_group" in layers:
        soils, listed = _with_groups(soils, layers["hydrologic_group"][0], chosen["hydrologic_group"][0].where)
        problems += listed
    profiles, map_units, cells, codes, step = join_equal_cells(soils)
    if step > STEP_MM:
        what = f"so many different soils that capacity is rounded to {step:g} mm a foot"
        problems.append(Problem("soils", str(path), what))
    if not codes:
        raise NothingHere(
            "The soil grid has no values in the study area.", str(path), "Check the area and no-data value."
        )
    for name in map_units.index[map_units["rated_share"] == 0]:
        code = next(c for c, n in codes.items() if n == name)
        what = f"{int((cells == code).sum()):,} cells: {map_units.at[name, 'reason']}"
        problems.append(Problem("soils", str(path), what, "left out"))
    raster = xr.DataArray(cells, dims=("y", "x"), coords={"y": template["y"], "x": template["x"]}, name="soil_code")
    raster = raster.rio.write_crs(template.rio.crs).rio.write_transform(template.rio.transform())
    return SoilTable(profiles, map_units, None, raster.rio.write_nodata(-1), codes), problems


def _read_layers(
    chosen: dict[str, list[Band]], area: Area | None, crs: Any
) -> tuple[dict[str, Floats], xr.DataArray, list[Problem]]:
    template: xr.DataArray | None = None
    problems: list[Problem] = []
    layers: dict[str, Floats] = {}
    for name, bands in chosen.items():
        raw = []
        for band in bands:
            layer, listed = read_band(band, area=area, crs=crs, like=template)
            template = layer if template is None else template
            problems += listed
            raw.append(layer.to_numpy())
        if name == "hydrologic_group":  # codes, not amounts
            layers[name] = np.stack(raw).astype(float)
            continue
        # Units are judged on all depths of a property together: one thin layer may hold little.
        units = {b.units for b in bands}
        thick = [(b.depth_cm[1] - b.depth_cm[0]) * 10.0 if b.depth_cm else None for b in bands]
        if len(units) == 1 and (len(set(thick)) == 1 or not is_length(bands[0].units)):
            layers[name] = to_fraction(np.stack(raw).astype(float), bands[0].units, name, bands[0].where, thick[0])
        else:
            layers[name] = np.stack(
                [
                    to_fraction(v.astype(float), b.units, name, b.where, t)
                    for v, b, t in zip(raw, bands, thick, strict=True)
                ]
            )
    assert template is not None
    return layers, template, problems


def _depth_notes(edges: Floats, bottom: Floats, where: str) -> list[Problem]:
    deepest = float(edges[:, 1].max())
    if deepest >= PROFILE_MM:
        return []
    if bottom[-1] >= PROFILE_MM:
        what = f"the grid ends at {deepest / 10:g} cm; its deepest layer is continued to the fourth foot (122 cm)"
    else:
        what = f"the grid ends at {deepest / 10:g} cm; nothing is counted below, so deep soils look shallow"
    return [Problem("soils", where, what, "warning", "Use a grid that reaches 122 cm if there is one.")]


def _same_depths(chosen: dict[str, list[Band]], needed: tuple[str, ...], main: list[Band]) -> None:
    depths = [b.depth_cm for b in main]
    for name in (*needed, "organic_matter", "organic_carbon", "fragments"):
        if name in chosen and [b.depth_cm for b in chosen[name]] != depths:
            raise StudyError(
                f"{name} is given for other depths than {main[0].holds}.",
                chosen[name][0].where,
                "Give the same depth intervals for all properties.",
            )


def _describe(
    kind: str,
    layers: dict[str, Floats],
    chosen: dict[str, list[Band]],
    texture: GridSoils | None,
    shape: tuple[Floats, Floats, Floats],
    where: str,
) -> tuple[GridSoils, list[Problem]]:
    """Return the soils of a grid; its shape are the tops and bottoms of the layers and the depth of roots, mm."""
    if kind == "texture_grid":
        assert texture is not None
        what = "capacity estimated from texture (Saxton & Rawls 2006); local measurements may differ by a quarter"
        return texture, [Problem("soils", where, what)]
    if kind == "field_capacity_grid":
        fc, wp = layers["field_capacity"], layers["wilting_point"]
        crossed = fc <= wp
        share = crossed.sum() / max(np.isfinite(fc).sum(), 1)
        if share > 0.01:
            raise StudyError(
                f"Field capacity is not above the wilting point in {share:.0%} of the cells.",
                chosen["field_capacity"][0].where,
                "The two may be swapped, or in different units.",
            )
        fc = np.where(crossed, np.nan, fc)
        soil = 1.0 - np.nan_to_num(layers["fragments"]) if "fragments" in layers else 1.0
        water = soils_from_water((fc - wp) * soil, fc, wp, *shape, surface_table())
        water = replace(water, wilting_mm=foot_capacity(wp * soil, *shape))
    else:
        awc = np.where(layers["awc"] > HIGHEST_CAPACITY, np.nan, layers["awc"])
        water = soils_from_water(awc, None, None, *shape, surface_table())
    if texture is not None:
        return _with_texture(water, texture, keep_contents=kind == "field_capacity_grid"), []
    assumed = "a loam surface" + ("" if "hydrologic_group" in layers else " and hydrologic group B")
    what = f"the grid says nothing about runoff and evaporation of the surface; {assumed} assumed"
    fix = "Add grids of sand and clay for the same depths and of hydrologic_group, or use a survey export."
    return water, [Problem("soils", where, what, "warning", fix)]


def _texture(
    layers: dict[str, Floats], chosen: dict[str, list[Band]], shape: tuple[Floats, Floats, Floats], where: str
) -> tuple[GridSoils | None, list[Problem]]:
    """Return the soils that texture alone describes, or None without sand and clay for the depths of the grid."""
    if not {"sand", "clay"} <= set(layers):
        return None, []
    depths = {tuple(b.depth_cm for b in bands) for name, bands in chosen.items() if name not in WITHOUT_DEPTH}
    if len(depths) > 1:
        what = "sand and clay are given for other depths than the rest; they were not used"
        fix = "Give the same depth intervals for all properties."
        return None, [Problem("soils", where, what, "warning", fix)]
    problems = []
    if "organic_matter" in layers:
        percent = layers["organic_matter"] * 100.0
    elif "organic_carbon" in layers:
        percent = layers["organic_carbon"] * CARBON_TO_MATTER * 100.0
    else:
        percent = np.full(layers["sand"].shape, DEFAULT_ORGANIC_MATTER_PERCENT)
        problems.append(
            Problem("soils", where, f"no organic matter given; {DEFAULT_ORGANIC_MATTER_PERCENT:g} % is used")
        )
    return soils_from_texture(layers["sand"], layers["clay"], percent, layers.get("fragments"), *shape), problems


def _with_texture(water: GridSoils, texture: GridSoils, *, keep_contents: bool) -> GridSoils:
    """Add to measured water what texture tells of the rest: surface class, saturation, group, unknown wilting point.

    Where the grid gives a capacity alone, the wilting point comes from texture and field capacity is that plus the
    capacity. A cell without texture keeps what was assumed.
    """
    known = np.isfinite(texture.wp) & (texture.texture != "")
    surface = np.where(known, texture.texture, water.texture).astype(object)
    group = np.where(known, texture.group, water.group).astype(object)
    wp = water.wp if keep_contents else np.where(known, texture.wp, water.wp)
    fc = water.fc - water.wp + wp
    sat = np.maximum(np.where(known, texture.sat, water.sat), fc + 0.05)
    wilting = water.wilting_mm if keep_contents else texture.wilting_mm
    return replace(water, fc=fc, wp=wp, sat=sat, texture=surface, group=group, wilting_mm=wilting)


def _with_groups(soils: GridSoils, codes: Floats, where: str) -> tuple[GridSoils, list[Problem]]:
    """Take the runoff group from a grid of codes; cells with another code keep what was estimated."""
    group = soils.group.copy()
    for code, letter in GROUP_CODES.items():
        group[codes == code] = letter
    odd = int((np.isfinite(codes) & ~np.isin(codes, list(GROUP_CODES))).sum())
    what = f"{odd:,} cells hold no code of a hydrologic group; the estimate was kept"
    fix = f"Known codes: {', '.join(f'{k} = {v}' for k, v in GROUP_CODES.items())}."
    return replace(soils, group=group), [Problem("soils", where, what, "warning", fix)] if odd else []
