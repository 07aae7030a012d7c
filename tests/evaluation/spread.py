"""How far the figures move when the parameters span their published ranges."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from geo.balance.parameter_sets import apply_set, sample_sets, uncertain_axes
from geo.balance.parameters import BalanceSettings
from tests.evaluation.figures import GROUPS, Results
from tests.evaluation.inputs import Bench

SETS = 12
MOVED_GROUPS = ("fallow", "covers before wheat", "straw", "covers after harvest")


def _moved_bench(bench: Bench, values: np.ndarray) -> Bench:
    """Return the bench with every axis moved: settings, soils (curve number) and the mixes of the evaluation."""
    axes = uncertain_axes(bench.tables.scalars, bench.tables.traits)  # type: ignore[arg-type]
    names = list(bench.soils)
    settings, soils = apply_set(bench.settings, np.array([bench.soils[n] for n in names]), axes, values)
    mixes = {}
    for name, mix in bench.mixes.items():
        alone = BalanceSettings(bench.settings.parameters, mix, mix)
        mixes[name] = apply_set(alone, soils, axes, values)[0].winter_killed
    return replace(bench, settings=settings, soils=dict(zip(names, soils, strict=True)), mixes=mixes)


def figure_spread(bench: Bench, report: Callable[[int, int], None]) -> dict[str, tuple[float, float]]:
    """Return the least and the largest value of each trial figure over the parameter sets."""
    axes = uncertain_axes(bench.tables.scalars, bench.tables.traits)  # type: ignore[arg-type]
    runs: list[dict[str, float]] = []
    for k, values in enumerate(sample_sets(axes, SETS)):
        moved, out = _moved_bench(bench, values), Results()
        for group in MOVED_GROUPS:
            GROUPS[group](moved, moved.settings, out)
        runs.append(out.values)
        report(k + 1, SETS)
    return {name: (min(r[name] for r in runs), max(r[name] for r in runs)) for name in runs[0]}
