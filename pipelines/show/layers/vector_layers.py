"""The vector layers and tables of a study as frames: what is in them, what they are called, how they are drawn."""

from __future__ import annotations

from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geo.ground import polygon_parts
from pipelines.run.result import StudyResult
from pipelines.show.layers.about import about_facts
from pipelines.show.layers.columns import Column, describe, in_units
from pipelines.show.layers.styles import Style, amount_vector_style, zone_vector_style
from pipelines.show.layers.tables import map_unit_table, site_table, verdict_table, zone_area_table
from pipelines.show.layers.zone_polygons import site_polygons, zone_polygons
from pipelines.study.units import System

RESPONSE_STYLE_COLUMN = "planting_gap_mm_winter_killed"

LAYER_WORDS = {
    "fields": ("Fields", "One polygon a field: zone, shares of zones, water at planting and risk of each option."),
    "zones": ("Zones", "One multipolygon a zone. The zones cover the study area without gaps or overlaps."),
    "response_units": (
        "Response units",
        "One multipolygon a soil map unit under one climate cell, with every outcome; the borders match the zones.",
    ),
    "map_units": ("Soil map units", "One row a soil survey map unit in the study, with the area of each zone."),
    "verdicts": ("Tests of the fields", "One row a field, cover and test: value, limit, and the ground that passes."),
    "problems": ("Problems", "Input rows that were repaired, left out, or kept with a warning."),
    "about": ("About", "Where the file comes from: versions, sources, licences, seed, rules, cautions."),
}
"""Title and description of each layer, in the order of the file."""

SPATIAL_LAYERS = ("fields", "zones", "response_units")


@dataclass(frozen=True)
class Layer:
    """One layer or table in a system of units, with its words and its default look."""

    name: str
    title: str
    description: str
    frame: pd.DataFrame
    columns: tuple[Column, ...]
    style: Style | None

    @property
    def spatial(self) -> bool:
        """True when the layer has geometry."""
        return isinstance(self.frame, gpd.GeoDataFrame)


def build_layers(
    result: StudyResult, names: tuple[str, ...] = tuple(LAYER_WORDS), system: System = "metric"
) -> dict[str, Layer]:
    """Return layers and tables of a study.

    Parameters
    ----------
    result : StudyResult
        A finished study.
    names : tuple of str
        Which layers, keys of `LAYER_WORDS`.
    system : {"us", "metric"}
        Units of values and column names.
    """
    shapes = site_polygons(result.site_raster, result.grid) if {"zones", "response_units"} & set(names) else None
    layers = {}
    for name in names:
        metric = _frame(result, name, shapes)
        frame = verdict_table(result, system) if name == "verdicts" else in_units(metric, system)
        geometry = frame.geometry.name if isinstance(frame, gpd.GeoDataFrame) else None
        columns = tuple(describe(str(c), system) for c in metric.columns if c != geometry)
        title, description = LAYER_WORDS[name]
        layers[name] = Layer(name, title, description, frame, columns, _style(name, frame, columns, system))
    return layers


def cut_layer(layer: Layer, shape: shapely.Geometry, system: System) -> Layer:
    """Return a layer cut by a shape in its own CRS; fields stay whole, areas are those of the parts that are left."""
    frame = layer.frame
    if layer.name not in ("zones", "response_units") or not isinstance(frame, gpd.GeoDataFrame):
        return layer
    left = valid_polygons(frame.clip(shape).sort_index())
    area = describe("area_ha", system)
    left[area.name] = left.area * area.factor / 1e4
    left["patches"] = shapely.get_num_geometries(left.geometry.to_numpy()).astype(np.int64)
    if "study_share" in left:
        left["study_share"] = left[area.name] / max(float(left[area.name].sum()), 1e-12)
    return replace(layer, frame=left)


def placed_layer(layer: Layer, crs: str) -> Layer:
    """Return a layer in another CRS; tables come back as they are."""
    if not isinstance(layer.frame, gpd.GeoDataFrame):
        return layer
    return replace(layer, frame=valid_polygons(layer.frame.to_crs(crs)))


def _frame(result: StudyResult, name: str, shapes: gpd.GeoDataFrame | None) -> pd.DataFrame:
    if name == "fields":
        fields = result.fields
        if fields.geometry.name != "geometry":
            fields = fields.rename_geometry("geometry")
        return valid_polygons(fields)
    if name == "zones" and shapes is not None:
        merged = zone_polygons(shapes, result.zones["zone_code"])
        return _with_geometry(merged.merge(zone_area_table(result), on="zone_code", how="left"))
    if name == "response_units" and shapes is not None:
        return _with_geometry(shapes.merge(site_table(result), on="site", how="left"))
    if name == "map_units":
        return map_unit_table(result)
    if name == "verdicts":
        return verdict_table(result)
    if name == "about":
        facts = about_facts(result)
        return pd.DataFrame({"key": list(facts), "value": list(facts.values())})
    return result.problems.reset_index(drop=True)


def _with_geometry(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Put the geometry last, as readers of tables expect."""
    return frame[[c for c in frame.columns if c != "geometry"] + ["geometry"]]


def valid_polygons(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return a frame whose geometries are valid multipolygons; rows without any area are left out."""
    shapes = frame.geometry.to_numpy()
    bad = ~shapely.is_valid(shapes)
    if bad.any():
        shapes = shapes.copy()
        shapes[bad] = shapely.make_valid(shapes[bad], method="structure", keep_collapsed=False)
    whole = [shapely.MultiPolygon(polygon_parts(shape)) for shape in shapes]
    kept = frame.assign(**{frame.geometry.name: gpd.GeoSeries(whole, index=frame.index, crs=frame.crs)})
    holds = np.array([not shape.is_empty for shape in whole], dtype=bool)
    return kept.loc[holds].reset_index(drop=True)


def _style(name: str, frame: pd.DataFrame, columns: tuple[Column, ...], system: System) -> Style | None:
    if name == "fields":
        return zone_vector_style(name, list(columns), label_field="name", cased=True)
    if name == "zones":
        return zone_vector_style(name, list(columns))
    if name == "response_units":
        column = describe(RESPONSE_STYLE_COLUMN, system)
        if column.name not in frame:
            return zone_vector_style(name, list(columns))
        return amount_vector_style(name, frame[column.name].to_numpy(float), column, list(columns), "YlOrRd_09")
    return None
