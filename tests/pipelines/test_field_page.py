"""Field pages: true to the result, safe against hostile text, small, readable, whole or not at all."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
import shapely
import textstat
from hypothesis import given
from hypothesis import strategies as st
from pyproj import Geod, Transformer

from geo.errors import StudyError
from geo.options import OPTIONS
from geo.rating.rule import ZONE_NAMES
from pipelines.show.field import page as field_page
from pipelines.show.field.calendar import study_calendar
from pipelines.show.field.map import PATH_BUDGET, draw_field
from pipelines.show.field.page import field_file_name, render_field_page, safe_text, write_field_pages
from pipelines.show.legend import zone_styles
from pipelines.study.field_tables import (
    RateRow,
    animal_unit_months,
    aum_per_acre,
    cautions,
    cautions_for,
    seeding_rate_factor,
    seeding_rates,
)
from pipelines.study.house import shared_dir
from tests.builders import HOSTILE_NAMES, tiny_result
from tests.pipelines.field_results import Page


@pytest.fixture(scope="module", params=["us", "metric"])
def result(request):
    return tiny_result(units=request.param)


@pytest.fixture(scope="module")
def pages(result, tmp_path_factory):
    folder = tmp_path_factory.mktemp("fields")
    paths = write_field_pages(result, folder)
    return {i: p.read_text(encoding="utf-8") for i, p in zip(result.fields["field_id"], paths, strict=True)}


class TestFileName:
    @pytest.mark.parametrize("plain", ["LK-0001", "A", "42", "N_80"])
    def test_plain_ids_keep_their_name(self, plain):
        assert field_file_name(plain) == f"{plain}.html"

    @pytest.mark.parametrize(
        "hostile",
        ["../../etc/passwd", "a/b", "a\\b", "CON", "con", "nul", "", ".", "..", "x" * 500, "a:b", "é", "\u202e東",
         " ", "-rf", "A\n", "A.html", "%2e%2e", "\ud800", "A-0123456789AB"],
    )  # fmt: skip
    def test_hostile_ids_are_tamed(self, hostile):
        name = field_file_name(hostile)
        assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]{0,59}\.html", name)
        assert name != f"{hostile}.html"

    @given(st.lists(st.text(max_size=12), unique=True, max_size=20))
    def test_no_two_ids_share_a_file(self, ids):
        assert len({field_file_name(i).casefold() for i in ids}) == len(ids)

    def test_no_two_ids_share_a_file_by_case_or_by_imitation(self):
        name = field_file_name("a/b").removesuffix(".html")
        ids = ["a/b", "a-b", "A-B", "a b", name, name.upper(), name.casefold(), "A/B"]
        assert len({field_file_name(i).casefold() for i in ids}) == len(ids)


class TestHostileText:
    def test_names_stay_text(self, result, pages):
        for field_id, name in zip(result.fields["field_id"], HOSTILE_NAMES, strict=True):
            page = Page(pages[field_id])
            assert [t for t, _ in page.tags].count("script") == 1
            assert "img" not in {t for t, _ in page.tags}
            assert [a for _, attrs in page.tags for a in attrs if a.startswith("on")] == []
            heading = next(text for path, text in page.texts if "h1" in path)
            assert heading == safe_text(name)

    def test_every_text_input_is_escaped(self):
        nasty = '</script><script>window.hacked=1</script>"><b onclick=alert(1)>{{7*7}}'
        clean = tiny_result()
        fields = clean.fields.copy()
        for column in ("field_id", "name", "previous_crop", "next_crop", "reason"):
            fields[column] = nasty
        fields["field_id"] += fields.index.astype(str)
        sites = clean.sites.assign(reason=nasty, name=nasty, symbol=nasty, map_unit_id=nasty)
        record = {**clean.provenance, "inputs": [{"title": nasty, "licence": nasty, "date": nasty}], "program": nasty}
        settings = {**clean.settings, "name": nasty}
        hostile = replace(clean, fields=fields, sites=sites, provenance=record, settings=settings)
        for field_id in fields["field_id"]:
            html = render_field_page(hostile, field_id)
            page = Page(html)
            assert [t for t, _ in page.tags].count("script") == 1
            assert [a for _, attrs in page.tags for a in attrs if a.startswith("on")] == []
            assert "49" not in page.text("h1")

    @pytest.mark.parametrize("text", ["a\u202eb", "a\u2028b", "a\x00b", "a\u200bb", "a\tb\n"])
    def test_direction_and_control_characters_are_dropped(self, text):
        assert re.fullmatch("a ?b", safe_text(text))

    def test_endless_names_are_cut(self):
        assert len(safe_text("x" * 10_000)) <= 80

    def test_only_the_own_script_may_run(self, pages):
        policy = [a["content"] for t, a in Page(pages["LK-0001"]).tags if a.get("http-equiv")]
        assert len(policy) == 1
        assert "default-src 'none'" in policy[0]
        assert "script-src 'sha256-" in policy[0]


class TestAnswers:
    def test_acres_are_those_of_the_field_and_of_its_parts(self, result, pages):
        """The field is judged as a whole; the three largest parts with another answer have their area."""
        acre = 1.0 if result.settings["units"] == "metric" else 0.404687
        parts = 0
        for _, field in result.fields.iterrows():
            text = Page(pages[field["field_id"]]).text("section.answer")
            if field["zone"] == "not_rated":
                assert "cannot rate" in text
                continue
            whole = float(re.search(r"This is for the whole field, ([\d,.]+)", text)[1].replace(",", ""))
            assert whole == pytest.approx(field["area_ha"] / acre, abs=0.51)
            said = [float(n.replace(",", "")) for n in re.findall(r"([\d,.]+) (?:acres|ha), mostly", text)]
            others = [field[f"share_{zone}"] for zone in ZONE_NAMES.values() if zone != field["zone"]]
            assert len(said) == min(3, sum(share > 0.005 for share in others))
            for area in said:
                assert any(area == pytest.approx(share * field["area_ha"] / acre, abs=0.51) for share in others)
            parts += len(said)
        assert parts

    def test_short_years_are_those_of_the_field(self, result, pages):
        checked = 0
        for _, field in result.fields.iterrows():
            option = field["recommended_option"]
            if option in ("", "stubble"):
                continue
            count = round(field[f"shortfall_years_{option}"] * 30)
            text = Page(pages[field["field_id"]]).text("section.answer")
            assert f"In {count} of 30 years" in text or (count == 0 and "In none of 30 years" in text)
            assert pages[field["field_id"]].count('class="full"') == count
            checked += 1
        assert checked >= 2

    def test_irrigated_fields_have_their_own_rule(self, result, pages):
        irrigated = result.fields.loc[result.fields["irrigated"], "field_id"]
        for field_id in result.fields["field_id"]:
            marked = "This field is irrigated" in pages[field_id]
            assert marked == (field_id in set(irrigated)) or "cannot rate" in pages[field_id]

    def test_contested_evidence_stands_where_the_choice_is_made(self, result, pages):
        for _, field in result.fields.iterrows():
            if field["zone"] != "not_rated":
                answer = Page(pages[field["field_id"]]).text("section.answer")
                assert "mixes used no less water than single plants" in answer
                assert "no bonus" in answer

    def test_a_bonus_is_owned_up_to(self):
        study = tiny_result()
        bonus = replace(study, settings={**study.settings, "mix_water_bonus": {"warm": 0.1}})
        rated = study.fields.loc[study.fields["zone"] != "not_rated", "field_id"].iloc[0]
        assert "too kind" in render_field_page(bonus, rated)

    def test_unsprayed_stubble_is_owned_up_to(self):
        study = tiny_result()
        weedy = replace(study, settings={**study.settings, "stubble_weeds": True})
        rated = study.fields.loc[study.fields["zone"] != "not_rated", "field_id"].iloc[0]
        assert "next to clean stubble" in render_field_page(weedy, rated)

    def test_unrated_fields_say_why_and_nothing_more(self):
        study = tiny_result()
        fields = study.fields.copy()
        fields["zone"], fields["zone_code"], fields["recommended_option"] = "not_rated", 7, ""
        fields["reason"] = "rock outcrop"
        page = Page(render_field_page(replace(study, fields=fields), "LK-0001"))
        assert "rock outcrop" in page.text("section.answer")
        assert page.text("section.compare") == ""
        assert "Local rules come first" in page.text("section.cautions")


def zone_of_site(result, row):
    zones = result.irrigated_zones if result.fields["irrigated"].iloc[row] else result.zones
    return zones["zone_code"].to_numpy(np.uint8)


def zone_shares(result, row):
    """Share of a field by zone code, of zones that it has; 0 is ground without data."""
    shares = {code: float(result.fields[f"share_{zone}"].iloc[row]) for code, zone in ZONE_NAMES.items()}
    shares[0] = 1 - sum(shares.values())
    return {code: share for code, share in shares.items() if share > 5e-4}


def as_polygon(path: str) -> shapely.Geometry:
    """Read back an SVG path of this house (M, relative l, z) filled by the even-odd rule."""
    shape = shapely.Polygon()
    for start, steps in re.findall(r"M([-\d ]+)l([-\d ]+)z", path):
        moves = np.array([start.split(), *np.reshape(steps.split(), (-1, 2)).tolist()], dtype=float)
        shape = shape.symmetric_difference(shapely.Polygon(moves.cumsum(axis=0)).buffer(0))
    return shape


class TestMap:
    def test_drawn_zones_have_the_area_of_their_share(self, result):
        for row, field in enumerate(result.fields.itertuples()):
            drawn = draw_field(field.geometry, result.site_raster, result.grid, zone_of_site(result, row), "us")
            whole = as_polygon(drawn.outline).area
            shares = zone_shares(result, row)
            for part in drawn.zones:
                assert as_polygon(part.path).area / whole == pytest.approx(shares.get(part.code, 0), abs=0.015)

    def test_a_field_with_a_hole_keeps_it(self, result):
        field = result.fields.geometry.iloc[0]
        x, y = field.centroid.coords[0]
        holed = field.difference(shapely.Point(x, y).buffer(60))
        drawn = draw_field(holed, result.site_raster, result.grid, zone_of_site(result, 0), "us")
        full = draw_field(field, result.site_raster, result.grid, zone_of_site(result, 0), "us")
        ratio = as_polygon(drawn.outline).area / as_polygon(full.outline).area
        assert ratio == pytest.approx(holed.area / field.area, abs=0.005)

    @pytest.mark.parametrize("crs", ["EPSG:5070", "EPSG:32613"])
    def test_position_falls_on_the_right_spot(self, result, crs):
        """Longitude and latitude to the picture, against pyproj for points all over a field: within 2 m."""
        from odc.geo.geobox import GeoBox

        study = result.fields.to_crs(crs)
        left, bottom, right, top = study.total_bounds
        grid = GeoBox.from_bbox((left, bottom, right, top), crs, resolution=30)
        raster = np.zeros(grid.shape, dtype=np.int32)
        geometry = study.geometry.iloc[3]
        drawn = draw_field(geometry, raster, grid, np.array([3], dtype=np.uint8), "us")
        to_degrees = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
        a, b, c, d, e, f = drawn.affine
        outline = as_polygon(drawn.outline)
        corners = shapely.get_coordinates(geometry.exterior)[:4]
        lon, lat = to_degrees.transform(corners[:, 0], corners[:, 1])
        for x, y in zip(a * lon + b * lat + c, d * lon + e * lat + f, strict=True):
            nearest = min(np.hypot(*(np.array(p) - (x, y))) for p in outline.exterior.coords)
            assert nearest * drawn.metres_per_unit < 2
        ground = Geod(ellps="WGS84")
        lon, lat = to_degrees.transform(geometry.centroid.x, geometry.centroid.y)
        for azimuth in (0, 90, 200):
            far_lon, far_lat, _ = ground.fwd(lon, lat, azimuth, 150)
            dx, dy = a * (far_lon - lon) + b * (far_lat - lat), d * (far_lon - lon) + e * (far_lat - lat)
            turn = np.degrees(np.arctan2(dx, -dy)) - azimuth
            assert (turn + 180) % 360 - 180 == pytest.approx(0, abs=0.5)
            assert np.hypot(dx, dy) * drawn.metres_per_unit == pytest.approx(150, rel=0.01)

    def test_a_unit_is_as_long_as_the_ground(self, result):
        """Against geodesic distances on WGS 84 (pyproj.Geod): the scale bar is within 1 %."""
        geometry = result.fields.geometry.iloc[0]
        drawn = draw_field(geometry, result.site_raster, result.grid, zone_of_site(result, 0), "us")
        a, b, c, d, e, f = drawn.affine
        inverse = np.linalg.inv(np.array([[a, b], [d, e]]))
        one, other = (inverse @ (np.array(p) - (c, f)) for p in ((400, 300), (600, 300)))
        _, _, metres = Geod(ellps="WGS84").inv(*one, *other)
        assert drawn.metres_per_unit * 200 == pytest.approx(metres, rel=0.01)
        unit = {"ft": 0.3048, "mi": 1609.344}[drawn.bar_unit]
        assert drawn.bar_length * drawn.metres_per_unit == pytest.approx(float(drawn.bar_text) * unit, rel=0.01)

    def test_north_is_up(self, result):
        """The picture undoes the turn of grid north, sin(phi0) (lon - lon0), n = 0.6029 (Snyder 1987, eq. 14-6)."""
        geometry = result.fields.geometry.iloc[0]
        drawn = draw_field(geometry, result.site_raster, result.grid, zone_of_site(result, 0), "us")
        assert drawn.north_degrees == pytest.approx(0, abs=0.1)
        lon, _ = Transformer.from_crs("EPSG:5070", "EPSG:4326", always_xy=True).transform(
            *geometry.centroid.coords[0]
        )
        corners = np.array(as_polygon(drawn.outline).exterior.coords)
        side = corners[np.argsort(corners[:, 1])][-2:]
        (x0, y0), (x1, y1) = side[np.argsort(side[:, 0])]
        assert np.degrees(np.arctan2(y1 - y0, x1 - x0)) == pytest.approx(0.6029 * (lon + 96), abs=1.5)

    def test_a_speckled_field_stays_small(self, result):
        rng = np.random.default_rng(3)
        raster = rng.integers(0, 4, result.site_raster.shape).astype(np.int32)
        x0, y0, x1, y1 = result.fields.total_bounds
        drawn = draw_field(
            shapely.box(x0, y0, x1, y1), raster, result.grid, np.array([1, 3, 4, 5], dtype=np.uint8), "metric"
        )
        assert sum(len(p.path) for p in drawn.zones) <= PATH_BUDGET

    def test_ground_off_the_grid_is_without_data(self, result):
        x0, y0, x1, y1 = result.fields.geometry.iloc[0].bounds
        off = shapely.box(x0 - 5000, y0, x0 - 4000, y1)
        drawn = draw_field(off, result.site_raster, result.grid, np.ones(12, dtype=np.uint8), "us")
        assert [p.code for p in drawn.zones] == [0]

    def test_zones_carry_numbers_and_patterns(self, result, pages):
        styles = zone_styles()
        for row, field_id in enumerate(result.fields["field_id"]):
            page = Page(pages[field_id])
            said = {text for path, text in page.texts if "g.number" in path}
            assert said == {str(c) for c, s in zone_shares(result, row).items() if c and s > 0.002}
            for code in zone_shares(result, row):
                if code and styles[code].pattern != "none":
                    assert f'id="p{code}"' in pages[field_id]


class TestPage:
    def test_size(self, pages):
        assert max(len(html.encode()) for html in pages.values()) <= 100_000

    def test_nothing_is_fetched(self, pages):
        for html in pages.values():
            links = [a.get("src") or a.get("href") or "" for t, a in Page(html).tags if t not in ("use", "a")]
            assert [u for u in links if u and not u.startswith("data:,")] == []
            assert "@import" not in html

    def test_ids_are_unique_and_labels_point_at_them(self, pages):
        for html in pages.values():
            tags = Page(html).tags
            ids = [a["id"] for _, a in tags if a.get("id")]
            assert len(ids) == len(set(ids))
            wanted = {i for _, a in tags for i in (a.get("aria-labelledby") or "").split()}
            assert wanted <= set(ids)

    def test_units_are_not_mixed(self, result, pages):
        text = " ".join(Page(html).text("main") for html in pages.values())
        text = re.sub(r"1,000 lb cow|780 lb of|below \d+ in|\d+ m cells", "", text)
        foreign = {"us": r"\d (?:mm|ha|kg/ha|cm)\b", "metric": r"\d (?:in|acres|lb/acre|ft)\b"}
        assert re.findall(foreign[result.settings["units"]], text) == []

    def test_all_four_options_and_both_depth_tables(self, result, pages):
        for _, field in result.fields.iterrows():
            if field["zone"] == "not_rated":
                continue
            page = Page(pages[field["field_id"]])
            assert page.text("section.compare").count("Stubble") == 1
            for name in ("Winter-killed", "Ended early", "Ended at planting"):
                for part in ("section.compare", "section.depth", "section.forage", "svg.chart"):
                    assert name in page.text(part), part
            assert page.text("section.depth").count("Depth") == 2

    def test_cautions(self, result, pages):
        for _, field in result.fields.iterrows():
            text = Page(pages[field["field_id"]]).text("section.cautions")
            wanted = ["Local rules come first"]
            if field["zone"] != "not_rated":
                wanted += ["Crop insurance", "Herbicide plant-back", "Nitrate", "Prussic acid", "Bloat"]
                wanted += ["Erosion"] if field["slope_percent"] >= cautions()["erosion"].slope_percent else []
            assert [w for w in wanted if w not in text] == []

    @pytest.mark.slow
    def test_reading_level(self, result, pages):
        """Flesch-Kincaid grade (Kincaid et al. 1975, by textstat) of the prose; tables, names, cautions left out."""
        grades = []
        for _, field in result.fields.iterrows():
            html = pages[field["field_id"]].replace("grain sorghum", "corn").replace("winter wheat", "wheat")
            page = Page(html)
            parts = [
                text
                for path, text in page.texts
                if {"p", "dd", "li", "small"} & {p.split(".")[0] for p in path}
                and not {"header", "section.cautions", "script", "style"} & set(path)
                and not any(p.startswith(("svg", "table", "p.kicker", "p.facts")) for p in path)
            ]
            text = re.sub(r"\d(?:[\d,.]*\d)?", "2", " ".join(parts)).replace("AUM", "it")
            assert len(text.split()) > (150 if field["zone"] != "not_rated" else 20)
            grades.append(textstat.flesch_kincaid_grade(text))
        assert max(grades) <= 8, grades
        assert min(grades) >= 1.5, "the prose was not found"

    def test_sentences_are_short(self, pages):
        """At most 25 words a sentence outside the cautions: a house rule for plain language."""
        for html in pages.values():
            for path, text in Page(html).texts:
                if "section.answer" in path and "svg" not in " ".join(path):
                    for sentence in re.split(r"[.?!:] ", text):
                        assert len(sentence.split()) <= 25, sentence

    def test_the_words_of_the_catalogue_reach_the_page(self, monkeypatch):
        from pipelines.study.words import Catalogue, load_catalogue

        english = load_catalogue()
        shouted = {k: v.upper() if k.startswith("zones.headline") else v for k, v in english.entries.items()}
        monkeypatch.setattr(field_page, "load_catalogue", lambda: Catalogue(shouted))
        html = render_field_page(tiny_result(), "LK-0001")
        assert '<html lang="en">' in html
        assert re.search(r"\b(KEEP|SOW|EITHER|WE) [A-Z ]+", Page(html).text("h2"))


class TestWriting:
    def test_only_the_fields_that_are_asked_for(self, tmp_path):
        steps = []
        study = tiny_result()
        paths = write_field_pages(
            study,
            tmp_path / "f",
            only={"LK-0002", "LK-0008"},
            progress=lambda done, total: steps.append((done, total)),
        )
        assert [p.name for p in paths] == ["LK-0002.html", "LK-0008.html"]
        assert sorted(p.name for p in (tmp_path / "f").iterdir()) == ["LK-0002.html", "LK-0008.html"]
        assert steps == [(1, 2), (2, 2)]

    def test_a_failed_write_leaves_the_old_page(self, tmp_path, monkeypatch):
        study = tiny_result(names=("one",))
        (path,) = write_field_pages(study, tmp_path)
        before = path.read_bytes()

        def fail(*_):
            raise OSError("disk full")

        monkeypatch.setattr("pipelines.study.staging.os.replace", fail)
        with pytest.raises(StudyError, match="disk full"):
            write_field_pages(study, tmp_path)
        assert path.read_bytes() == before
        assert [p.name for p in tmp_path.iterdir()] == [path.name]

    def test_the_same_study_gives_the_same_bytes(self, tmp_path):
        study = tiny_result(names=("one", "two"))
        one = [p.read_bytes() for p in write_field_pages(study, tmp_path / "1")]
        two = [p.read_bytes() for p in write_field_pages(study, tmp_path / "2")]
        assert one == two


@pytest.mark.parametrize(
    ("pounds", "eaten", "wanted"),
    [
        pytest.param(780, 1.0, 1.0, id="UNL beef extension 2021: one AUM is 780 lb air-dry"),
        pytest.param(1000, 0.25, 0.32, id="780 lb AUM, 1000 lb an acre, 25 % eaten"),
        pytest.param(1000, 0.35, 0.45, id="780 lb AUM, 1000 lb an acre, 35 % eaten"),
        pytest.param(2500, 0.50, 1.60, id="780 lb AUM, 2500 lb an acre, 50 % eaten"),
    ],
)
def test_grazing(pounds, eaten, wanted):
    assert animal_unit_months(pounds, eaten) == pytest.approx(wanted, abs=0.005)


def test_dry_matter_is_turned_into_air_dry_forage():
    """900 lb of dry matter is 1,000 lb of air-dry forage at 90 % dry matter; 35 % of it is eaten."""
    assert aum_per_acre(900 * 0.45359237 / 0.404687) == pytest.approx(1000 * 0.35 / 780, rel=1e-4)


def test_seeding_rate_default_is_the_full_rate():
    assert np.all(seeding_rate_factor(np.array([150.0, 356.0, 500.0, 1200.0])) == 1.0)
    assert np.isnan(seeding_rate_factor(np.nan))
    assert {row.source for row in seeding_rates()} == {"common practice, no source"}


def test_seeding_rate_follows_the_table():
    rows = tuple(
        RateRow(precip_up_to=p, factor=f, unit="1", source="x") for p, f in ((300, 0.5), (500, 0.75), (np.inf, 1))
    )
    assert seeding_rate_factor(np.array([100, 300, 300.1, 500, 501]), rows).tolist() == [0.5, 0.5, 0.75, 0.75, 1.0]


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("factor = 1.0", "factor = 9.0", "less than or equal to 2"),
        ("precip_up_to = inf", "precip_up_to = 900.0", "must be inf"),
        ("precip_up_to = 508.0", "precip_up_to = 100.0", "must rise"),
        ("source =", "sauce =", "source"),
    ],
)
def test_a_bad_seeding_table_is_refused(tmp_path, old, new, says):
    text = (shared_dir() / "seeding_rate.toml").read_text(encoding="utf-8")
    path = tmp_path / "seeding_rate.toml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(StudyError) as caught:
        seeding_rates(path)
    assert says in str(caught.value)


@pytest.mark.parametrize(
    ("rated", "slope", "erosion"), [(True, 2.9, False), (True, 3.0, True), (True, np.nan, True), (False, 9, False)]
)
def test_erosion_is_named_on_slopes_and_where_the_slope_is_unknown(rated, slope, erosion):
    shown = cautions_for(rated, slope)
    assert ("erosion" in shown) == erosion
    assert shown[-1] == "local"


def test_every_caution_has_a_source():
    assert all(row.source for row in cautions().values())
    assert set(cautions()) >= {"insurance", "herbicide", "nitrate", "prussic", "bloat", "erosion", "local"}


@pytest.mark.parametrize("value", ["07/20", "July", 3, "13"])
def test_a_bad_date_is_named(value):
    with pytest.raises(StudyError, match="season cannot be read"):
        study_calendar({"harvest": value})


def test_options_of_the_page_are_those_of_the_house():
    assert OPTIONS == ("stubble", "winter_killed", "overwinter_early", "overwinter_late")
