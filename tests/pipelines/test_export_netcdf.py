"""Outcomes as CF NetCDF."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from pipelines.show.layers.columns import describe
from pipelines.show.layers.netcdf import FIELD_OUTCOMES, OUTCOMES, YEARS, build_dataset, write_netcdf
from tests.builders import tiny_result


@pytest.fixture(scope="module")
def result():
    return tiny_result()


@pytest.fixture(scope="module")
def file(result, tmp_path_factory):
    path = tmp_path_factory.mktemp("netcdf") / "outcomes.nc"
    write_netcdf(build_dataset(result, OUTCOMES), path)
    return path


@pytest.mark.slow
@pytest.mark.parametrize("name", [OUTCOMES, FIELD_OUTCOMES, YEARS])
def test_independent_checker_finds_nothing(result, tmp_path, name):
    """The CF 1.8 rules as an ocean observing network's checker applies them."""
    runner = pytest.importorskip("compliance_checker.runner")
    from compliance_checker.runner import CheckSuite

    suite = CheckSuite()
    suite.load_all_available_checkers()
    write_netcdf(build_dataset(result, name), tmp_path / "file.nc")
    dataset = suite.load_dataset(str(tmp_path / "file.nc"))
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
    write_netcdf(build_dataset(result, OUTCOMES, "us"), path)
    with xr.open_dataset(path) as data:
        assert data["planting_gap_in"].attrs["units"] == "in"
        np.testing.assert_allclose(data["planting_gap_in"], result.outcomes["planting_gap_mm"] / 25.4, rtol=1e-6)
        np.testing.assert_allclose(data["area"], result.sites["area_ha"] * 2.4710538, rtol=1e-6)


def test_fields_have_the_same_variables_as_sites(result, tmp_path):
    write_netcdf(build_dataset(result, FIELD_OUTCOMES), tmp_path / "f.nc")
    with xr.open_dataset(tmp_path / "f.nc") as data:
        assert set(data.data_vars) == set(result.outcomes.data_vars)
        assert data["field_id"].values.tolist() == result.fields["field_id"].tolist()
        water = data["planting_water_mm"].sel(stat="mean", option="stubble").values
        rated = result.fields["zone_code"] != 7
        expected = result.fields["planting_water_mm_stubble"]
        np.testing.assert_allclose(water[rated], expected[rated], rtol=1e-6)
