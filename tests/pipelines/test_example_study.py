"""The example of the documents: real soils and a real daily record, run from its study file as it stands."""

from __future__ import annotations

import importlib.util
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipelines.show.publish import Published, screen
from tests.open_data import ROOT, open_data

pytestmark = pytest.mark.slow

EXAMPLE = Path(__file__).resolve().parents[2] / "docs" / "example_study"


@pytest.fixture(scope="module")
def example(tmp_path_factory: pytest.TempPathFactory) -> Published:
    """The example study, laid out and run."""
    for sample in ("soil/az649_ssurgo/tabular", "climate/champion_climate.txt"):
        open_data(sample)
    home = tmp_path_factory.mktemp("example")
    spec = importlib.util.spec_from_file_location("prepare", EXAMPLE / "prepare.py")
    assert spec is not None
    assert spec.loader is not None
    prepare = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(prepare)
    (home / "layers").mkdir()
    prepare.prepare(ROOT, home / "layers")
    shutil.copy(EXAMPLE / "study.toml", home)
    return screen(home / "study.toml", lambda *_: None, home / "out")


def test_every_map_unit_of_the_survey_is_on_the_map(example: Published) -> None:
    listed = pd.read_csv(open_data("soil/az649_ssurgo/tabular/mapunit.txt"), sep="|", header=None, dtype=str)
    assert set(example.result.sites["map_unit_id"]) == set(listed[23])
    assert len(listed) == 36


def test_every_season_of_the_record_is_used(example: Published) -> None:
    """1982 to 2018 are 37 years without a gap: 36 seasons from harvest to the next planting."""
    assert example.result.provenance["counts"]["seasons"] == 36
    assert float(example.result.cells["precip_mm"].iloc[0]) == pytest.approx(_measured("Prcp(mm)"), rel=0.02)
    assert float(example.result.cells["et0_mm"].iloc[0]) == pytest.approx(_measured("Et0(mm)"), rel=0.02)


def _measured(column: str) -> float:
    table = pd.read_csv(open_data("climate/champion_climate.txt"), sep=r"\s+")
    return float(table.groupby("Year")[column].sum().mean())


def test_capacity_follows_the_survey(example: Published) -> None:
    """Each rated site's capacity against the survey's own storage to 1.5 m, which must be the larger."""
    columns = pd.read_csv(
        open_data("soil/az649_ssurgo/tabular/mstabcol.txt"), sep="|", header=None, dtype=str, usecols=[0, 1, 2]
    )
    order = columns[columns[0] == "muaggatt"][2].tolist()
    table = pd.read_csv(
        open_data("soil/az649_ssurgo/tabular/muaggatt.txt"), sep="|", header=None, names=order, dtype=str
    ).set_index("mukey")
    deep = example.result.sites["map_unit_id"].map(table["aws0150wta"].astype(float) * 10)
    rated = (example.result.zones["zone"] != "not_rated").to_numpy()
    held = example.result.outcomes["capacity_mm"].values
    fully = rated & (example.result.sites["rated_share"].to_numpy() > 0.8) & (deep > 0).to_numpy()
    assert fully.sum() > 15
    assert (held[fully] <= deep.to_numpy()[fully] * 1.3 + 1).all()
    assert np.corrcoef(held[fully], deep.to_numpy()[fully])[0, 1] > 0.9


def test_water_closes_and_no_cover_costs_more_than_it_used(example: Published) -> None:
    """Nielsen et al. 2015, Agron. J.: a cover used 94 mm more than no-till fallow; the sites are below."""
    assert example.result.provenance["closure_mm"] <= 1e-6
    rated = (example.result.zones["zone"] != "not_rated").to_numpy()
    gap = example.result.outcomes["planting_gap_mm"].sel(stat="mean").values[rated]
    assert (gap[:, 0] == 0).all()
    used = example.result.outcomes["transpiration_mm"].values[rated]
    assert (gap <= used).all()
    assert np.nanmedian(gap, axis=0).max() < 94
    assert np.nanmedian(gap[:, 3]) > np.nanmedian(gap[:, 1]) > 0


def test_a_dry_record_gives_dry_zones(example: Published) -> None:
    """414 mm a year; Garba et al. 2022 put the break-even of cover crops in drylands near 700 mm."""
    area = example.result.sites["area_ha"].groupby(example.result.zones["zone"]).sum()
    rated = area.drop("not_rated").sum()
    assert area.get("either", 0.0) < 0.1 * rated
    assert area.get("stubble_water", 0.0) + area.get("stubble_season", 0.0) > 0.3 * rated


def test_it_publishes(example: Published) -> None:
    for name in ("index.html", "springfill.gpkg", "fields.csv"):
        assert (example.folder / name).stat().st_size > 1000
    assert len(list((example.folder / "fields").glob("*.html"))) == 64
