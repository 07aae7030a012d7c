"""The evaporation and root-zone parts of the balance beside an independent FAO-56 library on the same days."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr

from geo.balance.kernel.records import DAY
from geo.balance.parameters import BalanceSettings
from tests.evaluation.spans import run_fixed_crop

PLAIN = {"residue_evaporation_cut": 0.0, "standing_stubble_cut": 0.0, "surface_drain_share": 0.0}
"""The processes that FAO-56 does not have, switched off."""
NO_RUNOFF_CN = 30.0
WETTING_MM = 40.0
"""Both start with a day of rain without evaporation, since the library starts with a dry surface layer."""


@dataclass(frozen=True)
class Comparison:
    """Daily values of both models at the end of each day, mm.

    Attributes
    ----------
    ours_surface, theirs_surface : depletion of the evaporation layer
    ours_root, theirs_root : depletion of the root zone
    ours_evaporation, theirs_evaporation, ours_transpiration, theirs_transpiration : of each day
    rain : of each day
    """

    ours_surface: np.ndarray
    theirs_surface: np.ndarray
    ours_root: np.ndarray
    theirs_root: np.ndarray
    ours_evaporation: np.ndarray
    theirs_evaporation: np.ndarray
    ours_transpiration: np.ndarray
    theirs_transpiration: np.ndarray
    rain: np.ndarray


def compare(
    soil: np.ndarray,
    weather: xr.Dataset,
    settings: BalanceSettings,
    *,
    year: int,
    first: tuple[int, int] = (5, 1),
    last: tuple[int, int] = (9, 30),
    kcb: float = 0.0,
    root_mm: float = 1219.2,
    depletion_p: float = 0.55,
    rain_factor: float = 1.0,
) -> Comparison:
    """Run both models over one warm season from a full profile, bare (``kcb`` 0) or under a crop that stays the same.

    Residue, drainage of the surface layer, snow and runoff are switched off. Wind is 2 m/s and the least humidity
    45 %, so that the upper limit of the crop coefficient is 1.2 in both.
    """
    import pyfao56

    key = weather["year"].values * 10000 + weather["month"].values * 100 + weather["day"].values
    i, j = (int(np.searchsorted(key, year * 10000 + m * 100 + d)) for m, d in (first, last))
    part = weather.isel(cell=0, time=slice(i, j))
    rain = part["precip_mm"].values * rain_factor
    et0 = part["et0_mm"].values.copy()
    rain[0], et0[0] = WETTING_MM, 0.0

    packed = soil.copy()
    packed["cn_fallow"] = packed["cn_cover"] = NO_RUNOFF_CN
    capacity = float(packed["capacity_mm"].sum())
    theta_fc_wp = capacity / root_mm
    wilting = 2.0 * float(packed["dry_mm"]) / 100.0
    surface_capacity = theta_fc_wp * 100.0
    packed["capacity_mm"][0] = surface_capacity
    packed["capacity_mm"][1] = theta_fc_wp * 204.8
    packed["capacity_mm"][2:] = theta_fc_wp * 304.8

    theirs = _their_run(pyfao56, rain, et0, theta_fc_wp + wilting, wilting, float(packed["rew_mm"]), kcb, root_mm,
                        depletion_p)  # fmt: skip
    days = np.zeros(len(rain), DAY)
    days["rain_mm"], days["et0_mm"], days["tmean_c"] = rain, et0, 20.0
    plain = settings.changed(**PLAIN, kc_max=1.2)
    canopy = float(theirs["fc"].iloc[0])
    track = run_fixed_crop(
        packed, days, plain, kcb=kcb, canopy=canopy, root_mm=root_mm, depletion_p=depletion_p
    )  # fmt: skip
    flows = np.diff(track["flux_mm"], axis=0)
    held = track["layer_mm"].sum(axis=1) + np.minimum(track["surface_mm"], 0.0)
    return Comparison(
        ours_surface=surface_capacity - track["surface_mm"][1:],
        theirs_surface=theirs["De"].to_numpy(float),
        ours_root=capacity - held[1:],
        theirs_root=theirs["Dr"].to_numpy(float),
        ours_evaporation=flows[:, 1],
        theirs_evaporation=theirs["E"].to_numpy(float),
        ours_transpiration=flows[:, 2],
        theirs_transpiration=theirs["T"].to_numpy(float),
        rain=rain,
    )


def _their_run(
    library: Any,
    rain: np.ndarray,
    et0: np.ndarray,
    theta_fc: float,
    theta_wp: float,
    rew: float,
    kcb: float,
    root_mm: float,
    depletion_p: float,
) -> Any:
    """Return the daily output of the independent library."""
    import pandas as pd

    dates = pd.date_range("2001-05-01", periods=len(rain), freq="D")
    weather = library.Weather()
    weather.wndht, weather.rfcrp = 2.0, "S"
    rows = {
        d.strftime("%Y-%j"): dict(
            Srad=np.nan, Tmax=25.0, Tmin=15.0, Vapr=np.nan, Tdew=np.nan, RHmax=90.0, RHmin=45.0, Wndsp=2.0,
            Rain=float(r), ETref=float(e), MorP="M",
        )
        for d, r, e in zip(dates, rain, et0, strict=True)
    }  # fmt: skip
    weather.wdata = pd.DataFrame.from_dict(rows, orient="index")[list(weather.cnames)]
    bare = kcb == 0.0
    crop = library.Parameters(
        Kcbini=0.0 if bare else 0.15, Kcbmid=1e-9 if bare else kcb, Kcbend=0.0 if bare else kcb,
        Lini=400 if bare else 0, Ldev=100 if bare else 0, Lmid=400, Lend=100, hini=0.3, hmax=0.3000001,
        thetaFC=theta_fc, thetaWP=theta_wp, theta0=theta_fc, Zrini=root_mm / 1000, Zrmax=root_mm / 1000 + 1e-9,
        pbase=depletion_p, Ze=0.10, REW=rew,
    )  # fmt: skip
    model = library.Model(dates[0].strftime("%Y-%j"), dates[-1].strftime("%Y-%j"), crop, weather)
    model.run()
    return model.odata
