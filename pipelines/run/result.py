"""Everything a finished run knows: handed to publishing and export, kept in `<out>/data/`."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import scipy.sparse as sp
import xarray as xr
from odc.geo.geobox import GeoBox

from geo.errors import StudyError
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


_FRAMES = ("sites", "units", "site_units", "cells", "zones", "irrigated_zones", "problems")
_DATASETS = ("outcomes", "field_outcomes", "verdicts", "irrigated_verdicts", "field_verdicts")


def save_result(result: StudyResult, folder: Path) -> None:
    """Write a result to a folder that exists (frames as Parquet, arrays as NetCDF and NumPy)."""
    for name in _FRAMES:
        getattr(result, name).to_parquet(folder / f"{name}.parquet")
    for name in (*_DATASETS, "yearly"):
        data: xr.Dataset | None = getattr(result, name)
        if data is None:
            continue
        flat = data.drop_vars([v for v in data.variables if data[v].dtype == object and v not in data.coords])
        numeric = [v for v in flat.data_vars if flat[v].dtype.kind in "fiub"]
        flat.to_netcdf(folder / f"{name}.nc", encoding={v: {"zlib": True, "complevel": 1} for v in numeric})
    if result.measured is not None:
        save_measured(result.measured, folder)
    result.fields.to_parquet(folder / "fields.parquet")
    sp.save_npz(folder / "coverage.npz", result.coverage)
    np.savez_compressed(folder / "site_raster.npz", site=result.site_raster)
    record = {
        "settings": result.settings,
        "provenance": result.provenance,
        "grid": {
            "shape": list(result.grid.shape),
            "affine": list(result.grid.affine)[:6],
            "crs": str(result.grid.crs),
        },
    }
    (folder / "result.json").write_text(json.dumps(record, indent=1, default=str), encoding="utf-8")


def load_result(folder: Path) -> StudyResult:
    """Read a result that `save_result` wrote.

    Raises
    ------
    StudyError
        When the folder holds no finished run.
    """
    record_file = folder / "result.json"
    if not record_file.exists():
        raise StudyError("There is no finished run here.", str(folder), "Run `springfill screen STUDY.toml` first.")
    from affine import Affine

    record = json.loads(record_file.read_text(encoding="utf-8"))
    grid = GeoBox(tuple(record["grid"]["shape"]), Affine(*record["grid"]["affine"]), record["grid"]["crs"])
    parts: dict[str, Any] = {name: pd.read_parquet(folder / f"{name}.parquet") for name in _FRAMES}
    for name in _DATASETS:
        with xr.open_dataset(folder / f"{name}.nc") as data:
            parts[name] = data.load()
    if (folder / "yearly.nc").exists():
        with xr.open_dataset(folder / "yearly.nc") as data:
            parts["yearly"] = data.load()
    parts["measured"] = load_measured(folder)
    return StudyResult(
        settings=record["settings"],
        provenance=record["provenance"],
        grid=grid,
        site_raster=np.load(folder / "site_raster.npz")["site"],
        fields=gpd.read_parquet(folder / "fields.parquet"),
        coverage=sp.load_npz(folder / "coverage.npz"),
        **parts,
    )
