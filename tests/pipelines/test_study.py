"""Every fault of a study file is told with its line, its key and what is allowed."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

import pytest

from geo.errors import StudyError
from pipelines.cli.new import STUDY_FILE
from pipelines.study.faults import line_of
from pipelines.study.file import Study, load_study
from pipelines.study.house import sample_dir
from pipelines.study.tables import load_tables, zone_rules

LEAST = """\
[study]
name = "A study"

[soils]
path = "soils"

[climate]
path = "climate"
"""


def _write(folder: Path, text: str) -> Path:
    path = folder / "study.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_least_study_takes_every_default(tmp_path: Path) -> None:
    study, digest = load_study(_write(tmp_path, LEAST))
    assert study.fields is None
    assert study.study.units == "us"
    assert study.season.harvest == (7, 20)
    assert study.map.resolution_m == 30
    assert digest == hashlib.sha256(LEAST.encode()).hexdigest()


@pytest.mark.parametrize(
    ("change", "line", "told"),
    [
        pytest.param(("[soils]", "[soil]"), 4, ["[soil]", "no such table", "soils"], id="misspelt table"),
        pytest.param(('name = "A', 'nam = "A'), 2, ["study.nam", "no such key", "name"], id="misspelt key"),
        pytest.param(('name = "A study"', 'name = ""'), 2, ["study.name", "empty"], id="empty name"),
        pytest.param(('name = "A study"', ""), 1, ["study.name", "missing"], id="missing key"),
        pytest.param(('name = "A study"', "name = 3"), 2, ["study.name = 3", "text"], id="number for text"),
        pytest.param(
            ('name = "A study"', 'name = "A study"\nunits = "imperial"'), 3, ["study.units", '"us", "metric"'],
            id="unknown unit system",
        ),
        pytest.param(('name = "A study"', 'name = "A"\nyears = 1'), 3, ["study.years = 1", "2"], id="too few years"),
        pytest.param(('name = "A study"', 'name = "A"\nyears = 501'), 3, ["study.years", "500"], id="too many years"),
        pytest.param(('name = "A study"', 'name = "A"\nseed = -1'), 3, ["study.seed = -1", "0"], id="negative seed"),
        pytest.param(('path = "soils"', ""), 4, ["soils.path", "missing"], id="no soil path"),
        pytest.param(
            ('path = "soils"', 'path = "soils"\nkind = "ssurgo"'), 6, ["soils.kind", "survey_export", "texture_grid"],
            id="unknown soil kind",
        ),
        pytest.param(
            ('path = "climate"', 'path = "climate"\nkind = "hourly"'), 9, ["climate.kind", '"normals"', '"daily"'],
            id="unknown climate kind",
        ),
        pytest.param(('path = "climate"', "path = 7"), 8, ["climate.path"], id="number for a path"),
        pytest.param(
            ('path = "climate"', 'path = "climate"\n[season]\nharvest = "7-20"'), 10, ["season.harvest", "MM-DD"],
            id="date without zero",
        ),
        pytest.param(
            ('path = "climate"', 'path = "climate"\n[season]\nplanting = "02-30"'), 10, ["season.planting", "02-30"],
            id="30 February",
        ),
        pytest.param(
            ('path = "climate"', 'path = "climate"\n[season]\nplanting = 2024-05-15'), 10,
            ["season.planting", "MM-DD"], id="date with a year",
        ),
        pytest.param(
            ('path = "climate"', 'path = "climate"\n[season]\nsowing = "08-01"'), 10,
            ["season.sowing", "seeding_winter_killed"], id="unknown date",
        ),
        pytest.param(
            ('path = "climate"', 'path = "climate"\n[map]\nresolution_m = 0'), 10, ["map.resolution_m = 0", "1"],
            id="no resolution",
        ),
        pytest.param(
            ('path = "climate"', 'path = "climate"\n[map]\nbounds = [1, 2, 3]'), 10, ["map.bounds"],
            id="three bounds",
        ),
        pytest.param(
            ('path = "climate"', 'path = "climate"\n[rules]\nshortfall_max = "20 %"'), 10, ["rules.shortfall_max"],
            id="text for a rule",
        ),
        pytest.param(
            ('path = "climate"', 'path = "climate"\n[mixes.winterkilled]\ndensity = 1'), 9,
            ["winter_killed", "overwinter"], id="unknown mix",
        ),
        pytest.param(
            ('path = "climate"', 'path = "climate"\n[mixes.overwinter]\ndensity = 2'), 10,
            ["mixes.overwinter.density", "1"], id="density above one",
        ),
        pytest.param(
            ('path = "climate"', 'path = "climate"\n[map]\ncrs = "EPSG:4326"'), 10, ["map.crs", "in metres"],
            id="a map in degrees",
        ),
        pytest.param(
            ('path = "climate"', 'path = "climate"\n[map]\ncrs = "EPSG:2232"'), 10, ["map.crs", "in metres"],
            id="a map in feet",
        ),
        pytest.param(
            ('path = "climate"', 'path = "climate"\n[map]\ncrs = "Albers, roughly"'), 10,
            ["map.crs", "is not a known CRS"], id="a CRS that does not exist",
        ),
        pytest.param(
            ('path = "climate"', 'path = "climate"\n[run]\nparameter_sets = 500'), 10, ["run.parameter_sets", "64"],
            id="too many parameter sets",
        ),
        pytest.param(
            ('path = "climate"', 'path = "climate"\n[fields]\nlayer = "a"'), 9, ["fields.path", "missing"],
            id="fields without a path",
        ),
        pytest.param(
            ('path = "climate"', 'path = "climate"\n[elevation]\npath = "e.tif"\nband = 0'), 11,
            ["elevation.band = 0", "1"], id="band zero",
        ),
    ],
)  # fmt: skip
def test_each_fault_names_line_key_and_what_is_allowed(
    tmp_path: Path, change: tuple[str, str], line: int, told: list[str]
) -> None:
    assert change[0] in LEAST
    with pytest.raises(StudyError) as caught:
        load_study(_write(tmp_path, LEAST.replace(*change)))
    where = caught.value.where
    assert "study.toml" in where
    assert re.search(rf"line {line}\b", where), where
    for piece in told:
        assert piece in where, where
    assert caught.value.fix


def test_all_faults_come_at_once(tmp_path: Path) -> None:
    text = LEAST.replace('"A study"', '""') + '[season]\nharvest = "x"\n[run]\nparameter_sets = -1\n'
    with pytest.raises(StudyError) as caught:
        load_study(_write(tmp_path, text))
    assert all(f"line {n}" in caught.value.where for n in (2, 10, 12))


@pytest.mark.parametrize(
    ("content", "what"),
    [
        pytest.param(b"[study\nname = 1", "not valid TOML", id="broken TOML"),
        pytest.param(b"\xff\xfe[\x00s\x00", "cannot be read as text", id="UTF-16"),
        pytest.param(b"", "faults", id="empty"),
        pytest.param(b'[study]\nname="a"\n[study]\nname="b"', "not valid TOML", id="table twice"),
    ],
)
def test_files_that_are_no_study(tmp_path: Path, content: bytes, what: str) -> None:
    path = tmp_path / "study.toml"
    path.write_bytes(content)
    with pytest.raises(StudyError, match=what) as caught:
        load_study(path)
    assert str(path) in caught.value.where or path.name in caught.value.where
    assert caught.value.fix


def test_a_missing_file_and_a_folder(tmp_path: Path) -> None:
    with pytest.raises(StudyError, match="no study file") as caught:
        load_study(tmp_path / "nothing.toml")
    assert "springfill new" in caught.value.fix
    with pytest.raises(StudyError):
        load_study(tmp_path)


@pytest.mark.parametrize(
    ("season", "what"),
    [
        pytest.param('seeding_winter_killed = "07-01"', "out of order", id="sown before harvest"),
        pytest.param('seeding_overwinter = "12-01"', "out of order", id="sown after the November check"),
        pytest.param('early_termination = "06-01"', "spring dates", id="ended after planting"),
        pytest.param('planting = "08-01"', "spring dates", id="planted after the next harvest"),
    ],
)
def test_dates_out_of_order_stop_the_study(tmp_path: Path, season: str, what: str) -> None:
    with pytest.raises(StudyError, match=what) as caught:
        load_study(_write(tmp_path, LEAST + f"[season]\n{season}\n"))
    assert caught.value.fix


@pytest.mark.parametrize(
    ("more", "where"),
    [
        pytest.param("[rules]\nshortfall_max = 0.9\n", "shortfall_max", id="rule outside its range"),
        pytest.param("[rules]\nshortfal_max = 0.2\n", "rules", id="rule misspelt"),
        pytest.param("[irrigated_rules]\nseason_min = 2\n", "season_min", id="irrigated rule outside its range"),
        pytest.param("[parameters]\nkc_max = 9\n", "parameters", id="parameter outside its range"),
        pytest.param("[parameters]\nkcmax = 1.2\n", "parameters", id="parameter misspelt"),
    ],
)
def test_rules_and_parameters_are_held_to_the_tables(tmp_path: Path, more: str, where: str) -> None:
    study, _ = load_study(_write(tmp_path, LEAST + more))
    with pytest.raises(StudyError) as caught:
        zone_rules(load_tables(study), study)
    assert where in caught.value.where
    assert re.search(r"Allowed|Give a value from", caught.value.fix)


@pytest.mark.parametrize(
    ("keys", "line"),
    [
        pytest.param(("study", "name"), 2, id="key"),
        pytest.param(("soils",), 4, id="table"),
        pytest.param(("soils", "kind"), 4, id="missing key: its table"),
        pytest.param(("fields",), None, id="missing table"),
    ],
)
def test_line_of(keys: tuple[str, ...], line: int | None) -> None:
    assert line_of(LEAST, keys) == line


def test_the_new_study_file_is_valid_and_names_every_table(tmp_path: Path) -> None:
    study, _ = load_study(_write(tmp_path, STUDY_FILE))
    zone_rules(load_tables(study), study)
    for name in Study.model_fields:
        assert re.search(rf"^(# )?\[{name}[\].]", STUDY_FILE, re.MULTILINE), name


def test_every_commented_default_of_the_new_study_file_is_the_default(tmp_path: Path) -> None:
    """The file promises that a commented line shows a default; those without an example mark must hold."""
    shown = {
        ("study", "seed"): "1", ("study", "years"): "31", ("map", "resolution_m"): "30.0",
        ("rules", "season_min"): "0.7",
        ("run", "parameter_sets"): "8", ("run", "field_pages"): "true", ("rules", "winterkill_min"): "0.9",
        ("rules", "survival_min"): "0.7", ("rules", "ground_cover_min"): "0.3", ("rules", "rated_share_min"): "0.5",
    }  # fmt: skip
    study, _ = load_study(_write(tmp_path, LEAST))
    rules = zone_rules(load_tables(study), study)[0]
    for (table, key), text in shown.items():
        assert re.search(rf"^# {key} = {re.escape(text)}\b", STUDY_FILE, re.MULTILINE), key
        default = getattr(rules if table == "rules" else getattr(study, table), key)
        assert str(default).lower() == text, key


def test_the_sample_study_is_valid() -> None:
    study, _ = load_study(sample_dir() / "study.toml")
    zone_rules(load_tables(study), study)
    assert (sample_dir() / study.soils.path).exists()
