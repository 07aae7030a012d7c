"""Water storage added up from horizons, against the survey's own published aggregates (muaggatt)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from geo.soils.horizons import overlap_mm
from geo.soils.survey_tables import check_survey_tables
from geo.soils.table import AWC_COLUMNS, build_soil_table
from pipelines.read.soils.common import restriction_kinds, surface_table
from pipelines.read.soils.survey import find_survey_areas, read_survey_tables, read_text_table
from tests.open_data import open_data

PUBLISHED = {25: "aws025wta", 50: "aws050wta", 100: "aws0100wta", 150: "aws0150wta"}


def published(path: Path) -> pd.DataFrame:
    """Read the published aggregates of every survey area below a path, cm, index mukey."""
    parts = []
    for area in find_survey_areas(path):
        place = next(iter(area.tables.values())).parent
        for file in sorted(place.iterdir(), key=lambda p: p.name):
            if file.name.lower().endswith(("muaggatt.txt", "muaggatt.csv")):
                names = area.columns["muaggatt"] if not area.headed else None
                parts.append(read_text_table(file, names)[0])
    frame = pd.concat(parts).drop_duplicates("mukey").set_index("mukey")
    return frame[list(PUBLISHED.values())].astype(float)


def water_storage_cm(components: pd.DataFrame, horizons: pd.DataFrame) -> pd.DataFrame:
    """Add up the water of clean tables the way the survey does, cm, index mukey, one column a depth.

    Components that have a capacity are averaged by their percentage; rock without a value counts as nothing, and no
    restriction is cut.
    """
    known = horizons[horizons["awc_r"].notna()]
    out = {}
    for depth in PUBLISHED:
        inside = overlap_mm(known["hzdept_r"], known["hzdepb_r"], (0.0, depth))[:, 0]
        water = pd.Series(inside * known["awc_r"].to_numpy(float), index=known["cokey"].to_numpy())
        cm = components["cokey"].map(water.groupby(level=0).sum())
        share = components["comppct_r"].where(cm.notna(), 0.0).fillna(0.0)
        total = (cm.fillna(0.0) * share).groupby(components["mukey"]).sum()
        weight = share.groupby(components["mukey"]).sum()
        out[depth] = total / weight.where(weight > 0)
    return pd.DataFrame(out)


@pytest.mark.parametrize(
    ("sample", "with_soil", "without"),
    [("soil/az649_ssurgo", 30, 6), ("soil/co671_cdg", 4, 0)],
    ids=["SSURGO AZ649 2025 muaggatt, 36 map units", "SSURGO CO671 muaggatt, 4 map units"],
)
def test_storage_equals_the_published_aggregate(sample, with_soil, without):
    path = open_data(sample)
    tables, _ = read_survey_tables(path)
    clean, _ = check_survey_tables(tables["mapunit"], tables["component"], tables["chorizon"], None)
    ours = water_storage_cm(clean.components, clean.horizons)
    theirs = published(path).reindex(ours.index)
    seen = 0
    for depth, column in PUBLISHED.items():
        assert ours[depth].isna().equals(theirs[column].isna()), f"{column}: map units without a value differ"
        both = theirs[column].dropna().index
        seen = len(both)
        relative = (ours.loc[both, depth] - theirs.loc[both, column]).abs() / theirs.loc[both, column]
        assert (relative <= 0.05).mean() >= 0.95
        # The aggregate is published to 0.01 cm.
        assert (ours.loc[both, depth] - theirs.loc[both, column]).abs().max() <= 0.0101
    assert (seen, len(ours) - seen) == (with_soil, without)


def test_profiles_hold_what_the_survey_says_where_no_restriction_cuts():
    """Interpolate the published 100 and 150 cm values to four feet for soils of one even subsoil."""
    path = open_data("soil/az649_ssurgo")
    tables, _ = read_survey_tables(path)
    soils, problems = build_soil_table(
        *(tables[n] for n in ("mapunit", "component", "chorizon", "corestrictions")),
        restriction_kinds=restriction_kinds(),
        surface=surface_table(),
    )
    aggregate = published(path)
    profiles = soils.profiles[soils.profiles["rated"]]
    mean = (profiles[list(AWC_COLUMNS)].sum(axis=1) * profiles["weight"]).groupby(profiles["map_unit_id"]).sum()
    deep = profiles.groupby("map_unit_id")["root_limit_mm"].min() > 1219
    low, high = aggregate["aws0100wta"] * 10, aggregate["aws0150wta"] * 10
    both = [k for k in mean.index if deep[k]]
    assert len(both) == 27
    inside = [low[k] - 0.2 <= mean[k] <= high[k] + 0.2 for k in both]
    assert all(inside)
    even = [k for k in both if np.isclose(high[k], 1.5 * low[k], atol=0.2)]
    assert len(even) >= 10
    for key in even:
        assert mean[key] == pytest.approx(low[key] * 1.2192, rel=0.005)
    # 60 components in, 60 out: rated or with a reason.
    assert len(soils.profiles) == 60
    listed = [p for p in problems if p.action == "left out" and p.what.startswith("not rated")]
    assert (len(profiles), len(listed)) == (40, 20)


def test_sample_without_aggregates_matches_a_hand_calculation():
    # Iowa sample (IA015): Clarion 0-23 cm at 0.21, 23-150 cm at 0.18 cm/cm, added up by hand.
    tables, _ = read_survey_tables(open_data("soil/isuag_ia"))
    clean, _ = check_survey_tables(tables["mapunit"], tables["component"], tables["chorizon"], None)
    clarion = clean.components[clean.components["compname"] == "Clarion"]
    ours = water_storage_cm(clarion, clean.horizons).iloc[0]
    assert ours[25] == pytest.approx(23 * 0.21 + 2 * 0.18)
    assert ours[150] == pytest.approx(23 * 0.21 + 127 * 0.18)
