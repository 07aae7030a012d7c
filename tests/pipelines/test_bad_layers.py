"""Layers that cannot be used stop the run with what, where and what to do, and leave the output as it was.

All through the command's own entry, from a study file; single bad rows are left out, listed, and the rest is kept.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import xarray as xr
from rasterio.shutil import copy
from shapely.geometry import Polygon, box

from geo.errors import StudyError
from pipelines.show.publish import screen
from tests import format_sets as fs

Bad = Callable[[Path], dict[str, str]]
SOILS = f'path = "{fs.SAMPLE}/soils"'
CLIMATE = f'path = "{fs.SAMPLE}/climate/daily.nc"'
FIELDS = f'path = "{fs.SAMPLE}/fields.gpkg"'


def quiet(step: str, done: int, total: int) -> None:
    """Report nothing."""


def study(folder: Path, more: str = "", *, bounds: bool = True, **changed: str) -> Path:
    lines = {"soils": SOILS, "climate": CLIMATE, "fields": FIELDS, **changed}
    path = fs.write_study(folder, **lines, more=more)
    if not bounds:
        text = path.read_text()
        path.write_text("\n".join(line for line in text.splitlines() if not line.startswith("bounds")))
    return path


def cut(source: Path, target: Path, share: float = 0.6) -> Path:
    """Copy the first part of a file."""
    data = source.read_bytes()
    target.write_bytes(data[: int(len(data) * share)])
    return target


# ---------------------------------------------------------------- fields


def fields_without_crs(tmp: Path) -> dict[str, str]:
    fs.fields().rename(columns={"previous_crop": "prev_crop"}).to_file(tmp / "f.shp")
    (tmp / "f.prj").unlink()
    return {"fields": 'path = "f.shp"'}


def fields_in_degrees_called_metres(tmp: Path) -> dict[str, str]:
    fs.fields().to_crs(4326).set_crs(26913, allow_override=True).to_file(tmp / "f.gpkg")
    return {"fields": 'path = "f.gpkg"'}


def fields_empty(tmp: Path) -> dict[str, str]:
    fs.fields().iloc[:0].to_file(tmp / "f.gpkg")
    return {"fields": 'path = "f.gpkg"'}


def fields_of_another_county(tmp: Path) -> dict[str, str]:
    far = fs.fields().copy()  # the sample is read once for all
    far.geometry = far.geometry.translate(200_000.0, 0.0)
    far.to_file(tmp / "f.gpkg")
    return {"fields": 'path = "f.gpkg"'}


def fields_of_another_county_and_no_bounds(tmp: Path) -> dict[str, str]:
    return {**fields_of_another_county(tmp), "bounds": ""}


def fields_cut_short(name: str) -> Bad:
    def write(tmp: Path) -> dict[str, str]:
        whole = tmp / f"whole{Path(name).suffix}"
        if name.endswith(".zip"):
            fs.write_zipped_shapefile(whole)
        elif name.endswith(".geojson"):
            fs.write_geojson(whole)
        elif name.endswith(".parquet"):
            fs.write_geoparquet(whole)
        else:
            fs.fields().to_file(whole)
        cut(whole, tmp / name)
        return {"fields": f'path = "{name}"'}

    return write


def fields_without_the_named_column(tmp: Path) -> dict[str, str]:
    return {"fields": f'{FIELDS}\ncolumns = {{ field_id = "FIELD_NO" }}'}


# ---------------------------------------------------------------- soils


def capacity(tmp: Path, factor: float = 1.0, crs: str | None = fs.CRS, **profile: object) -> Path:
    codes, transform = fs.code_raster(30.0)
    values = fs.on_grid(fs.sliced("awc_r", dominant=True), codes)[:1] * factor
    fs.write_geotiff(tmp / "awc_0-150cm.tif", values.astype("float32"), transform, crs=crs, nodata=np.nan, **profile)
    return tmp / "awc_0-150cm.tif"


def soils_without_crs(tmp: Path) -> dict[str, str]:
    capacity(tmp, crs=None, units="cm/cm")
    return {"soils": 'path = "awc_0-150cm.tif"'}


def soils_in_another_unit(tmp: Path) -> dict[str, str]:
    capacity(tmp, 100.0, units="cm/cm")
    return {"soils": 'path = "awc_0-150cm.tif"'}


def soils_without_unit(tmp: Path) -> dict[str, str]:
    capacity(tmp)
    return {"soils": 'path = "awc_0-150cm.tif"'}


def soils_cut_short(tmp: Path) -> dict[str, str]:
    whole = capacity(tmp, units="cm/cm")
    whole.rename(tmp / "whole.tif")
    cut(tmp / "whole.tif", whole)
    return {"soils": 'path = "awc_0-150cm.tif"'}


def soils_cut_short_in_the_data(tmp: Path) -> dict[str, str]:
    copy(capacity(tmp, units="cm/cm"), tmp / "whole.tif", driver="COG")  # the directory comes first, the data last
    cut(tmp / "whole.tif", tmp / "awc_0-150cm.tif", 0.9)
    return {"soils": 'path = "awc_0-150cm.tif"'}


def map_unit_raster_cut_short(tmp: Path) -> dict[str, str]:
    raster = fs.write_map_unit_raster(tmp)
    raster.write_bytes(raster.read_bytes()[:-2000])
    return {"soils": f'path = "{raster.name}"\nvariables = {{ tables = "survey/tables.gdb" }}'}


def soil_netcdf_damaged(tmp: Path) -> dict[str, str]:
    path = fs.write_capacity_netcdf(tmp / "awc.nc", alone=True)
    data = bytearray(path.read_bytes())
    data[len(data) // 2 : len(data) // 2 + 3000] = bytes(3000)
    path.write_bytes(data)
    return {"soils": 'path = "awc.nc"'}


def soils_of_another_county(tmp: Path) -> dict[str, str]:
    whole = capacity(tmp, units="cm/cm")
    with rasterio.open(whole, "r+") as target:
        target.transform = target.transform @ rasterio.Affine.translation(10_000, 0)
    return {"soils": 'path = "awc_0-150cm.tif"'}


def export(tmp: Path) -> Path:
    shutil.copytree(fs.SAMPLE / "soils", tmp / "soils")
    return tmp / "soils"


def export_cut_short(tmp: Path) -> dict[str, str]:
    shutil.make_archive(str(tmp / "whole"), "zip", fs.SAMPLE, "soils")
    cut(tmp / "whole.zip", tmp / "soils.zip")
    return {"soils": 'path = "soils.zip"'}


def export_without_horizons(tmp: Path) -> dict[str, str]:
    (export(tmp) / "tabular" / "chorizon.txt").unlink()
    return {"soils": 'path = "soils"'}


def table_cut_short(name: str) -> Bad:
    def write(tmp: Path) -> dict[str, str]:
        table = export(tmp) / "tabular" / name
        cut(table, table, 0.5)
        return {"soils": 'path = "soils"'}

    return write


def export_of_another_vintage(tmp: Path) -> dict[str, str]:
    table = export(tmp) / "tabular" / "chorizon.txt"
    table.write_text("".join(line + '|"new"\n' for line in table.read_text().splitlines()))
    return {"soils": 'path = "soils"'}


def export_without_polygons(tmp: Path) -> dict[str, str]:
    shutil.rmtree(export(tmp) / "spatial")
    return {"soils": 'path = "soils"'}


def export_with_empty_polygons(tmp: Path) -> dict[str, str]:
    path = export(tmp) / "spatial" / "soilmu_a_xx901.shp"
    gpd.read_file(path).iloc[:0].to_file(path)
    return {"soils": 'path = "soils"'}


# ---------------------------------------------------------------- climate


def days(tmp: Path, change: Callable[[xr.Dataset], xr.Dataset]) -> dict[str, str]:
    with xr.open_dataset(fs.SAMPLE / "climate" / "daily.nc", decode_times=False) as ds:
        change(ds.load()).to_netcdf(tmp / "d.nc")
    return {"climate": 'path = "d.nc"'}


def climate_elsewhere(tmp: Path) -> dict[str, str]:
    return days(tmp, lambda ds: ds.assign_coords(lon=ds["lon"].copy(data=ds["lon"].values + 10.0)))


def climate_in_kelvin_called_celsius(tmp: Path) -> dict[str, str]:
    def change(ds: xr.Dataset) -> xr.Dataset:
        for name in ("tmin", "tmax"):
            ds[name] = ds[name].copy(data=ds[name].values + 273.15)
            ds[name].encoding = {}
        return ds

    return days(tmp, change)


def climate_in_inches_called_millimetres(tmp: Path) -> dict[str, str]:
    return days(tmp, lambda ds: ds.assign(precipitation=ds["precipitation"].copy(data=ds["precipitation"] / 25.4)))


def climate_without_units(tmp: Path) -> dict[str, str]:
    def change(ds: xr.Dataset) -> xr.Dataset:
        del ds["tmin"].attrs["units"]
        return ds

    return days(tmp, change)


def climate_without_tmax(tmp: Path) -> dict[str, str]:
    return days(tmp, lambda ds: ds.drop_vars("tmax"))


def climate_cut_short(tmp: Path) -> dict[str, str]:
    cut(fs.SAMPLE / "climate" / "daily.nc", tmp / "d.nc")
    return {"climate": 'path = "d.nc"'}


def classic_netcdf_cut_short(tmp: Path) -> dict[str, str]:
    with xr.open_dataset(fs.SAMPLE / "climate" / "daily.nc", decode_cf=False) as ds:
        ds.load().to_netcdf(tmp / "whole.nc", format="NETCDF3_CLASSIC")
    cut(tmp / "whole.nc", tmp / "d.nc")
    return {"climate": 'path = "d.nc"'}


def normals_raster_cut_short(tmp: Path) -> dict[str, str]:
    path = fs.write_downloaded_normals(tmp / "n") / "1991_2020-monthly-02-tmin_norm.tif"
    cut(path, path, 0.95)
    return {"climate": 'path = "n"'}


def climate_too_short(tmp: Path) -> dict[str, str]:
    return days(tmp, lambda ds: ds.isel(time=slice(0, 300)))


def normals_without_july(tmp: Path) -> dict[str, str]:
    folder = fs.write_downloaded_normals(tmp / "n")
    for path in folder.glob("*-monthly-07-*"):
        path.unlink()
    return {"climate": 'path = "n"'}


def climate_of_months_called_daily(tmp: Path) -> dict[str, str]:
    return {"climate": f'path = "{fs.SAMPLE}/climate/normals.nc"\nkind = "daily"'}


CASES: list[tuple[Bad, str, str, str]] = [
    # what is wrong, what the message says, which file (or layer) it names, what it advises
    (fields_without_crs, "does not say its coordinate reference system", "f.shp", "crs = "),
    (fields_in_degrees_called_metres, "coordinates are degrees", "f.gpkg", "EPSG:4326"),
    (fields_empty, "no field|None of the fields", "f.gpkg", "."),
    (fields_of_another_county, "None of the .* fields lies in the study area", "f.gpkg", "Check the CRS"),
    (fields_of_another_county_and_no_bounds, "None of the 380 fields lies on the soil map", "f.gpkg", "county"),
    (fields_cut_short("f.zip"), "damaged or incomplete", "f.zip", "."),
    (fields_cut_short("f.geojson"), "cannot be read", "f.geojson", "."),
    (fields_cut_short("f.parquet"), "cannot be read", "f.parquet", "."),
    (fields_cut_short("f.gpkg"), "cannot be read", "f.gpkg", "."),
    (fields_cut_short("f.fgb"), "cannot be read", "f.fgb", "."),
    (fields_without_the_named_column, "no column 'FIELD_NO'", "fields.gpkg", "field_id"),
    (soils_without_crs, "no coordinate system", "awc_0-150cm.tif", "crs"),
    (soils_in_another_unit, "cannot be in cm/cm", "awc_0-150cm.tif, band 1", "would fit %"),
    (soils_without_unit, "does not say the unit of awc", "awc_0-150cm.tif, band 1", "fit cm/cm"),
    (soils_cut_short, "cannot be (opened|read)", "awc_0-150cm.tif", "download"),
    (soils_cut_short_in_the_data, "part of it cannot be read", "awc_0-150cm.tif, band 1", "download it again"),
    (map_unit_raster_cut_short, "part of it cannot be read", "MapunitRaster_10m.tif", "download it again"),
    (soil_netcdf_damaged, "part of it cannot be read", "awc.nc, awc, 0-5 cm", "Download it again"),
    (soils_of_another_county, "does not cover the study area", "awc_0-150cm.tif", "CRS"),
    (export_cut_short, "neither a folder nor a whole zip", "soils.zip", "."),
    (export_without_horizons, "no table chorizon", "soils", "tabular"),
    (table_cut_short("chorizon.txt"), "ends in the middle of a row", r"chorizon.txt, row \d+", "export again"),
    (table_cut_short("crstrcts.txt"), "ends in the middle of a row", r"crstrcts.txt, row \d+", "export again"),
    (export_of_another_vintage, "172 columns .* 171 are expected", "chorizon.txt, row 1", "mstabcol.txt"),
    (export_without_polygons, "no map unit polygons", "soils", "spatial"),
    (export_with_empty_polygons, "does not cover|no map unit polygons|empty", "soils", "."),
    (climate_elsewhere, "does not cover the study area", "d.nc", "region"),
    (
        climate_in_kelvin_called_celsius,
        "declared in 'degC' but its values run from",
        "d.nc",
        'units = { tm.. = "K" }',
    ),
    (climate_in_inches_called_millimetres, "a year adds up to", "d.nc", "inch"),
    (climate_without_units, "tmin has no units", "d.nc: tmin", "units = { tmin = "),
    (climate_without_tmax, "no tmax", "d.nc", "tmax = "),
    (climate_cut_short, "cannot be read|cut short", "d.nc", "fetch it again|Fetch it again"),
    (classic_netcdf_cut_short, "would read as zeros", "d.nc", "fetch it again"),
    (normals_raster_cut_short, "cannot be read", "monthly-02-tmin_norm.tif", "fetch it again"),
    (climate_too_short, "no complete season", "climate", "two years"),
    (normals_without_july, "lack month 7", "n", "twelve months"),
    (climate_of_months_called_daily, "should be a daily record but holds monthly", "normals.nc", "kind = "),
]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("bad", "what", "where", "fix"),
    CASES,
    ids=[f"{i}-{c[0].__qualname__.split('.')[0]}" for i, c in enumerate(CASES)],
)
def test_a_layer_that_cannot_be_used_stops_the_run_and_leaves_the_output_alone(bad, what, where, fix, tmp_path):
    changed = bad(tmp_path)
    study_file = study(
        tmp_path, bounds="bounds" not in changed, **{k: v for k, v in changed.items() if k != "bounds"}
    )
    out = tmp_path / "results"
    out.mkdir()
    (out / "index.html").write_text("of an earlier run")
    before = {p.name for p in tmp_path.iterdir()}
    with pytest.raises(StudyError) as caught:
        screen(study_file, quiet, out)
    error = caught.value
    assert re.search(what, error.what), str(error)
    assert re.search(where, error.where), str(error)
    assert re.search(fix, error.fix), str(error)
    assert "Traceback" not in str(error)
    assert [p.name for p in out.iterdir()] == ["index.html"]
    assert (out / "index.html").read_text() == "of an earlier run"
    assert {p.name for p in tmp_path.iterdir()} == before


# ---------------------------------------------------------------- single bad rows


@pytest.mark.slow
def test_good_rows_are_kept_and_bad_rows_are_listed(tmp_path):
    """Four bad fields, one soil row and three days are bad; everything else comes through to the results."""
    fields = fs.fields()
    inside = fields[fields.to_crs(fs.CRS).within(box(*fs.BOUNDS))].reset_index(drop=True)
    left, bottom = inside.geometry.iloc[0].bounds[:2]
    bowtie = Polygon([(0, 0), (400, 400), (400, 0), (0, 400)])
    bowtie = gpd.GeoSeries([bowtie]).translate(left, bottom).iloc[0]
    bad = gpd.GeoDataFrame(
        {"field_id": ["BOWTIE", "NOWHERE", "SLIVER", inside["field_id"].iloc[0]]},
        geometry=[bowtie, None, box(left, bottom, left + 1.0, bottom + 900.0), inside.geometry.iloc[1].buffer(-50)],
        crs=fields.crs,
    )
    pd.concat([inside, bad], ignore_index=True).to_file(tmp_path / "f.gpkg")

    table = export(tmp_path) / "tabular" / "chorizon.txt"
    lines = table.read_text().splitlines(keepends=True)
    lines[4] = lines[4].rpartition("|")[0].rpartition("|")[0] + '||""\n'  # a horizon without its key
    table.write_text("".join(lines))

    def spoil(ds: xr.Dataset) -> xr.Dataset:
        ds["tmax"][100, 0, 0] = -40.0  # below tmin
        ds["precipitation"][200, 1, 1] = np.nan
        return ds.isel(time=np.setdiff1d(np.arange(ds.sizes["time"]), [300]))

    study_file = study(tmp_path, fields='path = "f.gpkg"', soils='path = "soils"', **days(tmp_path, spoil))
    published = screen(study_file, quiet, tmp_path / "results")

    kept = published.result.fields
    assert set(inside["field_id"]) <= set(kept["field_id"])
    assert len(kept) == len(inside) + 1  # the repeated id got a new one
    listed = pd.read_csv(tmp_path / "results" / "problems.csv")
    text = " | ".join(f"{r.layer}: {r.where}: {r.what} ({r.action})" for r in listed.itertuples())
    for expected in (
        r"fields: BOWTIE: .*\(left out\)",
        r"fields: NOWHERE: has no geometry \(left out\)",
        r"fields: SLIVER: .*\(left out\)",
        rf"fields: {inside['field_id'].iloc[0]}-2: has the id .* of another field \(repaired\)",
        r"soils: chorizon row .*chorizon.txt row 5: has no key",
        r"climate: .*: 1 days with tmax below tmin, both set to missing \(left out\)",
        r"climate: .*: 1 days without precip",
        r"climate: all cells: 1 days are not in the source \(2005-10-28\)",
    ):
        assert re.search(expected, text), f"{expected}\nnot in\n{text}"
    assert published.result.zones["zone"].ne("not_rated").any()
