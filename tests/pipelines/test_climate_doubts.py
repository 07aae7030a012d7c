"""A run says when its weather is thin: in the summary, on the county page, in run.json and in the check."""

from __future__ import annotations

import io
import json

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from rich.console import Console

from geo.errors import WHOLE_STUDY, Problem
from geo.ground import study_grid
from pipelines.cli.check import check_study
from pipelines.cli.run import print_summary
from pipelines.read.climate.build import ClimateInput
from pipelines.run.climate_doubts import LONE_CELL_HA, climate_doubts
from pipelines.study.house import sample_dir
from tests.pipelines.tiny_study import write_tiny_study
from tests.tiny_run import tiny_context

GRID = study_grid((-580_000, 1_910_000, -560_000, 1_940_000), "EPSG:5070", 1000.0)  # near 40.2 N, 102.7 W


def doubts_of(
    seasons: int, places: list[tuple[float, float]], area_ha: float, *, daily: bool = True
) -> tuple[Problem, ...]:
    cells = pd.DataFrame(places, columns=["latitude", "longitude"])
    normals = None if daily else xr.Dataset()
    climate = ClimateInput(cells, normals, xr.Dataset() if daily else None)
    sites = pd.DataFrame({"cell": np.arange(len(cells)), "area_ha": area_ha / len(cells)})
    return climate_doubts(tiny_context(), climate, sites, GRID, cells, seasons)


NEAR, OTHER, FAR = (40.2, -102.7), (40.3, -102.6), (41.5, -102.7)


@pytest.mark.parametrize(
    ("weather", "told"),
    [
        pytest.param((30, [NEAR, OTHER], 1e5), [], id="thirty seasons, two cells"),
        pytest.param((20, [NEAR], LONE_CELL_HA), [], id="twenty seasons, a small area"),
        pytest.param((19, [NEAR, OTHER], 1e5), ["Only 19 seasons"], id="nineteen seasons"),
        pytest.param((30, [NEAR], 6e4), ["One climate cell or station represents all 148,263 acres"], id="one"),
        pytest.param((30, [FAR, FAR], 1e5), ["103 mi from the nearest"], id="far"),
        pytest.param((8, [FAR], 6e4), ["Only 8", "One climate cell", "nearest climate cell"], id="all three"),
    ],
)
def test_thin_weather_is_doubted(weather, told):
    found = doubts_of(*weather)
    assert len(found) == len(told)
    for problem, words in zip(found, told, strict=True):
        assert words in problem.what
        assert (problem.layer, problem.where, problem.action) == ("climate", WHOLE_STUDY, "warning")
        assert problem.fix


@pytest.mark.parametrize(("daily", "fix"), [(True, "longer record"), (False, "under [study]")])
def test_what_to_do_fits_the_kind_of_climate(daily, fix):
    assert fix in doubts_of(9, [NEAR, OTHER], 1e5, daily=daily)[0].fix


def test_a_screened_study_tells_its_doubts_everywhere(tiny_run):
    """The tiny study has eight seasons of generated weather."""
    said = "Only 8 seasons of weather"
    rows = tiny_run.published.result.problems.query("where == @WHOLE_STUDY")
    assert said in rows["what"].iloc[0]
    assert any(said in text for text in json.loads((tiny_run.folder / "run.json").read_text())["warnings"])
    page = (tiny_run.folder / "index.html").read_text(encoding="utf-8")
    notes = page[page.index('aria-labelledby="notes-title"') :]
    assert said in notes
    assert notes.index(said) < notes.index("<details>"), "on the page itself, not in the folded list"
    out = io.StringIO()
    print_summary(Console(file=out, width=200), tiny_run.published)
    assert said in out.getvalue()
    assert "Give more years under [study]" in out.getvalue()


@pytest.mark.slow
def test_the_check_tells_of_one_cell_for_a_whole_county(tmp_path):
    with xr.open_dataset(sample_dir() / "climate" / "normals.nc") as data:
        middle = {
            name: [data.sizes[name] // 2] for name in data.dims if name in ("lat", "lon", "latitude", "longitude")
        }
        data.isel(middle).to_netcdf(tmp_path / "one.nc")
    home = sample_dir().as_posix()
    bounds = "bounds = [-581840.0, 1910480.0, -573840.0, 1918480.0]\n"
    file = write_tiny_study(
        tmp_path, sets=0, replace=((f"{home}/climate/normals.nc", "one.nc"), (bounds, ""), ("60.0", "600.0"))
    )
    found = check_study(file, lambda *_: None, tmp_path / "out")
    assert not found.faults
    told = [what for what, _ in found.findings]
    assert sum("One climate cell or station represents all" in what for what in told) == 1
    assert not any("One climate cell" in group.what for group in found.groups), "told once"
    assert "One climate cell" in (tmp_path / "out" / "check_problems.csv").read_text()
