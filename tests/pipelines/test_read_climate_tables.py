"""Plain weather tables and single pixels: dates, units, bad rows."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from geo.errors import StudyError
from pipelines.read.climate.dispatch import read_climate


def write_csv(path: Path, header: str, form: str, separator: str = ",", rows: int = 30) -> None:
    days = pd.date_range("2021-07-01", periods=rows)
    lines = [header] + [separator.join([d.strftime(form), "1.5", "12.0", "30.5"]) for d in days]
    path.write_text("\n".join(lines) + "\n")


@pytest.mark.parametrize(
    ("header", "form", "separator", "variables", "options"),
    [
        ("Date,Rain (mm),Tmin (C),Tmax (C)", "%Y-%m-%d", ",", None, {}),
        ("Date;Rain [mm];Tmin [degC];Tmax [degC]", "%Y-%m-%d", ";", None, {}),
        ("when,r,lo,hi", "%m/%d/%Y", ",", {"date": "when", "precip": "r", "tmin": "lo", "tmax": "hi"}, {}),
        (
            "when,r,lo,hi",
            "%d/%m/%Y",
            ",",
            {"date": "when", "precip": "r", "tmin": "lo", "tmax": "hi"},
            {"day_first": True},
        ),
        ("stamp r lo hi", "%Y%m%d", " ", {"date": "stamp", "precip": "r", "tmin": "lo", "tmax": "hi"}, {}),
        ("stamp,r,lo,hi", "%Y-%j", ",", {"date": 1, "precip": 2, "tmin": 3, "tmax": 4}, {}),
        (
            "year,yday,r,lo,hi",
            "%Y,%j",
            ",",
            {"year": "year", "yday": "yday", "precip": "r", "tmin": "lo", "tmax": "hi"},
            {},
        ),
    ],
    ids=[
        "units in brackets",
        "semicolons",
        "month first",
        "day first",
        "spaces, YYYYMMDD",
        "columns by number, YYYY-DDD",
        "year and day",
    ],
)
def test_plain_tables(header, form, separator, variables, options, tmp_path: Path) -> None:
    path = tmp_path / "weather.csv"
    write_csv(path, header, form, separator)
    place = {"latitude": 40.5, "longitude": 257.0, "units": {"precip": "mm", "tmin": "degC", "tmax": "degC"}}
    got = read_climate(path, variables=variables, options=place | options)
    assert got.daily.sizes["time"] == 30
    assert str(got.daily["time"].values[0])[:10] == "2021-07-01"
    assert float(got.daily["tmax_c"].mean()) == 30.5
    assert got.cells.loc[0, "longitude"] == pytest.approx(-103.0)


def test_bad_rows_are_listed_and_good_ones_kept(tmp_path: Path) -> None:
    path = tmp_path / "weather.csv"
    lines = [
        "date,precip (mm),tmin (C),tmax (C)",
        "2021-07-01,T,12,30",
        "2021-07-02,1.0,12,30",
        "2021-07-02,9.0,12,30",
    ]
    lines += ["2021-02-30,1.0,12,30", "2021-07-04,lost,12,30", "2021-07-05,2.0,31,30", "2021-07-06,,12,30"]
    lines += [f"2021-07-{d:02d},0.0,12,30" for d in range(7, 32)]
    path.write_text("\n".join(lines) + "\n")
    got = read_climate(path, options={"latitude": 40.5, "longitude": -103.0})
    rain = got.daily["precip_mm"].values[0]
    assert rain[0] == 0.0  # a trace
    assert rain[1] == 1.0  # the first of two rows of one day
    assert np.isnan(rain[[2, 3, 5]]).all()  # absent day, text, empty
    assert np.isnan(got.daily["tmin_c"].values[0, 4])
    said = " | ".join(p.what for p in got.problems)
    for words in (
        "no valid date: 2021-02-30",
        "come twice",
        "trace",
        "not numbers (lost)",
        "tmax below tmin",
        "1 days are not in the source",
    ):
        assert words in said


def test_lirf_weather_day_366_of_a_common_year(tmp_path: Path) -> None:
    """A known fault of a research weather file: "2023-366" in a year of 365 days."""
    lines = ["date,precip (mm),tmin (C),tmax (C)"] + [f"2023-{d:03d},1.0,2.0,12.0" for d in range(1, 367)]
    path = tmp_path / "w.csv"
    path.write_text("\n".join(lines) + "\n")
    got = read_climate(path, options={"latitude": 40.4, "longitude": -104.6, "accept_values": True})
    assert got.daily.sizes["time"] == 365
    assert any("2023-366" in p.what for p in got.problems)


def test_several_stations_in_one_table_and_period(tmp_path: Path) -> None:
    days = pd.date_range("2018-01-01", "2020-12-31")
    parts = []
    for station, lat, warm in (("north", 41.0, 20.0), ("south", 40.0, 22.0)):
        parts.append(
            pd.DataFrame(
                {
                    "station": station,
                    "lat": lat,
                    "lon": -103.0,
                    "date": days.strftime("%Y-%m-%d"),
                    "precip (mm)": 1.1,
                    "tmin (C)": 4.0,
                    "tmax (C)": warm,
                }
            )
        )
    pd.concat(parts).to_csv(tmp_path / "two.csv", index=False)
    got = read_climate(tmp_path / "two.csv", options={"period": [2019, 2020]})
    assert got.daily.sizes == {"cell": 2, "time": 731}
    assert got.cells["latitude"].tolist() == [41.0, 40.0]
    assert got.daily["tmax_c"].mean("time").values.tolist() == [20.0, 22.0]
    with pytest.raises(StudyError, match="No record in 1990"):
        read_climate(tmp_path / "two.csv", options={"period": [1990, 1995]})


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("", "empty"),
        ("a,b,c\n1,2,3\n", "no date"),
        ("date,precip,tmin (C),tmax (C)\n2021-07-01,1,2,3\n", "no units"),
        ("date,precip (mm),tmin (C),tmax (C)\nsoon,1,2,3\n", "No row has a valid date"),
    ],
    ids=["empty", "no date column", "no units", "no valid date"],
)
def test_broken_tables(content: str, words: str, tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text(content)
    with pytest.raises(StudyError, match=words):
        read_climate(path, options={"latitude": 40.5, "longitude": -103.0})


def test_unknown_options_and_names_list_the_valid_ones(tmp_path: Path) -> None:
    with pytest.raises(StudyError) as caught:
        read_climate(tmp_path, options={"unit": {}})
    assert "units" in caught.value.fix
    write_csv(tmp_path / "w.csv", "date,r,lo,hi", "%Y-%m-%d")
    with pytest.raises(StudyError, match="not a climate variable"):
        read_climate(tmp_path / "w.csv", variables={"rain": "r"})
    with pytest.raises(StudyError) as caught:
        read_climate(
            tmp_path / "w.csv", variables={"date": "date", "precip": "R"}, options={"latitude": 40, "longitude": -103}
        )
    assert "date, r, lo, hi" in caught.value.fix
