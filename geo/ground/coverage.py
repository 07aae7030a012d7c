"""Exact shares of fields in pixels and sites."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray
from odc.geo.geobox import GeoBox
from pyproj import CRS
from scipy.sparse import coo_matrix, csr_matrix

from geo.errors import StudyError


def pixel_coverage(fields: gpd.GeoDataFrame, grid: GeoBox) -> csr_matrix:
    """Return the share of each field's area in each pixel (field x pixel, pixels row by row).

    Fractions are exact: a pixel that a boundary cuts counts by the area on either side. A row sums to the share
    of the field that lies on the grid.

    Parameters
    ----------
    fields : GeoDataFrame
        Valid polygons in the CRS of `grid`.
    grid : GeoBox

    Returns
    -------
    csr_matrix (field, pixel)
        Shares 0-1.

    Raises
    ------
    StudyError
        Fields and grid differ in CRS (the overlay would come out empty with no error).
    """
    if fields.crs is None or not CRS.from_user_input(fields.crs).equals(
        CRS.from_user_input(str(grid.crs)), ignore_axis_order=True
    ):
        raise StudyError(
            f"The fields are in {fields.crs.name if fields.crs else 'no CRS'}, the study grid in {grid.crs}.",
            "fields",
            "Bring the fields to the CRS of the study grid first.",
        )
    from exactextract import exact_extract
    from exactextract.raster import NumPyRasterSource

    shape = (len(fields), grid.shape.y * grid.shape.x)
    if not len(fields):
        return csr_matrix(shape)
    box = grid.extent.boundingbox
    wkt = CRS.from_user_input(str(grid.crs)).to_wkt()
    # Only cell numbers and fractions are asked for, so the raster holds nothing: one byte repeated.
    blank = np.broadcast_to(np.zeros(1, dtype=np.int8), grid.shape)
    raster = NumPyRasterSource(blank, box.left, box.bottom, box.right, box.top, srs_wkt=wkt)
    # A column called "id" would come back as the row number, so rows carry their own.
    shapes = gpd.GeoDataFrame({"row": np.arange(len(fields))}, geometry=fields.geometry.to_numpy(), crs=wkt)
    parts = exact_extract(raster, shapes, ["cell_id", "coverage"], include_cols=["row"], output="pandas")
    counts = parts["cell_id"].map(len).to_numpy()
    rows = np.repeat(parts["row"].to_numpy(), counts)
    cells = np.concatenate(parts["cell_id"].to_list()).astype(np.int64)
    covered = np.concatenate(parts["coverage"].to_list())
    cell_m2 = abs(grid.affine.a * grid.affine.e)
    share = covered * cell_m2 / fields.geometry.area.to_numpy()[rows]
    inside = share > 0
    return _at_most_one(coo_matrix((share[inside], (rows[inside], cells[inside])), shape=shape).tocsr())


def site_shares(pixels: csr_matrix, site_raster: NDArray[np.int32], n_sites: int | None = None) -> csr_matrix:
    """Add up the pixels of a `pixel_coverage` matrix by site; 1 less the sum of a row is the unknown share.

    Parameters
    ----------
    pixels : csr_matrix (field, pixel)
    site_raster : int32 array on the grid
        -1 = no site.
    n_sites : int, optional
        Number of columns; by default the largest site on the raster plus one.

    Returns
    -------
    csr_matrix (field, site)
        Shares 0-1.

    Raises
    ------
    StudyError
        Pixels and raster are of different grids.
    """
    flat = site_raster.ravel()
    if pixels.shape[1] != flat.size:
        raise StudyError(
            f"The coverage has {pixels.shape[1]} pixels, the site raster {flat.size}.",
            "fields",
            "Make both on the same study grid.",
        )
    entries = pixels.tocoo()
    site = flat[entries.col]
    known = site >= 0
    n = int(flat.max(initial=-1)) + 1 if n_sites is None else n_sites
    return _at_most_one(
        coo_matrix((entries.data[known], (entries.row[known], site[known])), shape=(pixels.shape[0], n)).tocsr()
    )


def _at_most_one(shares: csr_matrix) -> csr_matrix:
    """Scale rows whose sum exceeds 1 by rounding (fractions of a cell are single precision) back to 1."""
    shares.sum_duplicates()
    total = np.asarray(shares.sum(axis=1)).ravel()
    shares.data /= np.repeat(np.maximum(total, 1.0), np.diff(shares.indptr))
    return shares
