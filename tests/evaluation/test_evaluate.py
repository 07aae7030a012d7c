"""The evaluation is rebuilt by one call, whole, and says the same twice."""

from __future__ import annotations

from pathlib import Path

import pytest

from geo.errors import StudyError
from tests.evaluation import inputs as evaluate_inputs
from tests.evaluation.evaluate import Evaluation, read_figures, run_evaluation

PLOTS = ("figures", "storage", "straw", "biomass", "line", "library", "sensitivity_gap", "sensitivity_stubble")
LARGEST_PLOT_BYTES = 80_000


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Evaluation, Path, list[tuple[str, int, int]]]:
    out = tmp_path_factory.mktemp("evaluation") / "made"
    reports: list[tuple[str, int, int]] = []
    try:
        result = run_evaluation(out, lambda *step: reports.append(step))
    except StudyError as error:
        pytest.skip(f"{error.what} {error.fix}")
    return result, out, reports


@pytest.mark.slow
class TestRun:
    def test_everything_is_written(self, made: tuple[Evaluation, Path, list[tuple[str, int, int]]]) -> None:
        result, _, reports = made
        assert {p.name for p in result.files} == {"evaluation.md", "sensitivity.md", *(f"{p}.svg" for p in PLOTS)}
        assert all(p.is_file() and p.stat().st_size > 1000 for p in result.files)
        assert all(p.stat().st_size < LARGEST_PLOT_BYTES for p in result.files if p.suffix == ".svg")
        assert [part for part, done, total in reports if done == total] == [
            "figures",
            "parameter sets",
            "sensitivity",
        ]

    def test_page_shows_every_figure_and_explains_every_failure(
        self, made: tuple[Evaluation, Path, list[tuple[str, int, int]]]
    ) -> None:
        result, out, _ = made
        page = (out / "evaluation.md").read_text(encoding="utf-8")
        assert all(f"`{name}`" in page for name in read_figures().index)
        for _, row in result.failures.iterrows():
            assert row["reason"] in page
        assert page.count("| OUTSIDE |") == len(result.failures)
        for plot in PLOTS[:6]:
            assert f"(evaluation/{plot}.svg)" in page

    def test_parameter_sets_widen_the_trial_figures(
        self, made: tuple[Evaluation, Path, list[tuple[str, int, int]]]
    ) -> None:
        table = made[0].table.dropna(subset=["set_low"])
        assert len(table) >= 15
        assert (table["set_low"] < table["set_high"]).all()
        around = (table["set_low"] <= table["model"]) & (table["model"] <= table["set_high"])
        assert around.mean() > 0.85

    def test_screening_finds_what_one_at_a_time_finds(
        self, made: tuple[Evaluation, Path, list[tuple[str, int, int]]]
    ) -> None:
        screened = made[0].sensitivity
        assert screened is not None
        single = screened.one_at_a_time.assign(size=lambda t: t["stubble"].abs())
        most = single[single["unit"] == 0].groupby("axis")["size"].max()
        morris = screened.morris[(screened.morris["output"] == "stubble") & (screened.morris["unit"] == 0)]
        morris = morris.set_index("axis")["mu_star"]
        assert most.idxmax() == morris.idxmax()
        # what belongs to covers cannot move the water under stubble
        assert morris["how deep the cover roots"] == 0.0
        assert morris["how much water a full cover uses"] == 0.0


def test_missing_record_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(evaluate_inputs.importlib.util, "find_spec", lambda name: None)
    monkeypatch.delenv("SPRINGFILL_OPEN_DATA", raising=False)
    with pytest.raises(StudyError, match="daily record"):
        evaluate_inputs.record_path()


def test_record_is_found_in_a_folder_of_samples(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    folder = tmp_path / "climate"
    folder.mkdir()
    (folder / evaluate_inputs.RECORD).write_text(
        "Day\tMonth\tYear\tTmin(c)\tTmax(c)\tPrcp(mm)\tEt0(mm)\n1\t1\t1982\t-8.0\t4.0\t0.5\t1.2\n", encoding="utf-8"
    )
    monkeypatch.setattr(evaluate_inputs.importlib.util, "find_spec", lambda name: None)
    monkeypatch.setenv("SPRINGFILL_OPEN_DATA", str(tmp_path))
    weather = evaluate_inputs.read_record(evaluate_inputs.record_path())
    assert weather["precip_mm"].values.tolist() == [[0.5]]
    assert weather["tmin_c"].values.tolist() == [[-8.0]]
    assert (int(weather["year"][0]), int(weather["month"][0]), int(weather["day"][0])) == (1982, 1, 1)
