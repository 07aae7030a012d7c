"""Station records, station normals, single pixels and plain tables, each in its own layout."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from geo.errors import StudyError
from pipelines.readers.climate import read_climate
from tests.open_data import open_data

NEBRASKA = {"date": 1, "tmax": 2, "tmin": 3, "precip": 4}
TENTHS = {"precip": "0.1 mm", "tmin": "0.1 degC", "tmax": "0.1 degC"}
DAYS = pd.date_range("2019-12-30", "2021-01-02")


def truth() -> pd.DataFrame:
    """Two winters around a leap year, whole tenths."""
    warm = 9 - 13 * np.cos(2 * np.pi * (DAYS.day_of_year - 15) / 365.25)
    rain = np.where(np.arange(len(DAYS)) % 5 == 0, 5.8, 0.0)
    return pd.DataFrame({"PRCP": rain, "TMAX": np.round(warm + 8, 1), "TMIN": np.round(warm - 7, 1)}, index=DAYS)


def write_dly(
    path: Path, table: pd.DataFrame, flags: dict[tuple[str, str], str], station: str = "USC00250001"
) -> None:
    """Write the fixed-width layout of the archive's readme: value 5 characters, then M, Q and S flag."""
    lines = []
    for (year, month), rows in table.groupby([table.index.year, table.index.month]):
        for element in ("PRCP", "TMAX", "TMIN", "SNWD"):
            line = f"{station}{year}{month:02d}{element}"
            for day in range(1, 32):
                stamp = f"{year}-{month:02d}-{day:02d}"
                hit = rows[rows.index.strftime("%Y-%m-%d") == stamp]
                value = -9999 if hit.empty or element not in rows else round(float(hit[element].iloc[0]) * 10)
                line += f"{value:5d} {flags.get((element, stamp), ' ')}7"
            lines.append(line)
    path.write_text("\n".join(lines) + "\n")


def write_long(
    path: Path, table: pd.DataFrame, flags: dict[tuple[str, str], str], station: str = "USC00250001"
) -> None:
    lines = []
    for stamp, row in table.iterrows():
        for element in ("PRCP", "TMAX", "TMIN"):
            flag = flags.get((element, f"{stamp:%Y-%m-%d}"), "")
            lines.append(f"{station},{stamp:%Y%m%d},{element},{round(row[element] * 10)},,{flag},7,0700")
    text = "\n".join(lines) + "\n"
    if path.suffix == ".gz":
        with gzip.open(path, "wt") as handle:
            handle.write(text)
    else:
        path.write_text(text)


def write_wide(
    path: Path, table: pd.DataFrame, flags: dict[tuple[str, str], str], station: str = "USC00250001"
) -> None:
    lines = ['"STATION","DATE","LATITUDE","LONGITUDE","ELEVATION","NAME","PRCP","PRCP_ATTRIBUTES","TMAX","TMAX_ATTRIBUTES","TMIN","TMIN_ATTRIBUTES"']  # fmt: skip
    for stamp, row in table.iterrows():
        day = f"{stamp:%Y-%m-%d}"
        cells = [f'"{station}","{day}","40.5","-103.0","1200.5","INVENTED 2 N, XX US"']
        for element in ("PRCP", "TMAX", "TMIN"):
            cells.append(f'"{round(row[element] * 10):5d}",",{flags.get((element, day), "")},7,0700"')
        lines.append(",".join(cells))
    path.write_text("\n".join(lines) + "\n")


def write_list(folder: Path, station: str = "USC00250001", elevation: float = 1200.5) -> None:
    name = "INVENTED 2 N"
    line = f"{station} {40.5:8.4f} {-103.0:9.4f} {elevation:6.1f} XX {name:<30} {'':3} {'':3} {'':5}\n"
    (folder / "ghcnd-stations.txt").write_text(line)


@pytest.mark.parametrize(
    ("name", "writer"),
    [
        ("USC00250001.dly", write_dly),
        ("2020.csv", write_long),
        ("2020.csv.gz", write_long),
        ("USC00250001.csv", write_wide),
    ],
    ids=["GHCN-Daily readme: fixed width", "by-year CSV", "by-year CSV, gzipped", "access CSV with attributes"],
)
def test_ghcn_daily_layouts(name: str, writer, tmp_path: Path) -> None:
    table = truth()
    flags = {("TMIN", "2020-03-05"): "I", ("PRCP", "2020-07-01"): "G"}
    writer(tmp_path / name, table.drop(pd.Timestamp("2020-06-10")), flags)
    write_list(tmp_path)
    got = read_climate(tmp_path / name)
    assert got.daily.sizes == {"cell": 1, "time": len(DAYS)}
    wanted = table.copy()
    wanted.loc["2020-06-10"] = np.nan
    wanted.loc["2020-03-05", "TMIN"] = np.nan  # failed a quality check of the archive
    wanted.loc["2020-07-01", "PRCP"] = np.nan
    for ours, theirs in (("precip_mm", "PRCP"), ("tmax_c", "TMAX"), ("tmin_c", "TMIN")):
        np.testing.assert_allclose(got.daily[ours][0], wanted[theirs], atol=1e-4)
    assert got.cells.loc[0, ["latitude", "longitude", "elevation_m"]].tolist() == [40.5, -103.0, 1200.5]
    assert any("2 values failed" in p.what for p in got.problems)
    assert "observer" in got.provenance["day_definition"]


def test_unknown_place_and_unknown_elevation(tmp_path: Path) -> None:
    write_long(tmp_path / "2020.csv", truth(), {})
    with pytest.raises(StudyError, match="place of station USC00250001"):
        read_climate(tmp_path / "2020.csv")
    write_list(tmp_path, elevation=-999.9)
    assert np.isnan(read_climate(tmp_path / "2020.csv").cells.loc[0, "elevation_m"])


def test_order_form_export_is_not_taken_for_tenths(tmp_path: Path) -> None:
    """The web order form gives the same column names in inches and degF."""
    table = truth()
    lines = ["STATION,DATE,LATITUDE,LONGITUDE,ELEVATION,NAME,PRCP,TMAX,TMIN"]
    for stamp, row in table.iterrows():
        rain, high, low = row["PRCP"] / 25.4, row["TMAX"] * 1.8 + 32, row["TMIN"] * 1.8 + 32
        lines.append(f"USC00250001,{stamp:%Y-%m-%d},40.5,-103.0,1200.5,INVENTED,{rain:.2f},{high:.0f},{low:.0f}")
    path = tmp_path / "order.csv"
    path.write_text("\n".join(lines) + "\n")
    with pytest.raises(StudyError, match="have decimals") as caught:
        read_climate(path)
    assert '"inch"' in caught.value.fix
    names = {"date": "DATE", "precip": "PRCP", "tmin": "TMIN", "tmax": "TMAX"}
    got = read_climate(path, variables=names, options={"units": {"precip": "inch", "tmin": "degF", "tmax": "degF"}})
    np.testing.assert_allclose(got.daily["tmax_c"][0], table["TMAX"], atol=0.3)
    assert float(got.daily["precip_mm"].sum()) == pytest.approx(table["PRCP"].sum(), rel=0.02)
    assert got.cells.loc[0, "latitude"] == 40.5


def test_real_by_year_layout_has_no_rain() -> None:
    """Milan 1763-64: temperatures only, so the station is left out and the message says what is missing."""
    with pytest.raises(StudyError, match="No station has precipitation"):
        read_climate(open_data("climate/ghcn_format/ghcnd_by_year_1763-1764.csv"))


def test_real_nebraska_stations() -> None:
    folder = open_data("climate/ghcn_ne/USC00250435.txt").parent
    options = {"header": False, "fill": -9999, "units": TENTHS}
    got = read_climate(str(folder / "USC*.txt"), variables=NEBRASKA, options=options)
    assert got.daily.sizes == {"cell": 8, "time": 10957}  # 1985-01-01 to 2014-12-31
    assert "AUBURN 5 ESE" in got.cells["name"].tolist()
    raw = pd.read_csv(folder / "USC00250435.txt", sep="\t", header=None, names=["d", "hi", "lo", "p"], na_values=[-9999, "-9999"], skipinitialspace=True)  # fmt: skip
    cell = got.cells.index[got.cells["name"] == "AUBURN 5 ESE"][0]
    dates = pd.to_datetime(raw["d"], format="%Y%m%d")
    rain = pd.Series(got.daily["precip_mm"].values[cell], index=pd.DatetimeIndex(got.daily["time"].values))
    np.testing.assert_allclose(rain.loc[dates].to_numpy(), raw["p"].to_numpy() / 10, rtol=1e-5)
    # one stray value of the archive, 50.6 degC as a minimum in February, is listed and set to missing
    stray = [p for p in got.problems if "impossible" in p.what]
    assert len(stray) == 1
    assert "1988-02-13" in stray[0].where
    near = read_climate(
        str(folder / "USC*.txt"), variables=NEBRASKA, options=options, area=(-95.9, 40.3, -95.6, 40.5)
    )
    assert len(near.cells) < 8
    far = read_climate(str(folder / "USC*.txt"), variables=NEBRASKA, options=options, area=(-90.0, 40.3, -89.9, 40.5))
    assert len(far.cells) == 1
    assert "no station lies within" in far.problems[-1].what or any("no station lies" in p.what for p in far.problems)


@pytest.mark.parametrize(
    ("units", "fill", "fix"),
    [
        (TENTHS, None, "fill = -9999"),
        ({"precip": "mm", "tmin": "degC", "tmax": "degC"}, -9999, '"0.1 degC"'),
        ({}, -9999, 'units = { precip = '),
    ],
    ids=["undeclared missing value", "tenths called whole", "no units"],
)  # fmt: skip
def test_a_contradicted_table_stops_with_the_fix(units, fill, fix) -> None:
    path = open_data("climate/ghcn_ne/USC00250435.txt")
    options = {"header": False, "units": units} | ({"fill": fill} if fill is not None else {})
    with pytest.raises(StudyError) as caught:
        read_climate(path, variables={"date": 1, "precip": 4, "tmax": 2, "tmin": 3}, options=options)
    assert fix in caught.value.fix


def test_champion_table_with_units_in_its_header() -> None:
    place = {"latitude": 40.4, "longitude": -101.7, "elevation_m": 1030.0, "name": "Champion"}
    got = read_climate(open_data("climate/champion_climate.txt"), options=place)
    assert got.daily.sizes["time"] == 13514
    yearly = got.daily["precip_mm"].isel(cell=0).groupby("time.year").sum()
    assert float(yearly.mean()) == pytest.approx(
        414.0, abs=1.0
    )  # data note of the open samples: 414 mm, driest year 138
    assert float(yearly.min()) == pytest.approx(138.0, abs=1.0)
    assert float(got.daily["et0_mm"].max()) == pytest.approx(10.16, abs=0.005)
    assert not got.problems


def test_daymet_single_pixel_real_sample() -> None:
    got = read_climate(open_data("climate/daymet/daymet_singlepixel_v3_demo.csv"))
    assert got.cells.loc[0, ["latitude", "longitude", "elevation_m"]].tolist() == [36.0133, -84.2625, 279.0]
    assert got.daily.sizes["time"] == 4018  # eleven years; 31 December 2000, 2004 and 2008 stay missing
    assert np.isnan(got.daily["tmax_c"].sel(time=["2000-12-31", "2004-12-31", "2008-12-31"])).all()
    assert np.isfinite(got.daily["tmax_c"].sel(time="2000-02-29")).all()
    assert 10.0 < float(got.daily["solar_mj_m2_day"].mean()) < 20.0


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
        cells = ["XX1", f"{month:02d}", " 40.5", "-103.0", " 1200.0", "INVENTED", rain, mark, f"{low:8.1f}", " ", f"{high:8.1f}", " "]  # fmt: skip
        lines.append(",".join(f'"{c}"' for c in cells))
    path = tmp_path / "normals.csv"
    path.write_text("\n".join(lines) + "\n")
    if expected is None:
        with pytest.raises(StudyError, match="No cell has all twelve months"):
            read_climate(path)
    else:
        assert float(read_climate(path).normals["precip_mm"][0, 0]) == expected


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
        ("when,r,lo,hi", "%d/%m/%Y", ",", {"date": "when", "precip": "r", "tmin": "lo", "tmax": "hi"}, {"day_first": True}),
        ("stamp r lo hi", "%Y%m%d", " ", {"date": "stamp", "precip": "r", "tmin": "lo", "tmax": "hi"}, {}),
        ("stamp,r,lo,hi", "%Y-%j", ",", {"date": 1, "precip": 2, "tmin": 3, "tmax": 4}, {}),
        ("year,yday,r,lo,hi", "%Y,%j", ",", {"year": "year", "yday": "yday", "precip": "r", "tmin": "lo", "tmax": "hi"}, {}),
    ],
    ids=["units in brackets", "semicolons", "month first", "day first", "spaces, YYYYMMDD", "columns by number, YYYY-DDD", "year and day"],
)  # fmt: skip
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
    for words in ("no valid date: 2021-02-30", "come twice", "trace", "not numbers (lost)", "tmax below tmin", "1 days are not in the source"):  # fmt: skip
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
        parts.append(pd.DataFrame({"station": station, "lat": lat, "lon": -103.0, "date": days.strftime("%Y-%m-%d"), "precip (mm)": 1.1, "tmin (C)": 4.0, "tmax (C)": warm}))  # fmt: skip
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
