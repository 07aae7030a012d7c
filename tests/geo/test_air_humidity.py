"""The dryness of the air that covers grow in: measured where known, else by the dryness of the climate."""

from __future__ import annotations

import re

import numpy as np
import pytest
import xarray as xr

from geo.balance.simulate import pack_days
from geo.model_rules import DEFAULT_RULES, ModelRules
from geo.weather import reference_et as et
from geo.weather.air_humidity import air_vapour_pressure, growing_deficit
from tests.open_data import open_data


def weather(rain: float, **more: list[float]) -> xr.Dataset:
    """Three days at 15 to 32 degC and 6 mm of reference ET."""
    data = {"precip_mm": [rain] * 3, "tmin_c": [15.0] * 3, "tmax_c": [32.0] * 3, "et0_mm": [6.0] * 3} | more
    return xr.Dataset({k: (("cell", "time"), [v]) for k, v in data.items()})


@pytest.mark.parametrize(
    ("precip_mm", "dew_c"),
    [
        pytest.param(0.0, 12.0, id="no rain: 3 degC below the minimum [FAO-56 annex 6: 2 to 3 in dry places]"),
        pytest.param(1.2, 12.0, id="P/ET0 0.20"),
        pytest.param(2.55, 13.5, id="half way"),
        pytest.param(3.9, 15.0, id="P/ET0 0.65 [FAO-56 eq. 48: dew point at the minimum]"),
        pytest.param(12.0, 15.0, id="very wet"),
    ],
)
def test_dew_point_follows_the_climate(precip_mm: float, dew_c: float) -> None:
    found = air_vapour_pressure(weather(precip_mm))
    np.testing.assert_allclose(found, et.saturation_vapour_pressure(dew_c), rtol=1e-9)


def test_measured_vapour_pressure_goes_first_and_gaps_are_filled() -> None:
    found = air_vapour_pressure(weather(0.0, vapour_pressure_kpa=[0.9, np.nan, 1.1]))[0]
    np.testing.assert_allclose(found, [0.9, et.saturation_vapour_pressure(12.0), 1.1])


def test_a_record_without_demand_or_with_gaps_gives_numbers() -> None:
    still = weather(1.0, et0_mm=[0.0, 0.0, 0.0])
    gap = weather(1.2, precip_mm=[1.2, np.nan, 1.2])
    assert np.isfinite(growing_deficit(still)).all()
    np.testing.assert_allclose(air_vapour_pressure(gap), et.saturation_vapour_pressure(12.0))


def test_deficit_by_hand() -> None:
    """e(15) = 1.705, e(32) = 4.755, e(12) = 1.403 kPa: 1.705 + 0.66 x 3.050 - 1.403 [FAO-56 eq. 11]."""
    assert growing_deficit(weather(0.0))[0] == pytest.approx([2.315] * 3, abs=0.002)
    whole_day = growing_deficit(weather(0.0), ModelRules(daytime_share=0.5))[0]
    assert whole_day == pytest.approx([0.5 * (1.705 + 4.755) - 1.403] * 3, abs=0.002), "FAO-56 eq. 12"


def test_the_balance_reads_it() -> None:
    days = weather(0.0)
    np.testing.assert_allclose(pack_days(days)["vpd_kpa"], growing_deficit(days))
    drier = pack_days(days, ModelRules(dewpoint_offset_c=4.0))["vpd_kpa"]
    assert (drier > pack_days(days)["vpd_kpa"]).all()


def measured() -> np.ndarray:
    """Month, Tmax, Tmin, vapour pressure, least humidity of a year of the Limited Irrigation Research Farm."""
    text = open_data("soilwater/lirf2022/LIRF.wth").read_text(encoding="utf-8")
    rows = [line.split() for line in text.splitlines() if re.match(r"2022-\d{3}", line)]
    day = np.array([int(r[0][5:]) for r in rows])
    month = (np.datetime64("2022-01-01") + day - 1).astype("datetime64[M]").astype(int) % 12 + 1
    return np.column_stack([month, [[float(r[k]) for k in (2, 3, 4, 7)] for r in rows]])


def test_deficit_without_humidity_is_that_of_a_station_with_it() -> None:
    """Daytime mean 0.66 of the largest deficit, measured near Greeley, Colorado, May to October 2022 [USDA-ARS]."""
    month, tmax, tmin, _, least_humidity = measured().T
    season = (month >= 5) & (month <= 10)
    largest = et.saturation_vapour_pressure(tmax) * (1.0 - least_humidity / 100.0)
    days = xr.Dataset(
        {
            "tmin_c": (("cell", "time"), tmin[None]), "tmax_c": (("cell", "time"), tmax[None]),
            "precip_mm": (("cell", "time"), np.full((1, len(tmin)), 0.25)),
            "et0_mm": (("cell", "time"), np.ones((1, len(tmin)))),
        }
    )  # fmt: skip
    ours = growing_deficit(days)[0]
    assert ours[season].mean() == pytest.approx(0.66 * largest[season].mean(), rel=0.10)
    by_whole_day = growing_deficit(days, ModelRules(daytime_share=0.5))[0]
    assert by_whole_day[season].mean() < 0.85 * 0.66 * largest[season].mean(), "24 hours understate the daytime"


def test_offset_is_that_of_a_station() -> None:
    """Dew point below the minimum, April to October, near Greeley, Colorado, 2022 [USDA-ARS]: 3.2 degC."""
    month, _, tmin, vapour, _ = measured().T
    season = (month >= 4) & (month <= 10)
    logs = np.log(vapour / 0.6108)
    dew = 237.3 * logs / (17.27 - logs)
    offset = float((tmin - dew)[season].mean())
    assert 2.0 <= offset <= 4.0
    assert offset == pytest.approx(DEFAULT_RULES.dewpoint_offset_c, abs=0.5)
