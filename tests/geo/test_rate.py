"""Places of any kind are weighted sums of units: sites, fields and what is said of them."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st
from scipy.sparse import csr_matrix

from geo.ground import ResponseUnits
from geo.options import COVERS, OPTIONS
from geo.rating import (
    NOT_RATED,
    ZONE_NAMES,
    Rating,
    Ruled,
    ZoneRules,
    find_zones,
    margins,
    place_means,
    rate,
    site_weights,
    test_values,
)
from geo.rating.fields import widest_zone
from geo.rating.spring_rule import CURVES, LINES
from geo.rating.verdicts import Limits

RULES = Ruled(ZoneRules(), ZoneRules())
GOOD = {"cover_ok_years": 0.95, "winterkill_years": 1.0, "survival_years": 0.9, "shortfall_years": 0.05}


def units_of(*units: dict[str, dict[str, float]], lines: bool = True) -> xr.Dataset:
    """Return outcomes of units on which every cover passes, but for the numbers given by cover; gaps in mm."""
    n = len(units)
    data: dict[str, np.ndarray] = {name: np.full((n, 4), value) for name, value in GOOD.items()}
    gap = np.tile([0.0, 10.0, 10.0, 20.0], (n, 1))
    for k, unit in enumerate(units):
        for cover, changes in unit.items():
            for name, value in changes.items():
                (gap if name == "gap" else data[name])[k, OPTIONS.index(cover)] = value
    capacity = 100.0 * (1 + np.arange(n))
    stats = np.array([0.0, -5.0, 5.0])
    uo, uos = ("unit", "option"), ("unit", "option", "stat")
    cube = {
        "planting_gap_mm": gap,
        "planting_water_mm": 0.8 * capacity[:, None] - gap,
        "fall_gap_mm": 2.0 * gap,
        "biomass_kg_ha": 100.0 * gap,
        "ground_cover": gap / 100,
    }
    values = {name: (uo, v) for name, v in data.items()}
    values |= {name: (uos, v[:, :, None] + stats) for name, v in cube.items()}
    values |= {
        "capacity_mm": ("unit", capacity),
        "precip_mm": ("unit", 400.0 + 100 * np.arange(n)),
        "first_freeze_day": (("unit", "quantile"), np.tile([260.0, 270.0, 280.0], (n, 1))),
        "termination_gap_mm": (("unit", "ladder"), gap[:, 2:]),
        "termination_shortfall": (("unit", "ladder"), data["shortfall_years"][:, 2:]),
        "early_growth_kg_ha": ("unit", np.full(n, 1000.0)),
        "late_growth_kg_ha": ("unit", np.full(n, 3000.0)),
        **{f"spring_rule_{k}": ("unit", np.full(n, 1.0)) for k in ("early_years", "shortfall_years", "gap_mm")},
        **{f"spring_rule_{k}": ("unit", np.full(n, 1.0)) for k in ("water_mm", "growth_kg_ha")},
    }
    line = np.array(LINES)
    curves = {"line_growth_kg_ha": 3000.0 - 2000.0 * line, "line_early_years": line, "line_gap_mm": 0.0 * line}
    values |= {name: (("unit", "line"), np.tile(v, (n, 1))) for name, v in curves.items()}
    late = data["shortfall_years"][:, [3]]
    values["line_shortfall_years"] = (("unit", "line"), late * (1.0 - line))
    assert set(CURVES) | {"early_growth_kg_ha", "capacity_mm"} <= set(values)
    coords = {
        "unit": np.arange(n), "option": list(OPTIONS), "stat": ["mean", "p10", "p90"], "quantile": [0.1, 0.5, 0.9],
        "ladder": [100, 120], "line": list(LINES),
    }  # fmt: skip
    return xr.Dataset(values, coords=coords)


def ground_of(site_units: list[tuple[int, int, float]], rated: list[float], reasons: list[str]) -> ResponseUnits:
    n = len(rated)
    return ResponseUnits(
        units=pd.DataFrame({"profile_id": list("abcdef"), "cell": 0}),
        sites=pd.DataFrame({"map_unit_id": list(map(str, range(n))), "rated_share": rated, "reason": reasons}),
        site_units=pd.DataFrame(site_units, columns=["site", "unit", "weight"]),
        site_raster=np.zeros((1, 1), np.int32),
    )


def rated(
    by_unit: xr.Dataset,
    coverage: list[list[float]],
    *,
    irrigated: list[bool] | None = None,
    site_units: list[tuple[int, int, float]] | None = None,
    share: list[float] | None = None,
    reasons: list[str] | None = None,
    members: list[np.ndarray] | None = None,
) -> Rating:
    """Rate fields that are made of sites in given shares; by default each unit is a site."""
    shares = csr_matrix(np.atleast_2d(np.asarray(coverage, float)))
    n_fields, n_sites = shares.shape
    pairs = site_units or [(k, k, 1.0) for k in range(by_unit.sizes["unit"])]
    ground = ground_of(pairs, share or [1.0] * n_sites, reasons or [""] * n_sites)
    units = pd.DataFrame({"profile_id": list("abcdef")[: by_unit.sizes["unit"]], "cell": 0})
    fields = gpd.GeoDataFrame(
        {"field_id": [f"f{k}" for k in range(n_fields)], "irrigated": irrigated or [False] * n_fields},
        geometry=[shapely.box(0, 0, 1, 1)] * n_fields,
        crs="EPSG:5070",
    )
    ground = ResponseUnits(units, ground.sites, ground.site_units, ground.site_raster)
    return rate(by_unit, ground, fields, shares, RULES, members or [], np.full(n_fields, 2.0))


THIRSTY = {"gap": 80.0, "shortfall_years": 0.5}
DRY = dict.fromkeys(COVERS, THIRSTY)  # stubble_water
MIDDLE = {"overwinter_early": THIRSTY, "overwinter_late": THIRSTY}  # winter_killed
WET: dict[str, dict[str, float]] = {}  # either


def test_a_field_is_judged_by_its_own_means():
    """Half thirsty, half wet ground: gap (80 + 10) / 2 = 45 mm fails; a quarter thirsty: 27.5 mm and 0.1625 pass."""
    found = rated(units_of(DRY, WET), [[0.5, 0.5], [0.25, 0.75], [1.0, 0.0]]).table
    assert found["zone"].tolist() == ["stubble_water", "either", "stubble_water"]
    assert found["planting_gap_mm_winter_killed"].tolist() == pytest.approx([45.0, 27.5, 80.0])
    assert found["shortfall_years_winter_killed"].tolist() == pytest.approx([0.275, 0.1625, 0.5])
    assert found["share_stubble_water"].tolist() == pytest.approx([0.5, 0.25, 1.0])
    assert found["largest_zone"].tolist() == ["stubble_water", "either", "stubble_water"], "a tie goes to the drier"


def test_verdicts_of_a_field_say_how_much_of_its_ground_passes():
    found = rated(units_of(DRY, WET, MIDDLE), [[0.2, 0.5, 0.2]])
    gap = found.fields.verdicts.sel(test="gap", field=0)
    assert gap["share"].sel(cover="winter_killed") == pytest.approx(0.7), "of the whole field, 0.1 of it unknown"
    assert gap["share"].sel(cover="overwinter_late") == pytest.approx(0.5)
    value = (0.2 * 80 + 0.7 * 10) / 0.9
    assert gap["value"].sel(cover="winter_killed") == pytest.approx(round(value, 1), abs=1e-9)
    row = found.table.iloc[0]
    # ended early: gap (0.4 * 80 + 0.5 * 10) / 0.9 = 41.1 mm misses by 8 %, shortfall 0.225 / 0.9 = 0.25 by 25 %
    assert (row["zone"], row["limiting_option"]) == ("winter_killed", "overwinter_early")
    assert row["limiting_test"] == "shortfall"
    assert row["margin"] == pytest.approx(0.1 / 0.9), "of the answer: its winter test, 1.0 where 0.9 is asked"
    assert row["largest_zone"] == "either"
    assert row["largest_zone_share"] == pytest.approx(0.5)
    assert row["zone_share"] == pytest.approx(0.2)
    assert row["rated_share"] == pytest.approx(0.9)
    assert sum(row[f"share_{z}"] for z in ZONE_NAMES.values()) == pytest.approx(0.9)


shares = st.lists(st.floats(0.01, 1.0), min_size=4, max_size=4)


@given(shares, shares, st.floats(0.0, 1.0))
def test_parts_add_up_to_the_whole(one, other, split):
    """Whatever the shares: gap = stubble - cover, water <= capacity, and a field is the mean of its halves."""
    by_unit = units_of(DRY, WET, MIDDLE, {"winter_killed": {"gap": -7.0}})
    a, b = (np.array(s) / sum(s) for s in (one, other))
    table = rated(by_unit, [a, b, split * a + (1 - split) * b]).table
    for option in OPTIONS:
        gap = table["planting_water_mm_stubble"] - table[f"planting_water_mm_{option}"]
        np.testing.assert_allclose(table[f"planting_gap_mm_{option}"], gap, atol=1e-4)
        assert (table[f"planting_water_mm_{option}"] <= table["capacity_mm"]).all()
    for name in ("planting_water_mm_stubble", "shortfall_years_overwinter_late", "capacity_mm", "precip_mm"):
        whole = split * table[name][0] + (1 - split) * table[name][1]
        assert table[name][2] == pytest.approx(whole, rel=1e-5, abs=1e-5)


def test_components_of_a_site_and_sites_of_a_field_weigh_alike():
    """A map unit of two soils is the same ground as two map units of one soil each in the same shares."""
    by_unit = units_of(DRY, WET)
    mixed = rated(by_unit, [[1.0]], site_units=[(0, 0, 0.3), (0, 1, 0.7)]).table
    apart = rated(by_unit, [[0.3, 0.7]]).table
    for name in ("zone", "margin", "capacity_mm", "planting_gap_mm_winter_killed", "limiting_test"):
        assert mixed[name].tolist() == apart[name].tolist(), name


@pytest.mark.parametrize(("share", "zone"), [(0.49, "not_rated"), (0.5, "either"), (0.0, "not_rated")])
def test_below_half_rated_a_field_is_not_rated(share, zone):
    found = rated(units_of(WET), [[share, 1 - share]], share=[1.0, 0.2], reasons=["", "water"]).table.iloc[0]
    assert found["zone"] == zone
    if zone == "not_rated":
        assert np.isnan(found["planting_water_mm_stubble"])
        assert np.isnan(found["margin"])
        assert found["recommended_option"] == found["limiting_factor"] == ""
        assert found["reason"] == "water"
        assert found["zone_share"] == found["largest_zone_share"] == pytest.approx(1 - share)
    else:
        assert found["reason"] == ""


def test_a_field_off_the_soil_map_says_so():
    found = rated(units_of(WET), [[0.0, 0.0], [0.1, 0.2]], share=[1.0, 0.0], reasons=["", "rock"]).table
    assert found["reason"].tolist() == ["outside the soil map", "outside the soil map"]
    assert found["rated_share"].tolist() == pytest.approx([0.0, 0.1])


def test_a_site_with_too_little_rated_soil_says_nothing():
    """Its small rated part must not stand for the rest of a field."""
    by_unit = units_of(DRY, WET)
    found = rated(by_unit, [[0.4, 0.6]], share=[0.3, 1.0], reasons=["", ""]).table.iloc[0]
    assert found["zone"] == "either"
    assert found["planting_gap_mm_winter_killed"] == pytest.approx(10.0)
    assert found["rated_share"] == pytest.approx(0.6)


def test_an_irrigated_field_is_rated_under_its_own_rule_and_its_neighbour_is_not():
    found = rated(units_of(DRY, WET), [[0.7, 0.3], [0.7, 0.3]], irrigated=[True, False])
    assert found.table["zone"].tolist() == ["either", "stubble_water"]
    assert found.table["share_either"].tolist() == pytest.approx([1.0, 0.3])
    water = found.fields.verdicts.sel(test=["gap", "shortfall"])
    assert water["waived"].values.all(axis=(1, 2)).tolist() == [True, False]
    assert water["share"].sel(field=0).values == pytest.approx(1.0)


def test_agreement_counts_the_sets_in_which_the_field_keeps_its_zone():
    by_unit = units_of(DRY, WET)
    same, thirstier = test_values(by_unit), test_values(units_of(DRY, DRY))
    found = rated(by_unit, [[0.1, 0.9], [1.0, 0.0]], members=[same, thirstier, same, thirstier])
    assert found.table["agreement"].tolist() == [0.5, 1.0]
    assert found.sites.table["agreement"].tolist() == [1.0, 0.5]
    assert np.isnan(rated(by_unit, [[1.0, 0.0]]).table["agreement"]).all(), "nothing is known without other sets"


@pytest.mark.parametrize(
    ("shares", "late", "irrigated", "line"),
    [
        pytest.param([1, 0], 0.6, False, 0.7, id="0.6 (1 - 0.7) = 0.18 of years"),
        pytest.param([0, 1], 0.6, False, 0.5, id="0.4 (1 - 0.5) = 0.2, exactly at the limit"),
        pytest.param([0.5, 0.5], 0.6, False, 0.6, id="half of each: 0.5 (1 - 0.6), the field's own means decide"),
        pytest.param([0.4, 0.4], 0.6, False, 0.6, id="unknown ground does not count"),
        pytest.param([1, 0], 0.1, False, np.nan, id="growing on every year keeps the limits"),
        pytest.param([1, 0], 0.6, True, np.nan, id="water can be added"),
    ],
)
def test_the_line_of_a_field(shares, late, irrigated, line):
    units = [{"overwinter_late": {"shortfall_years": v}} for v in (late, late * 2 / 3)]
    found = rated(units_of(*units), [shares], irrigated=[irrigated]).table.iloc[0]
    np.testing.assert_allclose(found["spring_line_share"], line, atol=1e-6)
    np.testing.assert_allclose(found["spring_line_mm"], line * found["capacity_mm"], rtol=1e-6)


def test_means_ignore_unknown_ground():
    coverage = csr_matrix([[0.5, 0.25, 0.25], [0.0, 0.0, 1.0]])
    np.testing.assert_allclose(place_means(coverage, [1.0, 4.0, np.nan]), [2.0, np.nan])
    np.testing.assert_allclose(
        place_means(coverage, [[1.0, 0.0], [4.0, 3.0], [np.nan, 8.0]]), [[2.0, 2.75], [np.nan, 8.0]]
    )


def test_the_widest_zone_ignores_noise():
    shares = np.zeros((2, 8))
    shares[0, [2, 6]] = 0.1 + 0.2, 0.3
    shares[1, [1, 5]] = 0.45, 0.55
    assert widest_zone(shares).tolist() == [2, 5]


@given(st.integers(0, 2**32 - 1))
def test_zones_of_sites_do_not_depend_on_how_places_are_made(seed):
    """Judged as sites, as fields that cover one site each, or from bare arrays: the same zone and margin."""
    rng = np.random.default_rng(seed)
    n = 5
    changes = [
        {c: {"gap": float(rng.uniform(0, 80)), "shortfall_years": float(rng.uniform(0, 0.5)),
             "cover_ok_years": float(rng.uniform(0.5, 1))} for c in COVERS}
        for _ in range(n)
    ]  # fmt: skip
    by_unit = units_of(*changes)
    found = rated(by_unit, np.eye(n).tolist())
    limits = Limits.of(RULES.dryland, RULES.irrigated, np.zeros(n, bool))
    bare = find_zones(margins(test_values(by_unit.astype(np.float32)), limits), np.ones(n, bool))
    for table in (found.sites.table, found.fields.table):
        assert table["zone_code"].tolist() == bare.code.tolist()
        np.testing.assert_array_equal(table["margin"].to_numpy(), bare.margin)
    assert NOT_RATED not in bare.code


def test_a_study_without_fields_has_sites_alone():
    found = rated(units_of(DRY, WET), np.zeros((0, 2)))  # type: ignore[arg-type]
    assert len(found.table) == 0
    assert found.fields.verdicts.sizes["field"] == 0
    assert found.sites.table["zone"].tolist() == ["stubble_water", "either"]


def test_weights_of_a_site_sum_to_one_or_to_nothing():
    ground = ground_of([(0, 0, 0.4), (0, 1, 0.6), (1, 1, 1.0)], [1.0, 0.3], ["", ""])
    assert np.asarray(site_weights(ground, 0.5).sum(axis=1)).ravel().tolist() == [1.0, 0.0]
