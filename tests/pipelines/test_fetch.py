"""Fetch against local stand-ins of the documented services: whole studies, faults, resuming, politeness."""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from pytest_httpserver import HTTPServer

from geo.errors import StudyError
from pipelines.read.climate.dispatch import read_climate
from pipelines.read.fetch.climate import point_net
from pipelines.read.fetch.county import fetch_outline, fetch_study, read_area, settings_of
from pipelines.read.fetch.http_cache import PoliteSession, TooMuch, Transient
from pipelines.read.fetch.soils import fetch_polygons, read_rows, tiles
from pipelines.read.soils.dispatch import read_soils
from pipelines.study.file import load_study
from pipelines.study.house import sample_dir
from tests.open_data import open_data
from tests.pipelines.fetch_server import TIMED_OUT, Services

AREA = (-103.0, 39.97, -102.9, 40.05)


@pytest.fixture(scope="module")
def server() -> Iterator[HTTPServer]:
    """Threaded, so that a slow answer does not hold up the next one."""
    running = HTTPServer(threaded=True)
    running.start()
    yield running
    running.stop()


@pytest.fixture
def services(server: HTTPServer) -> Iterator[Services]:
    yield Services(server)
    server.clear()


@pytest.fixture
def waits() -> list[float]:
    return []


@pytest.fixture
def session(tmp_path: Path, waits: list[float]) -> PoliteSession:
    return quick_session(tmp_path / "study", waits)


def quick_session(home: Path, waits: list[float]) -> PoliteSession:
    """Time does not pass between requests, so every pause is asked for and noted."""
    return PoliteSession(home / ".fetch", timeout=(5.0, 5.0), sleep=waits.append, clock=lambda: 0.0)


def test_a_whole_study_is_ready_to_read(services: Services, session: PoliteSession, tmp_path: Path) -> None:
    home = tmp_path / "study"
    seen: list[str] = []
    report = fetch_study(
        AREA,
        home,
        climate="daily",
        years=(2001, 2007),
        sources=services.bases,
        session=session,
        progress=lambda t, i, n: seen.append(t),
    )
    study, _ = load_study(report.study_file)
    assert study.study.name == 'Larkspur "L" County'
    assert "public domain" in study.soils.licence
    assert "CC0" in study.climate.licence
    day = json.loads((home / "fetch.json").read_text())["replies"][0]["fetched"][:10]
    assert (study.soils.date, study.climate.date) == (day, day)
    soils, _ = read_soils(home / study.soils.path, kind=study.soils.kind)
    assert soils.polygons is not None
    sample, _ = read_soils(sample_dir() / "soils")
    place = shapely.box(*AREA)
    wanted = services.polygons[services.polygons.intersects(place)]
    assert set(soils.polygons["map_unit_id"]) == set(wanted["MUKEY"].astype(str))
    same = sample.profiles.loc[sample.profiles["map_unit_id"].isin(set(wanted["MUKEY"].astype(str)))]
    pd.testing.assert_frame_equal(soils.profiles.sort_index(), same.sort_index())
    climate = read_climate(home / study.climate.path, kind=study.climate.kind, area=AREA)
    assert climate.daily.sizes["time"] == 2556  # 2001 to 2007 with one leap day
    assert float(climate.daily["tmax_c"].mean()) == pytest.approx(17.0, abs=0.2)
    assert climate.provenance["product"].startswith("gridMET")
    assert "et0_mm" in climate.daily
    assert {"soil polygons", "county outline"} <= set(seen)
    record = json.loads((home / "fetch.json").read_text())
    assert set(record["sources"]) == {"outline", "soils", "daily"}
    assert "public domain" in record["sources"]["soils"]["licence"]
    for item in record["files"]:
        assert hashlib.sha256((home / item["path"]).read_bytes()).hexdigest() == item["sha256"]
    assert all(re.fullmatch(r"[0-9a-f]{64}", r["sha256"]) for r in record["replies"])
    assert tomllib.loads((home / "study.toml").read_text())["soils"]["path"] == "soils"


def square_degrees(frame: gpd.GeoDataFrame) -> np.ndarray:
    """Return areas as they are drawn, good enough to compare shapes in the same place."""
    return shapely.area(frame.geometry.to_numpy())


def test_clipped_polygons_are_whole_again_across_tiles(services: Services, session: PoliteSession) -> None:
    place = shapely.box(*AREA)
    got = fetch_polygons(place, session, settings_of(services.bases)["soils"] | {"tile_deg": 0.03})
    wanted = services.polygons.assign(geometry=services.polygons.intersection(place))
    wanted = wanted[~wanted.is_empty & (square_degrees(wanted) > 0)]
    assert square_degrees(got).sum() == pytest.approx(square_degrees(wanted).sum(), rel=1e-6)
    by_unit = got.assign(a=square_degrees(got)).groupby("MUKEY")["a"].sum()
    expected = wanted.assign(a=square_degrees(wanted)).groupby(wanted["MUKEY"].astype(str))["a"].sum()
    pd.testing.assert_series_equal(by_unit, expected, check_names=False, rtol=1e-5)
    assert len(got) == len(wanted)  # no polygon is left in pieces at tile edges
    assert set(got.geom_type) <= {"Polygon", "MultiPolygon"}


def test_tiles_cover_the_area_once() -> None:
    place = shapely.union(shapely.box(-103.01, 40.0, -102.9, 40.07), shapely.box(-102.8, 40.0, -102.7, 40.03))
    parts = list(tiles(place, 0.04))
    assert sum(p.area for p in parts) == pytest.approx(place.area, rel=1e-9)
    assert all(p.bounds[2] - p.bounds[0] <= 0.04 + 1e-9 for p in parts)


def test_a_timed_out_tile_is_quartered(services: Services, session: PoliteSession) -> None:
    services.widest_tile = 0.021
    settings = settings_of(services.bases)["soils"]
    got = fetch_polygons(shapely.box(*AREA), session, settings)
    assert square_degrees(got).sum() == pytest.approx(shapely.box(*AREA).area, rel=1e-6)
    services.widest_tile = 0.001
    with pytest.raises(StudyError, match="does not manage"):
        fetch_polygons(shapely.box(-102.95, 40.0, -102.94, 40.01), session, settings)


@pytest.mark.slow
def test_a_second_run_asks_nothing(services: Services, session: PoliteSession, tmp_path: Path) -> None:
    def run(net: PoliteSession):
        return fetch_study(
            AREA, tmp_path / "study", climate="normals", years=(1991, 2020), sources=services.bases, session=net
        )

    first = run(session)
    before = {f.path: f.sha256 for f in first.files}
    asked = {k: len(v) for k, v in services.asked.items()}
    second = run(quick_session(tmp_path / "study", []))
    assert {k: len(v) for k, v in services.asked.items()} == asked
    assert second.requests_sent == 0
    assert second.replies_reused == first.requests_sent
    assert {f.path: f.sha256 for f in second.files} == before


@pytest.mark.slow
def test_other_years_replace_the_old_files_but_not_the_edited_study(
    services: Services, session: PoliteSession, tmp_path: Path
) -> None:
    home = tmp_path / "study"
    small = (-102.95, 40.0, -102.9, 40.03)
    fetch_study(small, home, climate="daily", years=(2001, 2006), sources=services.bases, session=session)
    report = fetch_study(small, home, climate="daily", years=(2003, 2004), sources=services.bases, session=session)
    assert not report.problems
    assert read_climate(home / "climate").daily.sizes["time"] == 731
    (home / "study.toml").write_text("# mine\n" + (home / "study.toml").read_text())
    report = fetch_study(small, home, climate="normals", sources=services.bases, session=session)
    assert (home / "study.toml").read_text().startswith("# mine")
    assert "changed by hand" in report.problems[0].what
    assert read_climate(home / "climate").normals is not None


def test_a_killed_run_goes_on_where_it_stopped(services: Services, session: PoliteSession, tmp_path: Path) -> None:
    """The service fails for good in the middle; the tiles that had arrived are not asked for again."""
    settings = settings_of(services.bases)["soils"] | {"tile_deg": 0.03}
    place = shapely.box(*AREA)
    whole = len(list(tiles(place, 0.03)))
    services.faults["soils"] = [None] * 5 + [500] * 6
    with pytest.raises(StudyError, match="after 6 tries"):
        fetch_polygons(place, session, settings)
    services.asked["soils"].clear()
    fetch_polygons(place, quick_session(tmp_path / "study", []), settings)
    assert len(services.asked["soils"]) == whole - 5


def test_a_damaged_cache_entry_is_fetched_again(services: Services, session: PoliteSession, tmp_path: Path) -> None:
    settings = settings_of(services.bases)["soils"]
    place = shapely.box(-102.95, 40.0, -102.94, 40.01)
    fetch_polygons(place, session, settings)
    for body in (tmp_path / "study" / ".fetch").glob("*.body"):
        body.write_bytes(body.read_bytes()[:50])
    services.asked["soils"].clear()
    assert len(fetch_polygons(place, session, settings))
    assert len(services.asked["soils"]) == 1


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fault", "longest"),
    [(500, 4.0), (503, 4.0), ((429, {"Retry-After": "17"}), 17.0), ("cut", 4.0), ("short", 4.0), ("page", 4.0)],
    ids=[
        "status 500",
        "status 503",
        "429 with Retry-After 17: RFC 9110 section 10.2.3",
        "cut reply",
        "shorter than announced",
        "page with 200",
    ],
)
@pytest.mark.parametrize("service", ["soils", "grid", "outline"])
def test_a_passing_fault_is_waited_out(
    fault, longest, service, services: Services, session: PoliteSession, waits, tmp_path
) -> None:
    services.faults[service] = [fault, fault]
    report = fetch_study(
        (-102.95, 40.0, -102.9, 40.03),
        tmp_path / "study",
        climate="daily",
        years=(2001, 2001),
        sources=services.bases,
        session=session,
    )
    assert not services.faults[service]
    assert max(waits) == pytest.approx(longest)
    assert report.requests_sent < session.sent == report.requests_sent + 2


@pytest.mark.parametrize(
    ("header", "wait_s"),
    [("120", 120.0), ("Fri, 31 Dec 1999 23:59:59 GMT", 0.0), ("Fri, 31 Dec 9999 23:59:59 GMT", 300.0), ("soon", 0.0)],
    ids=["seconds: RFC 9110 section 10.2.3", "date gone by: RFC 9110 section 10.2.3", "date far ahead", "neither"],
)
def test_the_wait_that_a_server_asks_for(header, wait_s, services: Services, session: PoliteSession, waits) -> None:
    services.faults["outline"] = [(503, {"Retry-After": header})]
    fetch_outline("99901", None, session, settings_of(services.bases)["outline"])
    assert [w for w in waits if w != 1.0] == [max(wait_s, 2.0)]


def test_a_slow_service_is_asked_again(services: Services, waits, tmp_path: Path) -> None:
    net = PoliteSession(tmp_path / ".fetch", timeout=(5.0, 1.0), sleep=waits.append, clock=lambda: 0.0)
    services.faults["outline"] = ["slow"]
    outline = fetch_outline("99901", None, net, settings_of(services.bases)["outline"])
    assert len(outline) == 1
    assert net.sent == 2
    assert 2.0 in waits


def test_back_off_doubles_and_gives_up_with_the_way_out(services: Services, session: PoliteSession, waits) -> None:
    services.faults["outline"] = [502] * 10
    with pytest.raises(StudyError) as caught:
        fetch_study(AREA, session.folder.parent, sources=services.bases, session=session)
    backoff = [w for w in waits if w not in (1.0,)]
    assert backoff == [2.0, 4.0, 8.0, 16.0, 32.0]
    assert "run fetch again" in caught.value.fix
    assert len(services.asked["outline"]) == 6


def test_a_refusal_is_not_repeated(services: Services, session: PoliteSession) -> None:
    services.faults["outline"] = [400]
    with pytest.raises(StudyError, match="refused the request with status 400"):
        fetch_study(AREA, session.folder.parent, sources=services.bases, session=session)
    assert len(services.asked["outline"]) == 1


@pytest.mark.slow
def test_polite(services: Services, session: PoliteSession, waits, tmp_path: Path) -> None:
    fetch_study(
        AREA, tmp_path / "study", climate="daily", years=(2001, 2004), sources=services.bases, session=session
    )
    assert all(re.match(r"springfill/(\d+\.\d+\.\d+|0\+checkout) ", a) for a in services.agents)
    assert len(waits) == session.sent - 1  # a pause before every request but the first: all go to one host here
    assert max(waits) == 2.0


@pytest.mark.slow
def test_too_much_climate_is_halved(services: Services, session: PoliteSession, tmp_path: Path) -> None:
    services.most_years = 2
    fetch_study(
        AREA, tmp_path / "study", climate="daily", years=(2001, 2005), sources=services.bases, session=session
    )
    got = read_climate(tmp_path / "study" / "climate", area=AREA)
    assert got.daily.sizes["time"] == 1826
    assert not got.problems


@pytest.mark.slow
def test_normals_use_the_older_name_when_the_newer_is_gone(
    services: Services, session: PoliteSession, tmp_path: Path
) -> None:
    report = fetch_study(
        AREA, tmp_path / "study", climate="normals", years=(1991, 2020), sources=services.bases, session=session
    )
    study, _ = load_study(report.study_file)
    got = read_climate(
        tmp_path / "study" / study.climate.path, kind="normals", area=AREA, options=study.climate.options
    )
    assert got.provenance["product"].startswith("TerraClimate")
    assert float(got.normals["precip_mm"].mean()) == pytest.approx(36.0, abs=0.1)
    assert "1991-2020" in got.provenance["period"]
    assert {"wind_m_s", "vapour_pressure_kpa", "solar_mj_m2_day"} <= set(got.normals)


@pytest.mark.slow
def test_points_become_cells(services: Services, session: PoliteSession, tmp_path: Path) -> None:
    fetch_study(
        AREA, tmp_path / "study", climate="daily_points", years=(2003, 2004), sources=services.bases, session=session
    )
    got = read_climate(tmp_path / "study" / "climate", area=AREA)
    assert len(got.cells) == len(services.asked["points"])
    assert got.daily.sizes["time"] == 730  # 2004 has no 31 December in this product, and it is the last day
    assert got.cells["elevation_m"].eq(1250.0).all()


def test_point_net_stays_small_and_covers() -> None:
    county = shapely.box(-103.2, 39.8, -102.7, 40.2)
    net = point_net(county, 0.05, 64)
    assert 16 <= len(net) <= 64
    assert shapely.distance(shapely.points(net), shapely.Point(-102.95, 40.0)).min() < 0.1
    assert point_net(shapely.box(-103.021, 40.021, -103.02, 40.022), 0.05, 64) == [(-103.0205, 40.0215)]


@pytest.mark.slow
def test_by_county_code(services: Services, session: PoliteSession, tmp_path: Path) -> None:
    with pytest.raises(StudyError, match="no county 00000"):
        fetch_study("00000", tmp_path / "study", climate="none", sources=services.bases, session=session)
    fetch_study("99901", tmp_path / "study", climate="none", sources=services.bases, session=session)
    outline = gpd.read_file(tmp_path / "study" / "county.geojson")
    assert outline["GEOID"].tolist() == ["99901"]
    assert "# [climate]" in (tmp_path / "study" / "study.toml").read_text()


def test_an_area_without_survey_says_so(services: Services, session: PoliteSession, tmp_path: Path) -> None:
    with pytest.raises(StudyError, match="no polygons"):
        fetch_study((-90.0, 40.0, -89.99, 40.01), tmp_path / "study", sources=services.bases, session=session)
    west = float(services.polygons.total_bounds[0])
    report = fetch_study(
        (west - 0.01, 40.0, west + 0.01, 40.01),
        tmp_path / "edge",
        climate="none",
        sources=services.bases,
        session=session,
    )
    assert "50.0% of the area has no soil survey" in report.problems[0].what


@pytest.mark.parametrize(
    ("body", "raises"),
    [
        (b"{}", None),
        (b'{"Table": [["a"], ["1"], [null]]}', None),
        (TIMED_OUT.encode(), TooMuch),
        (
            b"<ServiceExceptionReport><ServiceException>Invalid column</ServiceException></ServiceExceptionReport>",
            StudyError,
        ),
        (b"<html>maintenance</html>", Transient),
        (b'{"Table": [["a"], ["1"', Transient),
        (b"[]", Transient),
        (b'{"Table": [["a"], ["1"], ["2"], ["3"]]}', TooMuch),
        (b'{"Table": [["a"], ["' + b"x" * 200 + b'"]]}', TooMuch),
    ],
    ids=[
        "no rows",
        "null value",
        "time-out told with 200",
        "error in the query",
        "page",
        "cut",
        "not an object",
        "row limit",
        "byte limit",
    ],
)
def test_soil_replies(body: bytes, raises) -> None:
    if raises is None:
        assert isinstance(read_rows(body, "", 3, 150), list)
    else:
        with pytest.raises(raises):
            read_rows(body, "", 3, 150)


@pytest.mark.parametrize(
    ("name", "rows"),
    [("soil/sda_response_JSON_COLUMNNAME_constructed.json", 48), ("soil/sda_response_empty_constructed.json", 0)],
)
def test_documented_soil_replies(name: str, rows: int) -> None:
    got = read_rows(open_data(name).read_bytes(), "application/json", 100_000, 32_000_000)
    assert max(len(got) - 1, 0) >= min(rows, 1)
    with pytest.raises(TooMuch):
        read_rows(open_data("soil/sda_error_200_constructed.xml").read_bytes(), "text/xml", 100_000, 32_000_000)


def test_addresses_can_be_replaced(monkeypatch: pytest.MonkeyPatch) -> None:
    assert settings_of()["soils"]["base"].startswith("https://sdmdataaccess.sc.egov.usda.gov/Tabular/post.rest")
    monkeypatch.setenv("SPRINGFILL_SOILS_URL", "http://localhost/x")
    assert settings_of()["soils"]["base"] == "http://localhost/x"
    assert settings_of({"soils": "http://localhost/y"})["soils"]["base"] == "http://localhost/y"
    with pytest.raises(StudyError, match="Unknown source: soil"):
        settings_of({"soil": "x"})


@pytest.mark.parametrize(
    "area",
    [(40.0, -103.0, 40.1, -102.9), (-103.0, 40.0, -103.0, 40.1), "nowhere.gpkg"],
    ids=["swapped", "no extent", "no file"],
)
def test_bad_areas(area) -> None:
    with pytest.raises(StudyError):
        read_area(area)


def test_area_as_geojson_and_too_large(services: Services, session: PoliteSession, tmp_path: Path) -> None:
    feature = {"type": "Feature", "properties": {}, "geometry": shapely.geometry.mapping(shapely.box(*AREA))}
    assert read_area({"type": "FeatureCollection", "features": [feature]}).equals(shapely.box(*AREA))
    path = tmp_path / "area.gpkg"
    gpd.GeoDataFrame(geometry=[shapely.box(*AREA)], crs=4326).to_crs(5070).to_file(path)
    assert read_area(path).area == pytest.approx(shapely.box(*AREA).area, rel=1e-4)
    with pytest.raises(StudyError, match="county by county"):
        fetch_study((-105.0, 38.0, -100.0, 42.0), tmp_path / "study", sources=services.bases, session=session)
