"""Horizons of a soil survey: order, gaps, organic and rock layers, and the cut into one-foot layers."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from geo.errors import Action, Problem
from geo.profile import LAYER_EDGES_MM, PROFILE_MM, SURFACE_MM
from geo.soils.pedotransfer import (
    DEFAULT_ORGANIC_MATTER_PERCENT,
    PARTICLE_DENSITY,
    fragment_volume,
    saxton_rawls,
)

TOLERANCE_CM = 2.0  # a seam between horizons that is rounding, not a missing horizon
ORGANIC_MATTER_PERCENT = 35.0  # about 20 % organic carbon: organic soil material (Keys to Soil Taxonomy)
ORGANIC_SOIL_CM = 40.0  # this much organic material in the upper 80 cm makes an organic soil (same source)
_ORGANIC_NAME = r"^\d*'*O"
_ROCK_NAME = r"^\d*'*(?:R|C[a-z]*r)"
_LAST_CM = 200.0


def overlap_mm(top_mm: ArrayLike, bottom_mm: ArrayLike, edges_mm: ArrayLike) -> NDArray[np.float64]:
    """Return the thickness that each interval shares with each layer.

    Parameters
    ----------
    top_mm, bottom_mm : array_like, shape (n,)
        Depth of the intervals, mm.
    edges_mm : array_like, shape (k + 1,)
        Edges of the k layers, mm, rising.

    Returns
    -------
    ndarray, shape (n, k)
        mm, never negative.
    """
    top = np.asarray(top_mm, float)[:, None]
    bottom = np.asarray(bottom_mm, float)[:, None]
    edges = np.asarray(edges_mm, float)
    return np.clip(np.minimum(bottom, edges[1:]) - np.maximum(top, edges[:-1]), 0.0, None)


def _text(frame: pd.DataFrame, column: str) -> pd.Series:
    return frame[column].fillna("").astype(str).str.strip()


def mark_materials(horizons: pd.DataFrame) -> pd.DataFrame:
    """Return the horizons with ``organic`` and ``rock`` flags.

    Organic by the O master letter or an organic matter content of 35 % or more; rock by R or Cr.
    """
    names, master = _text(horizons, "hzname"), _text(horizons, "desgnmaster")
    organic = (
        names.str.match(_ORGANIC_NAME) | master.str.startswith("O") | (horizons["om_r"] >= ORGANIC_MATTER_PERCENT)
    )
    rock = names.str.match(_ROCK_NAME) | master.isin(["R", "Cr"])
    return horizons.assign(organic=organic & ~rock, rock=rock)


def order_horizons(horizons: pd.DataFrame, label: pd.Series) -> tuple[pd.DataFrame, list[Problem]]:
    """Sort by depth, drop repeats and impossible depths, close seams of rounding.

    Parameters
    ----------
    horizons : DataFrame
        Columns of `mark_materials`; depths ``hzdept_r`` and ``hzdepb_r`` in cm.
    label : Series
        Component key to the words that a problem row uses for it.

    Returns
    -------
    horizons : DataFrame
        Sorted by component and depth, with ``gap_cm``: what is missing above each horizon (negative: overlap).
    problems : list of Problem
    """
    problems: list[Problem] = []
    frame = horizons.drop_duplicates(subset=["cokey", "hzdept_r", "hzdepb_r", "hzname", "awc_r"]).copy()
    repeats = horizons.loc[horizons.index.difference(frame.index), "cokey"].unique()
    for cokey in sorted(repeats):
        problems.append(_listed(label, cokey, "the same horizon is listed twice; one is kept", "repaired"))
    endless = frame["rock"] & frame["hzdepb_r"].isna() & frame["hzdept_r"].notna()
    frame.loc[endless, "hzdepb_r"] = np.maximum(frame.loc[endless, "hzdept_r"] + 1.0, _LAST_CM)
    usable = (frame["hzdept_r"] >= 0) & (frame["hzdepb_r"] > frame["hzdept_r"])
    for row in frame[~usable].itertuples():
        problems.append(
            _listed(
                label,
                row.cokey,
                f"horizon {row.hzname or '(unnamed)'} has depths {row.hzdept_r:g} to {row.hzdepb_r:g} cm",
                "left out",
                "Correct hzdept_r and hzdepb_r in the horizon table, or use a newer export.",
            )
        )
    frame = frame[usable].sort_values(["cokey", "hzdept_r", "hzdepb_r"], kind="stable")
    above = frame.groupby("cokey")["hzdepb_r"].shift(fill_value=0.0)
    gap = frame["hzdept_r"] - above
    seam = (gap != 0) & (gap.abs() <= TOLERANCE_CM) & (frame["hzdepb_r"] > above)
    for cokey in frame.loc[seam, "cokey"].unique():
        problems.append(
            _listed(label, cokey, f"horizons meet within {TOLERANCE_CM:g} cm; the seam is closed", "repaired")
        )
    frame.loc[seam, "hzdept_r"] = above[seam]
    return frame.assign(gap_cm=gap.where(~seam, 0.0)), problems


def broken_profiles(horizons: pd.DataFrame, limit_mm: pd.Series) -> pd.Series:
    """Return why a component's horizons cannot be added up, index ``cokey``; absent where they can.

    Parameters
    ----------
    horizons : DataFrame
        From `order_horizons`.
    limit_mm : Series
        Depth down to which the profile counts, mm, index ``cokey``.
    """
    limit = horizons["cokey"].map(limit_mm).fillna(PROFILE_MM)
    above = (horizons["hzdept_r"] - horizons["gap_cm"]) * 10.0
    gaps = horizons[(horizons["gap_cm"] > TOLERANCE_CM) & (above < limit)]
    laps = horizons[(horizons["gap_cm"] < -TOLERANCE_CM) & (horizons["hzdept_r"] * 10.0 < limit)]
    reasons: dict[str, str] = {}
    for row in laps.itertuples():
        reasons[row.cokey] = f"horizons overlap at {row.hzdept_r:g} cm"
    for row in gaps.itertuples():
        reasons[row.cokey] = f"no horizon from {row.hzdept_r - row.gap_cm:g} to {row.hzdept_r:g} cm"
    return pd.Series(reasons, dtype=object)


def organic_soils(horizons: pd.DataFrame) -> pd.Series:
    """Return the thickness of organic material in the upper 80 cm, cm, index ``cokey``."""
    organic = horizons[horizons["organic"]]
    inside = overlap_mm(organic["hzdept_r"] * 10, organic["hzdepb_r"] * 10, (0.0, 800.0))[:, 0] / 10.0
    return pd.Series(inside, index=organic["cokey"].to_numpy()).groupby(level=0).sum()


def fill_capacity(horizons: pd.DataFrame, limit_mm: pd.Series) -> pd.DataFrame:
    """Complete the available water capacity of each horizon and say where it comes from.

    The survey's ``awc_r`` already allows for rock fragments, so it is used as it is. Rock holds nothing.
    A missing value is taken from the water contents at 1/3 and 15 bar (whole soil), else from texture
    (Saxton & Rawls 2006) reduced by the volume of rock fragments.

    Parameters
    ----------
    horizons : DataFrame
        From `order_horizons`.
    limit_mm : Series
        Depth down to which the profile counts, mm, index ``cokey``.

    Returns
    -------
    DataFrame
        The horizons with ``awc`` (cm/cm, NaN where nothing is known) and ``awc_from``:
        ``survey``, ``rock``, ``organic``, ``water contents``, ``texture``, ``below limit`` or ``""``.
    """
    frame = horizons
    limit = frame["cokey"].map(limit_mm).fillna(PROFILE_MM)
    contents = (frame["wthirdbar_r"] - frame["wfifteenbar_r"]) / 100.0
    water = texture_water(frame)
    texture = water["fc"] - water["wp"]
    candidates: list[tuple[str, pd.Series, pd.Series]] = [
        ("organic", frame["organic"], pd.Series(0.0, index=frame.index)),
        ("survey", frame["awc_r"].notna(), frame["awc_r"]),
        ("rock", frame["rock"], pd.Series(0.0, index=frame.index)),
        ("below limit", frame["hzdept_r"] * 10.0 >= limit, pd.Series(0.0, index=frame.index)),
        ("water contents", contents > 0, contents),
        ("texture", texture.notna(), texture),
    ]
    tests = [test.to_numpy(bool) for _, test, _ in candidates]
    awc = np.select(tests, [value.to_numpy(float) for _, _, value in candidates], default=np.nan)
    source = np.select(tests, [name for name, _, _ in candidates], default="")
    return frame.assign(awc=awc, awc_from=source)


def texture_water(horizons: pd.DataFrame) -> pd.DataFrame:
    """Return ``wp``, ``fc``, ``sat`` (m3/m3 of the whole soil) from texture; NaN outside the equations' data."""
    frame = horizons
    om = frame["om_r"].fillna(DEFAULT_ORGANIC_MATTER_PERCENT)
    sand, clay = frame["sandtotal_r"] / 100.0, frame["claytotal_r"] / 100.0
    # Rock horizons carry 0 % sand and no clay; a sum near nothing is "not described", not pure silt.
    known = sand.notna() & clay.notna() & (sand + clay > 0) & (sand + clay <= 1.02) & ~frame["rock"]
    water = saxton_rawls(sand.where(known), clay.where(known), om.where(known))
    density = frame["dbthirdbar_r"].fillna(pd.Series(water.bulk_density, index=frame.index))
    density = density.clip(upper=PARTICLE_DENSITY)
    coarse = ((frame["fraggt10_r"].fillna(0) + frame["frag3to10_r"].fillna(0)) / 100.0).clip(0, 1)
    gravel = (1.0 - coarse) * (1.0 - frame["sieveno10_r"].fillna(100.0) / 100.0).clip(0, 1)
    soil = 1.0 - fragment_volume(coarse + gravel, density)
    good = water.calibrated
    return pd.DataFrame(
        {
            name: np.where(good, value, np.nan) * soil
            for name, value in (
                ("wp", water.wilting_point),
                ("fc", water.field_capacity),
                ("sat", water.saturation),
            )
        },
        index=frame.index,
    )


def layer_capacity(horizons: pd.DataFrame, limit_mm: pd.Series) -> pd.DataFrame:
    """Return the capacity of the four one-foot layers, mm, index ``cokey``, columns 0-3.

    Parameters
    ----------
    horizons : DataFrame
        From `fill_capacity`.
    limit_mm : Series
        Depth of the cut (restriction, rock, or the end of the fourth foot), mm, index ``cokey``.
    """
    limit = horizons["cokey"].map(limit_mm).fillna(PROFILE_MM).to_numpy(float)
    top = np.minimum(horizons["hzdept_r"].to_numpy(float) * 10.0, limit)
    bottom = np.minimum(horizons["hzdepb_r"].to_numpy(float) * 10.0, limit)
    mm = overlap_mm(top, bottom, LAYER_EDGES_MM) * horizons["awc"].to_numpy(float)[:, None]
    return pd.DataFrame(mm, index=horizons["cokey"].to_numpy()).groupby(level=0).sum(min_count=1)


def layer_wilting(horizons: pd.DataFrame, limit_mm: pd.Series) -> pd.DataFrame:
    """Return the water that the four one-foot layers hold at wilting point, mm, index ``cokey``, columns 0-3.

    From the survey's water content at 15 bar (percent by volume of the whole soil), else from texture (Saxton & Rawls
    2006). Rock holds none. NaN for a layer in which a horizon has neither.

    Parameters
    ----------
    horizons : DataFrame
        From `order_horizons`.
    limit_mm : Series
        Depth of the cut, mm, index ``cokey``; as in `layer_capacity`.
    """
    limit = horizons["cokey"].map(limit_mm).fillna(PROFILE_MM).to_numpy(float)
    top = np.minimum(horizons["hzdept_r"].to_numpy(float) * 10.0, limit)
    bottom = np.minimum(horizons["hzdepb_r"].to_numpy(float) * 10.0, limit)
    content = (horizons["wfifteenbar_r"] / 100.0).fillna(texture_water(horizons)["wp"])
    content = content.where(~horizons["rock"], 0.0).to_numpy(float)[:, None]
    inside = overlap_mm(top, bottom, LAYER_EDGES_MM)
    keys = horizons["cokey"].to_numpy()
    mm = pd.DataFrame(np.where(inside > 0, inside * content, 0.0), index=keys)
    unknown = mm.isna().groupby(level=0).any()
    return mm.groupby(level=0).sum().where(~unknown)


def surface_means(horizons: pd.DataFrame, columns: list[str], depth_mm: float = SURFACE_MM) -> pd.DataFrame:
    """Return thickness-weighted means of mineral horizons above a depth, index ``cokey``."""
    mineral = horizons[~horizons["organic"] & ~horizons["rock"]]
    weight = overlap_mm(mineral["hzdept_r"] * 10, mineral["hzdepb_r"] * 10, (0.0, depth_mm))[:, 0]
    keys = mineral["cokey"].to_numpy()
    out = {}
    for column in columns:
        value = mineral[column].to_numpy(float)
        known = np.isfinite(value) & (weight > 0)
        total = pd.Series(np.where(known, value * weight, 0.0), index=keys).groupby(level=0).sum()
        share = pd.Series(np.where(known, weight, 0.0), index=keys).groupby(level=0).sum()
        out[column] = total / share.where(share > 0)
    return pd.DataFrame(out, columns=columns)


def _listed(label: pd.Series, cokey: str, what: str, action: Action, fix: str = "") -> Problem:
    return Problem("soils", str(label.get(cokey, f"component {cokey}")), what, action, fix)
