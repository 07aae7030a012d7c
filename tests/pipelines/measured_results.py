"""Invented measurements beside an invented run, with differences that are known, for tests of their page."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd

from geo.options import OPTIONS
from pipelines.run.measured import ALL_FEET, Measured
from pipelines.run.measured_start import COLUMNS, NUMBERS
from pipelines.run.result import StudyResult
from tests.builders import tiny_result

INCH = 25.4
# Modelled less measured of nine soundings in inches: the mean is -0.6, and seven of nine lie below zero.
DIFFERENCES = (-1.4, -0.9, -0.8, -1.1, -0.7, -0.9, -0.6, 0.5, 0.5)
DATES = ("2019-07-25", "2019-11-13", "2020-05-12")


def lines_of(where: str) -> list[int]:
    """Return the lines that the place of a problem names."""
    spans = [span.split(" to ") for span in re.sub(r".*, lines? ", "", where).split(", ")]
    return [line for span in spans for line in range(int(span[0]), int(span[-1]) + 1)]


def measured_result(
    units: str = "us", *, record: bool = True, places: int = 3, dates: tuple[str, ...] = DATES, part: bool = False
) -> StudyResult:
    """A study with soundings on its first fields, hostile names included; nine of them unless told otherwise."""
    result = tiny_result(units=units)
    fields = result.fields.iloc[:places]
    rows = []
    for k, (field_id, name) in enumerate(zip(fields["field_id"], fields["name"], strict=True)):
        for j, date in enumerate(dates):
            off = DIFFERENCES[(k * len(dates) + j) % len(DIFFERENCES)] * INCH
            option = OPTIONS[k % len(OPTIONS)] if j else "stubble"
            rows += _sounding(str(field_id), str(name), pd.Timestamp(date), option, off, record, part)
    starts = pd.DataFrame([_start(f, n, o) for f, n in zip(fields["field_id"], fields["name"], strict=True)
                           for o in OPTIONS], columns=COLUMNS)  # fmt: skip
    measured = Measured(
        pd.DataFrame(rows), starts, 4 * places * len(dates) + 2, 4 * places * len(dates), "volumetric"
    )
    return replace(result, measured=measured)


def _sounding(
    place: str, name: str, date: pd.Timestamp, option: str, off: float, record: bool, part: bool
) -> list[dict]:
    """Five rows: together, and four feet that share the difference."""
    rows = []
    for layer in (ALL_FEET, 1, 2, 3, 4):
        share = 1.0 if layer == ALL_FEET else 0.25
        mean = 120.0 * share
        rows.append(
            {
                "place": place, "longitude": np.nan, "latitude": np.nan, "date": date, "option": option, "name": name,
                "is_field": True, "after_harvest": (date - pd.Timestamp(2019, 7, 20)).days, "harvest_year": 2019,
                "layer": layer, "measured_mm": mean - off * share,
                "measured_share": 0.6 if part and layer == 4 else 1.0, "capacity_mm": 200.0 * share,
                "assumed": part, "mean_mm": mean, "p10_mm": mean - 22 * share, "p90_mm": mean + 30 * share,
                "own_mm": mean if record else np.nan,
            }
        )  # fmt: skip
    return rows


def _start(place: str, name: str, option: str) -> dict:
    numbers = {n: v for n, v in zip(NUMBERS, (100.0, 25.4, 0.3), strict=True)}
    later = {f"{n}_start": v for n, v in zip(NUMBERS, (130.0, 12.7, 0.1), strict=True)}
    return {
        "place": place, "name": name, "is_field": True, "date": pd.Timestamp("2019-07-25"), "after_harvest": 5,
        "feet": 4, "measured_mm": 101.6, "modelled_mm": 50.8, "option": option, "zone_code": 1, "zone_code_start": 4,
        **numbers, **later,
    }  # fmt: skip
