"""From sites to fields: exact area-weighted shares, and what they say of each field."""

from __future__ import annotations

from collections.abc import Mapping

import geopandas as gpd
import numpy as np
import pandas as pd
import xarray as xr
from exactextract import exact_extract
from exactextract.raster import NumPyRasterSource
from numpy.typing import ArrayLike, NDArray
from odc.geo.geobox import GeoBox
from pyproj import CRS
from scipy.sparse import coo_matrix, csr_matrix

from geo.errors import StudyError
from geo.model_rules import DEFAULT_RULES, ModelRules
from geo.options import OPTIONS
from geo.rating.spring_rule import best_lines, line_inputs
from geo.rating.zone_codes import RECOMMENDED_OPTION, ZONE_CODES, ZONE_NAMES
from geo.rating.zones import ZoneRules

MIN_RATED_SHARE = 0.5
BY_OPTION = (
    "planting_water_mm",
    "planting_gap_mm",
    "fall_gap_mm",
    "shortfall_years",
    "biomass_kg_ha",
    "ground_cover",
)
BY_SITE = ("capacity_mm", "precip_mm", "latest_termination_day", "first_freeze_day", "agreement")
BY_SPRING = (
    "early_growth_kg_ha",
    "late_growth_kg_ha",
    "spring_rule_early_years",
    "spring_rule_shortfall_years",
    "spring_rule_gap_mm",
    "spring_rule_water_mm",
    "spring_rule_growth_kg_ha",
)
WITH_LINE = ("winter_killed_or_early", "overwintering")
"""Zones in which ending early fits; in the wetter one that allows both ends there is nothing to decide."""
FROM_ELSEWHERE = ("seeding_rate_factor", "slope_percent")
# A mean over the part of a field that has a value stands for the field when that part is at least this share
# of its rated ground: a field that is mostly without a safe termination date has none.
MIN_KNOWN_SHARE = 0.5
_NOT_RATED = ZONE_CODES["not_rated"]


def pixel_coverage(fields: gpd.GeoDataFrame, grid: GeoBox) -> csr_matrix:
    """Return the share of each field's area in each pixel (field x pixel, pixels row by row).

    Fractions are exact: a pixel that a boundary cuts counts by the area on either side. A row sums to the share
    of the field that lies on the grid.

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


def field_coverage(
    fields: gpd.GeoDataFrame, site_raster: NDArray[np.int32], grid: GeoBox, n_sites: int | None = None
) -> csr_matrix:
    """Return the share of each field's area in each site (field x site); 1 - row sum is the unknown share.

    Parameters
    ----------
    fields : GeoDataFrame
        Valid polygons in the CRS of `grid`.
    site_raster : int32 array on `grid`
        -1 = no site.
    grid : GeoBox
    n_sites : int, optional
        Number of columns; default the largest site on the raster plus one.
    """
    return site_shares(pixel_coverage(fields, grid), site_raster, n_sites)


def site_shares(pixels: csr_matrix, site_raster: NDArray[np.int32], n_sites: int | None = None) -> csr_matrix:
    """Add up the pixels of a `pixel_coverage` matrix by site."""
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


def field_means(coverage: csr_matrix, values: ArrayLike, min_known_share: float = 0.0) -> NDArray[np.float64]:
    """Return the area-weighted mean of a layer for each field, over the ground where it is known.

    Parameters
    ----------
    coverage : csr_matrix (field, site or pixel)
        Shares of each field.
    values : array (site or pixel,) or (site, k)
        NaN = unknown.
    min_known_share : float
        Below this share of the covered ground the mean is NaN.
    """
    # Of a layer with a value for each pixel only those under a field are widened to doubles.
    used, place = np.unique(coverage.indices, return_inverse=True)
    coverage = csr_matrix((coverage.data, place, coverage.indptr), shape=(coverage.shape[0], used.size))
    table = np.asarray(values)[used].astype(float)
    known = np.isfinite(table)
    weight = coverage @ known.astype(float)
    total = np.asarray(coverage.sum(axis=1)).ravel().reshape((-1,) + (1,) * (table.ndim - 1))
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = (coverage @ np.where(known, table, 0.0)) / weight
    return np.where((weight > 0) & (weight >= min_known_share * total - 1e-9), mean, np.nan)


def widest_zone(shares: NDArray[np.float64]) -> NDArray[np.int64]:
    """Return the rated zone with the most ground, ties to the drier, from shares (place, zone code 0 to 7)."""
    # argmax takes the first of equals, which is the drier; rounding keeps noise from deciding a tie.
    return 1 + shares[:, 1:_NOT_RATED].round(9).argmax(axis=1)


def summarise_fields(
    fields: gpd.GeoDataFrame,
    coverage: csr_matrix,
    outcomes: xr.Dataset,
    zones: pd.DataFrame,
    sites: pd.DataFrame,
    *,
    irrigated_zones: pd.DataFrame | None = None,
    site_values: pd.DataFrame | None = None,
    field_values: Mapping[str, ArrayLike] | None = None,
    rules: ZoneRules | None = None,
    model: ModelRules = DEFAULT_RULES,
    min_rated_share: float = MIN_RATED_SHARE,
) -> gpd.GeoDataFrame:
    """Say for each field its zone, what limits it, and its area-weighted outcomes.

    Parameters
    ----------
    fields : GeoDataFrame
        Contract columns of `geo.ground.boundaries.clean_fields`.
    coverage : csr_matrix (field, site)
        From `field_coverage`.
    outcomes : Dataset
        By site (DEVELOPERS.md); medians are taken at quantile 0.5.
    zones : DataFrame
        `Zones.table`, index `site`: `zone_code`, `limiting_factor`, `limiting_option`, `margin`.
    sites : DataFrame
        Index `site`; `reason`.
    irrigated_zones : DataFrame, optional
        The same as `zones` with the water tests waived; used for irrigated fields, with its own `agreement` where
        it has that column.
    site_values : DataFrame, optional
        More columns by site to average (`slope_percent`, `seeding_rate_factor`).
    field_values : mapping, optional
        Columns known by field (such as `slope_percent` from elevation); where known they win over `site_values`.
    rules : ZoneRules, optional
        Water limits of dry land, for the line between dry and wet springs; the default ones where not given.
    model : ModelRules
        How much more growth that line must bring.
    min_rated_share : float
        A field with a smaller share of its area in rated sites is not rated.

    Returns
    -------
    GeoDataFrame
        As in DEVELOPERS.md. Shares are of the whole field; the seven zone shares and the unknown share sum to 1.
        `zone` has the largest share of the rated ground, ties to the drier; `limiting_factor` and
        `limiting_option` are the pair with the most ground in that zone, `margin` its mean there.
        A field that is not rated has NaN numbers and the `reason` of most of its ground.
    """
    if (
        coverage.shape != (len(fields), len(zones))
        or len(zones) != outcomes.sizes["site"]
        or len(sites) != len(zones)
    ):
        raise StudyError(
            f"Coverage is {coverage.shape[0]} x {coverage.shape[1]}, but there are {len(fields)} fields, "
            f"{len(zones)} zones, {len(sites)} sites and {outcomes.sizes['site']} outcomes.",
            "fields",
            "Make all of them from the same run.",
        )
    irrigated = fields["irrigated"].to_numpy(bool)
    parts = _parts(coverage, zones, zones if irrigated_zones is None else irrigated_zones, irrigated)
    shares = np.zeros((len(fields), 8))
    np.add.at(shares, (parts["field"], parts["code"]), parts["share"])
    rated_share = shares[:, 1:_NOT_RATED].sum(axis=1)
    code = widest_zone(shares)
    rated = (rated_share >= min_rated_share - 1e-9) & (rated_share > 0)
    code = np.where(rated, code, _NOT_RATED)

    out = fields.drop(columns="geometry").reset_index(drop=True)
    out["zone_code"] = code.astype(np.uint8)
    out["zone"] = [ZONE_NAMES[int(c)] for c in code]
    out["zone_share"] = np.where(rated, shares[np.arange(len(code)), code], 1.0 - rated_share)
    for number, zone in ZONE_NAMES.items():
        out[f"share_{zone}"] = shares[:, number]
    out["rated_share"] = rated_share
    out = out.join(_limits(parts, code))
    out["reason"] = _reasons(parts, sites, rated)

    weights = _rated_only(coverage, parts, rated)
    for name in BY_SITE:
        out[name] = field_means(weights, _median(outcomes, name), MIN_KNOWN_SHARE)
    if irrigated_zones is not None and "agreement" in irrigated_zones:
        wet = field_means(weights, irrigated_zones["agreement"].to_numpy(float), MIN_KNOWN_SHARE)
        out["agreement"] = np.where(irrigated, wet, out["agreement"])
    for name in BY_OPTION:
        means = field_means(weights, _median(outcomes, name))
        for column, option in enumerate(OPTIONS):
            out[f"{name}_{option}"] = means[:, column]
    out = out.join(_springs(weights, outcomes, out, rules or ZoneRules(), model))
    known = {} if site_values is None else {c: site_values[c].to_numpy(float) for c in site_values}
    for name in dict.fromkeys([*FROM_ELSEWHERE, *known]):
        out[name] = field_means(weights, known[name]) if name in known else np.nan
    for name, values in (field_values or {}).items():
        by_field = pd.Series(np.asarray(values), index=out.index)
        out[name] = by_field.where(by_field.notna(), out[name]) if name in out else by_field
    out["recommended_option"] = [RECOMMENDED_OPTION[zone] for zone in out["zone"]]
    return gpd.GeoDataFrame(out, geometry=fields.geometry.to_numpy(), crs=fields.crs)


def _parts(coverage: csr_matrix, dry: pd.DataFrame, wet: pd.DataFrame, irrigated: NDArray[np.bool_]) -> pd.DataFrame:
    """Return one row per field and site with ground in common, under the rule of that field."""
    entries = coverage.tocoo()
    under_wet = irrigated[entries.row]
    columns = {}
    for ours, theirs in (
        ("code", "zone_code"),
        ("factor", "limiting_factor"),
        ("option", "limiting_option"),
        ("margin", "margin"),
    ):
        columns[ours] = np.where(under_wet, wet[theirs].to_numpy()[entries.col], dry[theirs].to_numpy()[entries.col])
    columns["code"] = columns["code"].astype(np.int64)
    return pd.DataFrame({"field": entries.row, "site": entries.col, "share": entries.data, **columns})


def _limits(parts: pd.DataFrame, code: NDArray[np.int64]) -> pd.DataFrame:
    """Return limiting factor, option and margin over the ground of each field that has the field's zone."""
    out = pd.DataFrame(
        {"limiting_factor": "", "limiting_option": "", "margin": np.nan}, index=pd.RangeIndex(len(code))
    )
    inside = parts.loc[
        (parts["code"].to_numpy() == code[parts["field"].to_numpy()]) & (parts["code"] != _NOT_RATED)
    ].copy()
    if inside.empty:
        return out
    inside["weighted"] = inside["share"] * inside["margin"].astype(float)
    pairs = inside.groupby(["field", "factor", "option"], as_index=False)[["share", "weighted"]].sum()
    pairs["order"] = -pairs["share"].round(9)
    first = pairs.sort_values(["field", "order", "factor", "option"]).drop_duplicates("field").set_index("field")
    out.loc[first.index, "limiting_factor"] = first["factor"].astype(str)
    out.loc[first.index, "limiting_option"] = first["option"].astype(str)
    out.loc[first.index, "margin"] = first["weighted"] / first["share"]
    return out


def _reasons(parts: pd.DataFrame, sites: pd.DataFrame, rated: NDArray[np.bool_]) -> NDArray[np.object_]:
    """Return why a field is not rated: the reason on most of its ground, "" for a rated field."""
    reasons = np.full(len(rated), "", dtype=object)
    lost = parts.loc[(parts["code"] == _NOT_RATED) & ~rated[parts["field"].to_numpy()]].copy()
    lost["reason"] = sites["reason"].fillna("").astype(str).to_numpy()[lost["site"].to_numpy()]
    total = lost.groupby(["field", "reason"], as_index=False)["share"].sum()
    top = total.sort_values("share", ascending=False, kind="stable").drop_duplicates("field").set_index("field")
    reasons[~rated] = "outside the soil map"
    on_map = np.zeros(len(rated))
    np.add.at(on_map, parts["field"].to_numpy(), parts["share"].to_numpy())
    for field, row in top.iterrows():
        if row["share"] >= 1.0 - on_map[int(field)]:
            reasons[int(field)] = row["reason"] or "too little of the soil is described"
    return reasons


def _rated_only(coverage: csr_matrix, parts: pd.DataFrame, rated: NDArray[np.bool_]) -> csr_matrix:
    """Return the coverage with only rated sites of rated fields."""
    keep = parts["code"].between(1, _NOT_RATED - 1).to_numpy() & rated[parts["field"].to_numpy()]
    some = parts.loc[keep]
    return csr_matrix((some["share"], (some["field"], some["site"])), shape=coverage.shape)


def _springs(
    weights: csr_matrix, outcomes: xr.Dataset, fields: pd.DataFrame, rules: ZoneRules, model: ModelRules
) -> pd.DataFrame:
    """Return what ending the overwintering cover by the spring gives on each field, and its line where it has one."""
    out = pd.DataFrame({name: field_means(weights, _median(outcomes, name)) for name in BY_SPRING})
    means = {name: field_means(weights, values) for name, values in line_inputs(outcomes).items()}
    asked = fields["zone"].isin(WITH_LINE).to_numpy() & ~fields["irrigated"].to_numpy(bool)
    return out.join(best_lines(means, rules, model, asked))


def _median(outcomes: xr.Dataset, name: str) -> NDArray[np.float64]:
    """Return an outcome by site (and option, in the house order), medians where it has quantiles."""
    if name not in outcomes:
        raise StudyError(f"The outcomes lack {name}.", "outcomes", "Run the study again with the current version.")
    values = outcomes[name]
    if "quantile" in values.dims:
        values = values.sel(quantile=0.5, method="nearest", tolerance=1e-6)
    if "option" in values.dims:
        values = values.sel(option=list(OPTIONS)).transpose("site", "option")
    return np.asarray(values.values, dtype=float)
