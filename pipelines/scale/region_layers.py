"""Layers over all tiles of a region: field parts, outcomes by site in one Zarr store, one virtual raster of zones."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import rasterio
import xarray as xr

from geo.errors import Problem
from pipelines.show.layers.raster import zone_vrt
from pipelines.study.staging import staged_folder, write_whole

FIELD_PARTS, STORE, MOSAIC = "fields", "outcomes.zarr", "zones.vrt"
_SITES_A_CHUNK = 2048


def write_field_parts(out: Path, tiles: Sequence[str]) -> list[Problem]:
    """Write ``fields/tile=<id>/part.parquet``, one GeoParquet part a tile that has fields.

    The id of the tile is a column too (`tile_id`), as text: readers turn the number in a folder's name into a number,
    and codes of counties start with zeros. An id that two tiles have is listed.
    """
    seen: dict[str, str] = {}
    problems = []
    with staged_folder(out / FIELD_PARTS) as stage:
        for tile in tiles:
            table = pq.read_table(out / "tiles" / tile / "fields.parquet")
            for field_id in table.column("field_id").to_pylist():
                if (first := seen.setdefault(field_id, tile)) != tile:
                    what = f"two fields have this id, in the tiles {first} and {tile}"
                    fix = "Take tile_id and field_id together as the key, or give each field its own id."
                    problems.append(Problem("fields", field_id, what, "warning", fix))
            if not table.num_rows:
                continue
            folder = stage / f"tile={tile}"
            folder.mkdir()
            words = {"title": "Tile", "description": "Tile of the region that the field belongs to."}
            column = pa.field("tile_id", pa.string()).with_metadata(words)
            whole = table.append_column(column, pa.array([tile] * table.num_rows, pa.string()))
            whole = whole.replace_schema_metadata(table.schema.metadata)
            pq.write_table(whole, folder / "part.parquet", compression="zstd")
    return problems


def write_store(out: Path, tiles: Sequence[str], attrs: dict[str, str]) -> int:
    """Write ``outcomes.zarr``: every outcome of every site that has ground, tile after tile; return the sites.

    Dimensions and units are those of ``layers/outcomes.nc`` of a tile. `tile` and `tile_site` say where a site comes
    from: the pixel value of ``sites.tif`` of that tile.
    """
    files = [out / "tiles" / tile / "layers" / "outcomes.nc" for tile in tiles]
    steps: set[int] = set()
    for file in files:  # leap years can give one tile a step more than another
        with xr.open_dataset(file) as data:
            steps |= {int(v) for v in data["step"].values}
    count = 0
    with staged_folder(out / STORE) as stage:
        for tile, file in zip(tiles, files, strict=True):
            with xr.open_dataset(file) as opened:
                data = opened.load()
            data = data.isel(site=np.flatnonzero(data["area"].values > 0))
            sites = data.sizes["site"]
            if not sites:
                continue
            if len(steps) > data.sizes["step"]:
                data = data.reindex(step=sorted(steps))
            data = data.drop_vars("cell")  # each tile numbers its cells from 0; the position of the cell stays
            codes = data["map_unit_id"]
            texts = {"long_name": "Tile of the region"}, {"long_name": "Number of the site in its tile"}
            data = data.assign_coords(
                tile=("site", np.full(sites, tile, object), texts[0]),
                # Fixed widths would cut the longer codes of a later tile.
                map_unit_id=("site", np.array([str(v) for v in codes.values], object), codes.attrs),
                tile_site=("site", data["site"].values.astype(np.int32), texts[1]),
                site=("site", np.arange(count, count + sites, dtype=np.int32), {"long_name": "Site of the region"}),
            )
            data.attrs = {"Conventions": data.attrs.get("Conventions", "CF-1.8"), **attrs}
            # The strings of format 3 are not yet a standard that all readers know; those of format 2 are.
            if count:
                data.drop_encoding().to_zarr(stage, append_dim="site", zarr_format=2, consolidated=False)
            else:
                data.drop_encoding().to_zarr(
                    stage, mode="w", zarr_format=2, encoding=_encoding(data), consolidated=False
                )
            count += sites
        if count:
            import zarr

            zarr.consolidate_metadata(str(stage), zarr_format=2)
    return count


def _encoding(data: xr.Dataset) -> dict[str, dict[str, Any]]:
    chunks = {}
    for name, values in data.variables.items():
        if "site" in values.dims:
            shape = tuple(_SITES_A_CHUNK if d == "site" else max(1, data.sizes[d]) for d in values.dims)
            chunks[str(name)] = {"chunks": shape}
    return chunks


def write_mosaic(out: Path, tiles: Sequence[str]) -> tuple[int, int]:
    """Write ``zones.vrt`` over the zone rasters of the tiles, nothing resampled; return its rows and columns.

    Raises
    ------
    ValueError
        When two tiles are not on one lattice. All grids come from `geo.ground.grid.study_grid`, so this is a bug.
    """
    places = [(tile, out / "tiles" / tile / "layers" / "zones.tif") for tile in tiles]
    found = []
    for _, file in places:
        with rasterio.open(file) as data:
            found.append((data.bounds, data.transform.a, data.width, data.height, data.crs))
    step, crs = found[0][1], found[0][4]
    left, top = min(b.left for b, *_ in found), max(b.top for b, *_ in found)
    columns = round((max(b.right for b, *_ in found) - left) / step)
    rows = round((top - min(b.bottom for b, *_ in found)) / step)
    sources = []
    for (_, file), (bounds, pixel, width, height, other) in zip(places, found, strict=True):
        x, y = (bounds.left - left) / step, (top - bounds.top) / step
        if pixel != step or other != crs or abs(x - round(x)) > 1e-6 or abs(y - round(y)) > 1e-6:
            raise ValueError(f"{file} is not on the lattice of the other tiles")
        sources.append((Path(os.path.relpath(file, out)).as_posix(), round(x), round(y), width, height))
    place = (left, step, 0, top, 0, -step)
    write_whole(out / MOSAIC, zone_vrt((columns, rows), crs.to_wkt(), place, sources, relative=True))
    return rows, columns


def problem_rows(out: Path, tiles: Sequence[str]) -> pd.DataFrame:
    """Return the listed rows of all tiles, each once: neighbours that read the same field say the same of it."""
    parts = [
        pd.read_parquet(out / "tiles" / tile / "data" / "problems.parquet").assign(tile_id=tile) for tile in tiles
    ]
    columns = ["tile_id", "layer", "where", "what", "action", "fix"]
    if not parts:
        return pd.DataFrame(columns=columns)
    return pd.concat(parts, ignore_index=True).drop_duplicates(["layer", "where", "what", "action"])[columns]


def seasons_of(records: Sequence[dict[str, Any]]) -> list[int]:
    """Return the different numbers of seasons that the tiles have: more than one where daily records differ."""
    return sorted({int(r["counts"]["seasons"]) for r in records})
