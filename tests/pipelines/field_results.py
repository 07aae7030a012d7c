"""Finished studies for field-page tests whose zones really follow from their outcomes."""

from __future__ import annotations

from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
from pipelines.show.field.numbers import zone_rules

from geo.rating.fields import field_coverage, summarise_fields
from geo.rating.rule import classify
from pipelines.run.result import StudyResult
from tests.builders import HOSTILE_NAMES, tiny_result

BLOCK = {"p", "li", "dt", "dd", "h1", "h2", "th", "td", "caption", "small", "div", "section", "span", "summary"}
VOID = {"meta", "link", "br", "img", "input", "hr"}


def rated_result(
    units: str = "us", names: tuple[str, ...] = HOSTILE_NAMES, seed: int = 1, **size: int
) -> StudyResult:
    """A study classified and summarised by the library itself, in US or metric units."""
    result = tiny_result(names=names, seed=seed, **size)
    _shape_outcomes(result, np.random.default_rng(seed))
    rules = zone_rules(result, "rules")
    rated = result.sites["rated_share"].to_numpy()
    dry = classify(result.outcomes, rules, rated)
    wet = classify(result.outcomes, rules, rated, water_tests=False)
    bare = result.fields[
        ["field_id", "name", "irrigated", "previous_crop", "next_crop", "area_ha", "geometry"]
    ].copy()
    coverage = field_coverage(bare, result.site_raster, result.grid, len(result.sites))
    values = result.sites[[]].assign(slope_percent=np.linspace(0, 8, len(result.sites)), seeding_rate_factor=1.0)
    fields = summarise_fields(
        bare, coverage, result.outcomes, dry.table, result.sites, irrigated_zones=wet.table, site_values=values
    )
    settings = {**result.settings, "units": units}
    return replace(result, settings=settings, zones=dry.table, tests=dry.tests, fields=fields, coverage=coverage)


def _shape_outcomes(result: StudyResult, rng: np.random.Generator) -> None:
    """Bend the invented outcomes in place, so that the six rated zones appear (site k -> zone 1 + k mod 6)."""
    n = result.outcomes.sizes["site"]
    season, killed, alive = (np.tile(v, (n, 1)) for v in ([1.0, 0.9, 0.85, 0.8], [0, 1.0, 0, 0], [0, 0, 0.9, 0.85]))
    short = np.tile([0.0, 0.08, 0.10, 0.12], (n, 1))
    kind = np.arange(n) % 6
    short[kind == 0, 1:] = [0.35, 0.45, 0.6]
    season[kind == 1, 1:] = [0.45, 0.4, 0.3]
    short[kind == 2, 2:] = [0.3, 0.4]
    short[kind == 3, 3] = 0.4
    killed[kind == 5, 1] = 0.6
    for name, values in {
        "cover_ok_years": season, "winterkill_years": killed, "survival_years": alive, "shortfall_years": short
    }.items():  # fmt: skip
        shaken = np.clip(values + rng.uniform(-0.04, 0.04, values.shape) * (values > 0), 0, 1)
        shaken[np.isnan(result.outcomes[name].values)] = np.nan
        result.outcomes[name].values[:] = shaken
    gap = result.outcomes["planting_gap_mm"].values
    gap *= np.where(rng.random(n) < 0.3, 1.4, 0.4)[:, None, None]
    # springs: from what the late end costs, ever fewer short years and less growth as the line rises
    line = result.outcomes["line"].values
    late = result.outcomes["shortfall_years"].sel(option="overwinter_late").values
    result.outcomes["line_shortfall_years"].values[:] = late[:, None] * (1 - 0.9 * line)
    result.outcomes["line_gap_mm"].values[:] = gap[:, 3, 2, None] * (1 - 0.9 * line)


class Page(HTMLParser):
    """What a browser would make of a page: tags with attributes, and the visible text by element."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[tuple[tuple[str, ...], str]] = []
        self._open: list[tuple[str, str]] = []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        named = dict(attrs)
        self.tags.append((tag, named))
        if tag not in VOID:
            self._open.append((tag, named.get("class") or ""))

    def handle_endtag(self, tag):
        while self._open and self._open.pop()[0] != tag:
            pass

    def handle_data(self, data):
        path = tuple(f"{tag}.{name}" if name else tag for tag, name in self._open)
        if data.strip():
            self.texts.append((path, data.strip()))

    def text(self, inside: str = "") -> str:
        """Visible text below an element (``section.answer``), one space between parts."""
        kept = [t for path, t in self.texts if not {"script", "style", "title", "desc"} & set(path)]
        if inside:
            kept = [t for path, t in self.texts if inside in path]
        return " ".join(" ".join(kept).split())
