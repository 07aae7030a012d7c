"""Station normals in both layouts."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from geo.errors import StudyError
from pipelines.read.climate.dispatch import read_climate
from tests.open_data import open_data

FAHRENHEIT = pd.DataFrame(
    {
        # NOAA NCEI, 1991-2020 monthly normals of USW00094765, read by eye from the file
        "rain_in": [2.29, 2.10, 2.70, 2.99, 3.32, 3.80, 3.99, 3.62, 3.44, 4.00, 2.98, 2.84],
        "low_f": [9.3, 11.0, 20.7, 31.9, 43.7, 52.4, 57.8, 56.2, 48.6, 37.4, 27.7, 18.1],
        "high_f": [30.3, 33.9, 43.0, 56.6, 69.7, 77.9, 82.7, 81.1, 72.9, 59.8, 46.8, 35.5],
    }
)


def test_station_normals_1991_2020() -> None:
    monthly = open_data("climate/normals_station/monthly_1991-2020_USW00094765.csv")
    daily = open_data("climate/normals_station/daily_1991-2020_USW00094765.csv")
    got = read_climate([monthly, daily], kind="normals")
    np.testing.assert_allclose(got.normals["precip_mm"][0], FAHRENHEIT["rain_in"] * 25.4, rtol=1e-5)
    np.testing.assert_allclose(got.normals["tmin_c"][0], (FAHRENHEIT["low_f"] - 32) / 1.8, atol=1e-4)
    np.testing.assert_allclose(got.normals["tmax_c"][0], (FAHRENHEIT["high_f"] - 32) / 1.8, atol=1e-4)
    spread = pd.read_csv(daily, usecols=["DATE", "DLY-TMIN-STDDEV"], dtype=str)
    july = pd.to_numeric(spread.loc[spread["DATE"].str.startswith("07"), "DLY-TMIN-STDDEV"])
    assert float(got.normals["tmin_sd_c"][0, 6]) == pytest.approx(np.sqrt((july**2).mean()) / 1.8, rel=1e-4)
    assert float(got.normals["wet_day_fraction"].min()) > 0.2
    assert got.cells.loc[0, "name"] == "LEBANON MUNI AP, NH US"
    assert got.cells.loc[0, "elevation_m"] == pytest.approx(182.3)
    assert got.provenance["period"] == "1991-2020"


def test_station_normals_1981_2010_whole_numbers() -> None:
    """The older layout has hundredths of an inch and tenths of a degree; -7777 rounds to zero."""
    path = open_data("climate/normals_station/monthly_1981-2010_USW00013740.csv")
    got = read_climate(path)
    raw = pd.read_csv(path)
    np.testing.assert_allclose(got.normals["precip_mm"][0], raw["MLY-PRCP-NORMAL"] * 0.254, rtol=1e-5)
    np.testing.assert_allclose(got.normals["tmax_c"][0], (raw["MLY-TMAX-NORMAL"] / 10 - 32) / 1.8, atol=1e-4)
    assert got.provenance["period"] == "1981-2010"


def test_daily_normals_alone_are_refused() -> None:
    with pytest.raises(StudyError, match="no monthly normals"):
        read_climate(open_data("climate/normals_station/daily_1991-2020_USW00094765.csv"))


@pytest.mark.parametrize(
    ("value", "flag", "expected"),
    [("  -9999.0", "Z", None), ("    9.3", "M", None), ("    0.0", "X", 0.0), ("-7777", " ", 0.0)],
    ids=["missing with flag Z", "flag M", "flag X: rounded to zero", "special value -7777"],
)
def test_normals_flags(value: str, flag: str, expected, tmp_path: Path) -> None:
    columns = ["STATION", "DATE", "LATITUDE", "LONGITUDE", "ELEVATION", "NAME"]
    for name in ("MLY-PRCP-NORMAL", "MLY-TMIN-NORMAL", "MLY-TMAX-NORMAL"):
        columns += [name, f"meas_flag_{name}"]
    lines = [",".join(f'"{c}"' for c in columns)]
    for month in range(1, 13):
        rain, mark = (value, flag) if month == 1 else ("  2.00", " ")
        low, high = FAHRENHEIT["low_f"][month - 1], FAHRENHEIT["high_f"][month - 1]
        cells = [
            "XX1",
            f"{month:02d}",
            " 40.5",
            "-103.0",
            " 1200.0",
            "INVENTED",
            rain,
            mark,
            f"{low:8.1f}",
            " ",
            f"{high:8.1f}",
            " ",
        ]
        lines.append(",".join(f'"{c}"' for c in cells))
    path = tmp_path / "normals.csv"
    path.write_text("\n".join(lines) + "\n")
    if expected is None:
        with pytest.raises(StudyError, match="No cell has all twelve months"):
            read_climate(path)
    else:
        assert float(read_climate(path).normals["precip_mm"][0, 0]) == expected
