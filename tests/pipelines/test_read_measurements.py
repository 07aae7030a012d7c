"""A table of measured soil water: columns, units, what is refused, and every bad row with its line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geo.errors import StudyError
from pipelines.read.measurements.soundings import COLUMNS, FRAME, line_ranges, read_measurements
from pipelines.study.house import sample_dir
from tests.pipelines.measured_results import lines_of

GOOD = "F1,2019-11-13,0,12,stubble,22.5"
HEADER = "field_id,date,top (in),bottom (in),option,vwc (%)"


def write(folder: Path, *lines: str, header: str = HEADER) -> Path:
    path = folder / "water.csv"
    path.write_text("\n".join([header, *lines]) + "\n", encoding="utf-8")
    return path


def only(path: Path, **options) -> pd.Series:
    """Return the one reading of a file without a bad row."""
    found, problems = read_measurements(path, **options)
    assert problems == []
    assert len(found.readings) == found.rows == 1
    return found.readings.iloc[0]


def test_a_reading_in_our_units(tmp_path):
    row = only(write(tmp_path, GOOD))
    assert tuple(row.index) == FRAME
    assert (row["row"], row["field_id"], row["option"]) == (2, "F1", "stubble")
    assert row["date"] == pd.Timestamp("2019-11-13")
    assert (row["top_mm"], row["bottom_mm"]) == (0.0, pytest.approx(304.8))
    assert row["content"] == pytest.approx(0.225)
    assert np.isnan([row["wilting"], row["longitude"], row["latitude"]]).all()


# --- how water is given (definitions of the units: NIST SP 811) -----------------------------------------------

WATER = [
    pytest.param("vwc (%)", "25", 0.25, id="percent by volume"),
    pytest.param("vwc (m3/m3)", "0.25", 0.25, id="m3/m3"),
    pytest.param("vwc (cm3/cm3)", "0.25", 0.25, id="cm3/cm3"),
    pytest.param("vwc (vol%)", "25", 0.25, id="vol%"),
    pytest.param("vwc (in/ft)", "3.0", 0.25, id="3 in/ft is a quarter by volume: Cal Poly BRAE 236"),
    pytest.param("water_depth (in)", "3.0", 0.25, id="inches of water in a foot"),
    pytest.param("water_depth (mm)", "76.2", 0.25, id="mm of water in a foot"),
    pytest.param("available_water (in)", "1.2", 0.10, id="inches of available water in a foot"),
]


@pytest.mark.parametrize(("column", "text", "content"), WATER)
def test_every_way_to_give_water(tmp_path, column, text, content):
    path = write(tmp_path, f"F1,2019-11-13,0,12,{text}", header=f"field_id,date,top (in),bottom (in),{column}")
    row = only(path)
    assert row["content"] == pytest.approx(content)
    assert row["wilting"] == pytest.approx(0.0 if "available" in column else np.nan, nan_ok=True)


@pytest.mark.parametrize(
    ("water", "density", "header"),
    [
        pytest.param("19", "1.32", "gravimetric (%),bulk_density (g/cm3)", id="19 % at 1.32: Cal Poly BRAE 236"),
        pytest.param("0.19", "82.4", "gravimetric (g/g),bulk_density (lb/ft3)", id="the same in lb/ft3"),
        pytest.param("0.19", "1320", "gravimetric (kg/kg),bulk_density (kg/m3)", id="the same in kg/m3"),
    ],
)
def test_water_by_weight_needs_the_density(tmp_path, water, density, header):
    path = write(
        tmp_path, f"F1,2019-11-13,0,12,{water},{density}", header=f"field_id,date,top (in),bottom (in),{header}"
    )
    assert only(path)["content"] == pytest.approx(0.25, abs=0.001)


def test_columns_and_units_of_the_study_file(tmp_path):
    path = write(tmp_path, "A 7;13/11/2019 08:30;0;30;0,0;22;9", header="Feld;Tag;von;bis;x1;Wasser;PWP")
    columns = {"field_id": "Feld", "date": "Tag", "top": "von", "bottom": "bis", "volumetric": "Wasser"}
    units = {"depth": "cm", "volumetric": "percent", "wilting_point": "percent"}
    row = only(path, columns=columns | {"wilting_point": "PWP"}, units=units, day_first=True)
    assert (row["field_id"], row["date"]) == ("A 7", pd.Timestamp("2019-11-13"))
    assert (row["bottom_mm"], row["content"], row["wilting"]) == pytest.approx((300.0, 0.22, 0.09))


def test_a_point_instead_of_a_field(tmp_path):
    path = write(tmp_path, "-103.1,40.2,2019-11-13,0,12,22.5", header="lon,lat,date,top (in),bottom (in),vwc (%)")
    row = only(path)
    assert (row["longitude"], row["latitude"], row["field_id"]) == (-103.1, 40.2, "")


@pytest.mark.parametrize("said", ["winter_killed", "Winter-killed", " winter  killed ", "WINTER KILLED"])
def test_options_by_any_spelling(tmp_path, said):
    assert only(write(tmp_path, f"F1,2019-11-13,0,12,{said},22.5"))["option"] == "winter_killed"
    assert only(write(tmp_path, "F1,2019-11-13,0,12,,22.5"))["option"] == "stubble"


def test_remarks_and_empty_lines_are_passed_over_and_lines_are_those_of_the_file(tmp_path):
    path = tmp_path / "water.csv"
    path.write_text(f"# a remark\n\n{HEADER}\n# another\n{GOOD}\n\n{GOOD}\n", encoding="utf-8")
    assert read_measurements(path)[0].readings["row"].tolist() == [5, 7]


# --- bad rows: each is listed with its line and reason, the good ones are kept -----------------------------------

BAD = [
    pytest.param("F1,2019-13-01,0,12,,22.5", "no valid date", id="a month that is none"),
    pytest.param("F1,last fall,0,12,,22.5", "no valid date", id="a date in words"),
    pytest.param("F1,2019-11-13,12,12,,22.5", "the lower depth is not below the upper", id="no thickness"),
    pytest.param("F1,2019-11-13,24,12,,22.5", "the lower depth is not below the upper", id="depths upside down"),
    pytest.param("F1,2019-11-13,-2,12,,22.5", "top contradicts its unit (in)", id="a depth above ground"),
    pytest.param("F1,2019-11-13,0,700,,22.5", "bottom contradicts its unit (in)", id="a depth in mm among inches"),
    pytest.param("F1,2019-11-13,0,12,,", "no number under vwc (%)", id="no water"),
    pytest.param("F1,2019-11-13,0,12,,wet", "no number under vwc (%)", id="water in words"),
    pytest.param("F1,2019-11-13,0,12,,inf", "no number under vwc (%)", id="endless water"),
    pytest.param("F1,2019-11-13,0,12,,-9999", "volumetric contradicts its unit (%)", id="a mark for missing"),
    pytest.param("F1,2019-11-13,0,12,,225", "volumetric contradicts its unit (%)", id="more than all is water"),
    pytest.param("F1,2019-11-13,0,12,rye,22.5", "no such option", id="an option that is none"),
    pytest.param(",2019-11-13,0,12,,22.5", "neither a field nor a place", id="nowhere"),
    pytest.param("F1,2019-11-13,0,12,,22,5", "the row does not have 6 cells", id="a comma too many"),
    pytest.param("F1,2019-11-13,0", "the row does not have 6 cells", id="cut short"),
]


@pytest.mark.parametrize(("line", "reason"), BAD)
def test_a_bad_row_is_listed_with_its_line_and_the_good_ones_are_kept(tmp_path, line, reason):
    found, problems = read_measurements(write(tmp_path, GOOD, line, GOOD, GOOD))
    assert len(found.readings) == 3
    assert found.rows == len(found.readings) + len(problems)
    (problem,) = problems
    assert (problem.layer, problem.where, problem.action) == ("measurements", "water.csv, line 3", "left out")
    assert problem.what.startswith(reason)


@pytest.mark.parametrize(
    ("lines", "said"), [([6], "line 6"), ([7, 6], "lines 6 to 7"), ([6, 9, 8, 7, 12, 3], "lines 3, 6 to 9, 12")]
)
def test_lines_are_named_by_ranges(lines, said):
    assert line_ranges(lines) == said
    assert sorted(lines) == lines_of(f"a, b.csv, {said}")


def test_the_gaps_of_a_sensor_are_one_problem_that_names_every_line(tmp_path):
    rows = [f"F1,2019-11-{d:02d} {h:02d}:00,0,12,,{'NA' if h < 3 else 22}" for d in range(1, 21) for h in range(24)]
    found, (problem,) = read_measurements(write(tmp_path, *rows))
    assert problem.what == "no number under vwc (%) (60 rows)"
    assert len(lines_of(problem.where)) == 60 == found.rows - len(found.readings)


@given(
    st.lists(st.sampled_from([GOOD, *(case.values[0] for case in BAD)]), min_size=4, max_size=60).map(
        lambda rows: [GOOD] * (len(rows) + 1) + rows
    )
)
def test_every_row_is_either_used_or_listed_once(tmp_path_factory, rows):
    found, problems = read_measurements(write(tmp_path_factory.mktemp("m"), *rows))
    used = set(found.readings["row"])
    listed = [line for p in problems for line in lines_of(p.where)]
    assert len(listed) == len(set(listed))
    assert used | set(listed) == set(range(2, len(rows) + 2))
    assert not used & set(listed)


# --- what stops: a unit is never guessed -------------------------------------------------------------------------

PLAIN = "field_id,date,top,bottom,vwc"
ROW = "F1,2019-11-13,0,12,22"
STOPS = [
    pytest.param(PLAIN, ROW, {"volumetric": "%"}, "depth has no unit", 'depth = "inch"', id="depth"),
    pytest.param(PLAIN, ROW, {"depth": "inch"}, "values run from 22 to 22",
                 'volumetric = "percent"', id="water without a unit: percent fits"),
    pytest.param(PLAIN, "F1,2019-11-13,0,12,0.22", {"depth": "inch"}, "volumetric has no unit",
                 'volumetric = "m3/m3"', id="water without a unit: a fraction fits"),
    pytest.param(PLAIN, ROW, {"depth": "inch", "volumetric": "m3/m3"},
                 "values run from 22 to 22", 'volumetric = "percent"', id="percent declared as a fraction"),
    pytest.param(PLAIN, "F1,2019-11-13,0,12,0.22", {"depth": "inch", "volumetric": "%"},
                 "values run from 0.22 to 0.22", 'volumetric = "m3/m3"', id="a fraction declared as percent"),
    pytest.param(PLAIN, ROW, {"depth": "kg", "volumetric": "%"}, "cannot be a unit of depth",
                 "inch", id="a mass for a depth"),
    pytest.param(PLAIN, ROW, {"depth": "inch", "volumetric": "g/g"},
                 "not one of volumetric water", "gravimetric", id="water by weight under volumetric"),
    pytest.param(PLAIN, ROW, {"depth": "inch", "volumetric": "% weight"},
                 "not one of volumetric water", "gravimetric", id="percent by weight under volumetric"),
    pytest.param(PLAIN, ROW, {"depth": "inch", "volumetric": "wetness"}, "is not a unit",
                 "percent", id="no unit at all"),
    pytest.param(PLAIN, ROW, {"water": "%"}, "has no unit to give", "volumetric", id="unknown unit key"),
    pytest.param("field_id,date,top,vwc", "F1,2019-11-13,0,22", {}, "no column for bottom", "bottom =",
                 id="no bottom"),
    pytest.param("date,top,bottom,vwc", "2019-11-13,0,12,22", {}, "where they were taken", "field_id", id="no place"),
    pytest.param("field_id,date,top,bottom", "F1,2019-11-13,0,12", {}, "no column of water", "volumetric",
                 id="no water"),
    pytest.param("field_id,date,top,bottom,vwc,water", ROW + ",3", {}, "names volumetric and water_depth", "one of",
                 id="two kinds of water"),
    pytest.param("field_id,date,top,bottom,gwc", ROW, {}, "needs the bulk density", "bulk_density",
                 id="by weight without density"),
    pytest.param("field_id,date,top,top,vwc", ROW, {}, "the same name", "Rename", id="two equal heads"),
    pytest.param(HEADER, "F1,31/12/2019,0,12,,22", {}, "month above 12", "day_first", id="day first, not said"),
    pytest.param(HEADER, "F1,never,0,12,,22", {}, "No row of the measurements can be used", "no valid date",
                 id="no row"),
]  # fmt: skip


@pytest.mark.parametrize(("header", "line", "units", "what", "fix"), STOPS)
def test_what_stops_says_what_and_how_to_go_on(tmp_path, header, line, units, what, fix):
    with pytest.raises(StudyError) as error:
        read_measurements(write(tmp_path, line, header=header), units=units)
    assert what in error.value.what
    assert fix in error.value.fix
    assert "water.csv" in error.value.where


def test_a_file_that_is_not_there_or_empty(tmp_path):
    with pytest.raises(StudyError, match="cannot be read"):
        read_measurements(tmp_path / "none.csv")
    (tmp_path / "empty.csv").write_text("# only a remark\n", encoding="utf-8")
    with pytest.raises(StudyError, match="is empty"):
        read_measurements(tmp_path / "empty.csv")


def test_a_column_that_is_not_there_names_those_that_are(tmp_path):
    with pytest.raises(StudyError, match="no column 'VWC'") as error:
        read_measurements(write(tmp_path, GOOD), columns={"volumetric": "VWC"})
    assert "vwc (%)" in error.value.fix
    with pytest.raises(StudyError, match="Unknown column of measurements: 'water'") as error:
        read_measurements(write(tmp_path, GOOD), columns={"water": "vwc (%)"})
    assert all(name in error.value.fix for name in COLUMNS)


# --- the invented county -----------------------------------------------------------------------------------------


def test_the_invented_cores_are_read_whole_and_say_that_they_are_invented():
    path = sample_dir() / "soil_water.csv"
    assert "invented" in path.read_text(encoding="utf-8").splitlines()[0].lower()
    found, problems = read_measurements(path)
    assert problems == []
    assert found.rows == len(found.readings) > 80
    assert set(found.readings["option"]) == {"stubble", "winter_killed"}
    assert found.readings["field_id"].nunique() == 6
