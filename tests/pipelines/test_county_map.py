"""The county page as a file: what it holds, where its squares lie, and that nothing in it comes from elsewhere."""

from __future__ import annotations

import base64
import io
import json
import re
import zlib
from dataclasses import replace
from html import unescape
from html.parser import HTMLParser

import numpy as np
import pytest
import shapely
from colorspacious import cspace_convert, deltaE
from PIL import Image
from pyproj import Transformer

from geo.errors import StudyError
from geo.rating import TEST_ROWS, in_steps, test_values
from pipelines.show.county.data import (
    MISSING,
    judged_arrays,
    outline_steps,
    pack,
    site_arrays,
    target_steps,
    text_of_integers,
)
from pipelines.show.county.images import ink, pattern_mask, site_bytes, site_checksum, site_png, warp_sites, zone_png
from pipelines.show.county.map import county_html, leaflet_css, leaflet_script, write_county_map
from pipelines.show.county.page import CountyPage
from pipelines.show.legend import zone_legend
from pipelines.study.house import shared_dir
from pipelines.study.words import load_catalogue
from tests.browser.invented_county import with_texts
from tests.builders import HOSTILE_NAMES, tiny_result

ASSETS = shared_dir().parent / "pipelines" / "show" / "assets"


@pytest.fixture(scope="module")
def result():
    return tiny_result()


@pytest.fixture(scope="module")
def page(result):
    return county_html(result)


class Tags(HTMLParser):
    """All tags and attributes of a page as a browser would read them."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.text.append(data)


def read(page: str) -> Tags:
    tags = Tags()
    tags.feed(page)
    return tags


def block(page: str, name: str) -> dict:
    return json.loads(re.search(rf'id="{name}">(.*?)</script>', page, re.DOTALL).group(1))


# Squares ---------------------------------------------------------------------------------------------------------


def test_each_square_lies_where_pyproj_puts_it(result):
    """A point of the study grid, carried to Web Mercator by pyproj, finds the same site in the picture."""
    raster = warp_sites(result.site_raster, result.grid)
    rng = np.random.default_rng(4)
    rows, columns = result.grid.shape
    # Centres of squares that have the same site all around, so that half a pixel cannot matter.
    inner = np.array([(r, c) for r in range(1, rows - 1) for c in range(1, columns - 1)
                      if len(np.unique(result.site_raster[r - 1 : r + 2, c - 1 : c + 2])) == 1])  # fmt: skip
    pick = inner[rng.choice(len(inner), 400)]
    x, y = result.grid.affine * (pick[:, 1] + 0.5, pick[:, 0] + 0.5)
    mx, my = Transformer.from_crs("EPSG:5070", "EPSG:3857", always_xy=True).transform(x, y)
    column = np.floor((mx - raster.west) / raster.step).astype(int)
    row = np.floor((raster.north - my) / raster.step).astype(int)
    assert (raster.site[row, column] == result.site_raster[pick[:, 0], pick[:, 1]]).all()


def test_corner_is_off_by_less_than_a_pixel(result):
    raster = warp_sites(result.site_raster, result.grid)
    edge = np.argwhere(result.site_raster == 0)
    x, y = result.grid.affine * (edge[:, 1] + 0.5, edge[:, 0] + 0.5)
    mx, my = Transformer.from_crs("EPSG:5070", "EPSG:3857", always_xy=True).transform(x, y)
    seen = np.argwhere(raster.site == 0)
    drawn_x = raster.west + (seen[:, 1] + 0.5) * raster.step
    drawn_y = raster.north - (seen[:, 0] + 0.5) * raster.step
    for drawn, true in ((drawn_x.min(), mx.min()), (drawn_x.max(), mx.max()), (drawn_y.min(), my.min()), (drawn_y.max(), my.max())):  # fmt: skip  # noqa: E501
        assert abs(drawn - true) < raster.step
    assert raster.ground_m == pytest.approx(30, rel=0.01)


def test_large_counties_are_thinned_and_keep_their_corner(result):
    full, thin = (warp_sites(result.site_raster, result.grid, limit) for limit in (10**7, 400))
    assert thin.site.size < 500
    assert thin.ground_m > 2 * full.ground_m
    assert thin.west == pytest.approx(full.west, abs=thin.step)
    assert thin.north == pytest.approx(full.north, abs=thin.step)


@pytest.mark.parametrize("sites", [12, 300, 70_000])
def test_picture_gives_every_site_back(sites):
    from pipelines.show.county.images import WebRaster

    rng = np.random.default_rng(1)
    site = rng.integers(-1, sites, (40, 50)).astype(np.int32)
    site[0, 0] = sites - 1
    raster = WebRaster(site, 0, 0, 30, 30)
    width = site_bytes(raster)
    grey = np.asarray(Image.open(io.BytesIO(site_png(raster))).convert("RGB"))[:, :, 0].astype(np.int64)
    number = sum(grey[:, b::width] << (8 * b) for b in range(width))
    assert (number - 1 == site).all()
    total, placed = site_checksum(raster)
    assert total == number.sum()
    swapped = number.ravel().copy()
    swapped[[0, 1]] = swapped[[1, 0]]
    changed = int((swapped * (np.arange(swapped.size) % 251)).sum())
    assert (placed == changed) == (number.ravel()[0] == number.ravel()[1])


@pytest.mark.slow
def test_still_picture_has_the_colours_of_the_legend_and_nothing_else(result):
    raster = warp_sites(result.site_raster, result.grid)
    zones = zone_legend()
    image = Image.open(
        io.BytesIO(zone_png(raster, result.zones["zone_code"].to_numpy(), zones, result.fields.iloc[:0]))
    )
    assert image.mode == "P"
    pixels = np.asarray(image.convert("RGBA"))
    legal = {z.rgb for z in zones} | {ink(z.rgb) for z in zones}
    assert {tuple(p) for p in np.unique(pixels[pixels[:, :, 3] > 0][:, :3], axis=0).tolist()} <= legal
    code = result.zones["zone_code"].to_numpy()
    for z in zones:
        drawn = np.isin(pixels[:, :, :3] @ [65536, 256, 1], [np.dot(c, [65536, 256, 1]) for c in (z.rgb, ink(z.rgb))])
        expected = np.isin(raster.site, np.flatnonzero(code == z.code)).mean()
        assert (drawn & (pixels[:, :, 3] > 0)).mean() == pytest.approx(expected, abs=0.002)


@pytest.mark.parametrize("name", ["lines", "dots", "grid", "diagonal"])
def test_pattern_leaves_most_of_the_colour_visible(name):
    y, x = np.ogrid[:80, :80]
    assert 0.05 < pattern_mask(name, x, y).mean() < 0.3


# Colours ---------------------------------------------------------------------------------------------------------

RAMPS = {
    name: re.findall(r"#[0-9A-F]{6}", colours)
    for name, colours in re.findall(
        r"(\w+): \[((?:\"#[0-9A-F]{6}\",? ?)+)\]", (ASSETS / "county_layers.js").read_text()
    )
}


def _rgb(colour: str) -> np.ndarray:
    return np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255


@pytest.mark.parametrize("name", sorted(RAMPS))
def test_ramp_falls_in_lightness_for_grey_print(name):
    light = [cspace_convert(_rgb(c), "sRGB1", "CIELab")[0] for c in RAMPS[name]]
    assert len(light) == 6
    assert (-np.diff(light) >= 8).all(), light


@pytest.mark.parametrize("kind", ["deuteranomaly", "protanomaly", "tritanomaly"], ids=lambda k: f"Machado 2009 {k}")
@pytest.mark.parametrize("name", sorted(RAMPS))
def test_neighbours_of_a_ramp_differ_for_every_eye(name, kind):
    space = {"name": "sRGB1+CVD", "cvd_type": kind, "severity": 100}
    seen = [np.clip(cspace_convert(_rgb(c), space, "sRGB1"), 0, 1) for c in RAMPS[name]]
    assert min(deltaE(a, b, input_space="sRGB1") for a, b in zip(seen, seen[1:], strict=False)) >= 8


# Data ------------------------------------------------------------------------------------------------------------


def _integers(text: str) -> list[int]:
    alphabet = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
    out, value, shift = [], 0, 0
    for letter in text:
        bits = alphabet.index(letter)
        value |= (bits & 31) << shift
        if bits & 32:
            shift += 5
            continue
        out.append(-(value + 1) // 2 if value & 1 else value // 2)
        value = shift = 0
    return out


@pytest.mark.parametrize("numbers", [[], [0], [15, -16, 16, -17], [511, 512, -512, -513], [2**30 - 1, -(2**30)]])
def test_integers_come_back_from_text(numbers):
    assert _integers(text_of_integers(np.array(numbers, np.int64))) == numbers


def test_outlines_come_back_within_a_metre_or_two(result):
    holed = shapely.box(0, 0, 1000, 1000) - shapely.box(400, 400, 600, 600)
    shapes = [holed, shapely.MultiPolygon([shapely.box(2000, 0, 2500, 500), shapely.box(3000, -900, 3300, -500)])]
    frame = result.fields.iloc[:2].set_geometry(shapes, crs="EPSG:3857")
    steps = iter(_integers(text_of_integers(outline_steps(frame, -100.0, 1500.0))))
    start = np.zeros(2)
    for shape in shapes:
        rings = []
        for _ in range(next(steps)):
            xy = np.array([(next(steps), next(steps)) for _ in range(next(steps))], float)
            xy[0] += start
            xy = xy.cumsum(axis=0)
            start = xy[0]
            rings.append(shapely.Polygon(xy * (1, -1) + (-100, 1500)))
        back = rings[0]
        for ring in rings[1:]:
            back = back.symmetric_difference(ring)
        assert back.symmetric_difference(shape).area <= 2.5 * shape.length


def test_packed_arrays_come_back_bit_by_bit(result):
    arrays = site_arrays(result) | judged_arrays(result)
    packed = pack(arrays)
    stream = zlib.decompress(base64.b64decode(packed["data"]))
    start = 0
    for (name, kind, length), (expected_name, expected) in zip(packed["parts"], arrays.items(), strict=True):
        width = int(kind[1])
        part = np.frombuffer(stream[start : start + width * length], np.uint8).reshape(width, length).T.copy()
        start += width * length
        values = part.view(f"<{kind}").ravel()
        assert name == expected_name
        assert values.tobytes() == np.ascontiguousarray(expected.ravel()).tobytes()
    assert start == len(stream)


@pytest.mark.parametrize("place", ["site", "field"])
def test_tested_values_are_those_of_the_study_in_whole_steps(result, place):
    outcomes = result.outcomes if place == "site" else result.field_outcomes
    own, (targets, at) = test_values(outcomes), target_steps(result)
    arrays = judged_arrays(result)
    for k, row in enumerate(TEST_ROWS):
        steps = in_steps(own[:, :, k].T, row.step)
        packed = arrays[f"{place}_{row.name}"].astype(float)
        packed[packed == MISSING] = np.nan
        np.testing.assert_array_equal(packed[at] if packed.ndim == 3 else packed, steps)
        assert (packed.ndim == 3) == (row.name == "shortfall")
    assert arrays[f"{place}_shortfall"].shape[0] == len(targets)
    assert not arrays["site_rated"].all()


@pytest.mark.parametrize(("own", "count", "place"), [(0.5, 17, 8), (0.55, 17, 9), (0.62, 18, 11)])
def test_own_target_is_always_on_offer(result, own, count, place):
    rules = result.settings["rules"] | {"target_share": own}
    study = replace(result, settings=result.settings | {"rules": rules})
    targets, at = target_steps(study)
    assert (len(targets), at) == (count, place)
    assert targets == sorted(targets)
    shortfall = judged_arrays(study)["site_shortfall"]
    assert shortfall.shape[0] == count
    expected = result.outcomes["shortfall_years"].sel(option="winter_killed").values
    known = np.isfinite(expected)
    np.testing.assert_allclose(shortfall[at, 0][known] / 1000, expected[known], atol=5e-4)


# The page --------------------------------------------------------------------------------------------------------


def test_nothing_comes_from_elsewhere(page):
    for tag, attributes in read(page).tags:
        for name in ("src", "href", "srcset", "data", "action", "poster"):
            value = attributes.get(name)
            assert value is None or value.startswith(("data:image/png;base64,", "#")), (tag, name, value)
        assert tag not in (
            "link",
            "iframe",
            "object",
            "embed",
            "base",
            "form" if attributes.get("action") else "base",
        )
    assert not re.findall(r"url\((?!data:|#)[^)]{0,60}", page.split("</head>")[0])
    assert "@import" not in page
    assert "sourceMappingURL" not in page


def test_leaflet_is_the_installed_package():
    assert "Leaflet 1.9" in leaflet_script()[:200]
    assert "url(images" not in leaflet_css()
    assert "</script" not in leaflet_script()


def test_policy_allows_only_the_scripts_of_the_page(page):
    policy = next(a["content"] for t, a in read(page).tags if a.get("http-equiv") == "Content-Security-Policy")
    assert "default-src 'none'" in policy
    assert "unsafe-eval" not in policy
    script = policy.split("script-src")[1].split(";")[0]
    assert "unsafe-inline" not in script
    assert script.count("sha256-") == page.count("<script>")


def test_page_says_everything_without_script(page, result):
    text = " ".join(" ".join(read(page).text).split())
    for zone in zone_legend():
        assert zone.label in text
    assert "acres" in text
    assert "mixes use no less water than a single species" in text
    for caution in (
        "Crop insurance",
        "Herbicide plant-back",
        "Nitrate",
        "Prussic acid",
        "Local rules come first",
        "Erosion",
    ):
        assert caution in text
    assert "Invented data" in text
    assert text.count("LK-000") >= len(result.fields)


def test_areas_in_the_page_add_up(result):
    content = CountyPage(result, load_catalogue())
    assert sum(content.ground_ha().values()) == pytest.approx(result.sites["area_ha"].sum())
    assert sum(content.field_ha().values()) == pytest.approx(result.fields["area_ha"].sum())


def test_page_is_the_same_each_time(result, page):
    assert county_html(result) == page


TRICKS = (
    *HOSTILE_NAMES,
    "<!--@@body@@--> {# no #}",
    "]]>--><!--",
    "&lt;b&gt;&amp;",
    "\x00\x07\ufeff",
    "{{ 7*7 }}{{''.__class__}}",
)


@pytest.fixture(scope="module")
def plain_shape(result):
    return [(t, sorted(a)) for t, a in read(county_html(with_texts(result, "word"))).tags]


@pytest.mark.slow
@pytest.mark.parametrize("text", TRICKS, ids=range(len(TRICKS)))
def test_user_text_makes_no_tag_and_no_attribute(result, plain_shape, text):
    page = county_html(with_texts(result, text))
    assert [(t, sorted(a)) for t, a in read(page).tags] == plain_shape
    title = re.search(r"<h1>(.*?)</h1>", page, re.DOTALL).group(1)
    assert unescape(title).startswith(text)


def test_hostile_name_survives_as_text(result):
    page = county_html(result)
    names = block(page, "county-data")["fields"]["columns"]["name"]["v"]
    assert names[0] == HOSTILE_NAMES[0]
    assert names[3] == HOSTILE_NAMES[3]


def test_links_use_the_file_names_of_the_field_pages(result):
    from pipelines.show.field.page import field_file_name

    study = with_texts(result, "../a b?#%")
    pages = block(county_html(study), "county-data")["pages"]
    assert [f"{p}.html" for p in pages] == [field_file_name(i) for i in study.fields["field_id"]]
    assert all(re.fullmatch(r"[\w-]+", p) for p in pages)
    assert block(county_html(result), "county-data")["pages"] is None


# Files -----------------------------------------------------------------------------------------------------------


def test_file_is_whole_or_the_old_one(result, tmp_path, monkeypatch):
    target = tmp_path / "index.html"
    target.write_text("old")
    monkeypatch.setattr(
        "pipelines.study.staging.os.replace", lambda *_: (_ for _ in ()).throw(OSError(28, "No space left"))
    )
    with pytest.raises(StudyError) as error:
        write_county_map(result, target)
    assert "No space left" in str(error.value)
    assert target.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["index.html"]


def test_a_folder_that_cannot_be_made_is_named(result, tmp_path):
    (tmp_path / "none").write_text("a file")
    with pytest.raises(StudyError, match="none/index.html"):
        write_county_map(result, tmp_path / "none" / "index.html")


def test_metric_study_starts_in_metric(result):
    study = replace(result, settings=result.settings | {"units": "metric"})
    page = county_html(study)
    assert block(page, "county-data")["units"] == "metric"
    assert re.search(r'<option value="metric" selected>', page)
    lead = re.search(r'<p class="lead">(.*?)</p>', page).group(1)
    assert " ha" in lead
    assert "acres" not in lead


def test_a_study_without_fields_still_has_a_page(result):
    empty = replace(
        result, fields=result.fields.iloc[:0], coverage=result.coverage[:0],
        field_outcomes=result.field_outcomes.isel(field=[]), field_verdicts=result.field_verdicts.isel(field=[]),
    )  # fmt: skip
    page = county_html(empty)
    assert block(page, "county-data")["fields"]["count"] == 0
    assert block(page, "county-data")["fields"]["outlines"] == ""


def test_rules_of_both_kinds_of_ground_reach_the_script(result):
    own = result.settings["irrigated_rules"] | {"season_min": 0.55}
    data = block(county_html(replace(result, settings=result.settings | {"irrigated_rules": own})), "county-data")
    assert data["irrigated_rules"]["season_min"] == 0.55
    assert data["irrigated_rules"]["winterkill_min"] == data["rules"]["winterkill_min"] == 0.9
    assert data["rules"]["season_min"] == 0.7
    limits = {name for test in data["rule"]["tests"] for name in test["limits"]}
    assert limits == set(data["rules"])


def test_the_script_names_no_test_no_limit_and_no_zone():
    """A new test is a row of the rule table: the evaluator in the browser must not know any of its names."""
    script = (ASSETS / "county_rule.js").read_text(encoding="utf-8")
    names = (
        {row.name for row in TEST_ROWS} | {row.factor for row in TEST_ROWS} | {n for r in TEST_ROWS for n in r.limits}
    )
    quoted = set(re.findall(r"\"([\w.]+)\"", script))
    assert not quoted & (names | {z.key for z in zone_legend()})
    assert not re.search(r"[=!]== ?[1-9]", script)


def test_unsprayed_stubble_is_owned_up_to(result, page):
    assert "not sprayed" not in page.split("county-data")[0]
    weedy = replace(result, settings=result.settings | {"stubble_weeds": True})
    assert "The stubble is not sprayed" in county_html(weedy)


def test_a_bonus_for_mixes_is_owned_up_to(result, page):
    study = replace(result, settings=result.settings | {"mix_water_bonus": {"winter_killed": 0.1}})
    assert "no bonus" in page
    assert "no bonus" not in county_html(study).split("county-data")[0]
    assert "up to 10% less" in county_html(study)


@pytest.mark.slow
def test_words_of_the_page_are_easy_enough_for_a_planner():
    """Flesch-Kincaid grade of the sentences; the limit of 10 is common practice, no source."""
    textstat = pytest.importorskip("textstat", reason="textstat is not installed")
    sentences = [v for v in load_catalogue().under("county").values() if len(v.split()) > 7]
    assert len(sentences) > 25
    assert textstat.flesch_kincaid_grade(" ".join(sentences)) <= 10


def test_every_word_that_the_script_asks_for_is_in_the_catalogue():
    """Keys written out in the scripts; a missing one would show as its own name."""
    more = {f"{head}.{key}" for head in ("common", "verdict") for key in load_catalogue().under(head)}
    words = set(load_catalogue().under("county")) | more
    asked = set()
    for script in sorted(ASSETS.glob("county_*.js")):
        asked |= set(re.findall(r"SF\.t\(\s*\"([\w.]+)\"\s*[,)]", script.read_text(encoding="utf-8")))
    assert len(asked) > 25
    assert asked - words == set()
