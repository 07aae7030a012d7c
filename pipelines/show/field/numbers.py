"""What the field pages say in numbers: the outcomes of the sites, weighted by their share of each field."""

from __future__ import annotations

from dataclasses import dataclass
from dataclasses import fields as dataclass_fields

import numpy as np
import scipy.sparse as sp
import xarray as xr

from geo.options import COVERS
from geo.rating import FACTOR_OF_TEST, MIN_KNOWN_SHARE, TESTS, ZONE_CODES, ZoneRules, Zones, classify, field_means
from pipelines.run.result import StudyResult

_BY_SITE = (
    "stored_mm", "paw_layer_mm", "planting_gap_mm", "dry_spring_gap_mm", "wet_spring_gap_mm", "shortfall_years",
    "biomass_kg_ha", "ground_cover", "april_ground_cover", "first_freeze_day", "capacity_mm", "precip_mm",
    "agreement", "latest_termination_day", "planting_water_mm",
)  # fmt: skip


@dataclass(frozen=True)
class Deciding:
    """The test that decides a field's zone: whose, which, its value and threshold (NaN when there is none)."""

    option: str
    factor: str
    test: str
    value: float
    threshold: float


class FieldNumbers:
    """Outcomes by field, weighted by the area of the rated ground, under the rule of each field.

    Attributes
    ----------
    data : Dataset
        The variables of the outcomes that pages show, with the dimension ``field`` (row number) in place of ``site``.
    rules : ZoneRules
        Thresholds for dry land.
    seasons : int
        Number of seasons behind each share of years.
    """

    def __init__(self, result: StudyResult) -> None:
        self._result = result
        outcomes = result.outcomes
        self.rules = zone_rules(result, "rules")
        self.seasons = season_count(result)
        self._irrigated = result.fields["irrigated"].to_numpy(dtype=bool)
        self._zones = {False: Zones(result.zones, result.tests)}
        if self._irrigated.any():
            share = result.sites["rated_share"].to_numpy(dtype=float)
            rules = zone_rules(result, "irrigated_rules")
            self._zones[True] = classify(outcomes, rules, share, water_tests=False)
        self._coverage = sp.csr_matrix(result.coverage)
        rated = self._rated_ground()
        data: dict[str, tuple[tuple[str, ...], np.ndarray]] = {}
        for name in _BY_SITE:
            source = outcomes[name].transpose("site", ...)
            least = MIN_KNOWN_SHARE if name == "latest_termination_day" else 0.0
            mean = field_means(rated, source.values.reshape(source.shape[0], -1), least)
            data[name] = (("field", *map(str, source.dims[1:])), mean.reshape(-1, *source.shape[1:]))
        dims = {dim for names, _ in data.values() for dim in names}
        coords = {k: v for k, v in outcomes.coords.items() if k in dims}
        self.data = xr.Dataset(data, coords={"field": np.arange(rated.shape[0]), **coords})

    def _rated_ground(self) -> sp.csr_matrix:
        """Return the coverage without sites that the rule of the field leaves unrated."""
        entries = self._coverage.tocoo()
        codes = {k: z.table["zone_code"].to_numpy() for k, z in self._zones.items()}
        wet = codes.get(True, codes[False])
        code = np.where(self._irrigated[entries.row], wet[entries.col], codes[False][entries.col])
        keep = code != ZONE_CODES["not_rated"]
        return sp.csr_matrix((entries.data[keep], (entries.row[keep], entries.col[keep])), shape=self._coverage.shape)

    def of(self, row: int) -> xr.Dataset:
        """Return the numbers of one field."""
        return self.data.isel(field=row)

    def reason(self, row: int) -> str:
        """Return the reason why most of the field is not rated, "" when none is given."""
        if "reason" in self._result.fields:
            return str(self._result.fields["reason"].iloc[row] or "")
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
        weight: dict[tuple[str, str, str], float] = {}
        of_site = [self._worst(rated, int(site)) for site in sites]
        for key, w in zip(of_site, share, strict=True):
            weight[key] = weight.get(key, 0.0) + float(w)
        if not weight:
            return Deciding("", "", "", np.nan, np.nan)
        chosen = max(weight, key=lambda k: weight[k])
        option, factor, test = chosen
        if not test:
            return Deciding(option, factor, "", np.nan, np.nan)
        # Only ground that fails by this very test is averaged: a mean of different failures may seem to pass.
        same = np.array([key == chosen for key in of_site])
        value, threshold = (
            _mean(rated.tests[name].sel(option=option, test=test).values[sites[same]], share[same])
            for name in ("value", "threshold")
        )
        return Deciding(option, factor, test, value, threshold)

    @staticmethod
    def _worst(rated: Zones, site: int) -> tuple[str, str, str]:
        """Return limiting option, limiting factor and the worst test of that factor at one site."""
        option = str(rated.table["limiting_option"].iloc[site])
        factor = str(rated.table["limiting_factor"].iloc[site])
        if option not in COVERS or factor not in FACTOR_OF_TEST:
            return option, factor, ""
        margin = rated.tests["margin"].sel(option=option).values[site]
        own = [(m, test) for m, test, f in zip(margin, TESTS, FACTOR_OF_TEST, strict=True) if f == factor]
        return option, factor, min(own)[1]


def zone_rules(result: StudyResult, table: str) -> ZoneRules:
    """Return the thresholds that the study was run with: ``rules``, or ``irrigated_rules`` where they differ."""
    names = {f.name for f in dataclass_fields(ZoneRules)}
    chosen = result.settings.get(table, result.settings["rules"])
    return ZoneRules(**{k: float(v) for k, v in chosen.items() if k in names})


def _mean(values: np.ndarray, weight: np.ndarray) -> float:
    known = np.isfinite(values)
    return float(np.average(values[known], weights=weight[known])) if known.any() else float("nan")


def season_count(result: StudyResult) -> int:
    """Return the number of seasons behind the outcomes."""
    count = result.outcomes.attrs.get("seasons") or result.provenance.get("counts", {}).get("seasons")
    return int(count) if count else int(result.settings["years"]) - 1
