"""The zone legend: valid rows only, and colours that survive colour-vision deficiency and grey print."""

from __future__ import annotations

import numpy as np
import pytest

from geo.errors import StudyError
from geo.rating.rule import ZONE_CODES
from pipelines.show.legend import zone_legend, zone_styles
from pipelines.study.house import shared_dir
from tests.pipelines.colours import VISIONS, contrast, lightness, smallest_distance

LEGEND = zone_legend()
RATED = [z.colour for z in LEGEND if z.key != "not_rated"]


def test_one_row_a_zone_in_order():
    assert [(z.code, z.key) for z in LEGEND] == [(code, key) for key, code in ZONE_CODES.items()]
    assert zone_styles()[5].label == LEGEND[4].label
    assert LEGEND[0].rgb == tuple(int(LEGEND[0].colour[i : i + 2], 16) for i in (1, 3, 5))


@pytest.mark.parametrize("vision", VISIONS, ids=lambda v: f"Machado et al. 2009, {v or 'normal'}")
def test_zones_stay_apart_in_every_colour_vision(vision):
    assert smallest_distance([z.colour for z in LEGEND], vision) >= 15


def test_zones_stay_apart_in_grey_print():
    steps = np.diff(np.sort(lightness(RATED)))
    assert steps.min() >= 8


def test_ground_without_rating_is_told_by_its_pattern_in_grey_print():
    grey = LEGEND[-1]
    near = [z for z in LEGEND[:-1] if abs(lightness([z.colour])[0] - lightness([grey.colour])[0]) < 8]
    assert all(z.pattern != grey.pattern for z in near)
    assert grey.pattern != "none"


@pytest.mark.parametrize("ground", ["#FFFFFF"], ids=["WCAG 2.2, 1.4.3: number on its white disc"])
def test_zone_numbers_can_be_read(ground):
    assert contrast("#222222", ground) >= 7


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('colour = "#CC3311"', 'colour = "red"', "stubble_water.*colour"),
        ('pattern = "dots"', 'pattern = "stars"', "stubble_season.*pattern"),
        ("[either]", "[neither]", "neither"),
        ('colour = "#009E73"', 'colour = "#009E73"\nshade = 1', "either.*shade"),
    ],
)
def test_a_bad_row_is_named(tmp_path, old, new, says):
    text = (shared_dir() / "zones.toml").read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "zones.toml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(StudyError) as caught:
        zone_legend(path=path)
    import re

    assert re.search(says, str(caught.value), re.S)
