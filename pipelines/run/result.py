"""Everything a finished run knows: handed to publishing and export, and read back from the output folder."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
import scipy.sparse as sp
import xarray as xr
from affine import Affine
from odc.geo.geobox import GeoBox

from geo.errors import StudyError
from geo.options import COVERS
from geo.rating import TESTS
from pipelines.run.measured import Measured, load_measured, save_measured


@dataclass(frozen=True)
class StudyResult:
    """A finished study. See DEVELOPERS.md for the columns and dimensions of each part.

    Attributes
    ----------
    settings : dict
        The validated study file, plain JSON types (``name``, ``units`` = "us" or "metric", ``seed``, ...).
    grid : GeoBox
        The study grid.
    site_raster : ndarray of int32, shape of the grid
        Site of each pixel; -1 outside.
    sites : DataFrame
        Index ``site``: ``map_unit_id``, ``symbol``, ``name``, ``cell``, ``rated_share``, ``reason``, ``area_ha``.
    units, site_units : DataFrame
        Response units (with the profile columns joined) and their weights in each site.
    cells : DataFrame
        Climate cells with their mean annual precipitation and reference ET.
    outcomes, field_outcomes : Dataset
        By site, and the same variables by field.
    zones, irrigated_zones : DataFrame
        Zone, limits and agreement of every site under the dryland and the irrigated rule (`geo.rating.Judged.table`).
    verdicts, irrigated_verdicts : Dataset
        Every test of every cover by site, under either rule (`geo.rating.Judged.verdicts`).
    field_verdicts : Dataset
        The same by field, each under its own rule, with the share of its ground that passes.
    fields : GeoDataFrame
        One row a field (`geo.rating.fields.field_table`).
    coverage : csr_matrix
        Field x site shares.
    problems : DataFrame
        Rows that were repaired or left out.
    provenance : dict
        Versions, input hashes, licences, seeds, counts, times.
    yearly : Dataset, optional
        One value a unit, option and season (`geo.rating.outcome.yearly_values`).
    measured : Measured, optional
        Own measurements beside the modelled water, when the study gives any.
    """

    settings: dict[str, Any]
    grid: GeoBox
    site_raster: np.ndarray
    sites: pd.DataFrame
    units: pd.DataFrame
    site_units: pd.DataFrame
    cells: pd.DataFrame
    outcomes: xr.Dataset
    field_outcomes: xr.Dataset
    zones: pd.DataFrame
    irrigated_zones: pd.DataFrame
    verdicts: xr.Dataset
    irrigated_verdicts: xr.Dataset
    field_verdicts: xr.Dataset
    fields: gpd.GeoDataFrame
    coverage: sp.csr_matrix
    problems: pd.DataFrame
    provenance: dict[str, Any]
    yearly: xr.Dataset | None = None
    measured: Measured | None = None

    @property
    def seasons(self) -> int:
        """Number of seasons behind each mean and each share of years."""
        return int(self.provenance["counts"]["seasons"])


RECORD = "run.json"
"""Settings, grid and provenance of a run: the record that everything else points to. It is written last."""
FIELDS, FIELD_TESTS = "fields.parquet", "verdicts.parquet"
SITES, OUTCOMES, FIELD_OUTCOMES, YEARS = (
    f"layers/{name}" for name in ("sites.tif", "outcomes.nc", "field_outcomes.nc", "years.nc")
)
"""Layers that a result is read back from, beside what is in ``data/``."""
DATA = "data"
RULES = ("dryland", "irrigated")
OF_SITES = ("area", "rated_share", "zone_code", "agreement")
"""Variables of `OUTCOMES` that are not outcomes, beside the tests."""
_FRAMES = ("sites", "units", "site_units", "cells", "zones", "irrigated_zones", "problems")
TEST_PARTS = ("value", "limit", "passed", "waived", "margin")


def run_record(result: StudyResult) -> dict[str, Any]:
    """Return what ``run.json`` holds: settings, grid, and where everything comes from."""
    grid = {"crs": str(result.grid.crs), "shape": list(result.grid.shape), "affine": list(result.grid.affine)[:6]}
    return {"settings": result.settings, "grid": grid, **result.provenance}


def save_result(result: StudyResult, folder: Path) -> None:
    """Write to an output folder what its layers do not hold: tables in ``data/``, and the record of the run."""
    data = folder / DATA
    data.mkdir()
    for name in _FRAMES:
        getattr(result, name).to_parquet(data / f"{name}.parquet")
    sp.save_npz(data / "coverage.npz", result.coverage)
    if result.measured is not None:
        save_measured(result.measured, data)
    (folder / RECORD).write_text(json.dumps(run_record(result), indent=1, default=_plain), encoding="utf-8")


def _plain(value: object) -> object:
    return value.item() if isinstance(value, np.generic) else str(value)


def load_result(folder: Path) -> StudyResult:
    """Read a finished run from its output folder: the layers, and what `save_result` wrote beside them.

    Raises
    ------
    StudyError
        When the folder holds no finished run, or a file of it is missing.
    """
    record = json.loads((folder / RECORD).read_text(encoding="utf-8")) if (folder / RECORD).exists() else {}
    if "grid" not in record:
        raise StudyError("There is no finished run here.", str(folder), "Run `springfill screen STUDY.toml` first.")
    try:
        return _load(folder, record)
    except FileNotFoundError as error:
        missing = str(error.filename or error)
        raise StudyError("A file of the run is missing.", missing, "Run the study again.") from error


def _load(folder: Path, record: dict[str, Any]) -> StudyResult:
    settings, grid, data = record.pop("settings"), record.pop("grid"), folder / DATA
    by_field = _netcdf(folder / FIELD_OUTCOMES)
    by_site = _netcdf(folder / OUTCOMES).reset_coords(drop=True)
    years = _netcdf(folder / YEARS).reset_coords(drop=True).drop_dims("member") if (folder / YEARS).exists() else None
    if by_site.attrs.get("date_created") != record["started"]:  # a run that ended between layers and record
        what = f"The layers are not those of the run that {RECORD} records."
        raise StudyError(what, str(folder), "Run the study again.")
    dryland, irrigated = (_site_verdicts(by_site.sel(rule=rule, drop=True)) for rule in RULES)
    fields = gpd.read_parquet(folder / FIELDS).set_index("field_id", drop=False)  # near fields are together there
    with rasterio.open(folder / SITES) as source:
        site_raster = source.read(1)
    frames = {name: pd.read_parquet(data / f"{name}.parquet") for name in _FRAMES}
    return StudyResult(
        settings=settings,
        provenance=record,
        grid=GeoBox(tuple(grid["shape"]), Affine(*grid["affine"]), grid["crs"]),
        site_raster=site_raster,
        outcomes=by_site.drop_dims(["rule", "cover", "test"]).drop_vars(OF_SITES),
        field_outcomes=by_field.reset_coords(drop=True),
        verdicts=dryland,
        irrigated_verdicts=irrigated,
        field_verdicts=_field_verdicts(pd.read_parquet(folder / FIELD_TESTS)),
        fields=fields.loc[by_field["field_id"].values].reset_index(drop=True),
        coverage=sp.load_npz(data / "coverage.npz"),
        yearly=years,
        measured=load_measured(data),
        **frames,
    )


def _netcdf(path: Path) -> xr.Dataset:
    data = xr.load_dataset(path, decode_times=False, decode_timedelta=False)
    small = [name for name in data.indexes if data[name].dtype == np.int32]  # CF 1.8 has no 64-bit integers
    return data.assign_coords({name: data[name].astype(np.int64) for name in small})


def _site_verdicts(data: xr.Dataset) -> xr.Dataset:
    """Return the verdicts of sites from the file of outcomes; a site is one soil, which passes or does not."""
    tests = data[[f"test_{name}" for name in TEST_PARTS]].drop_attrs()
    tests = tests.rename({f"test_{name}": name for name in TEST_PARTS})
    passed = tests["passed"]
    return tests.assign(passed=passed == 1, waived=tests["waived"] == 1, share=passed.astype(np.float32))


def _field_verdicts(table: pd.DataFrame) -> xr.Dataset:
    """Return the verdicts of fields from their table, which has one row a field, cover and test."""
    shape = (-1, len(COVERS), len(TESTS))
    data = {n: (("field", "cover", "test"), table[n].to_numpy().reshape(shape)) for n in (*TEST_PARTS, "share")}
    coords = {"field": np.arange(len(table) // (shape[1] * shape[2])), "cover": list(COVERS), "test": list(TESTS)}
    return xr.Dataset(data, coords=coords)
