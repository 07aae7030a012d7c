"""The region file: faults are named with file, line and what is allowed."""

from __future__ import annotations

from pathlib import Path

import pytest

from geo.errors import StudyError
from pipelines.scale.region_file import load_region
from pipelines.study.house import sample_dir
from tests.pipelines.tiny_study import write_tiny_study

GOOD = '[region]\nname = "R"\n\n[tiles]\nsize_km = 10\n'


def test_a_short_file_is_enough(tmp_path: Path) -> None:
    write_tiny_study(tmp_path)
    (tmp_path / "region.toml").write_text(GOOD)
    region, study, study_file, digests = load_region(tmp_path / "region.toml")
    assert (region.region.study, region.workers.count, region.workers.scheduler) == ("study.toml", 0, "")
    assert study.study.name.startswith("Tiny")
    assert study_file == tmp_path / "study.toml"
    assert len({*digests.values()}) == 2


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        pytest.param("name =", "nam =", "line 2: region.nam: there is no such key", id="key"),
        pytest.param("[region]", "[county]", "[region] is missing", id="no region table"),
        pytest.param("size_km = 10", "size_km = -1", "line 5: tiles.size_km = -1", id="negative size"),
        pytest.param("size_km = 10", 'size_km = "big"', "line 5: tiles.size_km", id="size in words"),
        pytest.param("size_km = 10", "", "give path (a layer of polygons) or size_km", id="neither way"),
        pytest.param("size_km = 10", 'size_km = 10\npath = "c.gpkg"', "one of the two", id="both ways"),
        pytest.param("size_km = 10", "size_km = 10\n[workers]\ncount = -2", "line 7: workers.count", id="workers"),
        pytest.param(
            "size_km = 10", "size_km = 10\n[workers]\nmemory_gb = 0", "line 7: workers.memory_gb", id="memory"
        ),
        pytest.param(
            "size_km = 10",
            'size_km = 10\n[workers]\nscheduler = "10.0.0.5"',
            "is not the address of a scheduler",
            id="address",
        ),
        pytest.param("[tiles]", "[tiles", "not valid TOML", id="not TOML"),
        pytest.param('name = "R"', 'name = "R"\nstudy = "none.toml"', "There is no study file here", id="no study"),
        pytest.param('name = "R"', 'name = "R"\nstudy = "region.toml"', "names itself", id="itself"),
    ],
)
def test_a_fault_is_named_with_its_line(tmp_path: Path, old: str, new: str, told: str) -> None:
    write_tiny_study(tmp_path)
    (tmp_path / "region.toml").write_text(GOOD.replace(old, new))
    with pytest.raises(StudyError) as caught:
        load_region(tmp_path / "region.toml")
    assert told in f"{caught.value.what} {caught.value.where}"
    assert caught.value.fix


def test_the_sample_region_is_one() -> None:
    region, study, _, _ = load_region(sample_dir() / "region.toml")
    assert "invented" in region.region.name
    assert "invented" in study.study.name


def test_a_missing_file_says_where_one_is_shown(tmp_path: Path) -> None:
    with pytest.raises(StudyError, match="no region file") as caught:
        load_region(tmp_path / "region.toml")
    assert "docs/scale.md" in caught.value.fix
