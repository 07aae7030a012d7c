"""Which parameters move the answer: one at a time over their ranges, and a Morris screening of all together."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from geo.balance.parameter_sets import Axis, apply_axis, apply_set, uncertain_axes
from geo.balance.simulate import simulate
from geo.season import Calendar, index_seasons
from tests.evaluation.inputs import Bench

UNITS = (("high_plains", "silt_loam"), ("west_kansas", "loam"), ("north_east", "silt_loam"))
"""Place and soil of the representative units: dry, where water starts to suffice, and cold with snow."""
TRAJECTORIES, LEVELS, SEED = 12, 4, 1
TARGET_SHARE = 0.5
OUTPUTS = {
    "gap": "planting gap of the winter-killed mix, mm (median)",
    "shortfall": "shortfall years of the winter-killed mix (share)",
    "stubble": "water under stubble at planting, mm (median)",
    "early_gap": "planting gap of the overwintering mix ended early, mm (median)",
    "cover": "ground cover of the winter-killed mix at the freeze (median)",
}


@dataclass(frozen=True)
class Sensitivity:
    """Result.

    Attributes
    ----------
    axes : list of Axis
    base : DataFrame
        Outputs at the values of the tables; one row a unit.
    one_at_a_time : DataFrame
        ``axis``, ``end`` (low, high), ``unit`` and one column an output: change from `base`.
    morris : DataFrame
        ``axis``, ``unit``, ``output``, ``mu_star``, ``sigma``: over the whole range of the axis.
    runs : int
        Number of parameter sets that were run.
    """

    axes: list[Axis]
    base: pd.DataFrame
    one_at_a_time: pd.DataFrame
    morris: pd.DataFrame
    runs: int


def _joined(bench: Bench) -> xr.Dataset:
    return xr.concat(
        [bench.moved[place] for place, _ in UNITS], dim="cell", data_vars="all", coords="minimal", compat="override"
    )


def _outputs(run: xr.Dataset, capacity_mm: np.ndarray) -> pd.DataFrame:
    water = run["paw_mm"].sel(check="planting").sum("layer", skipna=False)
    stubble, killed, early = (
        water.sel(option=o).values for o in ("stubble", "winter_killed", "overwinter_early")
    )  # fmt: skip
    target = TARGET_SHARE * capacity_mm[:, None]
    cover = run["ground_cover"].sel(option="winter_killed", when="freeze").values
    return pd.DataFrame(
        {
            "gap": np.median(stubble - killed, axis=1),
            "shortfall": ((stubble >= target) & (killed < target)).mean(axis=1),
            "stubble": np.median(stubble, axis=1),
            "early_gap": np.median(stubble - early, axis=1),
            "cover": np.median(cover, axis=1),
        }
    )


def sensitivity(bench: Bench, report: Callable[[int, int], None] = lambda done, total: None) -> Sensitivity:
    """Run the one-at-a-time table and the Morris screening on three representative units."""
    from SALib.analyze import morris as analyse
    from SALib.sample import morris as sample

    axes = uncertain_axes(bench.tables.scalars, bench.tables.traits)  # type: ignore[arg-type]
    weather = _joined(bench)
    seasons = index_seasons(weather, Calendar())
    soils = np.array([bench.soils[s] for _, s in UNITS])
    cells = np.arange(len(UNITS))
    capacity = soils["capacity_mm"].sum(axis=1)

    def run(settings: object, records: np.ndarray) -> pd.DataFrame:
        return _outputs(simulate(weather, seasons, records, cells, settings, ladder_days=()), capacity)  # type: ignore[arg-type]

    base = run(bench.settings, soils)
    rows = []
    for axis in axes:
        for end, value in (("low", axis.low), ("high", axis.high)):
            changed = run(*apply_axis(bench.settings, soils, axis, value)) - base
            rows += [{"axis": axis.label, "end": end, "unit": u, **changed.loc[u]} for u in range(len(UNITS))]
    problem = {
        "num_vars": len(axes),
        "names": [a.label for a in axes],
        "bounds": [[a.low, a.high] for a in axes],
    }
    sets = sample.sample(problem, N=TRAJECTORIES, num_levels=LEVELS, seed=SEED)
    values = []
    for k, parameters in enumerate(sets):
        values.append(run(*apply_set(bench.settings, soils, axes, parameters)))
        report(k + 1, len(sets))
    effects = []
    for u in range(len(UNITS)):
        for output in OUTPUTS:
            y = np.array([v.loc[u, output] for v in values], float)
            result = analyse.analyze(problem, sets, y, num_levels=LEVELS, seed=SEED)
            effects += [
                {"axis": a.label, "unit": u, "output": output, "mu_star": float(m), "sigma": float(s)}
                for a, m, s in zip(axes, result["mu_star"], result["sigma"], strict=True)
            ]
    return Sensitivity(axes, base, pd.DataFrame(rows), pd.DataFrame(effects), 1 + 2 * len(axes) + len(sets))
