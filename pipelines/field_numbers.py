"""What the field pages say in numbers: the outcomes of the sites, weighted by their share of each field."""

from __future__ import annotations

from dataclasses import dataclass
from dataclasses import fields as dataclass_fields

import numpy as np
import scipy.sparse as sp
import xarray as xr

from geo.zone_codes import COVERS, OPTIONS, TESTS
from geo.zones import ZoneRules, Zones, classify
from pipelines.result import StudyResult

_BY_SITE = (
    "stored_mm", "paw_layer_mm", "planting_gap_mm", "dry_spring_gap_mm", "wet_spring_gap_mm", "shortfall_years",
    "biomass_kg_ha", "ground_cover", "april_ground_cover", "first_freeze_day", "capacity_mm", "precip_mm",
    "agreement", "latest_termination_day", "planting_water_mm",
)  # fmt: skip
NEEDED_SHARE = 0.5
"""A field value is given when at least half of the field's rated ground has one."""


def weighted_by_field(coverage: sp.csr_matrix, values: np.ndarray) -> np.ndarray:
    """Return area-weighted means by field, over the sites that have a value.

    Parameters
    ----------
    coverage : csr_matrix, shape (field, site)
        Share of each field in each site.
    values : ndarray, shape (site, ...)
        NaN where a site has no value.

    Returns
    -------
    ndarray, shape (field, ...)
        NaN where no site of the field has a value.
    """
    flat = values.reshape(values.shape[0], -1).astype(float)
    known = np.isfinite(flat)
    total = coverage @ np.where(known, flat, 0.0)
    weight = coverage @ known.astype(float)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(weight > 0, total / weight, np.nan)
    return mean.reshape(coverage.shape[0], *values.shape[1:])


@dataclass(frozen=True)
class Deciding:
    """The test that decides a field's zone: whose, which, its value and threshold (NaN when there is none)."""

    option: str
    factor: str
    test: str
    value: float
    threshold: float


class FieldNumbers:
    """Outcomes by field.

    Attributes
    ----------
    data : Dataset
        The variables of the outcomes that pages show, with the dimension ``field`` (row number) in place of ``site``.
    seasons : int
        Number of seasons behind each share of years.
    """

    def __init__(self, result: StudyResult) -> None:
        self._result = result
        outcomes = result.outcomes
        coverage = sp.csr_matrix(result.coverage)
        fields = np.arange(coverage.shape[0])
        data: dict[str, tuple[tuple[str, ...], np.ndarray]] = {}
        for name in _BY_SITE:
            source = outcomes[name]
            if source.dims[0] != "site":
                source = source.transpose("site", ...)
            data[name] = (("field", *map(str, source.dims[1:])), weighted_by_field(coverage, source.values))
        coords = {k: v for k, v in outcomes.coords.items() if k not in ("site",) and k in _dims(data)}
        self.data = xr.Dataset(data, coords={"field": fields, **coords})
        safe = np.isfinite(outcomes["latest_termination_day"].values)
        self._safe_share = coverage @ safe.astype(float)
        rated = np.isfinite(outcomes["capacity_mm"].values)
        self._rated_share = coverage @ rated.astype(float)
        self._coverage = coverage
        self.rules = zone_rules(result)
        self._zones = {False: Zones(result.zones, result.tests)}
        irrigated = result.fields["irrigated"].to_numpy(dtype=bool)
        if irrigated.any():
            share = result.sites["rated_share"].to_numpy(dtype=float)
            self._zones[True] = classify(outcomes, self.rules, share, water_tests=False)
        self._irrigated = irrigated
        self.seasons = season_count(result)

    def of(self, row: int) -> xr.Dataset:
        """Return the numbers of one field."""
        return self.data.isel(field=row)

    def latest_termination_day(self, row: int) -> float:
        """Return the mean latest safe day over the ground that has one; NaN when that is less than half."""
        if self._safe_share[row] < NEEDED_SHARE * max(self._rated_share[row], 1e-9):
            return float("nan")
        return float(self.data["latest_termination_day"].values[row])

    def reason(self, row: int) -> str:
        """Return the reason why most of the field is not rated, "" when none is given."""
        part = self._coverage.getrow(row)
        weight: dict[str, float] = {}
        for site, share in zip(part.indices, part.data, strict=True):
            reason = str(self._result.sites["reason"].iloc[site] or "")
            if reason:
                weight[reason] = weight.get(reason, 0.0) + float(share)
        return max(weight, key=lambda k: weight[k]) if weight else ""

    def zone_of_site(self, row: int) -> np.ndarray:
        """Return the zone code of each site under the rule of this field (dry-land or irrigated)."""
        codes: np.ndarray = self._zones[bool(self._irrigated[row])].table["zone_code"].to_numpy().astype(np.uint8)
        return codes

    def zone_shares(self, row: int) -> dict[int, float]:
        """Return the share of the field in each zone that it has, and under code 0 the share without data."""
        part = self._coverage.getrow(row)
        share = np.bincount(self.zone_of_site(row)[part.indices], weights=part.data, minlength=8)
        share[0] = max(0.0, 1.0 - share[1:].sum())
        return {code: float(s) for code, s in enumerate(share) if s > 5e-4}

    def deciding(self, row: int, zone_code: int) -> Deciding:
        """Return the test that decides the zone, over the field's sites in that zone."""
        rated = self._zones[bool(self._irrigated[row])]
        part, zones = self._coverage.getrow(row), rated.table
        inside = zones["zone_code"].to_numpy()[part.indices] == zone_code
        sites, share = part.indices[inside], part.data[inside]
        weight: dict[tuple[str, str], float] = {}
        for site, w in zip(sites, share, strict=True):
            key = (str(zones["limiting_option"].iloc[site]), str(zones["limiting_factor"].iloc[site]))
            weight[key] = weight.get(key, 0.0) + float(w)
        if not weight:
            return Deciding("", "", "", np.nan, np.nan)
        option, factor = max(weight, key=lambda k: weight[k])
        if option not in COVERS or not factor:
            return Deciding(option, factor, "", np.nan, np.nan)
        tests = rated.tests
        o = OPTIONS.index(option)
        candidates = ("gap", "shortfall") if factor == "water" else (factor,)
        best = Deciding(option, factor, "", np.nan, np.nan)
        worst = np.inf
        for test in candidates:
            value, threshold, margin = (
                _mean(tests[name].transpose("site", "option", "test").values[sites, o, TESTS.index(test)], share)
                for name in ("value", "threshold", "margin")
            )
            if margin < worst:
                best, worst = Deciding(option, factor, test, value, threshold), margin
        return best


def zone_rules(result: StudyResult) -> ZoneRules:
    """Return the thresholds that the study was run with."""
    names = {f.name for f in dataclass_fields(ZoneRules)}
    return ZoneRules(**{k: float(v) for k, v in result.settings["rules"].items() if k in names})


def _dims(data: dict[str, tuple[tuple[str, ...], np.ndarray]]) -> set[str]:
    return {dim for dims, _ in data.values() for dim in dims}


def _mean(values: np.ndarray, weight: np.ndarray) -> float:
    known = np.isfinite(values)
    return float(np.average(values[known], weights=weight[known])) if known.any() else float("nan")


def season_count(result: StudyResult) -> int:
    """Return the number of seasons behind the outcomes."""
    count = result.outcomes.attrs.get("seasons") or result.provenance.get("counts", {}).get("seasons")
    return int(count) if count else int(result.settings["years"]) - 1
