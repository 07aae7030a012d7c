"""Field boundaries: each defect, what is done with it, and that nothing is lost unlisted."""

from __future__ import annotations

import time

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod
from shapely import LineString, MultiPolygon, Point, Polygon, box
from shapely.affinity import translate

from geo.errors import StudyError
from geo.ground.boundaries import COLUMNS, clean_fields, geodesic_area_ha
from tests.open_data import open_data

X, Y = -600_000.0, 1_900_000.0


def square(side=400.0, dx=0.0, dy=0.0):
    return box(X + dx, Y + dy, X + dx + side, Y + dy + side)


def frame(*shapes, crs="EPSG:5070", **columns):
    columns = {"field_id": [f"f{i}" for i in range(len(shapes))]} | columns
    return gpd.GeoDataFrame(columns, geometry=list(shapes), crs=crs)


def run(*shapes, **columns):
    raw = frame(*shapes, **columns)
    out, problems = clean_fields(raw, "EPSG:5070")
    balance(raw, out, problems)
    return out, problems


def balance(raw, out, problems):
    left_out = [p.where for p in problems if p.action == "left out"]
    assert len(raw) == len(out) + len(left_out)
    assert len(set(left_out)) == len(left_out)
    assert not set(left_out) & set(out["field_id"])
    assert out["field_id"].is_unique
    assert out.geometry.is_valid.all()
    assert out.geom_type.isin(["Polygon", "MultiPolygon"]).all()
    assert list(out.columns) == COLUMNS
    assert all(p.layer == "fields" and p.what and p.fix for p in problems)


GOOD = square()
BOW_TIE = Polygon([(X, Y), (X + 400, Y + 400), (X + 400, Y), (X, Y + 400)])
# A needle that doubles back on itself: invalid, but no ground to speak of.
SPIKE = Polygon(
    [
        (X, Y),
        (X + 400, Y),
        (X + 400, Y + 400),
        (X + 200, Y + 400),
        (X + 200, Y + 500),
        (X + 200, Y + 400),
        (X, Y + 400),
    ]
)
RING_TOUCH = Polygon(
    [
        (X, Y),
        (X + 400, Y),
        (X + 400, Y + 400),
        (X, Y + 400),
        (X, Y + 200),
        (X + 100, Y + 250),
        (X + 100, Y + 150),
        (X, Y + 200),
    ]
)
OPEN_PATH = LineString([(X, Y), (X + 400, Y), (X + 400, Y + 400), (X, Y + 400)])
CLOSED_PATH = LineString([*OPEN_PATH.coords, (X, Y + 3)])
DOUBLED_PARTS = MultiPolygon([square(), square()])


@pytest.mark.parametrize(
    ("shape", "action", "says", "area_ha"),
    [
        pytest.param(GOOD, None, "", 16.0, id="a_good_square"),
        pytest.param(None, "left out", "no geometry", None, id="null"),
        pytest.param(Polygon(), "left out", "no geometry", None, id="empty"),
        pytest.param(
            Polygon([(X, Y), (X + 400, np.nan), (X + 400, Y + 400)]),
            "left out",
            "without coordinates",
            None,
            id="nan",
        ),
        pytest.param(
            Polygon([(X, Y), (X + 400, np.inf), (X + 400, Y + 400)]),
            "left out",
            "without coordinates",
            None,
            id="inf",
        ),
        pytest.param(
            box(X, Y + 9000, X + 9000, Y + 18000), "warning", "more than 5,000 ha", 8100.0, id="outline_of_a_county"
        ),
        pytest.param(BOW_TIE, "left out", "would change the area", None, id="figure_of_eight"),
        pytest.param(DOUBLED_PARTS, "left out", "would change the area", None, id="parts_on_top_of_each_other"),
        pytest.param(SPIKE, "repaired", "made valid", 16.0, id="spike"),
        pytest.param(RING_TOUCH, "repaired", "made valid", 15.5, id="ring_touches_itself"),
        pytest.param(shapely.force_3d(GOOD, 1200), "repaired", "height", 16.0, id="three_dimensions"),
        pytest.param(MultiPolygon([square(), square(dx=900)]), None, "", 32.0, id="two_parts_one_id"),
        pytest.param(GOOD.difference(square(100, 150, 150)), None, "", 15.0, id="hole_for_a_farmstead"),
        pytest.param(CLOSED_PATH, "repaired", "closed outline", 16.0, id="boundary_drawn_as_a_path"),
        pytest.param(OPEN_PATH, "left out", "LineString, not an area", None, id="open_path"),
        pytest.param(Point(X, Y), "left out", "Point, not an area", None, id="point"),
        pytest.param(
            shapely.GeometryCollection([Point(X, Y), GOOD]), "repaired", "GeometryCollection", 16.0, id="collection"
        ),
        pytest.param(box(X, Y, X + 20, Y + 20), "left out", "less than 0.1 ha", None, id="speck"),
        pytest.param(box(X, Y, X + 2, Y + 900), "left out", "sliver", None, id="sliver"),
        pytest.param(box(X, Y, X + 20, Y + 800), None, "", 1.6, id="strip_crop_is_a_field"),
    ],
)
def test_each_defect(shape, action, says, area_ha):
    out, problems = run(square(dx=5000), shape)
    mine = [p for p in problems if p.where == "f1"]
    assert [p.action for p in mine] == ([action] if action else [])
    assert all(says in p.what for p in mine)
    assert (area_ha is not None) == ("f1" in set(out["field_id"]))
    if area_ha is not None:
        row = out.set_index("field_id").loc["f1"]
        assert row["area_ha"] == pytest.approx(area_ha, rel=2e-3)
        assert row.geometry.area / 1e4 == pytest.approx(area_ha, rel=2e-3)
        assert not row.geometry.has_z


@pytest.mark.parametrize("latitude", [25.0, 40.0, 48.0])
def test_a_section_of_land_is_640_acres(latitude):
    # One mile square; 1 mile = 1609.344 m, 1 acre = 4046.8564224 m2 (NIST SP 811 (2008), appendix B.8).
    geod, mile = Geod(ellps="WGS84"), 1609.344
    east, south, _ = geod.fwd(-103.0, latitude, 90, mile)
    corners = [(-103.0, latitude), (east, south)]
    corners += [geod.fwd(lon, lat, 0, mile)[:2] for lon, lat in reversed(corners)]
    section = gpd.GeoSeries([Polygon(corners)], crs="EPSG:4326")
    for crs in ("EPSG:4326", "EPSG:5070", "EPSG:3857"):
        acres = geodesic_area_ha(section.to_crs(crs)) * 1e4 / 4046.8564224
        assert acres[0] == pytest.approx(640, rel=2e-4)


def test_web_mercator_fields_get_true_acres():
    out, _ = clean_fields(frame(GOOD).to_crs("EPSG:3857"), "EPSG:5070")
    assert out["area_ha"][0] == pytest.approx(16.0, rel=1e-4)
    assert frame(GOOD).to_crs("EPSG:3857").area[0] / 1e4 > 25


def test_real_boundaries_four_invalid_three_with_holes_all_kept():
    raw = gpd.read_file(open_data("fields/derived/csb100.gpkg"))
    raw["field_id"] = raw["CSBID"]
    assert (~raw.is_valid).sum() == 4
    out, problems = clean_fields(raw, "EPSG:5070")
    balance(raw, out, problems)
    assert len(out) == 100
    assert sorted(p.where for p in problems if p.action == "repaired") == sorted(raw.loc[~raw.is_valid, "CSBID"])
    assert sum(any(p.interiors for p in getattr(g, "geoms", [g])) for g in out.geometry) >= 3
    # CSBACRES is the area the survey publishes with the polygon (equal-area projection).
    acres = out["area_ha"].to_numpy() / 0.40468564224
    np.testing.assert_allclose(acres, raw["CSBACRES"], rtol=1e-3)


def test_missing_and_repeated_ids_become_unique():
    shapes = [square(dx=900 * i) for i in range(6)]
    out, problems = run(*shapes, field_id=["a", "a", None, "  ", "a-2", "a"])
    assert out["field_id"].tolist() == ["a", "a-3", "field-3", "field-4", "a-2", "a-4"]
    assert [p.where for p in problems] == ["a-3", "field-3", "field-4", "a-4"]
    assert {p.action for p in problems} == {"repaired"}


def test_the_same_field_from_two_years_is_kept_once():
    turned = Polygon(list(GOOD.exterior.coords)[2:-1] + list(GOOD.exterior.coords)[:2])
    out, problems = run(GOOD, translate(turned, 0.004, -0.003), square(dx=0.0, dy=900))
    assert out["field_id"].tolist() == ["f0", "f2"]
    assert problems[0].what == "has the same boundary as field f0"


def test_overlaps_are_listed_and_kept():
    out, problems = run(square(), square(dx=300), square(dx=700), square(dx=1100.1))
    assert len(out) == 4
    assert [(p.where, p.what, p.action) for p in problems] == [("f1", "overlaps field f0 on 4.00 ha", "warning")]


def test_a_recorded_area_that_contradicts_the_outline_is_listed():
    _, problems = run(square(), square(dx=900), square(dx=1800), source_area_ha=[16.1, 40.0, np.nan])
    assert [p.where for p in problems] == ["f1"]
    assert "recorded as 40.00 ha, its outline covers 16.00 ha" in problems[0].what


def test_height_on_every_field_is_one_line():
    out, problems = run(*(shapely.force_3d(square(dx=900 * i)) for i in range(5)))
    assert len(out) == 5
    assert [p.where for p in problems] == ["all 5 fields"]


def test_absent_columns_are_filled_and_hostile_text_stays_text():
    out, _ = clean_fields(gpd.GeoDataFrame(geometry=[GOOD], crs=5070), "EPSG:5070")
    assert out.iloc[0].drop("geometry").to_dict() | {"area_ha": 16} == {
        "field_id": "field-1",
        "name": "field-1",
        "irrigated": False,
        "previous_crop": "",
        "next_crop": "",
        "area_ha": 16,
    }
    name = "<script>`${1}`\\'\"</script> Żółć"
    out, _ = run(GOOD, name=[name], irrigated=[True])
    assert out["name"][0] == name
    assert out["irrigated"].tolist() == [True]


def test_no_fields_and_only_bad_fields_return_an_empty_frame():
    empty = gpd.GeoDataFrame({"field_id": []}, geometry=[], crs="EPSG:4326")
    out, problems = clean_fields(empty, "EPSG:5070")
    assert out.empty
    assert problems == []
    out, problems = run(None, BOW_TIE)
    assert out.empty
    assert out.crs.to_epsg() == 5070


def degrees(*shapes):
    return frame(*shapes, crs="EPSG:5070").to_crs("EPSG:4326")


def turned(gdf):
    return gdf.set_geometry(gdf.geometry.map(lambda g: shapely.transform(g, lambda xy: xy[:, ::-1])))


def test_exchanged_latitude_and_longitude_are_turned_round():
    right = degrees(square(), square(dx=900))
    mixed = pd.concat([right.iloc[:1], turned(right.iloc[1:])])
    out, problems = clean_fields(mixed, "EPSG:5070")
    balance(mixed, out, problems)
    assert [(p.where, p.action) for p in problems] == [("f1", "repaired")]
    assert out.geometry[1].equals_exact(square(dx=900), 0.01)


def test_exchanged_coordinates_within_90_degrees_need_the_study_area():
    east = gpd.GeoDataFrame({"field_id": ["e"]}, geometry=[box(-76.51, 42.40, -76.505, 42.404)], crs="EPSG:4326")
    area = (-77, 42, -76, 43)
    out, problems = clean_fields(turned(east), "EPSG:5070", study_area=area)
    straight, _ = clean_fields(east, "EPSG:5070", study_area=area)
    assert "exchanged" in problems[0].what
    assert out.geometry[0].equals_exact(straight.geometry[0], 0.01)


def test_a_field_outside_the_study_area_is_kept_and_listed_unless_all_are():
    area = tuple(degrees(square(2000)).total_bounds)
    out, problems = clean_fields(frame(square(), square(dx=50_000)), "EPSG:5070", study_area=area)
    assert len(out) == 2
    assert [(p.where, p.action) for p in problems] == [("f1", "warning")]
    with pytest.raises(StudyError, match="None of the 1 fields lies in the study area"):
        clean_fields(frame(square(dx=50_000)), "EPSG:5070", study_area=area)


@pytest.mark.parametrize(
    ("raw", "says", "fix"),
    [
        (degrees(GOOD).set_crs(None, allow_override=True), "does not say", "EPSG:4326"),
        (frame(GOOD).set_crs(None, allow_override=True), "does not say", "look projected"),
        (frame(GOOD).set_crs(4326, allow_override=True), "coordinates are not degrees", "projected CRS"),
        (degrees(GOOD).set_crs(26913, allow_override=True), "its coordinates are degrees", "EPSG:4326"),
    ],
    ids=["none_degrees", "none_metres", "metres_called_degrees", "degrees_called_metres"],
)
def test_a_wrong_crs_stops_the_run_with_the_fix(raw, says, fix):
    with pytest.raises(StudyError, match=says) as error:
        clean_fields(raw, "EPSG:5070")
    assert fix in error.value.fix


def test_one_field_in_metres_among_degrees_is_left_out():
    raw = pd.concat([degrees(square()), frame(square(dx=900), field_id=["m"]).set_crs(4326, allow_override=True)])
    out, problems = clean_fields(raw, "EPSG:5070")
    balance(raw, out, problems)
    assert [p.where for p in problems] == ["m"]


coordinate = st.integers(0, 12).map(lambda v: v * 60.0)
shapes = st.one_of(
    st.none(),
    st.lists(st.tuples(coordinate, coordinate), min_size=3, max_size=9).map(lambda p: translate(Polygon(p), X, Y)),
    st.lists(st.tuples(coordinate, coordinate), min_size=2, max_size=6).map(lambda p: translate(LineString(p), X, Y)),
    st.tuples(coordinate, coordinate).map(lambda p: Point(X + p[0], Y + p[1])),
)


@pytest.mark.slow
@given(
    drawn=st.lists(shapes, max_size=8),
    ids=st.lists(st.sampled_from(["", "a", "a-2", "field-1"]), min_size=8, max_size=8),
)
@settings(max_examples=120, deadline=None)
def test_whatever_is_drawn_counts_in_equal_counts_out_plus_listed(drawn, ids):
    raw = gpd.GeoDataFrame({"field_id": ids[: len(drawn)]}, geometry=list(drawn), crs="EPSG:5070")
    out, problems = clean_fields(raw, "EPSG:5070")
    balance(raw, out, problems)
    assert (out["area_ha"] >= 0.1).all()


@pytest.mark.slow
def test_five_thousand_fields_all_come_through(record_property):
    side = np.arange(71)
    many = [square(dx=410.0 * i, dy=410.0 * j).buffer(1, quad_segs=4) for i in side for j in side][:5000]
    began = time.perf_counter()
    out, _ = clean_fields(frame(*many), "EPSG:5070")
    assert len(out) == 5000
    record_property("seconds for 5,000 fields", round(time.perf_counter() - began, 2))
