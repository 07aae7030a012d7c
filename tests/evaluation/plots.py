"""Small plots of the evaluation page."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from tests.evaluation.figures import AKRON_PERIODS, Results
from tests.evaluation.inputs import Bench
from tests.evaluation.sensitivity import UNITS, Sensitivity

matplotlib.use("svg")
STYLE: Any = {"svg.fonttype": "none", "svg.hashsalt": "springfill", "font.size": 9, "axes.linewidth": 0.7}
BLUE, ORANGE, GREY, GREEN = "#004F9E", "#B8480C", "#6B6B63", "#2F7A6E"
PUBLISHED = {"whole": (0.35, 0.20), "fall, winter, spring": (0.81, 0.32)}
"""No-till and tilled means of Nielsen and Vigil 2010; the summers were not in the abstract."""


def _save(path: Path, draw: Callable[[Axes], None], size: tuple[float, float] = (6.0, 3.2)) -> None:
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=size, layout="constrained")
        axes = figure.add_subplot()
        axes.spines[["top", "right"]].set_visible(False)
        draw(axes)
        figure.savefig(path, format="svg", metadata={"Date": None, "Creator": "Springfill"})


def figures_plot(table: pd.DataFrame, path: Path) -> None:
    """Draw the model's value of every figure against its band (band = -1 to 1)."""

    def draw(axes: Axes) -> None:
        rows = table[::-1].reset_index(drop=True)
        middle, half = (rows["band_low"] + rows["band_high"]) / 2, (rows["band_high"] - rows["band_low"]) / 2
        place = ((rows["model"] - middle) / half).clip(-2.5, 2.5)
        low, high = (((rows[c] - middle) / half).clip(-2.5, 2.5) for c in ("set_low", "set_high"))
        y = np.arange(len(rows))
        axes.axvspan(-1, 1, color="#DDE8D8", lw=0)
        axes.hlines(y, low, high, color=GREY, lw=1.2)
        for role, marker, colour in (("held out", "o", BLUE), ("tuned", "s", ORANGE)):
            part = rows["role"] == role
            axes.plot(place[part], y[part], marker, color=colour, ms=4.5, label=role)
        axes.set_yticks(y, rows["id"], fontsize=7)
        axes.set_xlim(-2.6, 2.6)
        axes.set_xlabel("model value in its band (green); beyond 2.5 is drawn at the edge; line: parameter sets")
        axes.legend(loc="lower right", fontsize=7, frameon=False)

    _save(path, draw, (6.6, 6.4))


def storage_plot(out: Results, path: Path) -> None:
    """Draw stored share by part of the fallow, no-till and tilled, with what was published."""

    def draw(axes: Axes) -> None:
        names = list(AKRON_PERIODS)
        x = np.arange(len(names))
        for k, (key, colour, label) in enumerate((("fallow", BLUE, "no-till"), ("tilled", ORANGE, "tilled"))):
            sums = out.tables[key].groupby("period")[["gain_mm", "precip_mm"]].sum()
            share = (sums["gain_mm"] / sums["precip_mm"]).reindex(names)
            axes.bar(x + 0.36 * k - 0.18, share, 0.34, color=colour, label=f"model, {label}")
            found = [(i + 0.36 * k - 0.18, PUBLISHED[n][k]) for i, n in enumerate(names) if n in PUBLISHED]
            axes.plot(*np.array(found).T, "k_", ms=16, mew=2.2, label="" if k else "trial mean")
        axes.set_xticks(x, names)
        axes.set_ylabel("share of precipitation stored")
        axes.legend(fontsize=8, frameon=False)

    _save(path, draw)


def straw_plot(out: Results, path: Path) -> None:
    """Draw the cut of evaporation by straw cover."""

    def draw(axes: Axes) -> None:
        table = out.tables["straw"]
        percent = 100 * table["cover"]
        axes.plot(percent, [16, 33, 49], "k_", ms=16, mew=2.2, label="Greb 1966, 20 days")
        axes.plot(percent, 100 * table["wet"], "o-", color=BLUE, label="model, wet surface")
        axes.plot(percent, 100 * table["slow"], "s--", color=GREEN, label="model, 20 days at 1 mm/day")
        axes.plot(percent, 100 * table["fast"], "^:", color=ORANGE, label="model, 20 days at 5 mm/day")
        axes.set_xlabel("ground covered by straw, %")
        axes.set_ylabel("evaporation saved, %")
        axes.legend(fontsize=8, frameon=False)

    _save(path, draw)


def biomass_plot(out: Results, path: Path) -> None:
    """Draw the biomass of post-harvest covers beside published ranges."""

    def draw(axes: Axes) -> None:
        rows = (
            ("western Kansas,\nsummer mix", "bio_kansas", (1072, 2817, 4167)),
            ("NE Colorado,\nsummer mix", "bio_colorado", (897, 1458, 2018)),
            ("central ND,\ncool mix in August", "bio_mandan", (170, 647, 1000)),
            ("eastern ND,\npea and faba", "bio_east", (1300, 1300, 1300)),
        )
        series = [out.tables[key]["biomass_kg_ha"].to_numpy() for _, key, _ in rows]
        axes.boxplot(series, whis=(10, 90), showfliers=False, widths=0.45, medianprops={"color": BLUE})
        axes.plot(range(1, 5), [s.mean() for s in series], "o", color=BLUE, ms=5, label="model, mean")
        for x, (_, _, (low, mean, high)) in enumerate(rows, start=1):
            axes.vlines(x + 0.33, low, high, color="k", lw=2.2, label="" if x > 1 else "published mean and range")
            axes.plot(x + 0.33, mean, "k_", ms=12, mew=2.2)
        axes.set_xticks(range(1, 5), [r[0] for r in rows])
        axes.set_ylabel("biomass, kg/ha")
        axes.set_ylim(0, None)
        axes.legend(fontsize=8, frameon=False)

    _save(path, draw)


def line_plot(bench: Bench, out: Results, path: Path) -> None:
    """Draw the planting gap of the winter-killed mix along the climate line, by soil."""

    def draw(axes: Axes) -> None:
        table = out.tables["line"]
        axes.axvspan(550, 850, color="#DDE8D8", lw=0, label="band about the published 700 mm")
        axes.axhline(38.1, color=GREY, lw=0.8, ls="--", label="largest allowed gap (1.5 in)")
        colours = dict(zip(bench.soils, (BLUE, GREEN, ORANGE, GREY, "#9A7B00"), strict=True))
        for soil, part in table.groupby("soil", sort=False):
            part = part.sort_values("precip_mm")
            axes.plot(part["precip_mm"], part["gap_mm"], ".", color=colours[soil], ms=4, label=bench.labels[soil])
        axes.set_xlabel("annual precipitation, mm")
        axes.set_ylabel("planting gap, mm (median)")
        axes.legend(fontsize=7, frameon=False, ncols=2)

    _save(path, draw)


def reference_plot(out: Results, path: Path) -> None:
    """Draw the surface store beside the independent library over one warm season."""

    def draw(axes: Axes) -> None:
        bare = out.tables["fao_bare"]
        axes.plot(bare.theirs_surface, color=ORANGE, lw=2.2, alpha=0.55, label="independent library")
        axes.plot(bare.ours_surface, color=BLUE, lw=0.9, label="Springfill")
        axes.bar(np.arange(len(bare.rain)), bare.rain, color="#9DB7D5", width=1.0, label="rain")
        axes.set_ylim(45, 0)
        axes.set_xlabel("day from 1 May")
        axes.set_ylabel("depletion of the top 100 mm; rain, mm")
        axes.legend(fontsize=8, frameon=False, loc="lower right")

    _save(path, draw)


def sensitivity_plot(result: Sensitivity, output: str, path: Path) -> None:
    """Draw the Morris screening of one output: mu* by axis and unit."""

    def draw(axes: Axes) -> None:
        table = result.morris[result.morris["output"] == output]
        wide = table.pivot(index="axis", columns="unit", values="mu_star")
        wide = wide.loc[wide.mean(axis=1).sort_values().index]
        y = np.arange(len(wide))
        for unit, colour in zip(wide.columns, (BLUE, ORANGE, GREEN), strict=True):
            place, soil = UNITS[unit]
            axes.barh(y + 0.26 * (unit - 1), wide[unit], 0.25, color=colour,
                      label=f"{place.replace('_', ' ')}, {soil.replace('_', ' ')}")  # fmt: skip
        axes.set_yticks(y, list(wide.index))
        axes.set_xlabel("mean absolute effect over the whole range (Morris mu*), mm")
        axes.legend(fontsize=8, frameon=False)

    _save(path, draw, (6.6, 3.8))
