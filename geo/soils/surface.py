"""What a profile has at its surface: water contents, texture and hydrologic group."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from geo.errors import Problem
from geo.soils import groups
from geo.soils.horizons import surface_means, texture_water
from geo.soils.pedotransfer import texture_class

DEFAULT_TEXTURE = "loam"
DEFAULT_GROUP = "B"

# TR-55 (1986), appendix A, texture of the surface for disturbed soils (from memory): the last resort.
GROUP_BY_TEXTURE = {
    "sand": "A",
    "loamy sand": "A",
    "sandy loam": "A",
    "silt loam": "B",
    "loam": "B",
    "silt": "B",
    "sandy clay loam": "C",
    "clay loam": "D",
    "silty clay loam": "D",
    "sandy clay": "D",
    "silty clay": "D",
    "clay": "D",
}
_WET_DRAINAGE = ("poorly drained", "very poorly drained")


def add_surface(
    profiles: pd.DataFrame, horizons: pd.DataFrame, surface: pd.DataFrame, label: pd.Series
) -> tuple[pd.DataFrame, list[Problem]]:
    """Add the water contents and the texture of the upper 10 cm.

    Water contents come from the survey's values at 1/3 and 15 bar and at saturation (percent by volume of the
    whole soil), else from texture (Saxton & Rawls 2006), else from the table of texture classes.

    Parameters
    ----------
    profiles : DataFrame
        Index component key; column ``rated``.
    horizons : DataFrame
        From `geo.soils.horizons.fill_capacity`.
    surface : DataFrame
        Index ``texture``; ``fc_low``, ``fc_high``, ``wp_low``, ``wp_high``, ``sat`` (m3/m3).
    label : Series
        Component key to the words that a problem row uses for it.
    """
    percent = ["wthirdbar_r", "wfifteenbar_r", "wsatiated_r"]
    by_texture = texture_water(horizons)
    frame = horizons.assign(**{c: by_texture[c] for c in ("fc", "wp", "sat")})
    mean = surface_means(frame, [*percent, "fc", "wp", "sat", "sandtotal_r", "claytotal_r"])
    mean = mean.reindex(profiles.index)
    texture = pd.Series(texture_class(mean["sandtotal_r"] / 100, mean["claytotal_r"] / 100), index=profiles.index)
    default = surface.reindex(texture.where(texture != "", DEFAULT_TEXTURE))
    sources = {
        "survey": (mean[percent[0]] / 100, mean[percent[1]] / 100, mean[percent[2]] / 100),
        "texture": (mean["fc"], mean["wp"], mean["sat"]),
        "default": tuple(
            pd.Series(values.to_numpy(float), index=profiles.index)
            for values in (
                (default["fc_low"] + default["fc_high"]) / 2,
                (default["wp_low"] + default["wp_high"]) / 2,
                default["sat"],
            )
        ),
    }
    fc, wp, sat = (pd.Series(np.nan, index=profiles.index) for _ in range(3))
    origin = pd.Series("", index=profiles.index)
    for name, (fc_new, wp_new, _) in sources.items():
        pair = origin.eq("") & (wp_new > 0) & (fc_new > wp_new) & (fc_new < 0.9)
        fc, wp = fc.where(~pair, fc_new), wp.where(~pair, wp_new)
        origin = origin.where(~pair, name)
    for _, _, sat_new in sources.values():
        sat = sat.where(~(sat.isna() & (sat_new > fc)), sat_new)
    # A stony or clayey surface can hold more at field capacity than the table's porosity for its class.
    sat = sat.where(sat > fc, fc + 0.05)
    profiles = profiles.assign(fc_surface=fc, wp_surface=wp, sat_surface=sat, surface_texture=texture)
    problems = [
        Problem(
            "soils",
            str(label[key]),
            f"surface water contents taken from the table for {texture[key] or DEFAULT_TEXTURE}",
            "repaired",
        )
        for key in profiles.index[profiles["rated"] & origin.eq("default")]
    ]
    return profiles, problems


def add_groups(
    profiles: pd.DataFrame,
    components: pd.DataFrame,
    horizons: pd.DataFrame,
    impermeable: pd.Series,
    water_table_cm: Mapping[str, float],
    label: pd.Series,
) -> tuple[pd.DataFrame, list[Problem]]:
    """Add the hydrologic group: the survey's, else from conductivity and depth, else from texture."""
    keys = profiles.index.to_series()
    survey = pd.Series(components["hydgrp"].map(groups.undrained_group).to_numpy(), index=profiles.index)
    wet = keys.map(dict(water_table_cm)).astype(float)
    wet = wet.where(wet.notna() | ~profiles["drainage_class"].str.lower().isin(_WET_DRAINAGE), 0.0)
    tightest = [keys.map(groups.least_ksat(horizons, depth)).to_numpy(float) for depth in (50.0, 60.0, 100.0)]
    computed = pd.Series(
        groups.hydrologic_group(
            tightest[0],
            tightest[1],
            tightest[2],
            keys.map(impermeable).to_numpy(float) / 10.0,
            wet.to_numpy(float),
        ),
        index=profiles.index,
    )
    by_texture = profiles["surface_texture"].map(GROUP_BY_TEXTURE).fillna(DEFAULT_GROUP)
    group = survey.where(survey != "", computed).where(lambda g: g != "", by_texture)
    group = group.where(profiles["rated"] | (survey != ""), "")
    problems = []
    for key in profiles.index[profiles["rated"] & (survey == "")]:
        how = "conductivity and depth" if computed[key] else "surface texture (a rough guide)"
        what = f"no hydrologic group in the survey; {group[key]} from {how}"
        problems.append(Problem("soils", str(label[key]), what, "repaired"))
    return profiles.assign(hydrologic_group=group), problems
