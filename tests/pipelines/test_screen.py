"""A small study from its file to its published folder."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio

from geo.errors import StudyError
from geo.rating import ZONE_CODES, zone_areas
from pipelines.run.result import load_result
from pipelines.show.publish import Published, screen
from pipelines.study.house import sample_dir
from tests.pipelines.conftest import TinyRun
from tests.pipelines.tiny_study import BOUNDS, write_tiny_study


@pytest.mark.parametrize(
    "name",
    [
        "index.html", "fields.csv", "fields.parquet", "springfill.gpkg", "problems.csv", "run.json",
        "layers/zones.tif", "layers/sites.tif", "layers/outcomes.nc", "verdicts.parquet",
    ],
)  # fmt: skip
def test_every_published_file_is_there(tiny_run: TinyRun, name: str) -> None:
    assert (tiny_run.folder / name).stat().st_size > 0


def test_one_page_for_each_field(tiny_run: TinyRun) -> None:
    pages = list((tiny_run.folder / "fields").glob("*.html"))
    assert len(pages) == len(tiny_run.published.result.fields) > 5


def test_all_zones_are_present_in_the_sample_county(quick_county: Published) -> None:
    with rasterio.open(quick_county.folder / "layers" / "zones.tif") as source:
        assert set(np.unique(source.read(1))) - {0} == set(ZONE_CODES.values())


def test_fields_inside_the_bounds_are_all_accounted_for(tiny_run: TinyRun) -> None:
    """Counts in equal counts out plus listed, over the fields of the sample that meet the window."""
    given = gpd.read_file(sample_dir() / "fields.gpkg").to_crs("EPSG:5070")
    meet = given.cx[BOUNDS[0] : BOUNDS[2], BOUNDS[1] : BOUNDS[3]]
    kept = set(tiny_run.published.result.fields["field_id"])
    listed = tiny_run.published.result.problems.query("layer == 'fields' and action == 'left out'")["where"]
    for field_id in meet["field_id"]:
        assert field_id in kept or any(field_id in where for where in listed)


def test_area_adds_up(tiny_run: TinyRun) -> None:
    """The zones fill the window: its area in hectares, nothing counted twice (the county has no gap here)."""
    result = tiny_run.published.result
    areas = zone_areas(result.zones, result.sites["area_ha"])
    window_ha = (BOUNDS[2] - BOUNDS[0]) * (BOUNDS[3] - BOUNDS[1]) / 1e4
    assert areas.sum() == pytest.approx(window_ha, rel=0.02)


def test_numbers_agree_between_the_files(tiny_run: TinyRun) -> None:
    csv = pd.read_csv(tiny_run.folder / "fields.csv")
    parquet = gpd.read_parquet(tiny_run.folder / "fields.parquet")
    gpkg = gpd.read_file(tiny_run.folder / "springfill.gpkg", layer="fields")
    csv, parquet, gpkg = (frame.sort_values("field_id") for frame in (csv, parquet, gpkg))
    assert csv["field_id"].tolist() == parquet["field_id"].tolist() == gpkg["field_id"].tolist()
    assert parquet["zone_code"].tolist() == gpkg["zone_code"].tolist()
    known = gpkg["planting_gap_mm_winter_killed"].notna()
    inches = csv[next(c for c in csv if c.startswith("planting_gap") and "winter_killed" in c)]
    assert inches[known].to_numpy() == pytest.approx(
        gpkg["planting_gap_mm_winter_killed"][known].to_numpy() / 25.4, abs=0.006
    )


def test_water_closes(tiny_run: TinyRun) -> None:
    record = json.loads((tiny_run.folder / "run.json").read_text())
    assert record["closure_mm"] <= 1e-6
    assert record["counts"]["unit_days"] > 1e6


def test_the_saved_result_reads_back(tiny_run: TinyRun) -> None:
    first, second = tiny_run.published.result, load_result(tiny_run.folder)
    assert second.settings == json.loads(json.dumps(first.settings))
    assert second.grid.shape == first.grid.shape
    assert second.grid.affine == first.grid.affine
    np.testing.assert_array_equal(first.site_raster, second.site_raster)
    np.testing.assert_array_equal(first.coverage.toarray(), second.coverage.toarray())
    pd.testing.assert_frame_equal(first.zones, second.zones, check_dtype=False)
    for name in first.outcomes.data_vars:
        np.testing.assert_array_equal(first.outcomes[name].values, second.outcomes[name].values)
    assert second.fields["field_id"].tolist() == first.fields["field_id"].tolist()


@pytest.mark.slow
def test_the_same_study_gives_the_same_numbers(tiny_run: TinyRun, tmp_path: Path) -> None:
    """Bit for bit, in every raster, table and outcome; only the time of the run differs."""
    again = screen(tiny_run.study_file, lambda *_: None, tmp_path / "again")
    rasters = sorted((tiny_run.folder / "layers").glob("*.tif"))
    assert rasters
    for raster in rasters:
        with rasterio.open(raster) as one, rasterio.open(again.folder / "layers" / raster.name) as two:
            np.testing.assert_array_equal(one.read(), two.read())
    for name in ("fields.csv", "problems.csv"):
        assert (tiny_run.folder / name).read_bytes() == (again.folder / name).read_bytes(), name
    first, second = tiny_run.published.result.outcomes, again.result.outcomes
    for name in first.data_vars:
        np.testing.assert_array_equal(first[name].values, second[name].values)


def test_every_step_reports_to_its_end(tiny_run: TinyRun) -> None:
    last = {step: (done, total) for step, done, total in tiny_run.reports}
    for step in ("grid", "units", "weather", "balance", "outcomes", "zones", "agreement", "field pages"):
        done, total = last[step]
        assert done == total, step


@pytest.mark.slow
def test_one_field_is_run_on_its_own_ground(tiny_run: TinyRun, tmp_path: Path) -> None:
    """Soils and weather are those of the county's run; only the slope of a map unit is measured here alone."""
    whole = tiny_run.published.result.fields.set_index("field_id")
    name = whole.index[whole["zone"] != "not_rated"][0]
    alone = screen(tiny_run.study_file, lambda *_: None, tmp_path / "one", [name]).result
    assert alone.fields["field_id"].tolist() == [name]
    assert alone.site_raster.size < 0.2 * tiny_run.published.result.site_raster.size
    row = alone.fields.iloc[0]
    for column in ("capacity_mm", "rated_share", "area_ha"):
        assert row[column] == pytest.approx(whole.loc[name, column], rel=1e-4), column
    assert row["planting_water_mm_stubble"] == pytest.approx(whole.loc[name, "planting_water_mm_stubble"], abs=2.0)


def test_a_field_that_is_not_there_is_named(tiny_run: TinyRun, tmp_path: Path) -> None:
    with pytest.raises(StudyError, match="There is no field LK-00x1") as caught:
        screen(tiny_run.study_file, lambda *_: None, tmp_path / "out", ["LK-00x1"])
    assert caught.value.where.endswith("fields.gpkg")


@pytest.mark.slow
def test_a_study_without_fields_maps_the_ground(tmp_path: Path) -> None:
    study = write_tiny_study(
        tmp_path,
        sets=0,
        replace=(
            (f'[fields]\npath = "{sample_dir().as_posix()}/fields.gpkg"\n\n', ""),
            ("-581840.0, 1910480.0, -573840.0, 1918480.0", "-580000.0, 1912000.0, -578000.0, 1914000.0"),
        ),
    )
    published = screen(study, lambda *_: None, tmp_path / "out")
    assert len(published.result.fields) == 0
    assert published.result.zones["agreement"].isnull().all()
    assert (tmp_path / "out" / "index.html").stat().st_size > 10_000
    assert not (tmp_path / "out" / "fields").exists()


def test_bounds_outside_the_soils_stop_with_a_reason(tmp_path: Path) -> None:
    study = write_tiny_study(
        tmp_path,
        replace=(
            (f'[fields]\npath = "{sample_dir().as_posix()}/fields.gpkg"\n\n', ""),
            ("-581840.0, 1910480.0, -573840.0, 1918480.0", "-81840.0, 1910480.0, -73840.0, 1918480.0"),
        ),
    )
    with pytest.raises(StudyError) as caught:
        screen(study, lambda *_: None, tmp_path / "out")
    assert caught.value.fix
    assert not (tmp_path / "out").exists()
