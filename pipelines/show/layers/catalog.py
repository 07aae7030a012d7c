"""What lies in the folder: STAC item with checksums, data dictionary, legend."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
import pystac
import rasterio
import shapely
from pystac.extensions.classification import Classification, ClassificationExtension
from pystac.extensions.file import FileExtension
from pystac.extensions.projection import ProjectionExtension
from pystac.extensions.raster import DataType, RasterBand, RasterExtension, Statistics

from pipelines.run.result import RECORD, StudyResult
from pipelines.show.layers.about import about_facts, about_tags, layer_notes, source_lines
from pipelines.show.layers.columns import Column
from pipelines.show.legend import zone_legend
from pipelines.show.page_templates import template
from pipelines.study.staging import file_sha256

STAC_FILE = "item.json"
_SHA256_MULTIHASH = "1220"
_MEDIA = {
    ".tif": pystac.MediaType.COG, ".gpkg": pystac.MediaType.GEOPACKAGE, ".html": pystac.MediaType.HTML,
    ".parquet": pystac.MediaType.VND_APACHE_PARQUET, ".nc": pystac.MediaType.NETCDF, ".csv": "text/csv",
    ".xml": pystac.MediaType.XML, ".qml": pystac.MediaType.XML, ".sld": pystac.MediaType.XML,
}  # fmt: skip
_DATA = {".tif", ".gpkg", ".parquet", ".nc", ".csv"}


@dataclass(frozen=True)
class ColumnGroup:
    """The columns of one file, or of one layer of a file."""

    file: str
    layer: str
    words: str
    columns: tuple[Column, ...]


def write_dictionary(result: StudyResult, groups: list[ColumnGroup], folder: Path) -> None:
    """Write a self-contained ``data_dictionary.html``: every column of every file, and the record of the run."""
    facts = about_facts(result)
    page = template("data_dictionary.html.j2", "pipelines.show.layers")
    text = page.render(
        title=facts["title"], groups=groups, zones=zone_legend(), notes=layer_notes(), sources=source_lines(result),
        facts=facts,
    )  # fmt: skip
    (folder / "data_dictionary.html").write_text(text, encoding="utf-8")


def write_legend(folder: Path) -> None:
    """Write the zones with codes, words and colours as ``legend.csv``."""
    rows = [z.model_dump() for z in zone_legend()]
    pd.DataFrame(rows).to_csv(folder / "legend.csv", index=False, encoding="utf-8-sig")


def write_stac_item(result: StudyResult, files: Iterable[Path], item_path: Path) -> None:
    """Write a STAC 1.1 item that lists the files with relative links, checksums, bands, classes and projection.

    Parameters
    ----------
    result : StudyResult
        A finished study.
    files : iterable of Path
        Whole files below the parent of the item's folder, where they will stay relative to the item.
    item_path : Path
        Where the item goes.
    """
    tags = about_tags(result)
    place = shapely.orient_polygons(shapely.set_precision(result.grid.footprint("EPSG:4326", npoints=8).geom, 1e-6))
    item = pystac.Item(
        id=f"{slug(tags['title'])}-{tags['study_hash'][:12]}", geometry=shapely.geometry.mapping(place),
        bbox=list(place.bounds), datetime=_moment(tags["started"]),
        properties={
            "title": tags["title"], "description": f"{tags['limits']} {tags['evidence']}", "license": "other",
            "springfill:study_hash": tags["study_hash"], "springfill:seed": tags["seed"],
            "springfill:program": tags["program"], "springfill:sources": source_lines(result),
            "springfill:caution": tags["caution"], "springfill:record": f"../{RECORD}",
        },
    )  # fmt: skip
    epsg = result.grid.crs.to_epsg() if result.grid.crs is not None else None
    projection = ProjectionExtension.ext(item, add_if_missing=True)
    projection.apply(
        code=f"EPSG:{epsg}" if epsg else None, wkt2=None if epsg else str(result.grid.crs),
        shape=list(result.grid.shape), transform=list(result.grid.affine)[:6],
    )  # fmt: skip
    for file in sorted(files):
        _add_asset(item, file, item_path.parent)
    # The item is used alone: links inside are relative and there is no catalogue above it.
    text = json.dumps(item.to_dict(include_self_link=False), indent=1, ensure_ascii=False)
    item_path.write_text(text, encoding="utf-8")


def _add_asset(item: pystac.Item, file: Path, folder: Path) -> None:
    href = Path(os.path.relpath(file, folder)).as_posix()
    asset = pystac.Asset(
        href=href if href.startswith("..") else f"./{href}", title=file.name, media_type=_MEDIA.get(file.suffix),
        roles=["data" if file.suffix in _DATA else "metadata"],
    )  # fmt: skip
    item.add_asset(slug(file.name), asset)
    FileExtension.ext(asset, add_if_missing=True).apply(
        checksum=_SHA256_MULTIHASH + file_sha256(file), size=file.stat().st_size
    )
    if file.suffix == ".tif":
        _describe_raster(asset, file)


def _describe_raster(asset: pystac.Asset, file: Path) -> None:
    with rasterio.open(file) as data:
        bands = [
            RasterBand.create(
                nodata=data.nodata, data_type=DataType(data.dtypes[i - 1]), unit=data.units[i - 1],
                spatial_resolution=abs(data.transform.a), statistics=_statistics(data.tags(i)),
            )
            for i in data.indexes
        ]  # fmt: skip
        names = [{"name": data.descriptions[i - 1] or f"band {i}"} for i in data.indexes]
        described = [data.tags(i).get("description", "") for i in data.indexes]
    RasterExtension.ext(asset, add_if_missing=True).apply(bands)
    asset.extra_fields["bands"] = [
        n | ({"description": d} if d else {}) for n, d in zip(names, described, strict=True)
    ]
    if file.stem == "zones":
        classes = [
            Classification.create(
                value=z.code, name=z.key, title=z.label, description=z.plain, color_hint=z.colour.lstrip("#").upper()
            )
            for z in zone_legend()
        ]
        ClassificationExtension.ext(asset, add_if_missing=True).apply(classes=classes)


def _statistics(tags: Mapping[str, str]) -> Statistics | None:
    keys = {"minimum": "MINIMUM", "maximum": "MAXIMUM", "mean": "MEAN", "stddev": "STDDEV"}
    values = {k: float(tags[f"STATISTICS_{v}"]) for k, v in keys.items() if f"STATISTICS_{v}" in tags}
    return Statistics.create(**values) if values else None


def slug(text: str) -> str:
    """Return a short name of lower-case letters, digits, dots and dashes."""
    return re.sub(r"[^a-z0-9._]+", "-", text.lower()).strip("-.") or "study"


def _moment(text: str) -> datetime:
    try:
        return datetime.fromisoformat(text.replace("Z", "+00:00")).astimezone(UTC)
    except ValueError:
        return datetime(1970, 1, 1, tzinfo=UTC)
