"""Climate as sets of rasters: the file names and fill values of each product."""

from __future__ import annotations

import zipfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rasterio

from geo.errors import StudyError
from pipelines.read.climate.dispatch import read_climate
from tests.open_data import open_data
from tests.pipelines.climate_builders import (
    AREA,
    LAT,
    LON,
    MONTH,
    RAIN,
    TMEAN,
    field,
)


def write_raster(path: Path, values: np.ndarray, nodata: float, crs: str, driver: str) -> None:
    transform = rasterio.transform.from_origin(LON[0] - 0.125, LAT[0] + 0.125, 0.25, 0.25)
    with rasterio.open(
        path,
        "w",
        driver=driver,
        width=LON.size,
        height=LAT.size,
        count=1,
        dtype="float32",
        nodata=nodata,
        crs=crs,
        transform=transform,
    ) as out:
        out.write(values.astype("float32"), 1)


@pytest.mark.parametrize(
    ("name", "nodata", "crs", "driver", "product"),
    [
        ("wc2.1_2.5m_{worldclim}_{month:02d}.tif", -3.4e38, "EPSG:4326", "GTiff", "WorldClim"),
        ("PRISM_{prism}_30yr_normal_4kmM4_{month:02d}_bil.bil", -9999, "EPSG:4269", "EHdr", "PRISM"),
        ("prism_{prism}_us_25m_{month:02d}.tif", -9999, "EPSG:4269", "GTiff", "PRISM"),
        ("prism_{prism}_us_25m_2020{month:02d}_avg_30y.tif", -9999, "EPSG:4269", "GTiff", "PRISM"),
        (
            "1991_2020-monthly-{month:02d}-{noaa}_norm.tif",
            float("nan"),
            "EPSG:4326",
            "GTiff",
            "Gridded monthly normals",
        ),
    ],
    ids=[
        "WorldClim 2.1 file names",
        "PRISM BIL normals",
        "PRISM formats page 2025: month",
        "PRISM normals dated 2020",
        "NOAA GeoTIFF as in the open samples",
    ],
)
def test_raster_sets(name, nodata, crs, driver, product, tmp_path: Path) -> None:
    shorts = {"precip": {"worldclim": "prec", "prism": "ppt", "noaa": "prcp"}}
    for stem, monthly in (("precip", RAIN), ("tmin", TMEAN - 8), ("tmax", TMEAN + 8)):
        values = field(monthly)
        values[:, 0, 0] = nodata
        parts = shorts.get(stem, {"worldclim": stem, "prism": stem, "noaa": stem})
        for month in MONTH:
            write_raster(tmp_path / name.format(month=month, **parts), values[month - 1], nodata, crs, driver)
    got = read_climate(tmp_path, area=AREA)
    assert got.provenance["product"].startswith(product)
    assert len(got.cells) == 9
    centre = int(np.argmin(np.hypot(got.cells["latitude"] - 40.5, got.cells["longitude"] + 103.0)))
    row, col = list(LAT).index(40.5), list(LON).index(-103.0)
    np.testing.assert_allclose(got.normals["precip_mm"][centre], field(RAIN)[:, row, col], rtol=1e-5)
    everything = read_climate(tmp_path)
    assert len(everything.cells) == LAT.size * LON.size - 1
    assert any(p.action == "left out" and "no data" in p.what for p in everything.problems)


def test_prism_daily_rasters_in_zips(tmp_path: Path) -> None:
    for day in pd.date_range("2020-02-28", "2020-03-01"):
        for var, value in (("ppt", 3.0), ("tmin", -5.0), ("tmax", 9.0)):
            stem = f"prism_{var}_us_25m_{day:%Y%m%d}"
            write_raster(tmp_path / f"{stem}.tif", np.full((LAT.size, LON.size), value), -9999, "EPSG:4269", "GTiff")
            with zipfile.ZipFile(tmp_path / f"{stem}.zip", "w") as archive:
                archive.write(tmp_path / f"{stem}.tif", f"{stem}.tif")
            (tmp_path / f"{stem}.tif").unlink()
    got = read_climate(tmp_path, area=AREA)
    assert got.daily.sizes["time"] == 3
    assert "12 UTC" in got.provenance["day_definition"]
    assert float(got.daily["precip_mm"].mean()) == 3.0


def test_own_raster_names_and_twelve_bands(tmp_path: Path) -> None:
    transform = rasterio.transform.from_origin(LON[0] - 0.125, LAT[0] + 0.125, 0.25, 0.25)
    for stem, monthly in (("rain", RAIN / 25.4), ("cold", TMEAN - 8), ("warm", TMEAN + 8)):
        with rasterio.open(
            tmp_path / f"county_{stem}.tif",
            "w",
            driver="GTiff",
            width=LON.size,
            height=LAT.size,
            count=12,
            dtype="float32",
            crs="EPSG:4326",
            transform=transform,
        ) as out:
            out.write((field(monthly) if stem != "rain" else field(RAIN) / 25.4).astype("float32"))
    names = {"precip": "rain", "tmin": "cold", "tmax": "warm"}
    units = {"precip": "inch", "tmin": "degC", "tmax": "degC"}
    got = read_climate(
        tmp_path, area=AREA, variables=names, options={"pattern": r"county_(?P<var>\w+)\.tif", "units": units}
    )
    row, col = list(LAT).index(40.5), list(LON).index(-103.0)
    np.testing.assert_allclose(got.normals["precip_mm"][4], field(RAIN)[:, row, col], rtol=1e-5)
    with pytest.raises(StudyError, match="no units"):
        read_climate(tmp_path, area=AREA, variables=names, options={"pattern": r"county_(?P<var>\w+)\.tif"})


def test_noaa_raster_samples_january_only() -> None:
    folder = open_data("climate/normals_grid/1991_2020-monthly-01-prcp_norm.tif").parent
    with pytest.raises(StudyError, match="lack month 2"):
        read_climate(str(folder / "*monthly*.tif"), area=(-100.1, 41.0, -99.9, 41.2))
