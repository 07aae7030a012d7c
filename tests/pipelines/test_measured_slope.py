"""The height model sets the slope that runoff is worked out on; without one the survey's slope does."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
import rasterio
from rasterio.transform import from_origin

from pipelines.run.context import Context
from pipelines.run.ground import Ground, lay
from pipelines.run.inputs import read
from pipelines.study.file import load_study
from pipelines.study.tables import load_tables
from tests.pipelines.tiny_study import BOUNDS, write_tiny_study


def ramp(path: Path, percent: float) -> Path:
    """Write a plane that rises to the east by so many percent, over the study and a margin."""
    step, margin = 30.0, 600.0
    west, south, east, north = BOUNDS[0] - margin, BOUNDS[1] - margin, BOUNDS[2] + margin, BOUNDS[3] + margin
    rows, columns = round((north - south) / step), round((east - west) / step)
    height = np.tile(1000.0 + np.arange(columns) * step * percent / 100.0, (rows, 1)).astype(np.float32)
    profile = {
        "driver": "GTiff", "height": rows, "width": columns, "count": 1, "dtype": "float32", "crs": "EPSG:5070",
        "transform": from_origin(west, north, step, step),
    }  # fmt: skip
    with rasterio.open(path, "w", **profile) as target:
        target.write(height, 1)
        target.units = ("m",)
    return path


def ground_of(folder: Path, elevation: Path | None) -> Ground:
    file = write_tiny_study(folder, sets=0)
    text = re.sub(r"\n\[elevation\]\npath = [^\n]*\n", "\n", file.read_text(encoding="utf-8"))
    assert "[elevation]" not in text
    if elevation is not None:
        text += f'\n[elevation]\npath = "{elevation.as_posix()}"\n'
    file.write_text(text, encoding="utf-8")
    study, _ = load_study(file)
    context = Context(study, folder, load_tables(study), lambda *_: None)
    return lay(context, read(context))


@pytest.mark.slow
@pytest.mark.parametrize("percent", [1.0, 12.0])
def test_runoff_is_worked_out_on_the_measured_slope(tmp_path: Path, percent: float) -> None:
    run = ground_of(tmp_path / "ramp", ramp(tmp_path / "ramp.tif", percent))
    profiles = run.soil.profiles.loc[run.units.units["profile_id"]]
    assert profiles["slope_percent"].to_numpy() == pytest.approx(percent, abs=0.01)


@pytest.mark.slow
def test_steeper_ground_has_higher_curve_numbers(tmp_path: Path) -> None:
    flat = ground_of(tmp_path / "flat", ramp(tmp_path / "flat.tif", 0.0))
    steep = ground_of(tmp_path / "steep", ramp(tmp_path / "steep.tif", 15.0))
    assert (steep.soil_records["cn_fallow"] > flat.soil_records["cn_fallow"] + 2).all()


def test_without_a_height_model_the_survey_slope_counts(tmp_path: Path) -> None:
    run = ground_of(tmp_path / "survey", None)
    assert run.elevation_range_m is None
    assert run.soil.profiles["slope_percent"].nunique() > 3
