"""The page of a region in a real browser, no network: links, phone, dark, hostile names, axe."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely

from geo.rating.rule import ZONE_CODES
from pipelines.scale.region_layers import write_mosaic
from pipelines.scale.region_page import write_region_page
from pipelines.scale.swept import Swept
from pipelines.scale.tiles import Tiles

HOSTILE = '"><script>alert(1)</script><b>Elk & Oak'
SIDE = 20


@pytest.fixture(scope="module")
def region_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twelve invented counties of 20 by 20 pixels, one of them failed, one without soil, one with a hostile name."""
    out = tmp_path_factory.mktemp("region")
    dice = np.random.default_rng(3)
    ids, shapes, records = [], [], []
    for index in range(12):
        row, column = divmod(index, 4)
        tile, x, y = f"0{index:02d}", column * SIDE * 30.0, -row * SIDE * 30.0
        ids.append(tile)
        shapes.append(shapely.box(x, y - SIDE * 30, x + SIDE * 30, y))
        record = {"tile": tile, "name": HOSTILE if index == 5 else f"County {index}", "status": "done"}
        if index in (3, 7):
            status = "failed" if index == 3 else "empty"
            records.append(
                record | {"status": status, "what": f"No soils: {HOSTILE}", "where": HOSTILE, "fix": "Look."}
            )
            continue
        codes = dice.integers(1, 8, (SIDE // 5, SIDE // 5)).repeat(5, 0).repeat(5, 1).astype("uint8")
        place = out / "tiles" / tile / "layers" / "zones.tif"
        place.parent.mkdir(parents=True)
        with rasterio.open(
            place, "w", driver="GTiff", width=SIDE, height=SIDE, count=1, dtype="uint8", nodata=0, crs="EPSG:5070",
            transform=rasterio.transform.from_origin(x, y, 30, 30),
        ) as data:  # fmt: skip
            data.write(codes, 1)
        (out / "tiles" / tile / "index.html").write_text("<!DOCTYPE html><title>A tile</title>")
        areas = {zone: 9_000.0 * int((codes == code).sum()) for zone, code in ZONE_CODES.items()}
        records.append(record | {"areas_ha": areas, "counts": {"fields": 7 * index, "seasons": 30}})
    study = SimpleNamespace(study=SimpleNamespace(units="us"), map=SimpleNamespace(resolution_m=30.0))
    about = {
        "program": "springfill 0", "started": "2026-01-01T00:00:00Z", "region_hash": "0" * 64, "seed": 1,
        "mix_water_bonus": 0.0, "stubble_weeds": False,
    }  # fmt: skip
    tiles = Tiles(gpd.GeoDataFrame({"tile": ids, "name": ids}, geometry=shapes, crs="EPSG:5070"))
    region = SimpleNamespace(region=SimpleNamespace(name=f"Twelve (invented) {HOSTILE}"))
    swept = Swept(region, study, out, tiles, records, 10, 1.0, about)  # type: ignore[arg-type]
    size = write_mosaic(out, [r["tile"] for r in swept.of("done")])
    write_region_page(swept, size, out / "index.html")
    return out / "index.html"


@pytest.mark.browser
@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (1280, "dark"), (390, "light"), (390, "dark")])
def test_axe_finds_nothing_serious(open_page: Callable[..., Any], region_file: Path, width: int, scheme: str) -> None:
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed"
    )
    opened = open_page(region_file, viewport={"width": width, "height": 844}, color_scheme=scheme, bypass_csp=True)
    found = axe.Axe().run(opened.page, options={"runOnly": ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa"]})
    serious = [v for v in found.response["violations"] if v["impact"] in ("serious", "critical")]
    assert serious == []
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.browser
def test_names_stay_text_and_every_tile_is_one_step_away(open_page: Callable[..., Any], region_file: Path) -> None:
    opened = open_page(region_file)
    opened.assert_quiet()
    page = opened.page
    assert page.locator("b").count() == 0
    assert page.locator("script").count() == 0
    links = page.locator("main table a").evaluate_all("all => all.map(a => a.getAttribute('href'))")
    assert len(links) == len(set(links)) == 10
    assert all((region_file.parent / link).is_file() for link in links)
    on_map = page.locator("figure a").evaluate_all("all => all.map(a => a.getAttribute('href'))")
    assert set(on_map) == set(links)
    assert HOSTILE in page.locator("main table").nth(1).inner_text()
    assert page.locator("section li").count() == 2


@pytest.mark.browser
def test_a_tile_opens_from_the_map(open_page: Callable[..., Any], region_file: Path) -> None:
    """The click lands on the county under the pointer: the first one lies in the upper left."""
    opened = open_page(region_file)
    box = opened.page.locator("figure svg").bounding_box()
    at = f"document.elementFromPoint({box['x'] + box['width'] / 8}, {box['y'] + box['height'] / 6}).closest('a')"
    assert opened.page.evaluate(f"{at}.getAttribute('href')") == "tiles/000/index.html"
