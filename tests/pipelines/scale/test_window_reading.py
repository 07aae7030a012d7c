"""A tile reads its own window: tables of its own survey areas, fields that meet it, and none is in order too."""

from __future__ import annotations

import shutil
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from geo.errors import NothingHere, StudyError
from pipelines.read.fields.boundaries import read_fields
from pipelines.read.soils import survey as soil_survey
from pipelines.read.soils.dispatch import read_soils
from pipelines.study.house import sample_dir
from tests.pipelines import soil_files as sf

FORMATS = ("gpkg", "fgb", "parquet")


@pytest.fixture
def two_areas(tmp_path: Path) -> Path:
    """Two survey areas, the second 100 km further east; its tables are the same."""
    shutil.copytree(sf.write_export(tmp_path / "made"), tmp_path / "state" / "LK001")
    other = sf.write_export(tmp_path / "moved")
    shape = other / "spatial" / "soilmu_a_lk001.shp"
    frame = gpd.read_file(shape)
    degrees = 1.2 if frame.crs.is_geographic else 100_000
    frame.geometry = frame.translate(degrees)
    frame.to_file(other / "spatial" / "soilmu_a_lk003.shp")
    for file in shape.parent.glob("soilmu_a_lk001.*"):
        file.unlink()
    shutil.copytree(other, tmp_path / "state" / "LK003")
    return tmp_path / "state"


@pytest.mark.slow
def test_only_tables_of_survey_areas_in_the_window_are_read(two_areas: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    read: list[str] = []
    own = soil_survey.read_area_tables
    monkeypatch.setattr(
        soil_survey, "read_area_tables", lambda area: (read.append(area.polygons or ""), own(area))[1]
    )
    (first, second) = (a.polygons for a in soil_survey.find_survey_areas(two_areas))
    bounds = gpd.read_file(str(second)).to_crs("EPSG:4326").total_bounds
    soils, _ = read_soils(two_areas, area=(*bounds, "EPSG:4326"))
    assert read == [second]
    assert len(soils.map_units) == 4
    read.clear()
    read_soils(two_areas)
    assert read == [first, second]


def test_a_window_without_soils_is_nothing_here(two_areas: Path) -> None:
    with pytest.raises(NothingHere) as caught:
        read_soils(two_areas, area=(10.0, 50.0, 10.1, 50.1, "EPSG:4326"))
    assert isinstance(caught.value, StudyError)


def _fields_file(folder: Path, suffix: str) -> Path:
    fields = gpd.read_file(sample_dir() / "fields.gpkg").to_crs("EPSG:4326")
    extra = gpd.GeoDataFrame({"field_id": ["lost"]}, geometry=[shapely.Polygon()], crs=fields.crs)
    frame = fields if suffix == "fgb" else pd.concat([fields, extra], ignore_index=True)  # it takes no empty shapes
    path = folder / f"fields.{suffix}"
    if suffix == "parquet":
        frame.to_parquet(path, write_covering_bbox=True, row_group_size=40)
    else:
        frame.to_file(path)
    return path


@pytest.mark.parametrize("suffix", FORMATS)
def test_a_part_has_the_fields_that_meet_it_and_no_word_of_the_others(tmp_path: Path, suffix: str) -> None:
    path = _fields_file(tmp_path, suffix)
    window = (-102.9, 40.0, -102.85, 40.06)
    part, problems = read_fields(path, area=window, part=True)
    whole, _ = read_fields(path, area=window)
    assert problems == []
    known = {i for i in whole["field_id"] if i != "lost"}
    assert set(part["field_id"]) == known
    assert 3 < len(part) < 60


@pytest.mark.parametrize("suffix", FORMATS)
def test_a_part_without_fields_reads_none(tmp_path: Path, suffix: str) -> None:
    part, problems = read_fields(_fields_file(tmp_path, suffix), area=(10.0, 50.0, 10.1, 50.1), part=True)
    assert len(part) == 0
    assert part.crs is not None
    assert {"field_id", "name", "irrigated"} <= set(part.columns)
    assert not [p for p in problems if p.action != "warning"]


def test_parquet_with_the_extent_of_its_rows_is_read_by_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = _fields_file(tmp_path, "parquet")
    boxes = []
    own = gpd.read_parquet
    monkeypatch.setattr(gpd, "read_parquet", lambda *a, **k: (boxes.append(k.get("bbox")), own(*a, **k))[1])
    read_fields(path, area=(-102.9, 40.0, -102.85, 40.06), part=True)
    assert np.allclose(boxes[0], (-102.9, 40.0, -102.85, 40.06))
