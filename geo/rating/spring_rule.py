"""End the overwintering cover by the spring: early when its soil is dry on the early date, else at planting.

Both ends are simulated on the same weather and nothing differs before the early date, so what the rule gives in a
year is the early or the late option of that very year. Only what is known on that date is looked at.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
import xarray as xr

from geo.model_rules import DEFAULT_RULES, ModelRules
from geo.options import OPTIONS
from geo.rating.outcome import PLANTING, shortfall
from geo.rating.rule import TEST_ROWS, ZoneRules, in_steps
from geo.season import CHECKS, SeasonIndex

LINES = tuple(float(share) for share in np.round(np.arange(0.1, 0.95, 0.1), 2))
"""Lines between dry and wet that are tried, shares of capacity. Coarse on purpose: thirty years cannot tell finer
ones apart, nor can a probe."""

STUBBLE, EARLY, LATE = (OPTIONS.index(name) for name in ("stubble", "overwinter_early", "overwinter_late"))
_BY_RULE = {
    "spring_rule_early_years": "early_years",
    "spring_rule_shortfall_years": "shortfall",
    "spring_rule_gap_mm": "gap_mm",
    "spring_rule_water_mm": "water_mm",
    "spring_rule_growth_kg_ha": "growth_kg_ha",
}
CURVES = {
    "line_early_years": "early_years",
    "line_shortfall_years": "shortfall",
    "line_gap_mm": "gap_mm",
    "line_growth_kg_ha": "growth_kg_ha",
}
SPRING_COLUMNS = (
    "early_growth_kg_ha",
    "late_growth_kg_ha",
    *_BY_RULE,
    *(f"spring_line_{name}" for name in ("share", "mm", "early_years", "shortfall_years", "gap_mm", "growth_kg_ha")),
)
"""What the table of fields holds of this rule."""


def water_on_early_date(run: xr.Dataset, seasons: SeasonIndex) -> np.ndarray:
    """Return the water under the growing cover that an adviser could know on the early termination date.

    Parameters
    ----------
    run : Dataset
        From `geo.balance.simulate.simulate`.
    seasons : SeasonIndex
        The seasons that were run.

    Returns
    -------
    array (unit, season)
        Plant-available water of the four feet in mm: on the first-April check, or on the last day of the weekly
        series, whichever is the later one that does not lie after the date.
    """
    age = seasons.early_termination - seasons.harvest
    days = run["step"].values
    step = np.searchsorted(days, age, side="right") - 1
    weekly = run["stored_mm"].values[:, LATE, np.arange(len(seasons)), step]
    at_check = run["paw_mm"].values[:, LATE, :, CHECKS.index("first_april")].sum(axis=-1)
    check_age = seasons.first_april - seasons.harvest
    return np.where((check_age <= age) & (check_age >= days[step]), at_check, weekly)


def ends_early(water_mm: np.ndarray, capacity_mm: np.ndarray, line: float) -> np.ndarray:
    """Return True where the rule ends the cover on the early date: less water than `line` (share of capacity).

    Parameters
    ----------
    water_mm : array (unit, season)
        From `water_on_early_date`.
    capacity_mm : array (unit,)
    line : float
        0 never ends early, infinity always does.
    """
    if np.isinf(line):
        return np.ones(water_mm.shape, bool)
    return water_mm < line * capacity_mm[:, None]


def by_rule(early: np.ndarray, if_early: np.ndarray, if_late: np.ndarray) -> np.ndarray:
    """Return the value of each year under the rule: of the early end where it ends early, else of the late one."""
    return np.where(early, if_early, if_late)


def spring_outcomes(
    run: xr.Dataset,
    capacity_mm: np.ndarray,
    seasons: SeasonIndex,
    rules: ZoneRules,
    model: ModelRules = DEFAULT_RULES,
) -> xr.Dataset:
    """Summarise by unit what ending the cover by the spring gives, for the study's line and for each of `LINES`.

    Parameters
    ----------
    run : Dataset
        From `geo.balance.simulate`.
    capacity_mm : array (unit,)
    seasons : SeasonIndex
    rules : ZoneRules
        Planting-water target.
    model : ModelRules
        ``dry_spring_share``, the study's own line.

    Returns
    -------
    Dataset
        Dims unit and line; see DEVELOPERS.md. All values are means over the years, so that they add up over soils and
        fields. Each component is judged by its own capacity.
    """
    planting = run["paw_mm"].values[:, :, :, PLANTING].sum(axis=-1, dtype=float)
    grown = run["biomass_kg_ha"].sel(option="overwinter_late")
    grown_early, grown_late = grown.sel(when="freeze").values, grown.sel(when="end").values
    target = rules.target_share * capacity_mm[:, None]
    water = water_on_early_date(run, seasons)

    def of(line: float) -> dict[str, np.ndarray]:
        early = ends_early(water, capacity_mm, line)
        left = by_rule(early, planting[:, EARLY], planting[:, LATE])
        years = {
            "early_years": early,
            "water_mm": left,
            "gap_mm": planting[:, STUBBLE] - left,
            "shortfall": shortfall(planting[:, STUBBLE], left, target),
            "growth_kg_ha": by_rule(early, grown_early, grown_late),
        }
        return {name: values.mean(axis=1) for name, values in years.items()}

    study, tried = of(model.dry_spring_share), [of(line) for line in LINES]
    data: dict[str, tuple[tuple[str, ...], np.ndarray]]
    data = {name: (("unit",), study[key]) for name, key in _BY_RULE.items()}
    data |= {name: (("unit", "line"), np.stack([one[key] for one in tried], axis=1)) for name, key in CURVES.items()}
    data["early_growth_kg_ha"] = (("unit",), grown_early.mean(axis=1))
    data["late_growth_kg_ha"] = (("unit",), grown_late.mean(axis=1))
    return xr.Dataset(
        {name: (dims, values.astype(np.float32), _unit(name)) for name, (dims, values) in data.items()},
        coords={"unit": np.arange(len(planting)), "line": list(LINES)},
        attrs={"dry_spring_share": model.dry_spring_share},
    )


def _unit(name: str) -> dict[str, str]:
    return {"units": "mm" if name.endswith("_mm") else "kg ha-1" if name.endswith("_kg_ha") else "1"}


def line_inputs(outcomes: xr.Dataset) -> dict[str, np.ndarray]:
    """Return what `best_lines` needs, by place.

    That is `CURVES` (place, line), and (place,) the growth of the early end, shortfall and gap of the late end, and
    the capacity.
    """
    late = "overwinter_late"
    found = {name: outcomes[name].transpose(..., "line").values for name in CURVES}
    found |= {name: outcomes[name].values for name in ("early_growth_kg_ha", "capacity_mm")}
    found["late_shortfall"] = outcomes["shortfall_years"].sel(option=late).values
    found["late_gap_mm"] = outcomes["planting_gap_mm"].sel(option=late, stat="mean").values
    return {name: np.asarray(values, float) for name, values in found.items()}


def best_lines(
    values: Mapping[str, np.ndarray], rules: ZoneRules, model: ModelRules, asked: np.ndarray
) -> pd.DataFrame:
    """Find for each place the line that keeps the water limits with the most growth, where it beats both fixed dates.

    Parameters
    ----------
    values : mapping
        From `line_inputs`.
    rules : ZoneRules
        Limits of shortfall years and of the mean planting gap.
    model : ModelRules
        ``spring_gain_min``.
    asked : bool array (place,)
        False where no line is wanted: the cover does not fit, or water can be added.

    Returns
    -------
    DataFrame
        One row a place: ``spring_line_share`` of capacity, ``spring_line_mm``, and under that line
        ``spring_line_early_years``, ``spring_line_shortfall_years``, ``spring_line_gap_mm``,
        ``spring_line_growth_kg_ha``. All NaN unless growing on until planting every year fails a limit and the line
        grows more than ending early every year by at least ``spring_gain_min``.

    Notes
    -----
    The line is chosen on the years by which it is judged, so its numbers are somewhat kind. Among lines of equal
    growth the highest, which ends early most often, is taken.
    """

    def within(short: np.ndarray, gap: np.ndarray) -> np.ndarray:
        step = {row.name: row.step for row in TEST_ROWS}
        kept: np.ndarray = in_steps(short, step["shortfall"]) <= in_steps(rules.shortfall_max, step["shortfall"])
        kept &= in_steps(gap, step["gap"]) <= in_steps(rules.planting_gap_max_mm, step["gap"])
        return kept

    growth = values["line_growth_kg_ha"]
    least = (1.0 + model.spring_gain_min) * values["early_growth_kg_ha"]
    good = within(values["line_shortfall_years"], values["line_gap_mm"]) & (growth >= least[:, None])
    good &= (growth > values["early_growth_kg_ha"][:, None]) & np.asarray(asked)[:, None]
    good &= ~within(values["late_shortfall"], values["late_gap_mm"])[:, None]
    ranked = np.where(good, growth, -np.inf)[:, ::-1]
    best = growth.shape[1] - 1 - ranked.argmax(axis=1)
    found, row = good.any(axis=1), np.arange(len(growth))
    line = np.asarray(LINES)[best]
    columns = {
        "spring_line_share": line,
        "spring_line_mm": line * values["capacity_mm"],
        "spring_line_early_years": values["line_early_years"][row, best],
        "spring_line_shortfall_years": values["line_shortfall_years"][row, best],
        "spring_line_gap_mm": values["line_gap_mm"][row, best],
        "spring_line_growth_kg_ha": growth[row, best],
    }
    return pd.DataFrame({name: np.where(found, column, np.nan) for name, column in columns.items()})


def with_lines(outcomes: xr.Dataset, rules: ZoneRules, model: ModelRules, asked: np.ndarray) -> xr.Dataset:
    """Return the outcomes of places with the line of each; `asked` (place,) as for `best_lines`."""
    lines = best_lines(line_inputs(outcomes), rules, model, asked)
    dim = str(outcomes["early_growth_kg_ha"].dims[0])
    return outcomes.assign({n: (dim, lines[n].to_numpy(np.float32), _unit(n)) for n in lines})
