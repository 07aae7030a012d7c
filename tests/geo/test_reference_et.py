"""What `daily_et0` fills, from what, and what it says about it."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from geo.errors import StudyError
from geo.weather import reference_et as et
from geo.weather.air_humidity import dewpoint_offset, vapour_pressure_deficit


def july(days: int = 4, **extra: object) -> xr.Dataset:
    """Return a few July days of one cell."""
    shape = (1, days)
    data = {
        "precip_mm": (("cell", "time"), np.zeros(shape, "float32")),
        "tmin_c": (("cell", "time"), np.full(shape, 14.0, "float32")),
        "tmax_c": (("cell", "time"), np.full(shape, 32.0, "float32")),
    }
    for name, value in extra.items():
        data[name] = (("cell", "time"), np.broadcast_to(np.asarray(value, "float32"), shape).copy())
    return xr.Dataset(
        data,
        coords={
            "month": ("time", np.full(days, 7)),
            "day": ("time", np.full(days, 15)),
            "year": ("time", np.arange(1, days + 1)),
            "latitude": ("cell", [41.2]),
            "elevation_m": ("cell", [1300.0]),
        },
    )


def test_temperatures_only() -> None:
    out = et.daily_et0(july())
    np.testing.assert_allclose(out["et0_mm"], 6.62, atol=0.01)
    assert out.attrs["et0_method"] == "Hargreaves-Samani (FAO-56 eq 52)"
    assert out["et0_mm"].attrs["units"] == "mm"
    assert out["et0_mm"].dtype == np.float32
    assert out["et0_mm"].dims == ("cell", "time")


def test_full_inputs_then_fall_back() -> None:
    wind = np.array([[3.0, 3.0, np.nan, 3.0]])
    out = et.daily_et0(
        july(
            solar_mj_m2_day=27.68,
            vapour_pressure_kpa=float(et.saturation_vapour_pressure(12.0)),
            wind_m_s=wind,
        )
    )
    np.testing.assert_allclose(out["et0_mm"].values[0], [7.09, 7.09, 6.62, 7.09], atol=0.01)
    assert (
        out.attrs["et0_method"] == "Penman-Monteith (FAO-56 eq 6) on 3 of 4 cell days; "
        "Hargreaves-Samani (FAO-56 eq 52) on 1 of 4 cell days"
    )


def test_own_values_win() -> None:
    out = et.daily_et0(july(et0_mm=np.array([[5.0, np.nan, 5.5, 5.0]])))
    np.testing.assert_allclose(out["et0_mm"].values[0], [5.0, 6.62, 5.5, 5.0], atol=0.01)
    assert out.attrs["et0_method"].startswith("the dataset's own reference ET on 3 of 4")


def test_missing_day_stays_missing() -> None:
    weather = july()
    weather["tmax_c"][0, 2] = np.nan
    assert np.isnan(et.daily_et0(weather)["et0_mm"].values[0]).tolist() == [False, False, True, False]


def test_missing_latitude_is_an_error() -> None:
    with pytest.raises(StudyError, match="latitude"):
        et.daily_et0(july().drop_vars("latitude"))


def test_polar_night_and_day() -> None:
    assert float(et.extraterrestrial_radiation(75.0, 355)) == pytest.approx(0.0, abs=1e-9)
    assert float(et.sunset_hour_angle(75.0, 355)) == 0.0
    assert float(et.sunset_hour_angle(75.0, 172)) == pytest.approx(np.pi)


def test_day_number() -> None:
    assert et.day_number([1, 2, 3, 12], [1, 29, 1, 31]).tolist() == [1, 60, 60, 365]


@given(
    tmin=st.floats(-40, 30),
    spread=st.floats(0, 30),
    latitude=st.floats(-65, 65),
    day=st.integers(1, 365),
    wind=st.floats(0, 12),
    humidity=st.floats(0.1, 1.0),
)
def test_never_negative_and_wind_raises_it_in_dry_air(
    tmin: float, spread: float, latitude: float, day: int, wind: float, humidity: float
) -> None:
    tmax = tmin + spread
    ra = et.extraterrestrial_radiation(latitude, day)
    rs = np.minimum(et.solar_from_temperature(tmin, tmax, ra), et.clear_sky_radiation(500.0, ra))
    ea = humidity * et.saturation_vapour_pressure(tmin)
    calm = et.penman_monteith_daily(tmin, tmax, rs, ea, 0.0, 500.0, ra)
    windy = et.penman_monteith_daily(tmin, tmax, rs, ea, wind, 500.0, ra)
    assert np.isfinite(calm)
    assert calm >= 0
    assert windy >= 0
    assert et.hargreaves_samani(tmin, tmax, ra) >= 0
    whole_day, daytime = (vapour_pressure_deficit(tmin, tmax, ea, share) for share in (0.5, 0.66))
    assert daytime >= whole_day >= 0


@pytest.mark.parametrize(("index", "offset"), [(0.1, 3.0), (0.2, 3.0), (0.425, 1.5), (0.65, 0.0), (1.2, 0.0)])
def test_dewpoint_offset(index: float, offset: float) -> None:
    """FAO-56 annex 6: none where watered, 2 to 3 C in dry country."""
    assert float(dewpoint_offset(index)) == pytest.approx(offset)
