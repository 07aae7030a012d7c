"""The same piece of invented Larkspur County, written as the different sets of files that people have.

Every writer here uses pandas, xarray, rasterio and geopandas on the sample layers themselves, never Springfill's own
readers, so that a reader cannot agree with itself.
"""

from __future__ import annotations

import shutil
import zipfile
from functools import cache
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import rasterio
import xarray as xr
from pyproj import CRS as ProjCRS
from rasterio.features import rasterize
from rasterio.transform import from_origin
from shapely.geometry import box

from pipelines.run.result import StudyResult
from pipelines.show.publish import run_study
from pipelines.study.file import load_study

SAMPLE = Path(__file__).resolve().parents[1] / "sample_layers"
CRS = "EPSG:5070"
BOUNDS = (-597_570.0, 1_903_110.0, -586_170.0, 1_914_510.0)
"""The 11.4 x 11.4 km in the middle of the county, where the four weather cells meet."""
MARGIN_M = 1_000.0
# The national 30 m land cover grid, to which the survey's rasters are snapped, has its edges at odd multiples of 15 m
# (upper left corner -2,493,045, 2,342,655 in EPSG:5070; from memory): half a cell off the study grid, the worst case.
SNAP_M = 15.0
SLICES_CM = ((0, 5), (5, 15), (15, 30), (30, 60), (60, 100), (100, 150))
TEXTURE = (
    ("sand", "sandtotal_r", "sand"),
    ("clay", "claytotal_r", "clay"),
    ("organic_matter", "om_r", "organic matter"),
)
LABEL = "INVENTED demonstration data for fictional Larkspur County; describes no real place"


# ---------------------------------------------------------------- the study file and the run


def write_study(folder: Path, *, soils: str, climate: str, fields: str, more: str = "") -> Path:
    """Write a study file whose tables hold the given lines."""
    path = folder / "study.toml"
    path.write_text(
        "\n".join(
            [
                '[study]\nname = "Larkspur County, its middle (invented)"\nseed = 20\nyears = 16',
                f"[soils]\n{soils}",
                f"[climate]\n{climate}",
                f"[fields]\n{fields}",
                f'[map]\ncrs = "{CRS}"\nresolution_m = 30.0\nbounds = {list(BOUNDS)}',
                f'[elevation]\npath = "{(SAMPLE / "elevation.tif").as_posix()}"',
                "[run]\nparameter_sets = 0",
                more,
            ]
        ),
        encoding="utf-8",
    )
    return path


def run(study_file: Path) -> StudyResult:
    """Run a study file up to its zones and fields, without publishing."""
    study, digest = load_study(study_file)
    return run_study(study, study_file.parent, digest, lambda step, done, total: None)


# ---------------------------------------------------------------- soils


@cache
def soil_tables() -> dict[str, pd.DataFrame]:
    """Return the survey tables by their long names, read with pandas by the sample's own column list."""
    columns = pd.read_csv(SAMPLE / "tabular_columns.csv").sort_values("pos")
    files = {"mapunit": "mapunit", "component": "comp", "chorizon": "chorizon", "corestrictions": "crstrcts"}
    keys = dict.fromkeys(("mukey", "cokey", "chkey", "corestrictkey", "lkey", "musym"), str)
    return {
        table: pd.read_csv(
            SAMPLE / "soils" / "tabular" / f"{file}.txt",
            sep="|",
            header=None,
            names=list(columns.loc[columns["table"] == table, "column"]),
            dtype=keys,
        ).dropna(axis="columns", how="all")
        for table, file in files.items()
    }


@cache
def soil_polygons() -> gpd.GeoDataFrame:
    """Return the map unit polygons around the window, EPSG:5070."""
    layer = gpd.read_file(SAMPLE / "soils" / "spatial" / "soilmu_a_xx901.shp").to_crs(CRS)
    return layer[layer.intersects(box(*BOUNDS).buffer(3 * MARGIN_M))].reset_index(drop=True)


def write_soil_tables(path: Path) -> None:
    """Write the survey tables with their long names into a file geodatabase."""
    for i, (name, frame) in enumerate(soil_tables().items()):
        text = frame.select_dtypes(exclude="number").columns
        out = frame.astype(dict.fromkeys(text, "string"))
        whole = out.select_dtypes("integer").columns
        out = out.astype(dict.fromkeys(whole, "int32"))
        pyogrio.write_dataframe(out, path, layer=name, driver="OpenFileGDB", append=i > 0)


def write_geodatabase(path: Path) -> Path:
    """Write a soil geodatabase: tables and the layer of map unit polygons."""
    write_soil_tables(path)
    layer = soil_polygons()[["AREASYMBOL", "SPATIALVER", "MUSYM", "MUKEY", "geometry"]]
    pyogrio.write_dataframe(layer, path, layer="MUPOLYGON", driver="OpenFileGDB", append=True)
    return path


@cache
def code_raster(cell_m: float) -> tuple[np.ndarray, Any]:
    """Return map unit keys on the national grid around the window, and their transform; 2147483647 outside."""
    left, bottom, right, top = BOUNDS
    x = left - MARGIN_M - (left - MARGIN_M - SNAP_M) % cell_m
    y = top + MARGIN_M - (top + MARGIN_M - SNAP_M) % cell_m + cell_m
    size = int(np.ceil((right - left + 2 * MARGIN_M) / cell_m)) + 2
    transform = from_origin(x, y, cell_m, cell_m)
    layer = soil_polygons()
    shapes = zip(layer.geometry, layer["MUKEY"].astype(int), strict=True)
    codes = rasterize(shapes, (size, size), fill=2147483647, transform=transform, dtype="int32")
    return codes, transform


def write_map_unit_raster(folder: Path, cell_m: float = 10.0) -> Path:
    """Write the raster of map unit keys, and the tables in ``survey/tables.gdb``."""
    codes, transform = code_raster(cell_m)
    path = folder / "MapunitRaster_10m.tif"
    write_geotiff(path, codes, transform, nodata=2147483647, tiled=True, compress="deflate")
    (folder / "survey").mkdir()
    write_soil_tables(folder / "survey" / "tables.gdb")
    return path


def write_geotiff(path: Path, values: np.ndarray, transform: Any, *, crs: str | None = CRS, **profile: Any) -> None:
    """Write one GeoTIFF of one or more bands."""
    stack = values if values.ndim == 3 else values[None]
    units = profile.pop("units", None)
    with rasterio.open(
        path, "w", driver="GTiff", count=len(stack), height=stack.shape[1], width=stack.shape[2],
        dtype=stack.dtype, crs=crs, transform=transform, **profile,
    ) as target:  # fmt: skip
        target.write(stack)
        if units:
            target.units = (units,) * len(stack)


@cache
def sliced(column: str, *, dominant: bool) -> pd.DataFrame:
    """Return a horizon property by map unit (index) and depth slice (columns), as gridded products are made.

    Parameters
    ----------
    column : str
        Horizon column; NaN where a slice lies below the last horizon that has it.
    dominant : bool
        The value of the largest component; else the mean of the components that have values, weighted by their
        share, where ground below the last horizon counts as 0 (as the survey adds up its own water storage). Both are
        missing where the largest component is rock, water or built over.
    """
    horizons = soil_tables()["chorizon"].dropna(subset=[column])
    rows = {}
    for cokey, own in horizons.groupby("cokey"):
        values = []
        for top, bottom in SLICES_CM:
            thick = (own["hzdepb_r"].clip(upper=bottom) - own["hzdept_r"].clip(lower=top)).clip(lower=0)
            values.append((own[column] * thick).sum() / thick.sum() if thick.sum() else np.nan)
        rows[cokey] = values
    by_component = pd.DataFrame(rows, index=list(SLICES_CM)).T
    table = largest_first().set_index("cokey").join(by_component)
    dominant_rows = table.drop_duplicates("mukey").set_index("mukey")[list(SLICES_CM)]
    if dominant:
        return dominant_rows
    table = table[table[list(SLICES_CM)].notna().any(axis=1)]
    weighted = table[list(SLICES_CM)].fillna(0.0).mul(table["comppct_r"], axis=0)
    mean = weighted.groupby(table["mukey"]).sum().div(table.groupby("mukey")["comppct_r"].sum(), axis=0)
    return mean[dominant_rows.notna().any(axis=1).reindex(mean.index)]


def largest_first() -> pd.DataFrame:
    """Return the components of all map units, the largest first: ``mukey``, ``cokey``, ``comppct_r``, ``hydgrp``."""
    columns = ["mukey", "cokey", "comppct_r", "hydgrp"]
    return soil_tables()["component"][columns].sort_values("comppct_r", ascending=False, kind="stable")


def root_limits_cm() -> pd.Series:
    """Return the depth of the shallowest restriction that stops roots, cm, of each map unit's largest component."""
    kinds = ["Paralithic bedrock", "Lithic bedrock", "Petrocalcic", "Fragipan"]
    tables = soil_tables()
    limits = tables["corestrictions"]
    limits = limits[limits["reskind"].isin(kinds)].groupby("cokey")["resdept_r"].min()
    largest = largest_first().drop_duplicates("mukey")
    return largest.set_index("mukey")["cokey"].map(limits).fillna(200.0)


def group_codes() -> pd.Series:
    """Return the hydrologic group of each map unit's largest component as gridded products code it; dual 11 to 14."""
    codes = {"A": 1, "B": 2, "C": 3, "D": 4, "A/D": 11, "B/D": 12, "C/D": 13}
    largest = largest_first().drop_duplicates("mukey")
    return largest.set_index("mukey")["hydgrp"].map(codes).dropna()


def on_grid(table: pd.DataFrame | pd.Series, codes: np.ndarray) -> np.ndarray:
    """Return values of map units on a raster of keys, one layer a column; NaN where a map unit has none."""
    frame = table.to_frame() if isinstance(table, pd.Series) else table
    keys = np.array([int(k) for k in frame.index])
    order = np.argsort(keys)
    place = np.clip(np.searchsorted(keys[order], codes), 0, len(keys) - 1)
    found = keys[order][place] == codes
    values = frame.to_numpy(float)[order][place]
    return np.moveaxis(np.where(found[..., None], values, np.nan), -1, 0).astype("float32")


def write_capacity_netcdf(path: Path, *, alone: bool, factor: float = 1.0) -> Path:
    """Write capacity by depth as CF NetCDF: mm/m, depth bounds in cm, Albers coordinates in m.

    Parameters
    ----------
    path : Path
    alone : bool
        Capacity and nothing else; otherwise with sand, clay, organic matter and hydrologic group.
    factor : float
        Of the capacity, to write another soil on purpose.
    """
    codes, transform = code_raster(30.0)
    rows = np.arange(codes.shape[0]) + 0.5
    layers = {"awc": (sliced("awc_r", dominant=False) * 1000.0 * factor, "mm/m", "available water capacity")}
    if not alone:
        for name, column, long_name in TEXTURE:
            layers[name] = (sliced(column, dominant=True) * 10.0, "g/kg", long_name)
    depth = np.array(SLICES_CM, float)
    ds = xr.Dataset(
        {"depth_bounds": (("depth", "edge"), depth), "albers": ((), 0, ProjCRS.from_user_input(CRS).to_cf())},
        coords={
            "depth": ("depth", depth.mean(axis=1), {"units": "cm", "positive": "down", "bounds": "depth_bounds"}),
            "y": ("y", transform.f - 30.0 * rows, {"standard_name": "projection_y_coordinate", "units": "m"}),
            "x": ("x", transform.c + 30.0 * rows, {"standard_name": "projection_x_coordinate", "units": "m"}),
        },
        attrs={"Conventions": "CF-1.11", "title": "Soil by depth (invented)", "comment": LABEL},
    )
    for name, (table, units, long_name) in layers.items():
        attrs = {"units": units, "long_name": long_name, "grid_mapping": "albers"}
        ds[name] = (("depth", "y", "x"), on_grid(table, codes), attrs)
    if not alone:
        group = np.nan_to_num(on_grid(group_codes(), codes)[0], nan=0).astype("int8")
        attrs = {"long_name": "hydrologic soil group", "grid_mapping": "albers", "_FillValue": np.int8(0)}
        ds["hydrologic_group"] = (("y", "x"), group, attrs)
    ds.to_netcdf(path, encoding={n: {"zlib": True, "_FillValue": np.float32(-9999.0)} for n in layers})
    return path


def write_water_content_rasters(folder: Path) -> Path:
    """Write field capacity, wilting point and texture as GeoTIFFs, one a depth, in percent; root limit and group."""
    folder.mkdir()
    codes, transform = code_raster(30.0)
    water = (("field_capacity", "wthirdbar_r", ""), ("wilting_point", "wfifteenbar_r", ""))
    for name, column, _ in (*water, *TEXTURE):
        for (top, bottom), layer in zip(SLICES_CM, on_grid(sliced(column, dominant=True), codes), strict=True):
            stored = np.where(np.isfinite(layer), layer, -9999.0).astype("float32")
            path = folder / f"{name}_{top}-{bottom}cm.tif"
            write_geotiff(path, stored, transform, nodata=-9999.0, units="%", compress="deflate")
    for name, table, unit in (("root_limit", root_limits_cm(), "cm"), ("hydrologic_group", group_codes(), None)):
        layer = on_grid(table, codes)[0]
        stored = np.where(np.isfinite(layer), layer, -9999).astype("int16")
        write_geotiff(folder / f"{name}.tif", stored, transform, nodata=-9999, units=unit, compress="deflate")
    return folder


# ---------------------------------------------------------------- daily weather


@cache
def daily() -> xr.Dataset:
    """Return the sample's days, decoded."""
    with xr.open_dataset(SAMPLE / "climate" / "daily.nc") as ds:
        return ds.load()


def write_days_without_et(path: Path) -> Path:
    """Write the sample's own daily file without reference ET."""
    with xr.open_dataset(SAMPLE / "climate" / "daily.nc", decode_cf=False) as ds:
        ds.drop_vars("reference_et").to_netcdf(path)
    return path


def write_gridmet(folder: Path) -> Path:
    """Write the days as gridMET gives them: a file a variable and year, packed, kelvin, axis ``day``, north first."""
    folder.mkdir()
    days = daily().sortby("lat", ascending=False)
    layout = {
        "pr": ("precipitation_amount", days["precipitation"], "mm", 0.1, 0.0),
        "tmmn": ("air_temperature", days["tmin"] + 273.15, "K", 0.1, 210.0),
        "tmmx": ("air_temperature", days["tmax"] + 273.15, "K", 0.1, 220.0),
        "pet": ("potential_evapotranspiration", days["reference_et"], "mm", 0.1, 0.0),
    }
    coords = {
        "lat": ("lat", days["lat"].values, {"units": "degrees_north", "standard_name": "latitude"}),
        "lon": ("lon", days["lon"].values, {"units": "degrees_east", "standard_name": "longitude"}),
    }
    for short, (name, values, units, scale, offset) in layout.items():
        text = {"tmmn": "Daily Minimum Temperature", "tmmx": "Daily Maximum Temperature"}.get(short, name)
        attrs = {"units": units, "description": text, "standard_name": short, "grid_mapping": "crs"}
        for year, own in values.groupby("time.year"):
            since = (own["time"].values - np.datetime64("1900-01-01")).astype("timedelta64[D]").astype(float)
            ds = xr.Dataset(
                {name: (("day", "lat", "lon"), own.values, attrs)},
                coords={**coords, "day": ("day", since, {"units": "days since 1900-01-01 00:00:00"})},
                attrs={"title": "Daily weather in the gridMET layout (invented)", "comment": LABEL},
            )
            ds["day"].attrs["calendar"] = "gregorian"
            ds["crs"] = ((), 0, {"grid_mapping_name": "latitude_longitude"})
            packing = {"dtype": "uint16", "scale_factor": scale, "add_offset": offset, "_FillValue": 32767}
            ds.to_netcdf(folder / f"{short}_{year}.nc", encoding={name: packing, "day": {"_FillValue": None}})
    return folder


def write_station_tables(folder: Path) -> str:
    """Write a table a weather cell with a growers' network's own columns, in degF and inches.

    Returns
    -------
    str
        The lines of the study file's table [climate].
    """
    folder.mkdir()
    places = []
    for number, (station, own) in enumerate(_stations(), start=1):
        table = pd.DataFrame(
            {
                "Obs Date": own.index.strftime("%m/%d/%Y"),
                "Rain": (own["precipitation"] / 25.4).round(2),
                "Low": (own["tmin"] * 1.8 + 32).round(1),
                "High": (own["tmax"] * 1.8 + 32).round(1),
                "Grass ET": (own["reference_et"] / 25.4).round(2),
            }
        )
        table.to_csv(folder / f"site{number}.csv", index=False)
        places.append({"station": f"site{number}", **station})
    pd.DataFrame(places).to_csv(folder.parent / "places.csv", index=False)
    return (
        f'path = "{folder.name}"\n'
        'variables = { date = "Obs Date", precip = "Rain", tmin = "Low", tmax = "High", et0 = "Grass ET" }\n'
        'options = { stations = "places.csv", '
        'units = { precip = "inch", tmin = "degF", tmax = "degF", et0 = "inch" } }'
    )


def _stations() -> list[tuple[dict[str, Any], pd.DataFrame]]:
    days = daily()
    out = []
    for i in range(days.sizes["lat"]):
        for j in range(days.sizes["lon"]):
            own = days.isel(lat=i, lon=j)
            place = {
                "latitude": round(float(own["lat"]), 4),
                "longitude": round(float(own["lon"]), 4),
                "elevation_m": round(float(own["elevation"]), 1),
            }
            table = own[["precipitation", "tmin", "tmax", "reference_et"]].to_dataframe()
            out.append((place, table[["precipitation", "tmin", "tmax", "reference_et"]]))
    return out


def write_ghcn(folder: Path) -> Path:
    """Write the days in the fixed-width layout of GHCN-Daily: tenths of mm and degC, -9999, station list beside."""
    folder.mkdir()
    listed = []
    for number, (place, own) in enumerate(_stations(), start=1):
        station = f"USC0099000{number}"
        lines = []
        for (year, month), part in own.groupby([own.index.year, own.index.month]):
            for element, column in (("PRCP", "precipitation"), ("TMAX", "tmax"), ("TMIN", "tmin")):
                tenths = dict(zip(part.index.day, np.rint(part[column] * 10).astype(int), strict=True))
                values = "".join(f"{tenths.get(day, -9999):5d}  7" for day in range(1, 32))
                lines.append(f"{station}{year}{month:02d}{element}{values}\n")
        (folder / f"{station}.dly").write_text("".join(lines), encoding="ascii")
        listed.append(
            f"{station} {place['latitude']:8.4f} {place['longitude']:9.4f} {place['elevation_m']:6.1f} "
            f"XX {'LARKSPUR ' + str(number) + ' (INVENTED)':30s}\n"
        )
    (folder / "ghcnd-stations.txt").write_text("".join(listed), encoding="ascii")
    return folder


# ---------------------------------------------------------------- monthly normals

NORMALS = ("precipitation", "tmin", "tmax", "wet_day_fraction", "tmin_sd", "tmax_sd", "reference_et")


@cache
def normals() -> xr.Dataset:
    """Return the sample's normals, decoded."""
    with xr.open_dataset(SAMPLE / "climate" / "normals.nc") as ds:
        return ds.load()


def write_three_normals(path: Path) -> Path:
    """Write precipitation and temperatures only, in the sample's own layout."""
    with xr.open_dataset(SAMPLE / "climate" / "normals.nc", decode_cf=False) as ds:
        ds[["precipitation", "tmin", "tmax", "elevation", "crs"]].to_netcdf(path)
    return path


def write_normals_other_way(folder: Path) -> Path:
    """Write all normals another way: a file a variable, packed, other units, north first, longitude 0 to 360."""
    folder.mkdir()
    year = normals().sortby("lat", ascending=False)
    year = year.assign_coords(lon=year["lon"] % 360.0)
    days = xr.DataArray([31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31], dims="month")
    within = "time: {} within days time: {} over days"
    layout: dict[str, tuple[str, xr.DataArray, dict[str, str], float, float]] = {
        "precipitation": (
            "pre",
            year["precipitation"],
            {"standard_name": "precipitation_amount", "units": "kg m-2"},
            0.01,
            0.0,
        ),
        "tmin": (
            "low",
            year["tmin"] + 273.15,
            {"standard_name": "air_temperature", "units": "K", "cell_methods": within.format("minimum", "mean")},
            0.001,
            280.0,
        ),
        "tmax": (
            "high",
            year["tmax"] + 273.15,
            {"standard_name": "air_temperature", "units": "K", "cell_methods": within.format("maximum", "mean")},
            0.001,
            280.0,
        ),
        "wet_day_fraction": ("wet_days", year["wet_day_fraction"] * days, {"units": "days"}, 0.001, 0.0),
        "tmin_sd": (
            "low_spread",
            year["tmin_sd"] * 1.8,
            {
                "standard_name": "air_temperature",
                "units": "degF",
                "cell_methods": within.format("minimum", "standard_deviation"),
            },
            0.001,
            0.0,
        ),
        "tmax_sd": (
            "high_spread",
            year["tmax_sd"] * 1.8,
            {
                "standard_name": "air_temperature",
                "units": "degF",
                "cell_methods": within.format("maximum", "standard_deviation"),
            },
            0.001,
            0.0,
        ),
        "reference_et": (
            "pet",
            year["reference_et"] / days,
            {"standard_name": "water_potential_evaporation_flux", "units": "kg m-2 d-1"},
            0.001,
            0.0,
        ),
    }
    for name, (short, values, attrs, scale, offset) in layout.items():
        ds = xr.Dataset({short: (("month", "lat", "lon"), values.transpose("month", "lat", "lon").values, attrs)})
        ds = ds.assign_coords(month=np.arange(1, 13), lat=year["lat"].values, lon=year["lon"].values)
        ds["lat"].attrs = {"units": "degrees_north", "standard_name": "latitude"}
        ds["lon"].attrs = {"units": "degrees_east", "standard_name": "longitude"}
        ds.attrs = {"Conventions": "CF-1.11", "title": "Climate by month (invented)", "comment": LABEL}
        packing = {"dtype": "int32", "scale_factor": scale, "add_offset": offset, "_FillValue": -2147483648}
        ds.to_netcdf(folder / f"{name}.nc", encoding={short: packing})
    return folder


def write_normals_rasters(folder: Path) -> Path:
    """Write all normals as GeoTIFFs of twelve bands, one a variable, with the unit in each band."""
    folder.mkdir()
    units = dict.fromkeys(("precipitation", "reference_et"), "mm") | {"wet_day_fraction": "1"}
    for name in NORMALS:
        values, transform = _north_up(normals()[name])
        unit = units.get(name, "K" if name.endswith("_sd") else "degC")
        write_geotiff(folder / f"{name}.tif", values, transform, crs="EPSG:4326", nodata=np.nan, units=unit)
    return folder


def write_downloaded_normals(folder: Path) -> Path:
    """Write three normals as the national gridded normals come: a GeoTIFF a month and variable, no units inside."""
    folder.mkdir()
    for name, short in (("precipitation", "prcp"), ("tmin", "tmin"), ("tmax", "tmax")):
        values, transform = _north_up(normals()[name])
        for month in range(12):
            path = folder / f"1991_2020-monthly-{month + 1:02d}-{short}_norm.tif"
            write_geotiff(path, values[month], transform, crs="EPSG:4326", nodata=np.nan)
    return folder


def _north_up(layer: xr.DataArray) -> tuple[np.ndarray, Any]:
    turned = layer.sortby("lat", ascending=False).sortby("lon").transpose("month", "lat", "lon")
    dy = float(turned["lat"][0] - turned["lat"][1])
    dx = float(turned["lon"][1] - turned["lon"][0])
    origin = float(turned["lon"][0]) - dx / 2, float(turned["lat"][0]) + dy / 2
    return turned.values.astype("float32"), from_origin(*origin, dx, dy)


# ---------------------------------------------------------------- fields


@cache
def fields() -> gpd.GeoDataFrame:
    """Return the sample's fields in their own CRS (EPSG:32613)."""
    return gpd.read_file(SAMPLE / "fields.gpkg")


def write_zipped_shapefile(path: Path) -> Path:
    """Write the fields as a zipped Shapefile in NAD83 UTM zone 13, as farm software exports them."""
    inside = path.with_suffix("")
    inside.mkdir()
    fields().to_crs("EPSG:26913").to_file(inside / "boundaries.shp")
    shutil.make_archive(str(inside), "zip", inside)
    shutil.rmtree(inside)
    return path


def write_geojson(path: Path) -> Path:
    """Write the fields as GeoJSON (RFC 7946: degrees) under column names of their own."""
    names = {"field_id": "FIELD_NO", "name": "Title", "irrigated": "Water", "next_crop": "Plan"}
    layer = fields().to_crs("EPSG:4326").rename(columns=names)
    layer["Water"] = layer["Water"].map({True: "pivot", False: "dryland"})
    layer.to_file(path, driver="GeoJSON", RFC7946="YES")
    return path


def write_kml(path: Path) -> Path:
    """Write the fields as KML with extended data; a name ending in ``.kmz`` gives the zipped form."""
    plain = path.with_suffix(".kml")
    fields().to_crs("EPSG:4326").rename(columns={"name": "Name"}).to_file(plain, driver="LIBKML")
    if path.suffix == ".kmz":
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.write(plain, "doc.kml")
        plain.unlink()
    return path


def write_geoparquet(path: Path) -> Path:
    """Write the fields as GeoParquet."""
    fields().to_crs(CRS).to_parquet(path)
    return path
