"""The two generated pages of the evaluation, in Markdown."""

from __future__ import annotations

import math

import pandas as pd

from tests.evaluation.inputs import HERE, Bench
from tests.evaluation.sensitivity import OUTPUTS, UNITS, Sensitivity
from tests.evaluation.yields import yield_range

ELSEWHERE = (
    ("freeze dates and their probability levels", "a general climate library (xclim), definition of climate normals",
     "tests/published/test_freeze.py, tests/geo/test_outcome.py"),
    ("soil water by texture", "Saxton and Rawls 2006, table 3, all classes", "tests/published/test_saxton_rawls.py"),
    ("reference ET", "worked examples of FAO-56", "tests/published/test_fao56_reference_et.py"),
    ("weather generator", "its own published structure, station records and normals",
     "tests/published/test_weather_generator.py, tests/geo/test_weather_generator.py"),
    ("water storage of map units", "the soil survey's own sums", "tests/published/test_survey_water_storage.py"),
    ("hydrologic groups", "NEH 630 chapter 7", "tests/published/test_hydrologic_groups.py"),
)  # fmt: skip


def _number(value: float, unit: str) -> str:
    if not math.isfinite(value):
        return ""
    return f"{value:.0f}" if unit in ("mm", "kg/ha") and abs(value) >= 20 else f"{value:.2f}"


def _published(row: pd.Series) -> str:
    low, middle, high = (_number(row[f"published_{k}"], row["unit"]) for k in ("low", "central", "high"))
    spread = f"{low} to {high}" if low and high and low != high else ""
    return f"{middle} ({spread})" if middle and spread else middle or spread


def _table(rows: pd.DataFrame) -> list[str]:
    lines = ["| figure | published | band | model | parameter sets | |", "|---|---|---|---|---|---|"]
    for name, row in rows.iterrows():
        unit = "" if row["unit"] == "1" else f" {row['unit']}"
        sets = ""
        if math.isfinite(row["set_low"]):
            sets = f"{_number(row['set_low'], row['unit'])} to {_number(row['set_high'], row['unit'])}"
        band = f"{_number(row['band_low'], row['unit'])} to {_number(row['band_high'], row['unit'])}"
        model, verdict = _number(row["model"], row["unit"]), "inside" if row["passes"] else "OUTSIDE"
        lines.append(
            f"| {row['what']} (`{name}`) | {_published(row)}{unit} | {band} | **{model}** | {sets} | {verdict} |"
        )
    return lines


def _details(rows: pd.DataFrame) -> list[str]:
    lines = []
    for name, row in rows.iterrows():
        note = f" Found: {row['note']}." if row["note"] else ""
        lines.append(
            f"* `{name}`: {row['source']}. Band: {row['band_rule']}. Settings: {row['settings'] or 'as above'}.{note}"
        )
    return lines


def evaluation_page(table: pd.DataFrame, bench: Bench, structures: pd.DataFrame) -> str:
    """Return the evaluation page.

    Parameters
    ----------
    table : DataFrame
        Of `tests.evaluation.evaluate.Evaluation`.
    bench : Bench
    structures : DataFrame
        Share stored by structure of the surface layer, one row a structure.
    """
    tuned, held = table[table["role"] == "tuned"], table[table["role"] == "held out"]
    failed = table[~table["passes"]]
    scalars = bench.tables.scalars
    fitted = [f"`{n}` = {r['value']:g} {r['unit']}".replace(" 1", "") for n, r in scalars.items() if r.get("tuned")]
    slopes = pd.read_csv(HERE / "yield_slopes.csv")
    effect = yield_range(25.4, list(zip(slopes["low"], slopes["high"], strict=True)))
    lines = [
        "# Evaluation: do the numbers hold?",
        "",
        "Made by `python -m tests.evaluation`; do not edit. The figures and their bands are in",
        "`tests/evaluation/figures.csv`, the soils and places in `tests/evaluation/trials.toml`. The weather is",
        "the real daily record of a station on the central High Plains, 1982 to 2018 (414 mm a year). Other trials",
        "run on that record moved to their climate, so a figure tests the climate as much as the model: read",
        "the bands, not the last digit.",
        "Trials measured to 1.65 m or deeper, the model's profile ends at 1.22 m; where a figure says so, water that",
        "drained below counts as stored.",
        "",
        f"**{int(held['passes'].sum())} of {len(held)} held-out figures lie inside their band; {len(failed)} figures "
        f"fail** and are explained below. {len(tuned)} figures were used to tune: they fix "
        f"{', '.join(fitted)}. Nothing about covers was tuned.",
        "",
        "![All figures in their bands](evaluation/figures.svg)",
        "",
        "## Outside the band, and why",
        "",
    ]
    for name, row in failed.iterrows():
        values = f"{_number(row['model'], row['unit'])} against {_published(row)}"
        lines += [f"* **{row['what']}** (`{name}`): {values}. {row['reason']}"]
    lines += ["", "## Tuned", "", *_table(tuned), "", *_details(tuned), "", "## Held out", "", *_table(held), ""]
    lines += [
        "Parameter sets: least and largest value when nine groups of parameters span their ranges together.",
        "",
        *_details(held),
        "",
        "## Plots",
        "",
        "Share of precipitation stored in the parts of a 14-month fallow:",
        "",
        "![Storage](evaluation/storage.svg)",
        "",
        "Why there is slow drainage out of the surface layer (see [water_balance.md](water_balance.md)): share of",
        "precipitation stored under stubble, deep silt loam:",
        "",
        "| structure | " + " | ".join(structures.columns[1:]) + " |",
        "|---|" + "---|" * (structures.shape[1] - 1),
        *(f"| {r.iloc[0]} | " + " | ".join(f"{v:.2f}" for v in r.iloc[1:]) + " |" for _, r in structures.iterrows()),
        "| published, no-till | 0.35 | 0.81 (tilled 0.32) | 0.33 to 0.71 |",
        "",
        "Evaporation saved by straw. The evaporation layer of FAO-56 empties; then straw has nothing left to save:",
        "",
        "![Straw](evaluation/straw.svg)",
        "",
        "Biomass of covers after harvest (boxes: quartiles; whiskers: one year in ten). A potential: nothing limits",
        "it but water, heat and frost:",
        "",
        "![Biomass](evaluation/biomass.svg)",
        "",
        "Planting gap of the winter-killed mix along the invented county's climate, one dot a cell:",
        "",
        "![Climate line](evaluation/line.svg)",
        "",
        "The evaporation layer beside an independent FAO-56 library, bare soil, 1993:",
        "",
        "![Library](evaluation/library.svg)",
        "",
        "## Wheat yield and planting water",
        "",
        "Published slopes differ threefold and more, so a yield effect is only shown as a range. One inch (25 mm)",
        f"of planting water stands for {effect.low:.0f} to {effect.high:.0f} kg/ha of wheat "
        f"({effect.low / 67.25:.0f} to {effect.high / 67.25:.0f} bu/ac), and for less in a wet season.",
        "",
        "| where | kg/ha per mm | kind | source |",
        "|---|---|---|---|",
    ]
    for _, row in slopes.iterrows():
        span = f"{row['low']:g}" if row["low"] == row["high"] else f"{row['low']:g} to {row['high']:g}"
        lines.append(f"| {row['what']} | {span} | {row['status']} | {row['source']} |")
    lines += [
        "",
        "## Checked elsewhere",
        "",
        "These do not depend on the water balance; the tests hold them on every change.",
        "",
        "| what | against | tests |",
        "|---|---|---|",
        *(f"| {what} | {against} | {tests} |" for what, against, tests in ELSEWHERE),
        "",
    ]
    return "\n".join(lines)


def sensitivity_page(result: Sensitivity, bench: Bench) -> str:
    """Return the sensitivity page."""
    names = [f"{bench.labels[soil]}; {bench.labels[place]}" for place, soil in UNITS]
    lines = [
        "# What moves the answer",
        "",
        "Made by `python -m tests.evaluation`; do not edit. Nine groups of parameters are moved over the ranges of",
        f"the shared tables, on three units and all seasons of the real record ({result.runs} parameter sets).",
        "",
        "Units: " + "; ".join(f"({k + 1}) {n}" for k, n in enumerate(names)) + ".",
        "",
        "## As it is",
        "",
        "| output | " + " | ".join(f"({k + 1})" for k in range(len(names))) + " |",
        "|---|" + "---|" * len(names),
    ]
    for output, words in OUTPUTS.items():
        lines.append(f"| {words} | " + " | ".join(f"{v:.2f}" for v in result.base[output]) + " |")
    lines += ["", "## One at a time", "", "Change from the above when one group goes to its low or high end.", ""]
    for output in ("gap", "stubble", "shortfall"):
        digits = 2 if output == "shortfall" else 1
        heads = " | ".join(f"({k + 1}) low / high" for k in range(len(names)))
        lines += [f"**{OUTPUTS[output]}**", "", f"| what is moved | from | to | {heads} |"]
        lines.append("|---|---|---|" + "---|" * len(names))
        wide = result.one_at_a_time.pivot(index="axis", columns=["unit", "end"], values=output)
        for axis in result.axes:
            cells = [
                f"{wide.loc[axis.label, (u, 'low')]:+.{digits}f} / {wide.loc[axis.label, (u, 'high')]:+.{digits}f}"
                for u in range(len(names))
            ]
            lines.append(f"| {axis.label} | {axis.low:.3g} | {axis.high:.3g} | " + " | ".join(cells) + " |")
        lines.append("")
    lines += [
        "`from` and `to`: a value for scalars; a factor on a trait of every cover group; degC for killing",
        "temperatures; points for curve numbers.",
        "",
        "## All together (Morris screening)",
        "",
        "mu* is the mean absolute effect of moving one group over its range, from many starting points; sigma its",
        "spread: a sigma as large as mu* means that the effect depends on the other parameters.",
        "",
        "![Planting gap](evaluation/sensitivity_gap.svg)",
        "",
        "![Water under stubble](evaluation/sensitivity_stubble.svg)",
        "",
    ]
    for output in ("gap", "shortfall", "early_gap", "cover"):
        table = result.morris[result.morris["output"] == output]
        digits = 1 if output.endswith("gap") else 2
        heads = " | ".join(f"({k + 1}) mu* / sigma" for k in range(len(names)))
        lines += [f"**{OUTPUTS[output]}**", "", f"| what is moved | {heads} |", "|---|" + "---|" * len(names)]
        order = table.groupby("axis")["mu_star"].mean().sort_values(ascending=False).index
        for axis_name in order:
            part = table[table["axis"] == axis_name].sort_values("unit")
            cells = [f"{m:.{digits}f} / {s:.{digits}f}" for m, s in zip(part["mu_star"], part["sigma"], strict=True)]
            lines.append(f"| {axis_name} | " + " | ".join(cells) + " |")
        lines.append("")
    return "\n".join(lines)
