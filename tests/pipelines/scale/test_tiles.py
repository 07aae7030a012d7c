"""Tiles: every pixel and every field in one of them, ids that can be folders, squares on the lattice."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely

from geo.errors import StudyError
from geo.ground.grid import study_grid
from pipelines.scale.region_file import TilesTable
from pipelines.scale.tiles import Tiles, plan_tiles
from pipelines.study.file import load_study
from tests.pipelines.scale.regions import halves
from tests.pipelines.tiny_study import BOUNDS, write_tiny_study


def _voronoi(n: int) -> Tiles:
    """Cells about random points, as counties with crooked borders."""
    box = shapely.box(0, 0, 9000, 9000)
    points = shapely.points(np.random.default_rng(4).uniform(0, 9000, (n, 2)))
    cells = [c & box for c in shapely.get_parts(shapely.voronoi_polygons(shapely.MultiPoint(points), extend_to=box))]
    ids = [f"c{i}" for i in range(n)]
    return Tiles(gpd.GeoDataFrame({"tile": ids, "name": ids}, geometry=cells, crs="EPSG:5070"))


def test_every_pixel_belongs_to_the_one_tile_that_holds_its_centre() -> None:
    """Against point-in-polygon of another library (GEOS), pixel by pixel; windows of a tile agree with the whole."""
    tiles = _voronoi(12)
    grid = study_grid((0, 0, 9000, 9000), "EPSG:5070", 90.0)
    own = np.stack([tiles.own_pixels(i, grid) for i in range(len(tiles))])
    assert (own.sum(axis=0) == 1).all()
    x = grid.affine.c + grid.affine.a * (np.arange(grid.shape.x) + 0.5)
    y = grid.affine.f + grid.affine.e * (np.arange(grid.shape.y) + 0.5)
    for i in range(len(tiles)):
        held = shapely.contains_xy(tiles.shape(i), *np.meshgrid(x, y))
        np.testing.assert_array_equal(own[i], held)
    part = grid[20:61, 33:87]
    for i in range(len(tiles)):
        np.testing.assert_array_equal(tiles.own_pixels(i, part), own[i, 20:61, 33:87])


def test_overlapping_polygons_share_no_pixel() -> None:
    shapes = [shapely.box(0, 0, 600, 600), shapely.box(300, 0, 900, 600)]
    tiles = Tiles(gpd.GeoDataFrame({"tile": ["a", "b"], "name": ["a", "b"]}, geometry=shapes, crs="EPSG:5070"))
    grid = study_grid((0, 0, 900, 600), "EPSG:5070", 30.0)
    first, second = tiles.own_pixels(0, grid), tiles.own_pixels(1, grid)
    assert not (first & second).any()
    assert (first | second).all()
    field = gpd.GeoDataFrame(geometry=[shapely.box(400, 100, 500, 200)], crs="EPSG:5070")
    assert tiles.owners(field).tolist() == [1]


@pytest.mark.parametrize(
    ("box", "owner"),
    [
        pytest.param((100, 100, 200, 200), 0, id="inside one"),
        pytest.param((500, 100, 640, 200), 0, id="in two, point in the first"),
        pytest.param((560, 100, 900, 200), 1, id="in two, point in the second"),
        pytest.param((550, 100, 650, 200), 1, id="point on the border: the later"),
        pytest.param((-300, 100, 50, 200), 0, id="on the edge of the region, point outside"),
        pytest.param((300, -500, 900, 40), 0, id="edge, meets both, point outside: the first"),
        pytest.param((5000, 0, 5100, 90), -1, id="elsewhere"),
    ],
)
def test_a_field_belongs_to_one_tile(box: tuple[float, float, float, float], owner: int) -> None:
    shapes = [shapely.box(0, 0, 600, 600), shapely.box(600, 0, 1200, 600)]
    tiles = Tiles(gpd.GeoDataFrame({"tile": ["a", "b"], "name": ["a", "b"]}, geometry=shapes, crs="EPSG:5070"))
    assert tiles.owners(gpd.GeoDataFrame(geometry=[shapely.box(*box)], crs="EPSG:5070")).tolist() == [owner]
    assert tiles.owners(gpd.GeoDataFrame(geometry=[], crs="EPSG:5070")).tolist() == []


def test_squares_cover_the_window_on_the_lattice(tmp_path: Path) -> None:
    study, _ = load_study(write_tiny_study(tmp_path))
    tiles = plan_tiles(TilesTable(size_km=3), study, tmp_path, tmp_path)
    assert len(tiles) == 9
    corners = tiles.frame.bounds.to_numpy()
    np.testing.assert_array_equal(corners % 60.0, 0)
    assert tiles.frame.union_all().covers(shapely.box(*BOUNDS))
    assert tiles.frame.area.sum() == pytest.approx(tiles.frame.union_all().area)
    assert tiles.id(0) == "r001c001"
    assert tiles.shape(0).bounds[3] == corners[:, 3].max()  # rows from the north


def test_squares_take_the_extent_of_the_fields_without_bounds(tmp_path: Path) -> None:
    bounds = f"bounds = {list(BOUNDS)}\n"
    study, _ = load_study(write_tiny_study(tmp_path, replace=((bounds, ""),)))
    tiles = plan_tiles(TilesTable(size_km=10), study, tmp_path, tmp_path)
    fields = gpd.read_file(study.fields.path).to_crs(study.map.crs)  # type: ignore[union-attr]
    assert tiles.frame.union_all().covers(fields.union_all())


def test_polygons_keep_their_codes_as_text(tmp_path: Path) -> None:
    halves().to_file(tmp_path / "counties.gpkg")
    study, _ = load_study(write_tiny_study(tmp_path))
    tiles = plan_tiles(TilesTable(path="counties.gpkg", id="code", name="label"), study, tmp_path, tmp_path)
    assert tiles.frame["tile"].tolist() == ["08001", "08003"]
    assert tiles.name(1) == "East"
    one = plan_tiles(TilesTable(path="counties.gpkg", id="code", only=("08003",)), study, tmp_path, tmp_path)
    assert one.frame["tile"].tolist() == ["08003"]


@pytest.mark.parametrize(
    ("change", "table", "told"),
    [
        pytest.param({}, {"path": "none.gpkg"}, "does not exist", id="no file"),
        pytest.param({}, {"id": "GEOID"}, "no column 'GEOID'", id="no such column"),
        pytest.param({}, {"name": "NAME"}, "no column 'NAME'", id="no such name column"),
        pytest.param({"code": ["a/b", "c"]}, {}, "'a/b' cannot be the id", id="id with a slash"),
        pytest.param({"code": ["..", "c"]}, {}, "'..' cannot be the id", id="id that climbs"),
        pytest.param({"code": [None, "c"]}, {"only": ("x",)}, "There is no tile x", id="unknown id asked for"),
        pytest.param({"code": ["C1", "c1"]}, {}, "Two tiles have the id", id="ids that differ by capitals"),
        pytest.param({"geometry": shapely.Point(0, 0)}, {}, "is not an area", id="points"),
    ],
)
def test_a_bad_layer_of_tiles_is_refused(
    tmp_path: Path, change: dict[str, object], table: dict[str, object], told: str
) -> None:
    frame = halves()
    for name, value in change.items():
        frame[name] = value
    frame.to_file(tmp_path / "counties.gpkg")
    study, _ = load_study(write_tiny_study(tmp_path))
    with pytest.raises(StudyError) as caught:
        plan_tiles(TilesTable(**({"path": "counties.gpkg", "id": "code"} | table)), study, tmp_path, tmp_path)  # type: ignore[arg-type]
    assert told in caught.value.what
    assert caught.value.fix
