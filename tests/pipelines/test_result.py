"""A finished run reads back from its folder as it was, and no array lies there twice."""

from __future__ import annotations

import json
from dataclasses import fields, replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import xarray as xr
from shapely.geometry import MultiPolygon

from geo.errors import StudyError
from pipelines.run.result import StudyResult, load_result, save_result
from pipelines.show.layers.export import publish_layers
from tests.builders import tiny_result


@pytest.fixture(scope="module")
def result() -> StudyResult:
    study = tiny_result()
    return replace(study, fields=study.fields.assign(my_own_column=range(len(study.fields))))


@pytest.fixture(scope="module")
def folder(result: StudyResult, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("run") / "out"
    publish_layers(result, out)
    save_result(result, out)
    return out


@pytest.mark.parametrize("name", [f.name for f in fields(StudyResult)])
def test_every_part_reads_back(result: StudyResult, folder: Path, name: str) -> None:
    before, after = getattr(result, name), getattr(load_result(folder), name)
    if isinstance(before, xr.Dataset):
        assert set(before.data_vars) == set(after.data_vars)
        assert set(before.coords) == set(after.coords)
        for key, values in before.variables.items():
            assert values.dims == after[key].dims, key
            assert values.dtype.kind == after[key].dtype.kind or values.dtype.kind in "UTO", key
            assert values.dtype.kind not in "if" or values.dtype == after[key].dtype, key
            np.testing.assert_array_equal(values.values, after[key].values, err_msg=str(key))
        assert before.attrs.items() <= after.attrs.items()
    elif isinstance(before, gpd.GeoDataFrame):
        assert list(before.columns) == list(after.columns)
        pd.testing.assert_frame_equal(
            pd.DataFrame(before.drop(columns="geometry")), pd.DataFrame(after.drop(columns="geometry"))
        )
        assert before.crs == after.crs
        for one, two in zip(before.geometry, after.geometry, strict=True):
            assert MultiPolygon([one]).normalize() == two.normalize()
    elif isinstance(before, pd.DataFrame):
        pd.testing.assert_frame_equal(before, after)
    elif name == "coverage":
        np.testing.assert_array_equal(before.toarray(), after.toarray())
    elif isinstance(before, dict):
        assert after == json.loads(json.dumps(before, default=str))
    else:
        assert np.array_equal(before, after) if isinstance(before, np.ndarray) else before == after


def test_nothing_beside_the_layers_is_an_array_of_outcomes(folder: Path) -> None:
    """The folder ``data`` holds what no layer holds: rows of sites, units and cells, and the cover of the fields."""
    assert {f.name for f in (folder / "data").iterdir()} == {
        "sites.parquet", "units.parquet", "site_units.parquet", "cells.parquet", "zones.parquet",
        "irrigated_zones.parquet", "problems.parquet", "coverage.npz",
    }  # fmt: skip
    assert len(list(folder.rglob("*.nc"))) == 3


def test_a_missing_layer_is_named(folder: Path, tmp_path: Path) -> None:
    part = tmp_path / "part"
    for file in folder.rglob("*"):
        if file.is_file() and file.name != "outcomes.nc":
            target = part / file.relative_to(folder)
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(file.read_bytes())
    with pytest.raises(StudyError, match=r"outcomes\.nc"):
        load_result(part)


def test_layers_of_another_run_are_refused(result: StudyResult, folder: Path, tmp_path: Path) -> None:
    publish_layers(replace(result, provenance=result.provenance | {"started": "2027-01-01T00:00:00Z"}), tmp_path)
    save_result(result, tmp_path)
    with pytest.raises(StudyError, match="not those of the run"):
        load_result(tmp_path)


@pytest.mark.parametrize("text", ["", '{"program": "springfill 0.0"}'])
def test_a_folder_without_a_run_is_refused(tmp_path: Path, text: str) -> None:
    if text:
        (tmp_path / "run.json").write_text(text, encoding="utf-8")
    with pytest.raises(StudyError, match="no finished run"):
        load_result(tmp_path)
