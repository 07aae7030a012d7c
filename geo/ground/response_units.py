"""Response units: each distinct soil profile under each climate cell, simulated once and mapped back."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.sparse import csr_matrix

from geo.errors import StudyError
from geo.ground.row_blocks import row_blocks

if TYPE_CHECKING:
    from geo.soils import SoilTable

# What the water balance reads of a profile, with the step below which two values are the same soil.
# Survey capacities are printed to 0.01 in/in (3 mm a foot), so 0.1 mm joins only real twins.
PHYSICAL_STEPS: Mapping[str, float] = {
    "awc_1_mm": 0.1,
    "awc_2_mm": 0.1,
    "awc_3_mm": 0.1,
    "awc_4_mm": 0.1,
    "fc_surface": 0.001,
    "wp_surface": 0.001,
    "sat_surface": 0.001,
    "root_limit_mm": 1.0,
    "hydrologic_group": 0.0,
    "surface_texture": 0.0,
}
# Slope only moves the curve number a little; where it is unknown the curve number stays that of 5 %, as published.
SLOPE, SLOPE_STEP_PERCENT, STANDARD_SLOPE_PERCENT = "slope_percent", 1.0, 5.0
_DENSE_LIMIT = 5_000_000


@dataclass(frozen=True)
class ResponseUnits:
    """Units to simulate, sites that pixels point to, and the weights between them.

    Attributes
    ----------
    units : DataFrame
        Index `unit` 0..n-1; `profile_id` (the first of its twins), `cell`.
    sites : DataFrame
        Index `site` 0..m-1; `map_unit_id`, `cell`, `rated_share` (0-1), `reason` ("" when something is
        rated), `pixels`, `area_ha`.
    site_units : DataFrame
        `site`, `unit`, `weight`; the weights of one site sum to 1, a site without a rated profile has no row.
    site_raster : int32 array on the grid
        -1 = no site.
    """

    units: pd.DataFrame
    sites: pd.DataFrame
    site_units: pd.DataFrame
    site_raster: NDArray[np.int32]

    def weights(self) -> csr_matrix:
        """Return the site x unit weights as a sparse matrix, for means over the components of a site."""
        return csr_matrix(
            (self.site_units["weight"], (self.site_units["site"], self.site_units["unit"])),
            shape=(len(self.sites), len(self.units)),
        )


def build_units(
    map_unit_codes: NDArray[np.int32],
    map_unit_ids: list[str],
    cell_codes: NDArray[np.int32],
    soil: SoilTable,
    *,
    pixel_area_ha: float,
    steps: Mapping[str, float] = PHYSICAL_STEPS,
) -> ResponseUnits:
    """Find the sites on the grid and the units that they need.

    Components of a map unit stay apart (a bucket is not linear); profiles whose rounded physical values are
    the same share one unit under the same cell.

    Parameters
    ----------
    map_unit_codes : int32 array (row, column)
        Position in `map_unit_ids`, -1 = no soil.
    map_unit_ids : list of str
        Map units by code.
    cell_codes : int32 array (row, column)
        Climate cell, -1 = none.
    soil : SoilTable
        Its `profiles` and `map_units`.
    pixel_area_ha : float
        Area of one pixel (ha).
    steps : mapping
        Physical columns and the step each is rounded to (0 = text, compared as it is).

    Returns
    -------
    ResponseUnits
    """
    if map_unit_codes.shape != cell_codes.shape:
        raise StudyError(
            f"The soil grid {map_unit_codes.shape} and the climate grid {cell_codes.shape} differ.",
            "response units",
            "Bring both to the same study grid.",
        )
    site_raster, site_code, site_cell, pixels = _label_pairs(map_unit_codes, cell_codes, len(map_unit_ids))
    profiles = _rated_profiles(soil.profiles, steps)
    rated_share = profiles.loc[profiles["usable"]].groupby("map_unit_id")["share"].sum().clip(upper=1.0)

    map_unit = np.asarray(map_unit_ids, dtype=object)[site_code] if len(site_code) else np.array([], dtype=object)
    sites = pd.DataFrame(
        {"map_unit_id": map_unit, "cell": site_cell},
        index=pd.RangeIndex(len(site_code), name="site"),
    )
    sites["rated_share"] = sites["map_unit_id"].map(rated_share).fillna(0.0).astype(float)
    reasons = _reasons(sites["map_unit_id"].unique(), profiles, soil.map_units)
    sites["reason"] = sites["map_unit_id"].map(reasons).where(sites["rated_share"] <= 0, "")
    sites["pixels"] = pixels
    sites["area_ha"] = pixels * pixel_area_ha

    pairs = sites.reset_index()[["site", "map_unit_id", "cell"]].merge(
        profiles.loc[profiles["usable"], ["map_unit_id", "twin", "share"]], on="map_unit_id"
    )
    pairs["unit"] = pairs.groupby(["cell", "twin"], sort=True).ngroup()
    once = pairs.drop_duplicates("unit").sort_values("unit")
    units = pd.DataFrame(
        {"profile_id": once["twin"].to_numpy(), "cell": once["cell"].to_numpy(np.int32)},
        index=pd.RangeIndex(len(once), name="unit"),
    )
    weights = pairs.groupby(["site", "unit"], as_index=False)["share"].sum()
    weights = weights.rename(columns={"share": "weight"})
    weights["weight"] /= weights.groupby("site")["weight"].transform("sum")
    return ResponseUnits(units=units, sites=sites, site_units=weights, site_raster=site_raster)


def _label_pairs(
    first: NDArray[np.int32], second: NDArray[np.int32], n_first: int
) -> tuple[NDArray[np.int32], NDArray[np.int64], NDArray[np.int32], NDArray[np.int64]]:
    """Label the pairs of two code grids that occur; return labels, both codes of each label, pixels of each."""
    n_second = int(second.max(initial=-1)) + 1

    def pairs(rows: slice) -> tuple[NDArray[np.bool_], NDArray[np.int64]]:
        """Return where a block has both codes, and one number for each pair there."""
        a, b = first[rows], second[rows]
        both = (a >= 0) & (b >= 0)
        return both, a[both].astype(np.int64) * n_second + b[both]

    keys, pixels = _count_pairs((pairs(rows)[1] for rows in row_blocks(first.shape)), n_first * n_second)
    labels = np.full(first.shape, -1, dtype=np.int32)
    for rows in row_blocks(first.shape):
        both, key = pairs(rows)
        labels[rows][both] = np.searchsorted(keys, key)
    return labels, keys // max(n_second, 1), (keys % max(n_second, 1)).astype(np.int32), pixels


def _count_pairs(blocks: Iterable[NDArray[np.int64]], n: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the numbers that occur in any block, in order, and how often."""
    if n <= _DENSE_LIMIT:
        counts = np.zeros(n, dtype=np.int64)
        for block in blocks:
            counts += np.bincount(block, minlength=n)
        keys = np.flatnonzero(counts)
        return keys, counts[keys]
    # Too many possible pairs for a table: count those that occur.
    seen = [pd.Series(block).value_counts(sort=False) for block in blocks]
    total = pd.concat(seen).groupby(level=0).sum() if seen else pd.Series(dtype=np.int64)
    return total.index.to_numpy(np.int64), total.to_numpy(np.int64)


def _rated_profiles(profiles: pd.DataFrame, steps: Mapping[str, float]) -> pd.DataFrame:
    """Return map unit, share, `usable` and `twin` (the first profile with the same rounded values)."""
    missing = [c for c in steps if c not in profiles.columns]
    if missing:
        raise StudyError(
            f"The soil profiles lack {', '.join(missing)}.", "soils", "Read the soils again with the current version."
        )
    rounded = pd.DataFrame(index=profiles.index)
    complete = pd.Series(True, index=profiles.index)
    for column, step in steps.items():
        if step > 0:
            rounded[column] = (profiles[column].astype(float) / step).round()
            complete &= profiles[column].notna()
        else:  # the balance has a fall-back for a text it does not know, so an empty one is not a gap
            rounded[column] = profiles[column].fillna("").astype(str)
    if SLOPE in profiles:
        slope = profiles[SLOPE].astype(float).fillna(STANDARD_SLOPE_PERCENT)
        rounded[SLOPE] = (slope / SLOPE_STEP_PERCENT).round()
    usable = profiles["rated"].astype(bool) & complete & (profiles["share"].astype(float) > 0)
    group = rounded.groupby(list(rounded.columns), sort=False, dropna=False).ngroup()
    names = pd.Series(profiles.index, index=profiles.index)
    # A profile that is not rated must never represent its twins: rank it behind those that are.
    order = np.argsort(~usable.to_numpy(), kind="stable")
    leader = names.iloc[order].groupby(group.iloc[order]).first()
    return pd.DataFrame(
        {
            "map_unit_id": profiles["map_unit_id"].astype(str),
            "share": profiles["share"].astype(float),
            "usable": usable,
            "complete": complete,
            "rated": profiles["rated"].astype(bool),
            "reason": profiles["reason"].fillna("").astype(str),
            "twin": group.map(leader),
        }
    )


def _reasons(map_unit_ids: NDArray[Any], profiles: pd.DataFrame, map_units: pd.DataFrame) -> dict[str, str]:
    """Say for each map unit why nothing in it could be rated: its own reason, else its largest component's."""
    out = {}
    own = map_units["reason"].fillna("").astype(str) if "reason" in map_units else pd.Series(dtype=str)
    largest = profiles.sort_values("share", ascending=False).drop_duplicates("map_unit_id").set_index("map_unit_id")
    for map_unit in map_unit_ids:
        reason = own.get(map_unit, "")
        if not reason and map_unit in largest.index:
            row = largest.loc[map_unit]
            reason = row["reason"] or ("soil values are incomplete" if row["rated"] and not row["complete"] else "")
        elif not reason:
            reason = "on the soil map, but not in the soil tables"
        out[map_unit] = reason or "no component is rated"
    return out
