"""Years of daily weather from monthly normals.

A generator of the Richardson (1981) type: wet and dry days follow a two-state Markov chain, wet-day
amounts a gamma distribution (parameters after Geng et al. 1986), temperatures vary about smooth means
with persistent, correlated residuals and differ between wet and dry days. All cells share the same
random numbers, so two neighbours differ by climate, never by luck.

Plain daily generators make years too alike. A slow factor on the months' wetness (on by default, see
`Slow`) brings the spread of annual precipitation to what long records show.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import xarray as xr

from geo.errors import StudyError
from geo.season import MONTH_DAYS
from geo.weather.generated_et0 import et0_source, generated_et0
from geo.weather.month_curve import (
    DAY_OF_MONTH,
    DAYS,
    MONTH_OF_DAY,
    by_month_steps,
    daily_curve,
    month_average,
    month_means,
    positive_daily_curve,
)
from geo.weather.monthly_normals import check_normals, optional_normal, wet_day_fraction
from geo.weather.residuals import (
    WET_DAY_OFFSET_TMIN_C,
    default_tmax_sd,
    default_tmin_sd,
    residual_series,
    wet_day_offset_tmax,
)
from geo.weather.wet_days import (
    GENG_PERSISTENCE,
    WET_DAY_MM,
    draw_wet_days,
    gamma_amounts,
    slow_series,
)

MIN_RANGE_C = 0.5
"""Smallest difference of a day's maximum and minimum, C."""

FIT_YEARS = 10
"""Draws this long or longer are fitted, as a whole, to the normals; shorter ones are left as drawn."""

_CELLS_AT_ONCE = 32


@dataclass(frozen=True, slots=True)
class Slow:
    """Slow wetness factor: monthly, lognormal with mean 1, first-order autoregressive, one series for all cells.

    Attributes
    ----------
    log_sd : float
        Standard deviation of its logarithm; 0 switches it off.
    persistence : float
        Correlation from one month to the next.
    on_days : float
        Share of the logarithm that changes how many days are wet; the rest changes how much falls on them.
    tmax_c : float
        Maximum temperature shift (C) for one standard deviation towards dry: dry months are warmer.

    Notes
    -----
    Status of the defaults: fitted here so that the mean over nine daily records of Nebraska (1982 to 2018)
    of the annual coefficient of variation, of the monthly variance and of the correlation between monthly
    precipitation and maximum temperature come out as recorded; see the tests for the numbers.
    """

    log_sd: float = 0.28
    persistence: float = 0.40
    on_days: float = 0.6
    tmax_c: float = 1.0


@dataclass(frozen=True, slots=True)
class GeneratorSettings:
    """What may be changed about the generator.

    Attributes
    ----------
    slow : Slow
        The slow wetness factor.
    fit : bool
        Fit a draw of `FIT_YEARS` or more, as a whole, to the normals.
    """

    slow: Slow = field(default_factory=Slow)
    fit: bool = True


def generate_daily(
    normals: xr.Dataset, years: int, seed: int, settings: GeneratorSettings | None = None
) -> xr.Dataset:
    """Return `years` synthetic years of 365 days for every cell of the monthly normals.

    Parameters
    ----------
    normals : xarray.Dataset
        Monthly normals, dims ``(cell, month)``: `precip_mm` (per month), `tmin_c`, `tmax_c`; optional
        `wet_day_fraction`, `wet_day_persistence` (lag-1 correlation of wet days), `et0_mm` (per month),
        `tmin_sd_c`, `tmax_sd_c`, `wind_m_s` (at 2 m), `vapour_pressure_kpa`, `solar_mj_m2_day`.
        Coordinates on ``cell``: `latitude`, optional `longitude`, `elevation_m`.
    years : int
        Number of years.
    seed : int
        The same seed, normals and settings give the same days.
    settings : GeneratorSettings, optional
        See there.

    Returns
    -------
    xarray.Dataset
        Daily weather, dims ``(cell, time)``, float32 `precip_mm`, `tmin_c`, `tmax_c`, `et0_mm`; years are
        numbered from 1. `attrs` say what was estimated for want of data. From `FIT_YEARS` up, monthly
        means over all years equal the normals; single years vary freely.

    Raises
    ------
    StudyError
        When a normal is missing or impossible.
    """
    settings = settings or GeneratorSettings()
    if years < 1:
        raise StudyError("The number of years must be 1 or more", "years", "Give years = 30, for example.")
    check_normals(normals)
    normals = normals.transpose("cell", "month", ...).sortby("month")
    wet_rng, amount_rng, residual_rng, slow_rng = (
        np.random.Generator(np.random.PCG64(s)) for s in np.random.SeedSequence(seed).spawn(4)
    )
    days = years * DAYS
    shared = _Shared(
        years=years,
        wet_uniform=wet_rng.random(days),
        amount_uniform=amount_rng.random(days),
        residuals=residual_series(days, residual_rng)[:, :2],
        z=slow_series(years, settings.slow.persistence, slow_rng),
        settings=settings,
    )
    cells = normals.sizes["cell"]
    names = ("precip_mm", "tmin_c", "tmax_c", "et0_mm")
    out = {name: np.empty((cells, days), dtype="float32") for name in names}
    for start in range(0, cells, _CELLS_AT_ONCE):
        part = slice(start, start + _CELLS_AT_ONCE)
        for name, values in zip(names, _draw(normals.isel(cell=part), shared), strict=True):
            out[name][part] = values
    return _dataset(out, normals, years, seed, settings)


@dataclass(frozen=True, slots=True)
class _Shared:
    """Random numbers that every cell uses."""

    years: int
    wet_uniform: np.ndarray
    amount_uniform: np.ndarray
    residuals: np.ndarray
    z: np.ndarray
    settings: GeneratorSettings

    @property
    def fitted(self) -> bool:
        return self.settings.fit and self.years >= FIT_YEARS

    def z_by_day(self) -> np.ndarray:
        month = np.tile(MONTH_OF_DAY, self.years) + 12 * np.repeat(np.arange(self.years), DAYS)
        return self.z[month]


def _draw(normals: xr.Dataset, shared: _Shared) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    share = wet_day_fraction(normals)
    persistence = np.clip(
        optional_normal(normals, "wet_day_persistence", np.full_like(share, GENG_PERSISTENCE)), 0.0, 0.9
    )
    wet = _wet_days(share, persistence, shared)
    precip = _amounts(normals, share, wet, shared)
    tmin, tmax = _temperatures(normals, share, wet, shared)
    return precip, tmin, tmax, generated_et0(normals, tmin, tmax, shared.years, exact=shared.fitted)


def _wet_days(share: np.ndarray, persistence: np.ndarray, shared: _Shared) -> np.ndarray:
    slow = shared.settings.slow
    sd = slow.log_sd * slow.on_days
    factor = np.exp(sd * shared.z_by_day() - sd**2 / 2.0)
    by_day = persistence[:, MONTH_OF_DAY]
    asked = share.copy()
    wet = draw_wet_days(shared.wet_uniform, positive_daily_curve(asked), factor, by_day)
    for _ in range(4 if shared.fitted else 0):
        got = month_average(wet.astype("float64"), shared.years)
        ratio = np.divide(share, got, out=np.full_like(share, 2.0), where=got > 0)
        asked = np.where(share > 0, np.minimum(asked * np.clip(ratio, 0.5, 2.0), 0.98), 0.0)
        wet = draw_wet_days(shared.wet_uniform, positive_daily_curve(asked), factor, by_day)
    return wet


def _amounts(normals: xr.Dataset, share: np.ndarray, wet: np.ndarray, shared: _Shared) -> np.ndarray:
    years, slow = shared.years, shared.settings.slow
    normal = normals["precip_mm"].values.astype("float64") / MONTH_DAYS
    mean_wet = np.divide(normal, share, out=np.zeros_like(normal), where=share > 0)
    mean_by_day = np.tile(positive_daily_curve(mean_wet), (1, years))
    sd = slow.log_sd * (1.0 - slow.on_days)
    factor = np.exp(sd * shared.z_by_day() - sd**2 / 2.0)

    precip = np.zeros(wet.shape)
    uniform = np.broadcast_to(shared.amount_uniform, wet.shape)
    precip[wet] = gamma_amounts(uniform[wet], mean_by_day[wet]) * np.broadcast_to(factor, wet.shape)[wet]
    precip = np.where(wet, np.maximum(precip, WET_DAY_MM), 0.0)
    for _ in range(4 if shared.fitted else 0):
        got = month_average(precip, years)
        ratio = np.divide(normal, got, out=np.ones_like(normal), where=got > 0)
        precip = precip * by_month_steps(np.clip(ratio, 0.25, 4.0), years)
        precip = np.where(wet, np.maximum(precip, WET_DAY_MM), 0.0)
    return precip


def _temperatures(
    normals: xr.Dataset, share: np.ndarray, wet: np.ndarray, shared: _Shared
) -> tuple[np.ndarray, np.ndarray]:
    years, slow = shared.years, shared.settings.slow
    tmin_normal = normals["tmin_c"].values.astype("float64")
    tmax_normal = normals["tmax_c"].values.astype("float64")
    wet_less_mean = wet - np.tile(positive_daily_curve(share), (1, years))
    z = shared.z_by_day()

    def one(
        normal: np.ndarray, sd: np.ndarray, offset: np.ndarray, residual: np.ndarray, shift_c: float
    ) -> np.ndarray:
        mean = daily_curve(normal)
        inside = month_means(mean**2) - normal**2
        other = share * (1.0 - share) * offset**2 + inside + shift_c**2
        left = np.sqrt(np.maximum(sd**2 - other, (0.5 * sd) ** 2))
        swing = np.maximum(np.tile(daily_curve(left), (1, years)), 0.0)
        steps = np.tile(daily_curve(offset), (1, years))
        return np.tile(mean, (1, years)) + steps * wet_less_mean + swing * residual - shift_c * z

    tmax = one(
        tmax_normal,
        optional_normal(normals, "tmax_sd_c", default_tmax_sd(tmax_normal)),
        wet_day_offset_tmax(tmax_normal),
        shared.residuals[:, 0],
        slow.tmax_c if slow.log_sd > 0 else 0.0,
    )
    tmin = one(
        tmin_normal,
        optional_normal(normals, "tmin_sd_c", default_tmin_sd(tmin_normal)),
        np.full_like(tmin_normal, WET_DAY_OFFSET_TMIN_C),
        shared.residuals[:, 1],
        0.0,
    )
    tmin, tmax = _keep_range(tmin, tmax)
    for _ in range(3 if shared.fitted else 0):
        tmin = tmin + by_month_steps(tmin_normal - month_average(tmin, years), years)
        tmax = tmax + by_month_steps(tmax_normal - month_average(tmax, years), years)
        tmin, tmax = _keep_range(tmin, tmax)
    return tmin, tmax


def _keep_range(tmin: np.ndarray, tmax: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Part a maximum and minimum that come too close, about their mean."""
    middle = (tmin + tmax) / 2.0
    half = np.maximum((tmax - tmin) / 2.0, (MIN_RANGE_C + 1e-4) / 2.0)
    return middle - half, middle + half


def _dataset(
    values: dict[str, np.ndarray], normals: xr.Dataset, years: int, seed: int, settings: GeneratorSettings
) -> xr.Dataset:
    units = {
        "precip_mm": ("mm", "precipitation"),
        "tmin_c": ("degC", "minimum air temperature"),
        "tmax_c": ("degC", "maximum air temperature"),
        "et0_mm": ("mm", "grass reference evapotranspiration"),
    }
    data = {
        name: (("cell", "time"), array, {"units": units[name][0], "long_name": units[name][1]})
        for name, array in values.items()
    }
    coords: dict[str, tuple[str, np.ndarray]] = {
        "year": ("time", np.repeat(np.arange(1, years + 1), DAYS)),
        "month": ("time", np.tile(MONTH_OF_DAY + 1, years)),
        "day": ("time", np.tile(DAY_OF_MONTH, years)),
    }
    for name in ("cell", "latitude", "longitude", "elevation_m"):
        if name in normals.coords and normals[name].dims == ("cell",):
            coords[name] = ("cell", normals[name].values)
    estimated = [n for n in ("wet_day_fraction", "tmin_sd_c", "tmax_sd_c") if n not in normals]
    slow = settings.slow
    attrs = {
        "source": f"synthetic years from monthly normals ({normals.attrs.get('source') or 'source not given'})",
        "generator": "Markov chain, gamma amounts, correlated temperature residuals (Richardson 1981)",
        "et0_method": et0_source(normals),
        "seed": int(seed),
        "estimated": ", ".join(estimated),
        "slow_factor": f"log sd {slow.log_sd:g}, persistence {slow.persistence:g}",
    }
    return xr.Dataset(data, coords=coords, attrs=attrs)
