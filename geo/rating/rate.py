"""Rate a study: sites under both rules, and every field under its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray
from scipy.sparse import csr_matrix

from geo.ground import ResponseUnits
from geo.model_rules import DEFAULT_RULES, ModelRules
from geo.rating.fields import field_table, zone_shares
from geo.rating.places import place_means, place_outcomes, site_weights
from geo.rating.rule import NOT_RATED, ZoneRules
from geo.rating.spring_rule import with_lines
from geo.rating.verdicts import Judged, Limits, find_zones, judge, margins, passes_by_part

MIN_RATED_SHARE = 0.5
"""A field is rated when at least this share of it lies on rated sites."""


@dataclass(frozen=True)
class Rating:
    """The answer of a study, made once; everything that is shown or exported reads it.

    Attributes
    ----------
    outcomes : Dataset
        By site.
    sites, irrigated_sites : Judged
        Every site under the dryland and under the irrigated rule.
    field_outcomes : Dataset
        By field, the same variables as `outcomes`.
    fields : Judged
        Every field under its own rule.
    table : GeoDataFrame
        The published table of fields (`geo.rating.fields.field_table`).
    """

    outcomes: xr.Dataset
    sites: Judged
    irrigated_sites: Judged
    field_outcomes: xr.Dataset
    fields: Judged
    table: gpd.GeoDataFrame


@dataclass(frozen=True)
class Ruled:
    """The rules of a study: limits of dryland and of irrigated ground, and what the model calls alive or dead."""

    dryland: ZoneRules
    irrigated: ZoneRules
    model: ModelRules = DEFAULT_RULES


def rate_sites(
    by_unit: xr.Dataset, units: ResponseUnits, rules: Ruled, members: Sequence[NDArray[np.float64]] = ()
) -> tuple[xr.Dataset, Judged, Judged]:
    """Return outcomes and verdicts of the sites, under the dryland and the irrigated rule.

    Parameters
    ----------
    by_unit : Dataset
        Outcomes by unit.
    units : ResponseUnits
    rules : Ruled
    members : sequence of arrays (unit, cover, test)
        Tested values of other parameter sets (`geo.rating.verdicts.test_values`).

    Returns
    -------
    outcomes : Dataset
        By site.
    dryland, irrigated : Judged
    """
    weights = site_weights(units, rules.dryland.rated_share_min)
    outcomes = place_outcomes(weights, by_unit, "site", rules.dryland, rules.model)
    there = [place_means(weights, one) for one in members]
    dry, wet = (_judge(outcomes, weights, rules, np.full(len(units.sites), k), there) for k in (False, True))
    early = dry.verdicts["passed"].sel(cover="overwinter_early").all("test").values
    asked = early & (dry.table["zone_code"].to_numpy() != NOT_RATED)
    return with_lines(outcomes, rules.dryland, rules.model, asked), dry, wet


def rate(
    by_unit: xr.Dataset,
    units: ResponseUnits,
    fields: gpd.GeoDataFrame,
    coverage: csr_matrix,
    rules: Ruled,
    members: Sequence[NDArray[np.float64]],
    slope_percent: NDArray[np.float64],
) -> Rating:
    """Rate sites and fields.

    Parameters
    ----------
    by_unit : Dataset
        Outcomes by unit.
    units : ResponseUnits
    rules : Ruled
    members : sequence of arrays (unit, cover, test)
        Tested values of other parameter sets.
    fields : GeoDataFrame
        Contract columns of `geo.ground.clean_fields`.
    coverage : csr_matrix (field, site)
        Share of each field in each site.
    slope_percent : array (field,)

    Returns
    -------
    Rating
    """
    outcomes, dry, wet = rate_sites(by_unit, units, rules, members)
    irrigated = fields["irrigated"].to_numpy(bool)
    weights = csr_matrix(coverage @ site_weights(units, rules.dryland.rated_share_min))
    by_field = place_outcomes(weights, by_unit, "field", rules.dryland, rules.model)
    shares = zone_shares(coverage, dry.table, wet.table, irrigated)
    ground = coverage, passes_by_part(coverage, dry.verdicts, wet.verdicts, irrigated)
    there = [place_means(weights, one) for one in members]
    judged = _judge(by_field, weights, rules, irrigated, there, ground)
    zone = judged.table["zone"].to_numpy()
    by_field = with_lines(by_field, rules.dryland, rules.model, np.isin(zone, WITH_LINE) & ~irrigated)
    sites = units.sites[["reason"]].assign(zone_code=dry.table["zone_code"].to_numpy())
    table = field_table(fields, judged, by_field, shares, sites, coverage, slope_percent)
    return Rating(outcomes, dry, wet, by_field, judged, table)


WITH_LINE = ("winter_killed_or_early", "overwintering")
"""Zones in which ending early fits; in the wetter one that allows both ends there is nothing to decide."""


def _judge(
    outcomes: xr.Dataset,
    weights: csr_matrix,
    rules: Ruled,
    irrigated: NDArray[np.bool_],
    members: Sequence[NDArray[np.float64]],
    ground: tuple[csr_matrix, NDArray[np.bool_]] | None = None,
) -> Judged:
    """Judge places, and say in which share of the parameter sets (values by place) their zone stays the same."""
    limits = Limits.of(rules.dryland, rules.irrigated, irrigated)
    rated = np.asarray(weights.sum(axis=1)).ravel() >= MIN_RATED_SHARE - 1e-9
    judged = judge(outcomes, limits, rated, ground)
    code = judged.table["zone_code"].to_numpy()
    same = [find_zones(margins(one, limits), rated).code == code for one in members]
    share = np.mean(same, axis=0) if same else np.full(len(code), np.nan)
    share = np.where(code == NOT_RATED, np.nan, share)
    return replace(judged, table=judged.table.assign(agreement=share))


def zone_areas(zones: pd.DataFrame, area_ha: pd.Series) -> pd.Series:
    """Return hectares by zone, dry to wet.

    Parameters
    ----------
    zones : DataFrame
        ``zone`` and ``zone_code`` by site.
    area_ha : Series
        By site.

    Returns
    -------
    Series
        Index ``zone``.
    """
    area = area_ha.groupby(zones["zone"]).sum()
    return area.reindex(list(dict.fromkeys(zones.sort_values("zone_code")["zone"])))
