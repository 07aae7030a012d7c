"""The page of a region: its tiles on a map, the acres in each zone, and a link to the map of each tile. No script."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import Any
from urllib.parse import quote

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from markupsafe import Markup
from rasterio.enums import Resampling

from geo.ground import polygon_parts
from pipelines.scale.region_layers import MOSAIC, seasons_of
from pipelines.scale.swept import Swept
from pipelines.show.county.images import WEB_MERCATOR, WebRaster, data_uri, zone_png
from pipelines.show.county.page import lead, notes, zone_rows
from pipelines.show.legend import ZoneStyle, zone_legend
from pipelines.show.page_templates import template
from pipelines.study.units import Units
from pipelines.study.words import Catalogue, load_catalogue

MAP_WIDTH = 1200
_NAMED_TILES = 60


def write_region_page(swept: Swept, size: tuple[int, int], path: Path) -> None:
    """Write the page as one file that opens from disk; tiles are linked by relative paths.

    Parameters
    ----------
    swept : Swept
    size : tuple of int
        Rows and columns of the mosaic of zones, which must be written.
    path : Path
        The page. It may lie in a staging folder: links count from the output folder.
    """
    page = template("region.html.j2", "pipelines.scale")
    css = _text("pipelines.show", "assets", "county.css") + _text("pipelines.scale", "templates", "region.css")
    path.write_text(page.render(css=css, **_content(swept, size, load_catalogue())), encoding="utf-8", newline="\n")


def _text(package: str, folder: str, name: str) -> Markup:
    return Markup((files(package) / folder / name).read_text(encoding="utf-8"))


def _content(swept: Swept, size: tuple[int, int], words: Catalogue) -> dict[str, Any]:
    units = Units(swept.study.study.units, words)
    zones = zone_legend(words)
    areas = swept.areas_ha()
    total = float(areas.sum())
    done = swept.of("done")
    seasons = seasons_of(done)
    return {
        "t": lambda key, **values: words.t(f"region.{key}", **values),
        "language": words.language,
        "name": swept.region.region.name,
        "lead": lead(areas.to_dict(), units),
        "tiles_line": words.t(
            "region.tiles_line", done=len(done), tiles=len(swept.records), ground=f"{swept.study.map.resolution_m:g}",
            fields=f"{sum(r['counts']['fields'] for r in done):,}",
        ),
        "invented": words.t("common.invented") if "invented" in swept.region.region.name.lower() else "",
        "map": _map(swept, size, zones),
        "zones": [
            row | {"area": units.area(areas[row["key"]]), "share": units.percent(areas[row["key"]] / total)}
            for row in zone_rows(zones)
        ],
        "total": units.area(total),
        "rows": [_tile_row(r, zones, units) for r in done],
        "missing": [_missing_row(r, words) for r in swept.records if r["status"] != "done"],
        "seams": words.t("region.seams", seasons=", ".join(map(str, seasons))) if len(seasons) > 1 else "",
        "notes_title": words.t("county.notes.title"),
        "notes": notes(
            units, float(swept.about["mix_water_bonus"]), bool(swept.about["stubble_weeds"]),
            ("insurance", "herbicide", "local"),
        ),
        "footer": words.t(
            "region.footer", program=swept.about["program"], date=swept.about["started"][:10],
            hash=swept.about["region_hash"][:12], seed=swept.about["seed"],
        ),
    }  # fmt: skip


def _tile_row(record: dict[str, Any], zones: list[ZoneStyle], units: Units) -> dict[str, Any]:
    found = record["areas_ha"]
    total = sum(found.values())
    bars, left = [], 0.0
    for zone in zones:
        width = 100 * found.get(zone.key, 0.0) / total if total else 0.0
        if width > 0:
            words = f"{zone.code} {zone.label}: {units.percent(width / 100)}"
            bars.append({"x": round(left, 2), "width": round(width, 2), "colour": zone.colour, "words": words})
        left += width
    return {
        "name": record["name"], "href": _link(record["tile"]), "area": units.area(total), "bars": bars,
        "fields": f"{record['counts']['fields']:,}",
    }  # fmt: skip


def _missing_row(record: dict[str, Any], words: Catalogue) -> dict[str, str]:
    status = words.t(f"region.missing_{record['status']}")
    failed = record["status"] == "failed"
    fix = words.t("region.missing_fix", fix=record["fix"]) if failed and record.get("fix") else ""
    text = words.t("region.missing_row", tile=record["name"], status=status, what=record["what"])
    return {"text": text, "fix": fix}  # where it went wrong is a path of this machine: in problems.csv, not on a page


def _link(tile: str) -> str:
    return f"tiles/{quote(tile)}/index.html"


def _map(swept: Swept, size: tuple[int, int], zones: list[ZoneStyle]) -> dict[str, Any]:
    """Return the picture of the zones and the outline of each tile in its pixels."""
    rows, columns = size
    shrink = max(1.0, columns / MAP_WIDTH, rows / MAP_WIDTH)
    height, width = max(1, round(rows / shrink)), max(1, round(columns / shrink))
    with rasterio.open(swept.folder / MOSAIC) as data:
        codes = data.read(1, out_shape=(height, width), resampling=Resampling.nearest)
        left, bottom, right, top = data.bounds
    site = np.where(codes > 0, codes.astype(np.int32), -1)
    raster = WebRaster(site, 0.0, 0.0, 1.0, 1.0)
    none = gpd.GeoDataFrame(geometry=[], crs=WEB_MERCATOR)
    picture = zone_png(raster, np.arange(8), zones, none)

    def in_pixels(xy: np.ndarray) -> np.ndarray:
        return (xy - (left, top)) * (width / (right - left), -height / (top - bottom))

    shapes = []
    for index, record in enumerate(swept.records):
        outline = shapely.transform(swept.tiles.shape(index), in_pixels)
        outline = shapely.simplify(outline & shapely.box(-2, -2, width + 2, height + 2), 0.5)
        if outline.is_empty:
            continue
        centre = shapely.point_on_surface(outline)
        wide, tall = outline.bounds[2] - outline.bounds[0], outline.bounds[3] - outline.bounds[1]
        letters = round(min(width / 45, 1.7 * wide / max(len(record["name"]), 4)), 1)
        shapes.append({
            "path": _path(outline), "name": record["name"], "x": round(centre.x), "y": round(centre.y),
            "href": _link(record["tile"]) if record["status"] == "done" else "", "status": record["status"],
            "size": letters, "named": len(swept.records) <= _NAMED_TILES and tall > 1.5 * letters,
        })  # fmt: skip
    return {
        "width": width, "height": height, "picture": data_uri(picture), "shapes": shapes,
        "line": round(width / 600, 2),
    }  # fmt: skip


def _path(shape: shapely.Geometry) -> str:
    """Return a polygon as an SVG path."""
    parts = []
    for polygon in polygon_parts(shape):
        for ring in (polygon.exterior, *polygon.interiors):
            corners = " ".join(f"{x:.1f},{y:.1f}" for x, y in shapely.get_coordinates(ring))
            parts.append(f"M{corners}Z")
    return "".join(parts)
