"""Cloud-optimised GeoTIFFs: zones with colours and class names, one file an outcome, one file of probabilities."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import rasterio
import rasterio.shutil
from rasterio.io import MemoryFile
from rasterio.windows import Window

from geo.errors import StudyError
from geo.ground import count_codes
from geo.rating import RECOMMENDED_OPTION, ZONE_NAMES
from pipelines.run.result import StudyResult
from pipelines.show.layers.about import about_tags
from pipelines.show.layers.columns import Column, describe
from pipelines.show.layers.styles import Style, amount_raster_style, zone_raster_style
from pipelines.show.layers.tables import outcome_table, zone_area_table
from pipelines.show.legend import zone_legend
from pipelines.show.page_templates import template
from pipelines.study.house import shared_toml
from pipelines.study.units import System

AMOUNT_NODATA = -9999.0
ZONE_NODATA = 0
SITE_NODATA = -1
BLOCK = 512
CACHE_BYTES = 64_000_000
"""Blocks that GDAL keeps; by default 5 % of the machine's memory, which it fills."""


@dataclass(frozen=True)
class AmountRaster:
    """One raster of outcomes: its key, its file name in a system of units, its bands by site, and how it is drawn."""

    key: str
    group: str
    name: str
    title: str
    columns: tuple[Column, ...]
    bands: np.ndarray
    overview: str
    ramp: str


def raster_names(result: StudyResult) -> list[str]:
    """Return the names of all rasters of a study, the class rasters first."""
    return ["zones", "sites", *(layer.key for layer in amount_rasters(result))]


def expand_groups(result: StudyResult, names: Sequence[str]) -> list[str]:
    """Return the names with each variable (``planting_gap_mm``) replaced by its rasters, one an option."""
    groups: dict[str, list[str]] = {}
    for layer in amount_rasters(result):
        groups.setdefault(layer.group, []).append(layer.key)
    return [key for name in names for key in groups.get(name, [name])]


def amount_rasters(result: StudyResult, system: System = "metric") -> list[AmountRaster]:
    """Return the outcome rasters that `shared/raster_layers.toml` asks for and the study has, as values by site."""
    table = outcome_table(result.outcomes).assign(agreement=result.zones["agreement"])
    layers = []
    for key, row in _layer_table().items():
        wanted = row.get("bands") or ([f"{key}_{o}" for o in row["options"]] if row["options"] else [key])
        groups = [wanted] if "bands" in row else [[name] for name in wanted]
        for names in groups:
            names = [name for name in names if name in table]
            if not names:
                continue
            columns = tuple(describe(name, system) for name in names)
            values = np.stack([table[n].to_numpy(np.float64) * c.factor for n, c in zip(names, columns, strict=True)])
            many = "bands" in row
            layers.append(
                AmountRaster(
                    key=key if many else names[0], group=key, name=key if many else columns[0].name,
                    title="Shares of years" if many else columns[0].titled,
                    columns=columns, bands=values.astype(np.float32), overview=row["overview"], ramp=row["ramp"],
                )
            )  # fmt: skip
    return layers


@lru_cache(maxsize=1)
def _layer_table() -> dict[str, dict[str, Any]]:
    return shared_toml("raster_layers.toml")


def write_rasters(
    result: StudyResult, folder: Path, names: Sequence[str] | None = None, system: System = "metric"
) -> list[Path]:
    """Write the rasters of a study as cloud-optimised GeoTIFF, each with ``.qml`` and ``.sld`` beside it.

    Returns the path of each GeoTIFF.

    Raises
    ------
    StudyError
        When a name is unknown; the names that exist are listed.
    """
    amounts = {layer.key: layer for layer in amount_rasters(result, system)}
    wanted = list(names) if names is not None else ["zones", "sites", *amounts]
    made = []
    for name in wanted:
        path = folder / f"{amounts[name].name if name in amounts else name}.tif"
        if name == "zones":
            write_zone_raster(result, path)
        elif name == "sites":
            write_site_raster(result, path)
        elif name in amounts:
            write_amount_raster(result, amounts[name], path)
        else:
            known = ", ".join(["zones", "sites", *amounts])
            raise StudyError(f"There is no raster '{name}'.", "layers", f"Choose from: {known}.")
        made.append(path)
    return made


def _zone_lookup(result: StudyResult) -> np.ndarray:
    """Return the zone code by site, shape (1, site + 1); the last is for the pixels outside, whose site is -1."""
    return np.append(result.zones["zone_code"].to_numpy(np.uint8), np.uint8(ZONE_NODATA))[None]


def write_zone_raster(result: StudyResult, path: Path) -> None:
    """Write the zones: byte, 0 = no data, colours, MODE overviews; names and attribute table in ``.aux.xml``."""
    with _memory_tiff(result, _zone_lookup(result), ZONE_NODATA) as memory:
        vrt = _zone_vrt(result, memory.name)
        with MemoryFile(vrt.encode(), ext=".vrt") as virtual:
            _to_cog(virtual.name, path, overview="mode")
    zone_raster_style().write_beside(path)


def write_site_raster(result: StudyResult, path: Path) -> None:
    """Write the number of the site of each pixel (int32, -1 = no data): the key to the response unit table."""
    numbers = np.append(np.arange(len(result.sites), dtype=np.int32), np.int32(SITE_NODATA))[None]
    with _memory_tiff(result, numbers, SITE_NODATA, [describe("site")]) as memory:
        _to_cog(memory.name, path, overview="mode")


def write_amount_raster(result: StudyResult, layer: AmountRaster, path: Path) -> None:
    """Write one outcome: float32, -9999 = no data, unit, description, statistics."""
    lookup = np.full((len(layer.bands), layer.bands.shape[1] + 1), AMOUNT_NODATA, np.float32)
    lookup[:, :-1] = np.where(np.isfinite(layer.bands), layer.bands, AMOUNT_NODATA)
    with _memory_tiff(result, lookup, AMOUNT_NODATA, layer.columns) as memory:
        _to_cog(memory.name, path, overview=layer.overview)
    _style(layer).write_beside(path)


def _style(layer: AmountRaster) -> Style:
    return amount_raster_style(layer.bands[0], layer.columns[0], layer.ramp)


def _memory_tiff(
    result: StudyResult,
    lookup: np.ndarray,
    nodata: float,
    columns: Sequence[Column] = (),
) -> MemoryFile:
    """Return values by site, shape (band, site + 1), as a plain GeoTIFF in memory, the words on it.

    It is packed and written by rows of blocks: a large county has 16 million pixels, in a dozen bands.
    """
    rows, columns_wide = result.grid.shape
    memory = MemoryFile(ext=".tif")
    with rasterio.Env(GDAL_CACHEMAX=CACHE_BYTES), memory.open(
        driver="GTiff", width=columns_wide, height=rows, count=len(lookup), dtype=lookup.dtype,
        crs=str(result.grid.crs), transform=result.grid.affine, nodata=nodata, tiled=True,
        blockxsize=BLOCK, blockysize=BLOCK, compress="DEFLATE", zlevel=1,
    ) as data:  # fmt: skip
        for top in range(0, rows, BLOCK):
            pixels = np.take(lookup, result.site_raster[top : top + BLOCK], axis=1)
            data.write(pixels, window=Window(0, top, columns_wide, pixels.shape[1]))
        data.update_tags(AREA_OR_POINT="Area", **{key.upper(): text for key, text in about_tags(result).items()})
        for number, column in enumerate(columns, 1):
            many = len(columns) > 1
            data.set_band_description(number, column.name if many else column.titled)
            data.set_band_unit(number, column.unit)
            data.update_tags(number, name=column.name, long_name=column.label, description=column.description)
    return memory


def _to_cog(source: str, path: Path, overview: str) -> None:
    try:
        with rasterio.Env(GDAL_CACHEMAX=CACHE_BYTES):
            rasterio.shutil.copy(
                source, str(path), driver="COG", COMPRESS="DEFLATE", PREDICTOR="NO", BLOCKSIZE=str(BLOCK),
                OVERVIEW_RESAMPLING=overview.upper(), STATISTICS="YES", NUM_THREADS="ALL_CPUS", BIGTIFF="IF_SAFER",
            )  # fmt: skip
    except rasterio.errors.RasterioIOError as error:
        raise StudyError("The raster could not be written.", f"{path} ({error})", "Check the free space.") from error


def _zone_vrt(result: StudyResult, source: str) -> str:
    """Return a virtual raster that adds to the zones what rasterio cannot: class names and an attribute table.

    GDAL copies the colours, the unit and the description into the TIFF, the names and the table into ``.aux.xml``.
    """
    rows, columns = result.grid.shape
    pixels = count_codes(result.site_raster, len(result.zones))
    counts = np.bincount(result.zones["zone_code"].to_numpy(), weights=pixels, minlength=len(ZONE_NAMES) + 1)
    hectares = zone_area_table(result).set_index("zone_code")["area_ha"]
    areas = {code: (int(counts[code]), round(float(hectares[code]), 4)) for code in ZONE_NAMES}
    wkt = rasterio.crs.CRS.from_user_input(str(result.grid.crs)).to_wkt()
    with rasterio.open(source) as data:
        tags = data.tags()
    place = result.grid.affine.to_gdal()
    return zone_vrt((columns, rows), wkt, place, [(source, 0, 0, columns, rows)], tags=tags, areas=areas)


def zone_vrt(
    size: tuple[int, int],
    crs: str,
    transform: Sequence[float],
    sources: Sequence[tuple[str, int, int, int, int]],
    *,
    relative: bool = False,
    tags: Mapping[str, str] = MappingProxyType({}),
    areas: Mapping[int, tuple[int, float]] = MappingProxyType({}),
) -> str:
    """Return a virtual raster of zones, with the words, colours and class names of its band.

    Parameters
    ----------
    size : tuple of int
        Columns and rows.
    crs : str
        As WKT.
    transform : sequence of float
        In the order of GDAL.
    sources : sequence of tuple
        File, column and row of its upper left pixel, columns and rows of it.
    relative : bool
        The files are named from the folder of the virtual raster.
    tags : mapping
    areas : mapping
        Pixels and hectares by zone code, for an attribute table.
    """
    return template("zones.vrt.j2", "pipelines.show.layers").render(
        columns=size[0], rows=size[1], crs=crs, transform=[float(v) for v in transform], sources=sources,
        relative=relative, tags=tags, areas=areas, label=describe("zone_code").label, legend=zone_legend(),
        options=RECOMMENDED_OPTION, nodata=ZONE_NODATA, block=BLOCK,
    )  # fmt: skip
