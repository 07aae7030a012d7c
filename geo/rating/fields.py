"""The table of fields: each field's zone, tests and numbers, all from its own row of weights."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray
from scipy.sparse import csr_matrix

from geo.options import OPTIONS
from geo.rating.rule import NOT_RATED, ZONE_NAMES
from geo.rating.spring_rule import SPRING_COLUMNS
from geo.rating.verdicts import Judged

BY_OPTION = (
    "planting_water_mm",
    "planting_gap_mm",
    "fall_gap_mm",
    "shortfall_years",
    "biomass_kg_ha",
    "ground_cover",
)
BY_FIELD = ("capacity_mm", "precip_mm", "latest_termination_day", "first_freeze_day")


def zone_shares(
    coverage: csr_matrix, dry: pd.DataFrame, wet: pd.DataFrame, irrigated: NDArray[np.bool_]
) -> np.ndarray:
    """Return the share of each field in each zone when each soil is judged by itself, shape (field, 8).

    Column 0 is ground without data; the columns of a row sum to 1.

    Parameters
    ----------
    coverage : csr_matrix (field, site)
    dry, wet : DataFrame
        Zones of the sites under the dryland and the irrigated rule.
    irrigated : bool array (field,)
    """
    entries = coverage.tocoo()
    code = np.where(irrigated[entries.row], *(t["zone_code"].to_numpy()[entries.col] for t in (wet, dry)))
    shares = np.zeros((coverage.shape[0], 8))
    np.add.at(shares, (entries.row, code), entries.data)
    shares[:, 0] = np.maximum(1.0 - shares[:, 1:].sum(axis=1), 0.0)
    return shares


def widest_zone(shares: NDArray[np.float64]) -> NDArray[np.int64]:
    """Return the rated zone with the most ground, ties to the drier, from shares (place, zone code 0 to 7)."""
    # argmax takes the first of equals, which is the drier; rounding keeps noise from deciding a tie.
    return 1 + shares[:, 1:NOT_RATED].round(9).argmax(axis=1)


def field_table(
    fields: gpd.GeoDataFrame,
    judged: Judged,
    outcomes: xr.Dataset,
    shares: NDArray[np.float64],
    sites: pd.DataFrame,
    coverage: csr_matrix,
    slope_percent: NDArray[np.float64],
) -> gpd.GeoDataFrame:
    """Return the published table of fields.

    Parameters
    ----------
    fields : GeoDataFrame
        Contract columns of `geo.ground.clean_fields`.
    judged : Judged
        Verdicts of the fields under their own rules, with the column ``agreement``.
    outcomes : Dataset
        By field.
    shares : array (field, 8)
        From `zone_shares`.
    sites : DataFrame
        ``reason`` by site, why it is not rated.
    coverage : csr_matrix (field, site)
    slope_percent : array (field,)

    Returns
    -------
    GeoDataFrame
        As in DEVELOPERS.md. `zone` follows from the field's own means; ``zone_share`` is the share of the field that
        has this zone when each soil is judged by itself, and ``largest_zone`` the zone of the largest such part. A
        field that is not rated has NaN numbers and the `reason` of most of its ground.
    """
    code = judged.table["zone_code"].to_numpy().astype(int)
    rated = code != NOT_RATED
    largest = np.where(rated, widest_zone(shares), NOT_RATED)
    rated_share = shares[:, 1:NOT_RATED].sum(axis=1)
    row = np.arange(len(code))

    out = fields.drop(columns="geometry").reset_index(drop=True)
    out["zone_code"] = judged.table["zone_code"].to_numpy()
    out["zone"] = judged.table["zone"].to_numpy()
    out["zone_share"] = np.where(rated, shares[row, code], 1.0 - rated_share)
    out["largest_zone"] = [ZONE_NAMES[int(c)] for c in largest]
    out["largest_zone_share"] = np.where(rated, shares[row, largest], 1.0 - rated_share)
    for number, zone in ZONE_NAMES.items():
        out[f"share_{zone}"] = shares[:, number]
    out["rated_share"] = rated_share
    for name in ("limiting_factor", "limiting_option", "limiting_test", "margin", "agreement"):
        out[name] = judged.table[name].to_numpy()
    out["reason"] = _reasons(coverage, sites, shares, rated)

    for name in BY_FIELD:
        values = outcomes[name]
        out[name] = _rated(values.sel(quantile=0.5) if "quantile" in values.dims else values, rated)
    for name in BY_OPTION:
        values = outcomes[name].sel(stat="mean") if "stat" in outcomes[name].dims else outcomes[name]
        for option in OPTIONS:
            out[f"{name}_{option}"] = _rated(values.sel(option=option), rated)
    for name in SPRING_COLUMNS:
        out[name] = _rated(outcomes[name], rated)
    out["slope_percent"] = slope_percent
    out["recommended_option"] = judged.table["recommended_option"].to_numpy()
    return gpd.GeoDataFrame(out, geometry=fields.geometry.to_numpy(), crs=fields.crs)


def _rated(values: xr.DataArray, rated: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return values of rated fields, NaN for the others."""
    return np.where(rated, values.values.astype(float), np.nan)


def _reasons(
    coverage: csr_matrix, sites: pd.DataFrame, shares: NDArray[np.float64], rated: NDArray[np.bool_]
) -> NDArray[np.object_]:
    """Return why a field is not rated: the reason on most of its ground, "" for a rated field."""
    reasons = np.full(len(rated), "", dtype=object)
    reasons[~rated] = "outside the soil map"
    entries = coverage.tocoo()
    given = sites["reason"].fillna("").astype(str).to_numpy()[entries.col]
    lost = pd.DataFrame({"field": entries.row, "reason": given, "share": entries.data})
    lost = lost[~rated[entries.row] & (sites["zone_code"].to_numpy()[entries.col] == NOT_RATED)]
    total = lost.groupby(["field", "reason"], as_index=False)["share"].sum()
    top = total.sort_values("share", ascending=False, kind="stable").drop_duplicates("field").set_index("field")
    for field, row in top.iterrows():
        if row["share"] >= shares[int(field), 0]:
            reasons[int(field)] = row["reason"] or "too little of the soil is described"
    return reasons
