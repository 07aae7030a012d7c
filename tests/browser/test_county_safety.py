"""Hostile text, no script, paper, and browsers that are old or alter pictures."""

from __future__ import annotations

import pytest

from pipelines.show.county.map import write_county_map
from pipelines.show.field.page import field_file_name
from tests.browser.county_steps import READY, choose, slide
from tests.browser.invented_county import with_texts
from tests.builders import HOSTILE_NAMES, tiny_result

pytestmark = pytest.mark.browser


# Hostile text ------------------------------------------------------------------------------------------------------


TRICKS = (*HOSTILE_NAMES, "<svg onload=window.hacked=1>", "javascript:window.hacked=1")


@pytest.mark.parametrize(
    ("text", "guarded"),
    [(t, False) for t in TRICKS] + [(TRICKS[0], True), (TRICKS[4], True)],
    ids=[f"{k} without policy" for k in range(len(TRICKS))] + ["0 with policy", "4 with policy"],
)
def test_no_text_of_a_user_is_ever_run(open_page, tmp_path, text, guarded):
    """Every text input carries the trick, every place that shows text is opened, also without the page's policy."""
    study = with_texts(tiny_result(), text)
    write_county_map(study, tmp_path / "index.html")
    opened = open_page(tmp_path / "index.html", wait=READY, bypass_csp=not guarded)
    page = opened.page
    page.evaluate("window.hacked = undefined")
    page.fill("#search", text)
    page.fill("#search", "")
    page.click("#field-rows .pick >> nth=0")
    assert page.locator(".leaflet-popup-content a").get_attribute("href") == "fields/" + field_file_name(text + "0")
    page.keyboard.press("Escape")
    page.fill("#search", "no such field")
    page.evaluate("SF.openPopup(SF.groundPopup(0, SF.map.getCenter()), SF.map.getCenter(), false)")
    page.fill("#search", "")
    for button in page.locator("button[data-sort]").all():
        button.click()
    page.evaluate("for (const d of document.querySelectorAll('details')) d.open = true")
    page.mouse.move(300, 600)
    page.evaluate("SF.preparePrint()")
    page.wait_for_timeout(50)
    assert page.evaluate("window.hacked") is None
    assert page.locator("svg").count() == page.locator("svg.frame").count() == 1, "the frame of the printed map alone"
    tags = set(page.evaluate("[...document.querySelectorAll('main *:not(.frame)')].map(n => n.localName)"))
    assert not tags & {"script", "iframe", "object", "embed", "svg", "link", "style"}
    assert page.evaluate(
        "[...document.querySelectorAll('*')].every(n => ![...n.attributes].some(a => /^on/i.test(a.name)))"
    )
    opened.assert_quiet()


# Without script, on paper, in odd browsers -------------------------------------------------------------------------


def test_complete_without_script(open_page, tmp_path):
    write_county_map(tiny_result(), tmp_path / "index.html")
    page = open_page(tmp_path / "index.html", java_script_enabled=False).page
    assert page.locator("#paper-map").is_visible()
    assert page.locator("#paper-legend tbody tr").count() == 7
    assert page.locator("table.fields tbody tr:visible").count() == len(HOSTILE_NAMES)
    assert not page.locator("#whatif").is_visible()
    assert "Script is off" in page.locator(".warn").first.inner_text()


def test_paper_shows_what_the_screen_showed(open_page, county_file):
    page = open_page(county_file, wait=READY).page
    choose(page, "filter-zone", "6")
    slide(page, "gap", 3)
    count = int(page.locator("#count-text").inner_text().split()[0])
    study = page.get_attribute("#paper-map", "src")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    page.emulate_media(media="print")
    assert not page.locator("#map_county").is_visible()
    assert page.locator("#paper-map").is_visible()
    assert page.get_attribute("#paper-map", "src") != study
    assert page.locator("#paper-fields tbody tr").count() == count
    assert "gap 3.0 in" in page.locator("#paper-layer").inner_text()
    assert page.locator("#paper-legend li").count() == 7
    assert page.pdf(format="Letter")[:4] == b"%PDF"
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    assert page.get_attribute("#paper-map", "src") == study


def test_altered_pictures_are_noticed(open_page, county_file, browser):
    """A browser that blurs what scripts may read: the zones come from the still picture, and the page says so."""
    context = browser.new_context(offline=True)
    context.add_init_script(
        """const read = CanvasRenderingContext2D.prototype.getImageData;
        CanvasRenderingContext2D.prototype.getImageData = function (...a) {
          const image = read.apply(this, a);
          for (let i = 0; i < image.data.length; i += 997) image.data[i] ^= 1; return image; };"""
    )
    page = context.new_page()
    page.goto(county_file.as_uri())
    page.wait_for_selector(READY, state="attached")
    assert page.locator("#picture-note").is_visible()
    assert page.locator("#map_county img.pixels").count() == 1
    assert page.locator("#field-rows tr").count() == 50
    context.close()


def test_old_browser_keeps_the_study(open_page, county_file, browser):
    context = browser.new_context(offline=True)
    context.add_init_script("delete window.DecompressionStream")
    page = context.new_page()
    errors = []
    page.on("pageerror", lambda e: errors.append(str(e)))
    page.goto(county_file.as_uri())
    page.wait_for_selector("#whatif[disabled]")
    assert "too old" in page.locator("#rule-note").inner_text()
    page.click("#field-rows .pick >> nth=3")
    assert page.locator("[data-popup-field='3']").count() == 1
    choose(page, "filter-zone", "6")
    assert errors == []
    context.close()
