"""Two sources that were measured and made apart must agree: station records and gridded normals.

The records are GHCN-Daily, 1991-2014; the grids are NOAA's 1991-2020 normals. The periods overlap, but are not the
same, and a station speaks for a point, a cell for 18 square kilometres. Seen here: -5.3 to +4.9 % in annual
precipitation and -1.06 to +0.33 degC in the mean minimum. A wrong unit, month, latitude order or cell is far outside.
"""

from __future__ import annotations

import numpy as np
import pytest
import rasterio
import xarray as xr

from pipelines.read.climate.build import Context, Query
from pipelines.read.climate.dispatch import read_climate
from pipelines.read.climate.products import products
from pipelines.read.climate.rasters import _meaning, _read_one
from tests.open_data import open_data

STATIONS = [
    "USC00250435",
    "USC00252820",
    "USC00253185",
    "USC00253615",
    "USC00254440",
    "USC00255565",
    "USC00257070",
    "USC00258915",
]


@pytest.fixture(scope="module")
def record() -> tuple[xr.Dataset, dict[str, int], list[tuple[float, float]]]:
    folder = open_data("climate/ghcn_ne/stations_ne.csv").parent
    files = [folder / f"{s}.txt" for s in STATIONS]
    names = {"date": 1, "tmax": 2, "tmin": 3, "precip": 4}
    units = {"precip": "0.1 mm", "tmin": "0.1 degC", "tmax": "0.1 degC"}
    options = {"header": False, "fill": -9999, "units": units, "period": [1991, 2014]}
    got = read_climate(files, variables=names, options=options)
    assert got.daily is not None
    cells = {s: i for i, s in enumerate(STATIONS)}
    return got.daily, cells, list(zip(got.cells["longitude"], got.cells["latitude"], strict=True))


@pytest.mark.slow
@pytest.mark.parametrize("station", STATIONS, ids=lambda s: f"{s}: NOAA 1991-2020 annual precipitation grid")
def test_annual_precipitation(station: str, record) -> None:
    daily, cells, places = record
    rain = daily["precip_mm"][cells[station]]
    by_month = rain.groupby("time.month").mean() * xr.DataArray(
        [31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31], dims="month"
    )
    with rasterio.open(open_data("climate/normals_grid/1991_2020-annual-prcp_norm.tif")) as grid:
        normal = float(next(grid.sample([places[cells[station]]]))[0])
    assert float(by_month.sum()) == pytest.approx(normal, rel=0.07)


@pytest.mark.parametrize("station", STATIONS, ids=lambda s: f"{s}: NOAA 1991-2020 annual minimum temperature grid")
def test_annual_minimum_temperature(station: str, record) -> None:
    daily, cells, places = record
    low = float(daily["tmin_c"][cells[station]].groupby("time.month").mean().mean())
    with rasterio.open(open_data("climate/normals_grid/1991_2020-annual-tmin_norm.tif")) as grid:
        normal = float(next(grid.sample([places[cells[station]]]))[0])
    assert low == pytest.approx(normal, abs=1.1)


@pytest.mark.parametrize("short", ["prcp", "tmin", "tmax"], ids=lambda s: f"NOAA January grid, {s}")
def test_january_grid_read_by_window(short: str, record) -> None:
    """Read through our raster reader at the stations: the right cell, the right unit, the right month."""
    daily, _, places = record
    path = open_data(f"climate/normals_grid/1991_2020-monthly-01-{short}_norm.tif")
    product = products()["noaa_grid_normals"]
    key, groups = _meaning(path, product, None, {}) or ("", {})
    january = daily.sel(time=daily["time.month"] == 1)
    differences = []
    for cell, (lon, lat) in enumerate(places):
        query = Query("x", (lon, lat, lon, lat))
        part = _read_one(path, key, groups, product, Context("x", product), query, None)
        assert part.step == "months"
        assert part.layers[key]["month"].values.tolist() == [1]
        away = np.hypot(part.window.latitude - lat, part.window.longitude - lon)
        nearest = np.unravel_index(int(np.argmin(away)), away.shape)
        value = float(part.layers[key].values[0][nearest])
        with rasterio.open(path) as grid:
            assert value == pytest.approx(float(next(grid.sample([(lon, lat)]))[0]), rel=1e-6)
        station = float(january[key][cell].mean()) * (31.0 if short == "prcp" else 1.0)
        differences.append(station - value)
    if short == "prcp":
        assert np.abs(np.mean(differences)) < 3.0  # mm; winter rain of single stations is a small, noisy number
    else:
        assert np.abs(np.mean(differences)) < 1.0
        assert np.abs(differences).max() < 2.0
