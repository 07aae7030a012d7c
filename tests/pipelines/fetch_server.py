"""Local stand-ins that answer as the documented public services do, errors included."""

from __future__ import annotations

import json
import re
import tempfile
import time
from collections import defaultdict
from functools import cache
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import xarray as xr
from pytest_httpserver import HTTPServer
from werkzeug import Request, Response

from pipelines.study.house import sample_dir, shared_dir

TIMED_OUT = (
    '<?xml version="1.0" encoding="UTF-8"?><ServiceExceptionReport xmlns="http://www.opengis.net/ogc">'
    "<ServiceException>Your query timed out.</ServiceException></ServiceExceptionReport>"
)


@cache
def _sample() -> tuple[gpd.GeoDataFrame, dict[str, pd.DataFrame]]:
    """Return the polygons and tables of the invented county."""
    columns = pd.read_csv(shared_dir() / "soil_survey_columns.csv").sort_values("position")
    folder = sample_dir() / "soils"
    polygons = gpd.read_file(next((folder / "spatial").glob("soilmu_a_*.shp"))).to_crs(4326)
    tables = {}
    for name, rows in columns.groupby("table"):
        path = folder / "tabular" / f"{rows['file'].iloc[0]}.txt"
        if path.is_file() and path.stat().st_size:
            names = list(rows["column"])
            tables[name] = pd.read_csv(path, sep="|", header=None, names=names, dtype=str, keep_default_na=False)
    return polygons, tables


class Services:
    """Soil Data Access, a NetCDF subset service, the single-pixel service and an outline service on one local server.

    ``faults[name]`` lists the faults that the next requests of a service meet: a status, a status with headers,
    ``"cut"`` (half a body), ``"short"`` (fewer bytes than announced), ``"slow"``, ``"xml"`` (a time-out told with
    status 200) or ``"page"`` (a web page with status 200).
    """

    def __init__(self, server: HTTPServer) -> None:
        self.server = server
        self.faults: dict[str, list] = defaultdict(list)
        self.asked: dict[str, list[str]] = defaultdict(list)
        self.agents: set[str] = set()
        self.widest_tile = 180.0
        self.most_years = 100
        self.polygons, self.tables = _sample()
        server.expect_request("/soils").respond_with_handler(self._wrap("soils", self._soils))
        server.expect_request(re.compile("^/ncss/.*")).respond_with_handler(self._wrap("grid", self._grid))
        server.expect_request("/points").respond_with_handler(self._wrap("points", self._points))
        server.expect_request("/outline").respond_with_handler(self._wrap("outline", self._outline))

    @property
    def bases(self) -> dict[str, str]:
        url = self.server.url_for
        return {
            "soils": url("/soils"),
            "daily": url("/ncss/"),
            "normals": url("/ncss/"),
            "daily_points": url("/points"),
            "outline": url("/outline"),
        }

    def _wrap(self, name: str, answer):
        def handler(request: Request) -> Response:
            self.agents.add(request.headers.get("User-Agent", ""))
            self.asked[name].append(request.get_data(as_text=True) or request.query_string.decode())
            fault = self.faults[name].pop(0) if self.faults[name] else None
            if isinstance(fault, int):
                return Response("busy", status=fault)
            if isinstance(fault, tuple):
                return Response("busy", status=fault[0], headers=fault[1])
            if fault == "xml":
                return Response(TIMED_OUT, content_type="text/xml")
            if fault == "page":
                return Response("<html><body>maintenance</body></html>", content_type="text/html")
            if fault == "slow":
                time.sleep(2.0)
            whole = answer(request)
            if fault == "cut":
                body = whole.get_data()
                return Response(body[: len(body) // 2], content_type=whole.content_type)
            if fault == "short":
                body = whole.get_data()
                return Response(
                    body[:-20], headers={"Content-Length": str(len(body))}, content_type=whole.content_type
                )
            return whole

        return handler

    def _soils(self, request: Request) -> Response:
        asked = request.get_json()
        assert asked["format"] == "JSON+COLUMNNAME"
        query = asked["query"]
        spatial = re.search(r"STGeomFromText\('([^']+)', 4326\)\).STAsText", query)
        if spatial:
            tile = shapely.from_wkt(spatial.group(1))
            if max(tile.bounds[2] - tile.bounds[0], tile.bounds[3] - tile.bounds[1]) > self.widest_tile:
                return Response(TIMED_OUT, content_type="text/xml")
            rows = [["mupolygonkey", "areasymbol", "spatialversion", "musym", "mukey", "wkt"]]
            hit = self.polygons.iloc[self.polygons.sindex.query(tile, predicate="intersects")]
            for i, row in hit.iterrows():
                wkt = row.geometry.intersection(tile).wkt
                rows.append([str(1000 + i), row.AREASYMBOL, str(row.SPATIALVER), row.MUSYM, str(row.MUKEY), wkt])
            return self._table(rows)
        name = re.search(r"FROM (\w+) t ", query).group(1)
        keys = re.findall(r"'(\d+)'", query)
        table = self.tables.get(name)
        if table is None:
            return self._table([["x"]])
        if "mukey" in table:
            table = table[table["mukey"].isin(keys)]
        elif "cokey" in table:
            component = self.tables["component"]
            table = table[table["cokey"].isin(component.loc[component["mukey"].isin(keys), "cokey"])]
        rows = [list(table.columns)] + [[None if v == "" else v for v in r] for r in table.itertuples(index=False)]
        return self._table(rows)

    def _table(self, rows: list) -> Response:
        text = json.dumps({"Table": rows}) if len(rows) > 1 else "{}"
        return Response(text, content_type="application/json")

    def _grid(self, request: Request) -> Response:
        q = request.args
        if "1950_CurrentYear" in request.path:
            return Response("no such dataset", status=404)
        first, last = int(q["time_start"][:4]), int(q["time_end"][:4])
        if last - first + 1 > self.most_years:
            return Response("Request too large: 900 Mbytes, max 500 Mbytes", status=403)
        assert q["accept"] == "netcdf"
        step = 1 / 24
        # gridMET centres lie on odd multiples of half a cell, latitude falls
        lat = np.arange(49.396, 25.0, -step)
        lon = np.arange(-124.7667, -67.0, step)
        lat = lat[(lat <= float(q["north"])) & (lat >= float(q["south"]))]
        lon = lon[(lon >= float(q["west"])) & (lon <= float(q["east"]))]
        monthly = "terraclimate" in request.path
        time_name = "time" if monthly else "day"
        when = pd.date_range(f"{first}-01-01", f"{last}-12-31", freq="MS" if monthly else "D")
        ds = _climate(q["var"], when, lat, lon, time_name)
        with tempfile.TemporaryDirectory() as scratch:
            path = Path(scratch) / "x.nc"
            units = {time_name: {"units": "days since 1900-01-01", "dtype": "float64"}}
            ds.to_netcdf(path, format="NETCDF3_CLASSIC", encoding=units)
            body = path.read_bytes()
        return Response(body, content_type="application/x-netcdf")

    def _points(self, request: Request) -> Response:
        q = request.args
        lines = [
            f"Latitude: {q['lat']}  Longitude: {q['lon']}",
            "X & Y on Lambert Conformal Conic: -250000.00 -230000.00",
            "Tile: 11737",
            "Elevation: 1250 meters",
            "All years; all variables; Daymet Software Version 4.0; Daymet Data Version 4.0.",
            "How to cite: Thornton et al.",
            "year,yday,dayl (s),prcp (mm/day),srad (W/m^2),tmax (deg c),tmin (deg c),vp (Pa)",
        ]
        for year in range(int(q["start"][:4]), int(q["end"][:4]) + 1):
            for day in range(1, 366):
                warm = 10 - 14 * np.cos(2 * np.pi * day / 365)
                lines.append(f"{year},{day},40000.00,1.10,300.00,{warm + 8:.2f},{warm - 7:.2f},600.00")
        return Response("\n".join(lines) + "\n", content_type="text/csv")

    def _outline(self, request: Request) -> Response:
        q = request.args
        box = shapely.box(*self.polygons.total_bounds)
        hit = q.get("where") == "GEOID='99901'"
        if "geometry" in q:
            x, y = map(float, q["geometry"].split(","))
            hit = box.contains(shapely.Point(x, y))
        feature = {
            "type": "Feature",
            "properties": {"GEOID": "99901", "NAME": 'Larkspur "L" County'},
            "geometry": shapely.geometry.mapping(box),
        }
        return Response(
            json.dumps({"type": "FeatureCollection", "features": [feature] if hit else []}),
            content_type="application/geo+json",
        )


def _climate(name: str, when: pd.DatetimeIndex, lat: np.ndarray, lon: np.ndarray, time_name: str) -> xr.Dataset:
    """Return a packed variable as the services give it: 16-bit integers, kelvin, fill 32767."""
    warm = (9 - 13 * np.cos(2 * np.pi * (when.day_of_year.to_numpy() - 15) / 365.25))[:, None, None]
    field = np.zeros((len(when), lat.size, lon.size))
    monthly = time_name == "time"
    # One day in five is wet, by a fixed scramble of the date; equal rain every day would be refused as a stuck gauge.
    chance = ((when.to_julian_date().to_numpy().astype("int64") * 2654435761) % 2**32 / 2**32)[:, None, None]
    rain = np.where(chance > 0.8, np.round((chance - 0.8) * 45, 1), 0.0)
    values = {
        "precipitation_amount": (field + rain, "mm", 0.1, 0.0),
        "daily_minimum_temperature": (field + warm - 7 + 273.15, "K", 0.1, 210.0),
        "daily_maximum_temperature": (field + warm + 8 + 273.15, "K", 0.1, 220.0),
        "daily_mean_reference_evapotranspiration_grass": (field + np.clip(warm / 5, 0.3, 9), "mm", 0.1, 0.0),
        "ppt": (field + 36.0, "mm", 0.1, 0.0),
        "tmin": (field + warm - 7, "degC", 0.01, 0.0),
        "tmax": (field + warm + 8, "degC", 0.01, 0.0),
        "pet": (field + np.clip(warm * 6, 5, 300), "mm", 0.1, 0.0),
        "ws": (field + 4.0, "m/s", 0.01, 0.0),
        "vap": (field + 0.8, "kPa", 0.001, 0.0),
        "srad": (field + 190.0, "W/m^2", 0.1, 0.0),
    }
    data, unit, scale, offset = values[name]
    ints = np.round((data - offset) / scale).astype("int16")
    attrs = {"units": unit, "scale_factor": scale, "add_offset": offset, "_FillValue": np.int16(32767)}
    ds = xr.Dataset(
        {name: ((time_name, "lat", "lon"), ints, attrs)},
        coords={time_name: when, "lat": lat, "lon": lon},
        attrs={"title": "TerraClimate" if monthly else "gridMET", "Conventions": "CF-1.0"},
    )
    ds["lat"].attrs = {"units": "degrees_north", "standard_name": "latitude"}
    ds["lon"].attrs = {"units": "degrees_east", "standard_name": "longitude"}
    ds[time_name].attrs = {"standard_name": "time"}
    return ds
