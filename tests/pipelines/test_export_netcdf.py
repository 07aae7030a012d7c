"""Outcomes as CF NetCDF."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from pipelines.show.layers.columns import describe
from pipelines.show.layers.netcdf import write_netcdf
from tests.builders import tiny_result


@pytest.fixture(scope="module")
def result():
    return tiny_result()


@pytest.fixture(scope="module")
def file(result, tmp_path_factory):
    path = tmp_path_factory.mktemp("netcdf") / "outcomes.nc"
    write_netcdf(result, path)
    return path


@pytest.mark.slow
def test_independent_checker_finds_nothing(file):
    """The CF 1.8 rules as an ocean observing network's checker applies them."""
    runner = pytest.importorskip("compliance_checker.runner")
    from compliance_checker.runner import CheckSuite

    suite = CheckSuite()
    suite.load_all_available_checkers()
    dataset = suite.load_dataset(str(file))
    scores = suite.run_all(dataset, ["cf:1.8"], skip_checks=[])
    groups, _ = scores["cf:1.8"]
    found = [(g.name, c.msgs) for g in groups for c in (g.children or [g]) if g.value[0] < g.value[1]]
    assert runner is not None
    assert groups
    assert found == []


def test_everything_reads_back(result, file):
    with xr.open_dataset(file) as data:
        assert data.attrs["Conventions"] == "CF-1.8"
        for name, values in result.outcomes.data_vars.items():
            assert data[name].dims == values.dims
            np.testing.assert_array_equal(data[name].values, values.values)
            if values.attrs["units"] != "day of year":
                assert data[name].attrs["units"] == describe(str(name)).unit
        assert data["option"].values.tolist() == list(result.outcomes["option"].values)
        np.testing.assert_array_equal(data["zone_code"], result.zones["zone_code"])
        for rule, verdicts in (("dryland", result.verdicts), ("irrigated", result.irrigated_verdicts)):
            for name in ("value", "limit", "margin", "passed", "waived"):
                np.testing.assert_array_equal(data[f"test_{name}"].sel(rule=rule), verdicts[name])
        assert data["map_unit_id"].values.tolist() == result.sites["map_unit_id"].tolist()


def test_provenance(result, file):
    with xr.open_dataset(file) as data:
        assert data.attrs["study_hash"] == result.provenance["study_hash"]
        assert data.attrs["seed"] == "20"
        assert "Invented soils" in data.attrs["references"]
        assert "adviser" in data.attrs["comment"]


def test_us_units(result, tmp_path):
    path = tmp_path / "us.nc"
    write_netcdf(result, path, "us")
    with xr.open_dataset(path) as data:
        assert data["planting_gap_in"].attrs["units"] == "in"
        np.testing.assert_allclose(data["planting_gap_in"], result.outcomes["planting_gap_mm"] / 25.4, rtol=1e-6)
        np.testing.assert_allclose(data["area"], result.sites["area_ha"] * 2.4710538, rtol=1e-6)


def test_a_season_dimension_is_kept(result, tmp_path):
    from dataclasses import replace

    values = np.random.default_rng(2).normal(size=(12, 4, 30)).astype(np.float32)
    outcomes = result.outcomes.assign(planting_gap_each_mm=(("site", "option", "season"), values, {"units": "mm"}))
    path = tmp_path / "years.nc"
    write_netcdf(replace(result, outcomes=outcomes.assign_coords(season=np.arange(1, 31))), path)
    with xr.open_dataset(path) as data:
        assert data["planting_gap_each_mm"].dims == ("site", "option", "season")
        assert data["planting_gap_each_mm"].attrs["units"] == "mm"
        np.testing.assert_array_equal(data["planting_gap_each_mm"], values)
