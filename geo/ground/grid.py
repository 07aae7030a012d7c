"""The study grid, made once and passed everywhere, and the soil map and climate cells on it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from affine import Affine
from numpy.typing import NDArray
from odc.geo import BoundingBox
from odc.geo.geobox import GeoBox
from pyproj import CRS, Geod, Transformer
from rasterio.features import rasterize
from rasterio.warp import Resampling, reproject, transform_bounds
from rasterio.windows import from_bounds

from geo.errors import CrsError, NothingHere, StudyError
from geo.ground.row_blocks import count_codes, renumber

if TYPE_CHECKING:
    import geopandas as gpd
    import xarray as xr

    from geo.soils import SoilTable

DEFAULT_CRS = "EPSG:5070"
MAX_CELLS = 2_000_000_000
_BLOCK = 32
_CHUNK_ROWS = 256
_CHUNK_CELLS = 4_000_000  # of the soil raster: 16 MB of labels, and 40 bytes a cell where its codes are wide
_DIRECT_CODES = 1 << 16


def study_grid(
    bounds: Sequence[float] | BoundingBox, crs: str | CRS = DEFAULT_CRS, resolution_m: float = 30.0
) -> GeoBox:
    """Return the grid that covers `bounds`, its cell edges on whole multiples of the resolution.

    Parameters
    ----------
    bounds : sequence of 4 floats
        Left, bottom, right, top in the units of `crs` (m).
    crs : str or pyproj.CRS
        A projected CRS in metres; an equal-area one keeps acres right.
    resolution_m : float
        Edge of a square cell (m).

    Returns
    -------
    odc.geo.geobox.GeoBox
        North-up grid; two studies with the same resolution and CRS share cell edges.

    Raises
    ------
    StudyError
        CRS not projected in metres, bounds empty or not finite, or a grid too large to hold.
    """
    reference = CRS.from_user_input(crs)
    if not reference.is_projected or any(abs(a.unit_conversion_factor - 1) > 1e-9 for a in reference.axis_info):
        raise StudyError(
            f"The study grid needs a projected CRS in metres, not {reference.name}.",
            "study grid",
            f"Use {DEFAULT_CRS} (equal area, contiguous US) or the UTM zone of the area.",
        )
    left, bottom, right, top = (float(v) for v in bounds)
    if not (np.isfinite([left, bottom, right, top]).all() and left < right and bottom < top):
        raise StudyError(
            f"The study area is empty: left {left}, bottom {bottom}, right {right}, top {top}.",
            "study grid",
            "Give the area as left, bottom, right, top, or check the CRS of the layer it comes from.",
        )
    if not resolution_m > 0:
        raise StudyError(
            f"The resolution must be above 0 m, not {resolution_m}.", "study grid", "Use 30 m for a county."
        )
    cells = (right - left) * (top - bottom) / resolution_m**2
    if cells > MAX_CELLS:
        raise StudyError(
            f"The study grid would have {cells:.3g} cells.",
            "study grid",
            "Use a coarser resolution, or split the area into counties.",
        )
    box = BoundingBox(left, bottom, right, top, crs=reference.to_wkt())
    grid = GeoBox.from_bbox(box, crs=_plain_crs(reference), resolution=resolution_m, tol=1e-6)
    return grid


def _plain_crs(reference: CRS) -> str:
    code = reference.to_epsg()
    return f"EPSG:{code}" if code else reference.to_wkt()


def cell_area_ha(grid: GeoBox) -> float:
    """Return the ground area of one cell (ha).

    On an equal-area CRS this is the square of the resolution. On any other the mean over the grid is
    taken from the geodesic area of its outline, so that hectares are true.

    Parameters
    ----------
    grid : GeoBox
        The study grid, CRS in metres.

    Returns
    -------
    float
        ha.
    """
    nominal = abs(grid.affine.a * grid.affine.e) / 1e4
    operation = CRS.from_user_input(str(grid.crs)).coordinate_operation
    if operation is not None and "equal area" in operation.method_name.lower():
        return nominal
    outline = np.asarray(grid.extent.to_crs("EPSG:4326", resolution=10 * grid.resolution.x).geom.exterior.coords)
    area_m2, _ = Geod(ellps="GRS80").polygon_area_perimeter(outline[:, 0], outline[:, 1])
    return abs(area_m2) / 1e4 / (grid.shape.y * grid.shape.x)


def cells_under(
    bounds: Sequence[float], affine: Affine, shape: tuple[int, int], ring: int = 0
) -> tuple[slice, slice]:
    """Return the rows and columns of the whole cells of a north-up raster that cover `bounds`.

    Parameters
    ----------
    bounds : sequence of 4 floats
        Left, bottom, right, top in the CRS of the raster.
    affine : Affine
        From column and row to x and y.
    shape : tuple of int
        Rows and columns of the raster.
    ring : int
        Cells more on each side.

    Returns
    -------
    tuple of slice
        Cut off at the edges of the raster; a slice stops before it starts where the raster misses the bounds.
    """
    window = from_bounds(*bounds, transform=affine)
    first = np.floor((window.row_off, window.col_off)).astype(int) - ring
    stop = np.ceil((window.row_off + window.height, window.col_off + window.width)).astype(int) + ring
    rows, columns = (slice(int(max(a, 0)), int(min(b, n))) for a, b, n in zip(first, stop, shape, strict=True))
    return rows, columns


def burn_map_units(soil: SoilTable, grid: GeoBox) -> tuple[NDArray[np.int32], list[str]]:
    """Bring the soil map to the grid.

    Parameters
    ----------
    soil : SoilTable
        Either `polygons` (a pixel takes the polygon that holds its centre) or `code_raster` (nearest
        neighbour; only the window that the grid needs is read).
    grid : GeoBox
        Study grid.

    Returns
    -------
    codes : int32 array, shape of the grid
        Position in `map_unit_ids`; -1 where there is no soil map.
    map_unit_ids : list of str
        Map units that occur on the grid, sorted.

    Raises
    ------
    StudyError
        The layer has no CRS, no geometry, or does not meet the grid.
    """
    if soil.polygons is not None:
        return _burn_polygons(soil.polygons, grid)
    if soil.code_raster is not None:
        return _burn_codes(soil.code_raster, soil.codes or {}, grid)
    raise StudyError(
        "The soil layer has tables but no map.",
        "soils",
        "Add the map unit polygons (soilmu_a_*) or the map unit raster of the survey area.",
    )


def _burn_polygons(polygons: gpd.GeoDataFrame, grid: GeoBox) -> tuple[NDArray[np.int32], list[str]]:
    _need_crs(polygons.crs, "soil polygons")
    near = polygons.to_crs(str(grid.crs))
    near = near.loc[near.geometry.notna() & ~near.geometry.is_empty, ["map_unit_id", "geometry"]]
    box = grid.extent.boundingbox
    near = near.iloc[np.sort(near.sindex.query(grid.extent.geom))]
    codes = np.full(grid.shape, -1, dtype=np.int32)
    if near.empty:
        raise _no_overlap("soil polygons", box)
    ids, labels = np.unique(near["map_unit_id"].astype(str).to_numpy(), return_inverse=True)
    rasterize(
        zip(near.geometry.to_numpy(), labels.tolist(), strict=True), out=codes, transform=grid.affine, dtype="int32"
    )
    return _only_present(codes, ids.tolist())


def _burn_codes(raster: xr.DataArray, codes: dict[int, str], grid: GeoBox) -> tuple[NDArray[np.int32], list[str]]:
    import rioxarray  # noqa: F401  (registers the .rio accessor; loads dask, so late)

    _need_crs(raster.rio.crs, "soil raster")
    keys = np.array(sorted(codes), dtype=np.int64)
    ids = np.unique([codes[int(k)] for k in keys]) if len(keys) else np.array([], dtype=str)
    labels = np.searchsorted(ids, [codes[int(k)] for k in keys]).astype(np.int32)
    out = np.full(grid.shape, -1, dtype=np.int32)
    met = False
    rows = min(_CHUNK_ROWS, max(8, _CHUNK_CELLS * grid.shape.y // max(raster.size, 1)))
    for top in range(0, grid.shape.y, rows):
        part = grid[top : top + rows, :]
        window = _window(raster, part)
        if window is None:
            continue
        met = True
        known = _look_up(np.asarray(window.values), keys, labels)
        reproject(
            known,
            out[top : top + rows],
            src_transform=window.rio.transform(recalc=True),
            src_crs=raster.rio.crs,
            src_nodata=-1,
            dst_transform=part.affine,
            dst_crs=str(grid.crs),
            dst_nodata=-1,
            resampling=Resampling.nearest,
        )
    if not met:
        raise _no_overlap("soil raster", grid.extent.boundingbox)
    return _only_present(out, ids.tolist())


def _window(raster: xr.DataArray, part: GeoBox) -> xr.DataArray | None:
    """Return the north-up piece of `raster` that `part` needs, two cells wider on each side."""
    x_name, y_name = raster.rio.x_dim, raster.rio.y_dim
    x, y = raster[x_name].to_numpy(), raster[y_name].to_numpy()
    step_x, step_y = abs(x[1] - x[0]) if x.size > 1 else 1.0, abs(y[1] - y[0]) if y.size > 1 else 1.0
    box = part.extent.boundingbox
    left, bottom, right, top = transform_bounds(str(part.crs), raster.rio.crs, *box.bbox, densify_pts=51)
    columns = np.flatnonzero((x >= left - 2 * step_x) & (x <= right + 2 * step_x))
    rows = np.flatnonzero((y >= bottom - 2 * step_y) & (y <= top + 2 * step_y))
    if not (columns.size and rows.size):
        return None
    piece = raster.squeeze(drop=True).isel(
        {x_name: slice(columns[0], columns[-1] + 1), y_name: slice(rows[0], rows[-1] + 1)}
    )
    if piece.sizes[y_name] > 1 and piece[y_name].values[0] < piece[y_name].values[-1]:
        piece = piece.isel({y_name: slice(None, None, -1)})
    return piece.transpose(y_name, x_name)


def _look_up(values: NDArray, keys: NDArray[np.int64], labels: NDArray[np.int32]) -> NDArray[np.int32]:
    """Turn raster codes into label numbers; codes without a map unit (and NaN) become -1."""
    if not keys.size:
        return np.full(values.shape, -1, dtype=np.int32)
    if values.dtype.kind in "iu" and keys[0] >= 0 and keys[-1] < _DIRECT_CODES:
        table = np.full(int(keys[-1]) + 2, -1, dtype=np.int32)  # the last is for what is not listed
        table[keys] = labels
        return table[np.where((values >= 0) & (values <= keys[-1]), values, -1)]
    if values.dtype.kind == "f":
        whole = np.where(np.isfinite(values), values, keys[0] - 1).astype(np.int64)
    else:
        whole = values.astype(np.int64)
    place = np.minimum(np.searchsorted(keys, whole), keys.size - 1)
    return np.where(keys[place] == whole, labels[place], np.int32(-1)).astype(np.int32)


def _only_present(codes: NDArray[np.int32], ids: list[str]) -> tuple[NDArray[np.int32], list[str]]:
    """Renumber so that every listed map unit has at least one pixel."""
    present = count_codes(codes, len(ids)) > 0
    new = np.full(len(ids), -1, dtype=np.int32)
    new[present] = np.arange(int(present.sum()), dtype=np.int32)
    renumber(codes, new)
    return codes, [i for i, p in zip(ids, present, strict=True) if p]


def nearest_cells(grid: GeoBox, cells: pd.DataFrame) -> NDArray[np.int32]:
    """Return the nearest climate cell of each pixel centre, distances taken in the grid's CRS.

    Blocks of 32 x 32 pixels are asked first: where the second nearest cell is farther than the nearest by
    more than the block's diagonal, no pixel of the block can differ. Only the other blocks are asked pixel
    by pixel, so the answer is exact.

    Parameters
    ----------
    grid : GeoBox
        Study grid.
    cells : DataFrame
        Index `cell` (0..n-1), columns `latitude`, `longitude` (degrees, EPSG:4326).

    Returns
    -------
    int32 array, shape of the grid
        Index values of `cells`.
    """
    from scipy.spatial import cKDTree  # loads slowly

    where = cells[["longitude", "latitude"]].to_numpy(float)
    if not len(where) or not np.isfinite(where).all():
        raise StudyError(
            "A climate cell has no latitude or longitude." if len(where) else "There are no climate cells.",
            "climate cells",
            "Check the coordinates of the climate layer.",
        )
    index = cells.index.to_numpy().astype(np.int32)
    rows, columns = grid.shape.y, grid.shape.x
    if len(where) == 1:
        return np.full((rows, columns), index[0], dtype=np.int32)
    to_grid = Transformer.from_crs("EPSG:4326", str(grid.crs), always_xy=True)
    tree = cKDTree(np.column_stack(to_grid.transform(where[:, 0], where[:, 1])))

    affine = grid.affine
    x = affine.c + affine.a * (np.arange(columns) + 0.5)
    y = affine.f + affine.e * (np.arange(rows) + 0.5)
    x_block = affine.c + affine.a * _BLOCK * (np.arange(-(-columns // _BLOCK)) + 0.5)
    y_block = affine.f + affine.e * _BLOCK * (np.arange(-(-rows // _BLOCK)) + 0.5)
    diagonal = _BLOCK * float(np.hypot(affine.a, affine.e))
    distance, nearest = tree.query(np.stack(np.meshgrid(x_block, y_block), axis=-1), k=2)
    unsure = distance[..., 1] - distance[..., 0] <= diagonal

    blocks = index[nearest[..., 0]]
    out = np.repeat(np.repeat(blocks, _BLOCK, axis=1)[:, :columns], _BLOCK, axis=0)[:rows]
    for block_row in np.flatnonzero(unsure.any(axis=1)):
        r = slice(block_row * _BLOCK, min((block_row + 1) * _BLOCK, rows))
        c = np.flatnonzero(np.repeat(unsure[block_row], _BLOCK)[:columns])
        _, near = tree.query(np.stack(np.meshgrid(x[c], y[r]), axis=-1))
        out[r, c] = index[near]
    return out


def _need_crs(crs: object, where: str) -> None:
    if crs is None:
        raise CrsError(
            "The layer does not say its coordinate reference system.", where, "The data provider's page names it."
        )


def _no_overlap(where: str, box: BoundingBox) -> StudyError:
    return NothingHere(
        f"The {where} do not meet the study area ({box.left:.0f}, {box.bottom:.0f}, {box.right:.0f}, {box.top:.0f}).",
        where,
        "Check that the soils are of this county, and the CRS of both layers.",
    )
