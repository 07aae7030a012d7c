"""Rebuild the evaluation: every figure, its plots, the page and the sensitivity page, by one command."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from tests.evaluation.figures import GROUPS, Results
from tests.evaluation.inputs import HERE, Bench, load_bench
from tests.evaluation.page import evaluation_page, sensitivity_page
from tests.evaluation.sensitivity import Sensitivity, sensitivity
from tests.evaluation.spread import figure_spread

Report = Callable[[str, int, int], None]
"""Called as ``report(part, done, total)``."""


def _silent(part: str, done: int, total: int) -> None:
    """Report nothing."""


@dataclass(frozen=True)
class Evaluation:
    """What was found.

    Attributes
    ----------
    table : DataFrame
        Index ``id``: the columns of ``figures.csv``, ``model`` (value), ``note``, ``passes``,
        ``set_low`` and ``set_high`` (least and largest over parameter sets; NaN where they were not run).
    sensitivity : Sensitivity or None
    files : tuple of Path
        What was written.
    """

    table: pd.DataFrame
    sensitivity: Sensitivity | None
    files: tuple[Path, ...]

    @property
    def failures(self) -> pd.DataFrame:
        """Figures outside their band."""
        return self.table[~self.table["passes"]]


def read_figures() -> pd.DataFrame:
    """Read the table of figures, index ``id``; empty numbers are NaN, empty words are ""."""
    table = pd.read_csv(HERE / "figures.csv", keep_default_na=False).set_index("id")
    for name in ("published_low", "published_central", "published_high", "band_low", "band_high"):
        table[name] = pd.to_numeric(table[name], errors="coerce")
    return table


def judge(figures: pd.DataFrame, results: Results) -> pd.DataFrame:
    """Lay the model's values beside the published ones.

    Raises
    ------
    KeyError
        A figure has no value, or a value no figure.
    """
    unknown, missing = set(results.values) - set(figures.index), set(figures.index) - set(results.values)
    if unknown or missing:
        raise KeyError(f"figures without a value: {sorted(missing)}; values without a figure: {sorted(unknown)}")
    table = figures.copy()
    table["model"] = [float(results.values[i]) for i in table.index]
    table["note"] = [results.notes.get(str(i), "") for i in table.index]
    table["passes"] = (table["model"] >= table["band_low"]) & (table["model"] <= table["band_high"])
    return table


def run_figures(bench: Bench, report: Report = _silent) -> tuple[pd.DataFrame, Results]:
    """Work out every figure and judge it."""
    results = Results()
    for k, group in enumerate(GROUPS.values()):
        group(bench, bench.settings, results)
        report("figures", k + 1, len(GROUPS))
    return judge(read_figures(), results), results


def run_evaluation(out: Path, report: Report = _silent) -> Evaluation:
    """Work out everything and write ``evaluation.md``, ``sensitivity.md`` and their plots to `out`.

    Parameters
    ----------
    out : Path
        Folder, made when missing; ``docs`` in a checkout.
    report : callable, optional
        Called as ``report(part, done, total)``.

    Raises
    ------
    StudyError
        The daily record is not installed.
    """
    bench = load_bench()
    table, results = run_figures(bench, report)
    spread = figure_spread(bench, lambda done, total: report("parameter sets", done, total))
    table["set_low"] = [spread.get(str(i), (float("nan"),) * 2)[0] for i in table.index]
    table["set_high"] = [spread.get(str(i), (float("nan"),) * 2)[1] for i in table.index]
    screened = sensitivity(bench, lambda done, total: report("sensitivity", done, total))

    from tests.evaluation import plots  # loads the plotting library, which the tests of single figures do without

    (out / "evaluation").mkdir(parents=True, exist_ok=True)
    draw: dict[str, Callable[[Path], None]] = {
        "figures": lambda p: plots.figures_plot(table.reset_index(), p),
        "storage": lambda p: plots.storage_plot(results, p),
        "straw": lambda p: plots.straw_plot(results, p),
        "biomass": lambda p: plots.biomass_plot(results, p),
        "line": lambda p: plots.line_plot(bench, results, p),
        "library": lambda p: plots.reference_plot(results, p),
        "sensitivity_gap": lambda p: plots.sensitivity_plot(screened, "gap", p),
        "sensitivity_stubble": lambda p: plots.sensitivity_plot(screened, "stubble", p),
    }
    files = []
    for name, make in draw.items():
        path = out / "evaluation" / f"{name}.svg"
        make(path)
        files.append(path)
    for name, text in (
        ("evaluation.md", evaluation_page(table, bench, results.tables["structure"])),
        ("sensitivity.md", sensitivity_page(screened, bench)),
    ):
        (out / name).write_text(text, encoding="utf-8")
        files.append(out / name)
    return Evaluation(table, screened, tuple(files))
