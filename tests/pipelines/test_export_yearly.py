"""The yearly file for the modeller: CF, one value a unit, option and season, and back to sites by its weights."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import xarray as xr

from geo.options import OPTIONS
from pipelines.show.layers.columns import describe
from pipelines.show.layers.netcdf import YEARS, build_dataset, dataset_names, write_netcdf
from tests.builders import tiny_result


def test_years_read_back_as_written(tmp_path: Path) -> None:
    result = tiny_result()
    write_netcdf(build_dataset(result, YEARS), tmp_path / "years.nc")
    with xr.open_dataset(tmp_path / "years.nc") as back:
        assert back.attrs["Conventions"].startswith("CF-")
        assert back.attrs["study_hash"] == result.provenance["study_hash"]
        for name, values in result.yearly.data_vars.items():
            np.testing.assert_array_equal(back[name].values, values.values)
            assert back[name].attrs["units"]
        assert list(back["option"].values) == list(OPTIONS)


def test_site_means_follow_from_the_members(tmp_path: Path) -> None:
    result = tiny_result()
    write_netcdf(build_dataset(result, YEARS), tmp_path / "years.nc")
    with xr.open_dataset(tmp_path / "years.nc") as back:
        site = int(back["member_site"].values[0])
        member = back["member_site"].values == site
        weight = back["member_weight"].values[member]
        assert weight.sum() == 1
        mean = (
            weight[:, None] * back["paw_planting_mm"].sel(option="stubble").values[back["member_unit"].values[member]]
        ).sum(0)
    expected = result.yearly["paw_planting_mm"].sel(option="stubble", unit=result.site_units["unit"][0])
    np.testing.assert_allclose(mean, expected, rtol=1e-6)


def test_without_years_there_is_no_such_file() -> None:
    assert YEARS in dataset_names(tiny_result())
    assert YEARS not in dataset_names(replace(tiny_result(), yearly=None))


def test_chosen_sites_bring_their_units(tmp_path: Path) -> None:
    data = build_dataset(tiny_result(), YEARS, sites=np.array([2, 4]))
    assert set(data["member_site"].values) == {2, 4}
    assert set(data["unit"].values) == set(data["member_unit"].values)


def test_every_variable_is_in_the_dictionary() -> None:
    data = build_dataset(tiny_result(), YEARS)
    assert all(describe(str(n)).known for n in data.data_vars if not str(n).startswith("member_"))
