"""Station records, station normals, single pixels and plain tables, each in its own layout."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from geo.errors import StudyError
from pipelines.read.climate.dispatch import read_climate
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
    lines = [
        '"STATION","DATE","LATITUDE","LONGITUDE","ELEVATION","NAME","PRCP","PRCP_ATTRIBUTES","TMAX","TMAX_ATTRIBUTES","TMIN","TMIN_ATTRIBUTES"'
    ]
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


@pytest.mark.slow
def test_real_nebraska_stations() -> None:
    folder = open_data("climate/ghcn_ne/USC00250435.txt").parent
    options = {"header": False, "fill": -9999, "units": TENTHS}
    got = read_climate(str(folder / "USC*.txt"), variables=NEBRASKA, options=options)
    assert got.daily.sizes == {"cell": 8, "time": 10957}  # 1985-01-01 to 2014-12-31
    assert "AUBURN 5 ESE" in got.cells["name"].tolist()
    raw = pd.read_csv(
        folder / "USC00250435.txt",
        sep="\t",
        header=None,
        names=["d", "hi", "lo", "p"],
        na_values=[-9999, "-9999"],
        skipinitialspace=True,
    )
    cell = got.cells.index[got.cells["name"] == "AUBURN 5 ESE"][0]
    dates = pd.to_datetime(raw["d"].astype(str), format="%Y%m%d")
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
        ({}, -9999, "units = { precip = "),
    ],
    ids=["undeclared missing value", "tenths called whole", "no units"],
)
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
