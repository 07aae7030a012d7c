"""Tables of a finished study: response units, map units, zone areas, and CSV that is safe in a spreadsheet."""

from __future__ import annotations

import csv
import itertools
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import xarray as xr

from geo.rating import RECOMMENDED_OPTION, ZONE_NAMES
from pipelines.run.result import StudyResult
from pipelines.show.layers.columns import describe, in_units, named
from pipelines.show.legend import zone_legend
from pipelines.study.units import System, convert

_ZONE_COLUMNS = [
    "zone_code", "zone", "limiting_factor", "limiting_option", "limiting_test", "margin", "recommended_option",
    "agreement",
]  # fmt: skip
_SUFFIXES: dict[str, dict[Any, str]] = {
    "stat": {"mean": "", "p10": "_p10", "p90": "_p90"},
    "quantile": {0.5: "", 0.1: "_p10", 0.9: "_p90"},
}
"""How the entries of a dimension are told apart in names of columns, in the order of the columns."""


def outcome_table(outcomes: xr.Dataset) -> pd.DataFrame:
    """Return one row a place: mean (or share), tenth and ninetieth year (``_p10``, ``_p90``) of every outcome.

    Variables along a curve (by layer, day, target or termination date) have no place in a table and are left out.
    """
    dim = str(outcomes["shortfall_years"].dims[0])
    columns: dict[str, np.ndarray] = {}
    for name, values in outcomes.data_vars.items():
        inner = values.dims[1:]
        if values.dims[0] != dim or set(inner) - {"option", *_SUFFIXES}:
            continue
        ends = [{o: f"_{o}" for o in values[d].values} if d == "option" else _SUFFIXES[str(d)] for d in inner]
        for chosen in itertools.product(*(one.items() for one in ends)):
            place = {d: key for d, (key, _) in zip(inner, chosen, strict=True)}
            columns[f"{name}{''.join(end for _, end in chosen)}"] = values.sel(place).values
    return pd.DataFrame(columns, index=pd.RangeIndex(outcomes.sizes[dim], name=dim))


def site_table(result: StudyResult) -> pd.DataFrame:
    """Return the response units as a table: map unit, climate cell, zone and every outcome, one row a site."""
    sites = result.sites.rename(columns={"name": "map_unit_name"})
    table = pd.concat([sites, result.zones[_ZONE_COLUMNS], outcome_table(result.outcomes)], axis=1)
    return table.rename_axis("site").reset_index()


_TEST_UNIT = {"gap": "mm"}


def verdict_table(result: StudyResult, system: System = "metric") -> pd.DataFrame:
    """Return the tests of the fields, one row a field, cover and test; value and limit are in the unit of the row."""
    table = result.field_verdicts.to_dataframe(dim_order=["field", "cover", "test"]).reset_index()
    ids = result.fields["field_id"].to_numpy()
    table["field"] = np.repeat(ids, len(table) // max(len(ids), 1))
    table = table.rename(columns={"field": "field_id"})
    unit = table["test"].map(_TEST_UNIT).fillna("1")
    if system == "us":
        factor = np.where(unit == "mm", convert(1.0, "millimeter", "inch"), 1.0)
        table[["value", "limit"]] = table[["value", "limit"]].mul(factor, axis=0)
        unit = unit.replace("mm", "in")
    table.insert(5, "unit", unit)
    return table


def map_unit_table(result: StudyResult) -> pd.DataFrame:
    """Return the survey map units that the study touches, with the area of each zone in them (hectares)."""
    sites = result.sites.rename(columns={"name": "map_unit_name"}).join(result.zones[["zone_code"]])
    sites = sites[sites["area_ha"] > 0]
    groups = sites.groupby("map_unit_id", sort=True)
    table = groups.agg(
        symbol=("symbol", "first"), map_unit_name=("map_unit_name", "first"), area_ha=("area_ha", "sum"),
        cells=("cell", "nunique"), rated_share=("rated_share", "mean"), reason=("reason", "first"),
    )  # fmt: skip
    area = sites.pivot_table(
        index="map_unit_id", columns="zone_code", values="area_ha", aggfunc="sum", fill_value=0.0
    )
    for code, name in ZONE_NAMES.items():
        table[f"area_{name}_ha"] = area.get(code, 0.0)
    table["zone_code"] = area.idxmax(axis=1).astype("int64")
    table["zone"] = table["zone_code"].map(dict(ZONE_NAMES))
    capacity = result.outcomes["capacity_mm"].to_series().rename("capacity_mm")
    weighted = sites.join(capacity).dropna(subset=["capacity_mm"])
    weight = weighted["area_ha"]
    top = (weighted["capacity_mm"] * weight).groupby(weighted["map_unit_id"]).sum()
    table["capacity_mm"] = top / weight.groupby(weighted["map_unit_id"]).sum()
    return table.reset_index()


def zone_area_table(result: StudyResult) -> pd.DataFrame:
    """Return one row a zone: words, colour, area and share of the study area."""
    area = result.sites["area_ha"].groupby(result.zones["zone_code"]).sum().reindex(list(ZONE_NAMES), fill_value=0.0)
    legend = zone_legend()
    return pd.DataFrame(
        {
            "zone_code": [z.code for z in legend], "zone": [z.key for z in legend],
            "label": [z.label for z in legend], "plain": [z.plain for z in legend],
            "recommended_option": [RECOMMENDED_OPTION[z.key] for z in legend],
            "colour": [z.colour for z in legend], "area_ha": area.to_numpy(),
            "study_share": area.to_numpy() / max(float(area.sum()), 1e-12),
        }
    )  # fmt: skip


def without_shapes(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a layer as a plain table."""
    return pd.DataFrame(frame.drop(columns=frame.geometry.name)) if isinstance(frame, gpd.GeoDataFrame) else frame


def field_points(fields: gpd.GeoDataFrame) -> pd.DataFrame:
    """Return the fields without polygons, with the longitude and latitude of a point inside each."""
    inside = fields.geometry.representative_point().to_crs("EPSG:4326")
    return without_shapes(fields).assign(longitude=inside.x.to_numpy(), latitude=inside.y.to_numpy())


def defuse(value: object) -> object:
    """Return a cell that no spreadsheet runs: text that starts like a formula gets an apostrophe in front.

    A spreadsheet takes a leading ``=``, ``+``, ``-``, ``@``, tab or line end as the start of a formula (OWASP,
    "CSV injection"). Numbers written as text (a field called ``-12``) stay.
    """
    if not isinstance(value, str):
        return value
    head = value.lstrip(" \u00a0\ufeff\u200b\u3000")
    if not value.startswith(("\t", "\r", "\n")) and not head.startswith(tuple("=+-@\uff1d\uff0b\uff0d\uff20\t\r\n")):
        return value
    try:
        float(value)
    except ValueError:
        return f"'{value}"
    return value


def write_csv(frame: pd.DataFrame, path: Path, system: System, *, converted: bool = False) -> None:
    """Write a table with units in the headers, rounded to the decimals of the dictionary, formulas defused.

    UTF-8 with a mark at the front, so that spreadsheets show every letter. `converted` says that values and column
    names are already in `system`.
    """
    known = [named(str(n), system) if converted else describe(str(n), system) for n in frame.columns]
    table = (frame if converted else in_units(frame, system)).copy()
    for column in known:
        values = table[column.name]
        if column.decimals is not None and pd.api.types.is_float_dtype(values):
            table[column.name] = values.round(column.decimals) + 0.0  # no minus zero
        elif not pd.api.types.is_numeric_dtype(values):
            table[column.name] = [defuse(v) for v in values.astype(object)]
    headers = [f"{c.name} [{c.unit_label}]" if c.unit_label else str(defuse(c.name)) for c in known]
    table.to_csv(
        path, header=headers, index=False, encoding="utf-8-sig", lineterminator="\n", quoting=csv.QUOTE_NONNUMERIC
    )
