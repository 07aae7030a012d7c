"""The words and the data of the county page: what stands in it before any script runs, and what the script reads."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from geopandas import GeoDataFrame
from markupsafe import Markup, escape

from geo.errors import WHOLE_STUDY
from geo.options import COVERS, OPTIONS
from pipelines.run.result import StudyResult
from pipelines.show.county.data import (
    FACTORS,
    SHARE_STEPS,
    coverage_arrays,
    field_columns,
    outline_steps,
    pack,
    site_arrays,
    target_steps,
    text_of_integers,
)
from pipelines.show.county.frame import map_frame
from pipelines.show.county.images import (
    WEB_MERCATOR,
    WebRaster,
    data_uri,
    ink,
    site_bytes,
    site_checksum,
    site_png,
    swatch_png,
    warp_sites,
    zone_png,
)
from pipelines.show.legend import ZoneStyle, zone_legend
from pipelines.show.page_templates import template
from pipelines.study.input_facts import source_facts
from pipelines.study.units import Units, convert
from pipelines.study.words import Catalogue

LAYERS = ("zone", "gap", "shortfall", "water", "latest", "freeze", "agreement", "capacity")
_PROBLEM_ROWS = 200
_RULES = {
    "season_min": 0.7, "winterkill_min": 0.9, "survival_min": 0.7, "planting_gap_max_mm": 38.1, "shortfall_max": 0.2,
    "rated_share_min": 0.5,
}  # fmt: skip


@dataclass
class CountyPage:
    """Everything that stands in the county page of one study.

    Attributes
    ----------
    result : StudyResult
    words : Catalogue
    """

    result: StudyResult
    words: Catalogue

    @cached_property
    def raster(self) -> WebRaster:
        """Sites on the grid of the web map."""
        return warp_sites(self.result.site_raster, self.result.grid)

    @cached_property
    def fields(self) -> GeoDataFrame:
        """Field polygons in Web Mercator, without their attributes."""
        return self.result.fields[["geometry"]].to_crs(WEB_MERCATOR)

    @cached_property
    def zones(self) -> list[ZoneStyle]:
        """The zones in the order of their code."""
        return zone_legend(self.words)

    @cached_property
    def units(self) -> Units:
        """Units of the study, for what is written before any script runs."""
        return Units(str(self.result.settings.get("units", "us")), self.words)

    @cached_property
    def rules(self) -> dict[str, float]:
        """Thresholds of the study."""
        return {k: float(self.result.settings.get("rules", {}).get(k, v)) for k, v in _RULES.items()}

    @cached_property
    def irrigated_rules(self) -> dict[str, float]:
        """Thresholds of the study for irrigated fields, where they differ."""
        own = self.result.settings.get("irrigated_rules", {})
        return {k: float(own.get(k, v)) for k, v in self.rules.items()}

    @cached_property
    def seasons(self) -> int:
        """Seasons of weather that were simulated."""
        counts = self.result.provenance.get("counts", {})
        return int(self.result.outcomes.attrs.get("seasons", counts.get("seasons", 10)))

    def t(self, key: str, **values: object) -> str:
        """Return a text of the county page."""
        return self.words.t(f"county.{key}", **values)

    def ground_ha(self) -> np.ndarray:
        """Area of all ground by zone code, 0-7 [ha]."""
        codes = self.result.zones["zone_code"].to_numpy(int)
        return np.bincount(codes, weights=self.result.sites["area_ha"].to_numpy(float), minlength=8)

    def field_ground_ha(self) -> np.ndarray:
        """Area of the fields by zone code, 0-7, split among zones [ha]."""
        fields = self.result.fields
        area = fields["area_ha"].to_numpy(float)
        parts = [0.0] + [float(area @ fields[f"share_{z.key}"].to_numpy(float)) for z in self.zones]
        parts[7] += float(area.sum()) - sum(parts)
        return np.array(parts)

    def data(self, field_page_url: str) -> dict[str, Any]:
        """Return what the script reads; plain JSON types."""
        result, raster = self.result, self.raster
        targets, own = target_steps(result)
        rows, columns = raster.site.shape
        common = {f"common.{k}": v for k, v in self.words.under("common").items()}
        return {
            "language": self.words.language,
            "units": self.units.system,
            "seasons": self.seasons,
            "words": self.words.under("county") | common,
            "months": list(self.words.items("common.months")),
            "zones": [
                {"code": z.code, "label": z.label, "plain": z.plain, "colour": z.colour, "pattern": z.pattern,
                 "ink": ink(z.rgb)} for z in self.zones
            ],
            "rules": self.rules,
            "irrigated_rules": self.irrigated_rules,
            "targets": targets,
            "target": own,
            "page_url": field_page_url,
            "pages": self._page_names(),
            "image": {
                "west": raster.west, "north": raster.north, "step": raster.step, "rows": rows, "columns": columns,
                "bytes": site_bytes(raster),
                "checksum": site_checksum(raster),
            },
            "fields": {
                "count": len(result.fields),
                "columns": field_columns(result.fields),
                "outlines": text_of_integers(outline_steps(self.fields, raster.west, raster.north)),
            },
        }  # fmt: skip

    def more_data(self) -> dict[str, Any]:
        """Return what the script reads after the first drawing: the squares and the table of sites."""
        keys = self.result.sites.drop_duplicates("map_unit_id")
        return {
            "map_units": [[str(s), str(n)] for s, n in zip(keys["symbol"], keys["name"], strict=True)],
            "share_steps": SHARE_STEPS,
            "site_picture": data_uri(site_png(self.raster)),
            "packed": pack(site_arrays(self.result) | coverage_arrays(self.result)),
        }

    def body(self, map_id: str) -> str:
        """Return the body of the page, every value escaped."""
        result, units, t = self.result, self.units, self.t
        ground, inside = self.ground_ha(), self.field_ground_ha()
        zones = [
            {"code": z.code, "label": z.label, "plain": z.plain, "swatch": data_uri(swatch_png(z)),
             "ground": units.area(ground[z.code]).text, "fields": units.area(inside[z.code]).text} for z in self.zones
        ]  # fmt: skip
        problems = result.problems
        inputs = result.provenance.get("inputs", [])
        frame, frame_place = map_frame(self.raster, units, self.words)
        return template("county_body.html.j2").render(
            t=t,
            common=lambda key, **values: self.words.t(f"common.{key}", **values),
            map_id=map_id,
            study=str(result.settings.get("name", "")),
            lead=self._lead(ground),
            field_count=f"{len(result.fields):,}",
            seasons=self.seasons,
            ground=round(self.raster.ground_m),
            grid_m=round(abs(result.grid.resolution.y)),
            thinned=self.raster.ground_m > 1.2 * abs(result.grid.resolution.y),
            invented="invented" in str(result.settings.get("name", "")).lower(),
            units=units.system,
            measured="measurements.html" if result.measured is not None else "",
            measured_link=self.words.t("measured.county"),
            layers=LAYERS,
            covers=COVERS,
            options=OPTIONS,
            factors=FACTORS,
            target_count=len(target_steps(result)[0]),
            zones=zones,
            picture_scale=self._picture_scale(),
            frame=frame,
            frame_place=frame_place,
            zone_picture=data_uri(
                zone_png(self.raster, result.zones["zone_code"].to_numpy(), self.zones, self.fields)
            ),
            notes=self._notes(),
            rule_lines=self._rule_lines(),
            sources=[
                t("notes.source_row", layer=i.get("layer", ""), facts=", ".join(source_facts(i, self.words).values()))
                for i in inputs
            ],
            problem_count=len(problems),
            problems=[
                t("notes.problem_row", layer=p.layer, where=p.where, what=p.what, action=p.action)
                for p in problems.head(_PROBLEM_ROWS).itertuples()
            ],
            footer=t(
                "footer",
                program=result.provenance.get("program", "springfill"),
                date=str(result.provenance.get("started", ""))[:10],
                hash=str(result.provenance.get("study_hash", ""))[:12],
                seed=result.provenance.get("seed", result.settings.get("seed", "")),
            ),
        )  # fmt: skip

    def field_table(self) -> str:
        """Return the field table that a page without script shows; a browser with script passes over it."""
        return template("county_fields.html.j2").render(
            t=self.t,
            field_count=f"{len(self.result.fields):,}",
            area_unit=self.units.area(0).unit,
            depth_unit=self.units.depth(0).unit,
            static_rows=self._static_rows(),
        )

    def _page_names(self) -> list[str] | None:
        """Names of the field pages where they differ from the ids (an id may hold anything, a file name may not)."""
        from pipelines.show.field.page import field_file_name

        ids = [str(i) for i in self.result.fields["field_id"]]
        names = [field_file_name(i).removesuffix(".html") for i in ids]
        return None if names == ids else names

    def _lead(self, ground: np.ndarray) -> str:
        rated = ground[1:7].sum()
        if rated <= 0:
            return self.t("lead_none")
        fits, area = ground[3:6].sum(), self.units.area
        return self.t(
            "lead", fits=area(fits).digits, rated=area(rated).text, percent=self.units.percent(fits / rated).text,
            stubble=area(ground[1:3].sum()).text, overwintering=area(ground[6]).text,
        )  # fmt: skip

    def _picture_scale(self) -> str:
        width = self.raster.site.shape[1] * self.raster.ground_m
        unit, key = ("mile", "paper.scale_us") if self.units.us else ("kilometer", "paper.scale_metric")
        return self.t(key, width=f"{convert(width, 'meter', unit):.1f}")

    def _notes(self) -> list[tuple[str, str]]:
        notes = [(self.t(f"notes.{k}_name"), self.t(f"notes.{k}_text")) for k in ("evidence", "doubt", "erosion")]
        bonus = max(self.result.settings.get("mix_water_bonus", {}).values(), default=0.0)
        if bonus > 0:
            notes[0] = (notes[0][0], self.t("notes.evidence_bonus", bonus=self.units.percent(bonus)))
        if self.result.settings.get("stubble_weeds"):
            notes.insert(1, (self.t("notes.weedy_name"), self.t("notes.weedy_text")))
        problems = self.result.problems
        told = problems[problems["where"] == WHOLE_STUDY]
        if len(told):
            lines = [f"{p.what} {self.words.t('doubt.to_do', fix=p.fix)}" for p in told.itertuples()]
            notes.insert(0, (self.words.t("doubt.title"), " ".join(lines)))
        cautions = ("insurance", "herbicide", "nitrate", "prussic", "planting", "local")
        return notes + [(self.words.t(f"caution.{k}_name"), self.words.t(f"caution.{k}_text")) for k in cautions]

    def _rule_lines(self) -> list[str]:
        rules, percent = self.rules, self.units.percent
        settings = self.result.settings.get("rules", {})
        return [
            self.t("notes.rule_season", cover=percent(float(settings.get("ground_cover_min", 0.3))),
                   season=percent(rules["season_min"])),
            self.t("notes.rule_winter", killed=percent(rules["winterkill_min"]),
                   lives=percent(rules["survival_min"])),
            self.t("notes.rule_water", gap=self.units.depth(rules["planting_gap_max_mm"]),
                   shortfall=percent(rules["shortfall_max"]),
                   target=percent(float(settings.get("target_share", 0.5)))),
        ]  # fmt: skip

    def _static_rows(self) -> Markup:
        """Return the rows of the field table that a page without script shows, in short tags."""
        fields, rows = self.result.fields, []
        numbers = zip(
            fields["field_id"].astype(str), fields["name"].fillna("").astype(str), fields["area_ha"],
            fields["zone_code"], fields["limiting_factor"], fields["planting_gap_mm_winter_killed"], strict=True,
        )  # fmt: skip
        words = {factor: str(escape(self.t(f"factor.{factor or 'none'}"))) for factor in FACTORS}
        for field_id, name, area, code, factor, gap in numbers:
            title = f"<bdi>{escape(field_id)}</bdi>" + (f" <bdi>{escape(name)}</bdi>" if name else "")
            water = self.units.depth(np.nan if code == 7 else gap).digits
            cells = [self.units.area(area).digits, str(int(code)), words.get(factor, ""), water]
            rows.append(f"<tr><th>{title}<td>" + "<td>".join(cells))
        return Markup("\n".join(rows))
