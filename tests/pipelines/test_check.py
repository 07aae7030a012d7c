"""`springfill check` finds what is wrong before a run does, each fault on its own, with a page that shows it."""

from __future__ import annotations

import base64
import html
import io
import re
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from odc.geo.geobox import GeoBox
from PIL import Image
from rich.console import Console

from geo.errors import WHOLE_STUDY, Problem
from pipelines.cli import main as cli
from pipelines.cli.check import CheckReport, check_study, group_problems, print_check
from pipelines.show.overview_map import (
    MISSING,
    NONE,
    OUTLINE,
    RATED,
    UNRATED,
    Overview,
    draw_overview,
    ground_classes,
)
from pipelines.study.house import sample_dir
from tests.pipelines.tiny_study import BOUNDS, write_tiny_study

HOME = sample_dir().as_posix()


def _check(folder: Path, *, replace: tuple[tuple[str, str], ...] = (), more: str = "") -> CheckReport:
    study = write_tiny_study(folder, replace=replace, more=more)
    return check_study(study, lambda *_: None, folder / "out")


def _pixels(page: str) -> np.ndarray:
    """Return the classes of the picture on the page of a check."""
    coded = re.search(r"data:image/png;base64,([^\"]+)", page)
    assert coded is not None
    return np.asarray(Image.open(io.BytesIO(base64.b64decode(coded[1]))))


def test_a_good_study_has_no_fault_and_a_page(tmp_path: Path) -> None:
    found = _check(tmp_path)
    assert found.faults == []
    assert [layer for layer, _ in found.facts] == ["fields", "soils", "climate", "elevation", "grid"]
    assert found.map_file is not None
    page = found.map_file.read_text(encoding="utf-8")
    assert len(page) < 500_000
    for text in (
        "soils that can be rated",
        "ground that cannot be rated",
        "no soil data",
        *dict(found.facts).values(),
    ):
        assert html.escape(text) in page
    assert set(np.unique(_pixels(page))) >= {RATED, OUTLINE}


@pytest.mark.slow
def test_facts_are_those_of_the_files(tmp_path: Path) -> None:
    facts = dict(_check(tmp_path).facts)
    fields = (
        gpd.read_file(sample_dir() / "fields.gpkg")
        .to_crs("EPSG:5070")
        .cx[BOUNDS[0] : BOUNDS[2], BOUNDS[1] : BOUNDS[3]]
    )
    count = int(facts["fields"].split()[0])
    assert 0 < count <= len(fields) + 5
    with rasterio.open(sample_dir() / "elevation.tif") as source:
        low, high = (
            float(source.read(1, masked=True).min()) / 0.3048,
            float(source.read(1, masked=True).max()) / 0.3048,
        )
    told_low, told_high = (float(v.replace(",", "")) for v in facts["elevation"].replace(" ft", "").split(" to "))
    assert low - 1 <= told_low < told_high <= high + 1


@pytest.mark.slow
@pytest.mark.parametrize(
    ("replace", "told", "still_read"),
    [
        pytest.param(((f"{HOME}/fields.gpkg", "gone.gpkg"),), "gone.gpkg", {"soils", "climate"}, id="no fields file"),
        pytest.param(((f"{HOME}/soils", "gone"),), "gone", {"fields"}, id="no soils"),
        pytest.param(((f"{HOME}/climate/normals.nc", "gone.nc"),), "gone.nc", {"fields", "soils"}, id="no climate"),
        pytest.param(
            ((f"{HOME}/elevation.tif", "gone.tif"),), "gone.tif", {"fields", "soils", "climate"}, id="no elevation"
        ),
    ],
)
def test_one_missing_layer_does_not_hide_the_others(
    tmp_path: Path, replace: tuple[tuple[str, str], ...], told: str, still_read: set[str]
) -> None:
    found = _check(tmp_path, replace=replace)
    assert any(told in str(fault) for fault in found.faults)
    assert all(fault.fix for fault in found.faults)
    assert still_read <= {layer for layer, _ in found.facts}
    assert found.map_file is not None
    assert found.map_file.is_file()


@pytest.mark.slow
def test_two_missing_layers_are_both_told(tmp_path: Path) -> None:
    found = _check(
        tmp_path, replace=((f"{HOME}/climate/normals.nc", "no_climate.nc"), (f"{HOME}/fields.gpkg", "no_fields.gpkg"))
    )
    told = "\n".join(str(fault) for fault in found.faults)
    assert "no_climate.nc" in told
    assert "no_fields.gpkg" in told


@pytest.mark.slow
def test_fields_off_the_soil_map_are_named_and_drawn(tmp_path: Path) -> None:
    """Three invented squares: inside, across the edge, and far outside the soils."""
    with rasterio.open(sample_dir() / "elevation.tif") as source:
        west, south, east, north = source.bounds
    middle = (south + north) / 2
    squares = [shapely.box(x, middle, x + 0.008, middle + 0.006) for x in (west + 0.3, east + 0.2)]
    soils = gpd.read_file(next((sample_dir() / "soils").rglob("soilmu_a_*.shp"))).union_all()
    edge_x = shapely.get_coordinates(soils.intersection(shapely.LineString([(west, middle), (east, middle)])))[
        :, 0
    ].max()
    squares.append(shapely.box(edge_x - 0.004, middle, edge_x + 0.004, middle + 0.006))
    fields = gpd.GeoDataFrame({"field_id": ["INSIDE", "OUTSIDE", "EDGE"]}, geometry=squares, crs="EPSG:4326")
    fields.to_file(tmp_path / "squares.gpkg")
    bounds = ("bounds = [-581840.0, 1910480.0, -573840.0, 1918480.0]\n", "")
    found = _check(tmp_path, replace=((f"{HOME}/fields.gpkg", "squares.gpkg"), bounds, ("60.0", "120.0")))
    told = {what.split(":")[0]: what for what, _ in found.findings}
    assert "OUTSIDE" in told["Fields outside the soil map (1)"]
    assert "EDGE" in told["Fields partly outside the soil map (1)"]
    assert not any("INSIDE" in what for what in told.values())
    assert found.map_file is not None
    page = found.map_file.read_text(encoding="utf-8")
    assert "fields without soils (1)" in page
    assert (_pixels(page) == MISSING).any()


@pytest.mark.slow
def test_a_short_record_is_a_finding(tmp_path: Path) -> None:
    found = _check(tmp_path, replace=((f"{HOME}/climate/normals.nc", f"{HOME}/climate/daily.nc"),))
    assert any("seasons of weather" in what for what, _ in found.findings)
    assert "daily record" in dict(found.facts)["climate"]


def test_problems_are_grouped_without_their_numbers_and_written_out(tmp_path: Path) -> None:
    rows = [
        Problem("soils", f"unit {k}", f"not rated: water ({k} % of the map unit)", "left out", "none")
        for k in range(5)
    ]
    rows += [Problem("fields", "A", "closed", "repaired"), Problem("fields", "B", "no crop", "warning")]
    groups = group_problems(rows)
    assert [(g.action, g.count) for g in groups] == [("left out", 5), ("warning", 1), ("repaired", 1)]
    assert groups[0].where == "unit 0"
    broken = gpd.GeoDataFrame(
        {"field_id": ["TWIST"]},
        geometry=[shapely.Polygon([(-102.85, 40.04), (-102.84, 40.05), (-102.84, 40.04), (-102.85, 40.05)])],
        crs="EPSG:4326",
    )
    broken.to_file(tmp_path / "broken.gpkg")
    found = _check(tmp_path, replace=((f"{HOME}/fields.gpkg", "broken.gpkg"),))
    assert found.problems_file is not None
    listed = pd.read_csv(found.problems_file)
    assert "TWIST" in listed["where"].tolist()
    assert sum(g.count for g in found.groups) == (listed["where"] != WHOLE_STUDY).sum(), (
        "doubts about all are findings"
    )


@pytest.mark.slow
@pytest.mark.parametrize(("change", "code"), [((), 0), (((f"{HOME}/soils", "gone"),), 1)])
def test_the_command_ends_with_one_when_the_study_would_stop(
    tmp_path: Path, change: tuple[tuple[str, str], ...], code: int, capsys: pytest.CaptureFixture[str]
) -> None:
    study = write_tiny_study(tmp_path, replace=change)
    assert cli.run(["check", str(study), "--out", str(tmp_path / "out")]) == code
    told = capsys.readouterr().out
    assert ("These stop the run" in told) == bool(code)
    assert ("The study can run" in told) == (not code)
    assert "to do:" in told


@pytest.mark.slow
def test_a_dollar_and_a_bracket_in_a_name_are_drawn_and_printed_as_they_are(tmp_path: Path) -> None:
    found = _check(tmp_path, replace=(("Tiny Larkspur (invented)", "$\\\\frac{a}{ <b>[bold]x"),))
    assert found.map_file is not None
    assert "{a}{ &lt;b&gt;[bold]x</h1>" in found.map_file.read_text(encoding="utf-8")
    out = io.StringIO()
    print_check(Console(file=out, width=200), found)
    assert "[bold]x" in out.getvalue()


def _overview(**changes: object) -> Overview:
    """Four kilometres of ground, pixels of 100 m: the west can be rated, the middle cannot, the east has no soils."""
    grid = GeoBox.from_bbox((0, 0, 4000, 4000), "EPSG:5070", resolution=100)
    sites = np.repeat([[0] * 15 + [1] * 15 + [-1] * 10], 40, axis=0).astype(np.int32)
    fields = gpd.GeoDataFrame({"field_id": ["A"]}, geometry=[shapely.box(300, 300, 900, 900)], crs="EPSG:5070")
    cells = pd.DataFrame({"longitude": [-96.0], "latitude": [23.0]})  # the origin of EPSG:5070
    whole = Overview("x", grid, sites, np.array([True, False]), fields, np.array([False]), cells, us=False)
    return replace(whole, **changes)


def _drawn(overview: Overview, folder: Path) -> str:
    draw_overview(overview, folder / "check.html")
    return (folder / "check.html").read_text(encoding="utf-8")


def _classes_at(page: str, places: list[tuple[float, float]]) -> list[int]:
    """Return the classes of the picture at places in metres; the picture has a margin of 4 % all around."""
    pixels = _pixels(page)
    size = 4320 / pixels.shape[0]
    return [int(pixels[int((4160 - y) / size), int((x + 160) / size)]) for x, y in places]


def test_soils_and_fields_are_drawn_where_they_lie(tmp_path: Path) -> None:
    page = _drawn(_overview(), tmp_path)
    places = {
        (-100, 50): NONE, (200, 200): RATED, (600, 600): RATED, (300, 600): OUTLINE, (600, 900): OUTLINE,
        (1400, 3900): RATED, (1600, 3900): UNRATED, (2900, 50): UNRATED, (3100, 50): NONE,
    }  # fmt: skip
    assert _classes_at(page, list(places)) == list(places.values())


def test_a_field_off_the_soil_map_is_filled_and_a_cell_is_marked(tmp_path: Path) -> None:
    page = _drawn(_overview(without_soil=np.array([True])), tmp_path)
    assert _classes_at(page, [(600, 600), (200, 200)]) == [MISSING, RATED]
    rows = _pixels(page).shape[0]
    mark = re.search(r'class="cells" d="M([\d.]+) ([\d.]+)m', page)
    assert mark is not None
    left, low = 160 / 4320 * rows, 4160 / 4320 * rows
    assert (float(mark[1]), float(mark[2])) == pytest.approx((left, low), abs=1)
    assert re.findall(r">(\d)</text>", page) == ["0", "1", "2", "3", "4"] * 2


@pytest.mark.parametrize("gone", ["grid", "fields", "cells"])
def test_what_is_missing_is_not_drawn(tmp_path: Path, gone: str) -> None:
    changes: dict[str, object] = {gone: None}
    if gone == "grid":
        changes |= {"site_raster": None, "rated": None}
    page = _drawn(_overview(**changes), tmp_path)
    found = {"grid": "can be rated" in page, "fields": "fields (1)" in page, "cells": "climate (1 cells)" in page}
    assert found == {layer: layer != gone for layer in found}


def test_ground_classes() -> None:
    raster = np.array([[-1, 0], [1, 1]], dtype=np.int32)
    assert ground_classes(raster, np.array([True, False])).tolist() == [[NONE, RATED], [UNRATED, UNRATED]]
