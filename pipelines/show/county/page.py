"""The words and the data of the county page: what it shows before any script runs, and what the script reads."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from geopandas import GeoDataFrame
from markupsafe import Markup, escape

from geo.errors import WHOLE_STUDY
from geo.options import COVERS, OPTIONS
from geo.rating import FACTOR_OF_TEST, RECOMMENDED_OPTION, TEST_ROWS, rule_data
from pipelines.run.result import StudyResult
from pipelines.show.county.data import (
    MISSING,
    field_columns,
    judged_arrays,
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
from pipelines.show.field.page import field_file_name
from pipelines.show.legend import ZoneStyle, zone_legend
from pipelines.show.verdict_words import VerdictWords
from pipelines.study.input_facts import source_facts
from pipelines.study.units import Units, convert
from pipelines.study.words import Catalogue

LAYERS = ("zone", "gap", "shortfall", "water", "latest", "freeze", "agreement", "capacity")
_PROBLEM_ROWS = 200
CAUTIONS = ("insurance", "herbicide", "nitrate", "prussic", "planting", "local")


def lead(area_ha: Mapping[str, float], units: Units) -> str:
    """Say what fits on how much ground, from hectares by zone."""
    words = units.words
    rated = sum(area for zone, area in area_ha.items() if zone != "not_rated")
    if rated <= 0:
        return words.t("county.lead_none")
    by_option = {option: 0.0 for option in OPTIONS}
    for zone, area in area_ha.items():
        if option := RECOMMENDED_OPTION[zone]:
            by_option[option] += area
    fits = by_option["winter_killed"]
    return words.t(
        "county.lead", fits=units.area(fits), rated=units.area(rated), percent=units.percent(fits / rated),
        stubble=units.area(by_option["stubble"]), overwintering=units.area(by_option["overwinter_early"]),
    )  # fmt: skip


def zone_rows(zones: list[ZoneStyle]) -> list[dict[str, Any]]:
    """Return code, words and picture of each zone, for a legend that needs no script."""
    return [
        {"code": z.code, "key": z.key, "label": z.label, "plain": z.plain, "swatch": data_uri(swatch_png(z))}
        for z in zones
    ]


def notes(units: Units, bonus: float, weeds: bool, cautions: tuple[str, ...] = CAUTIONS) -> list[tuple[str, str]]:
    """Return what is said beside every map: name and text of each note.

    Parameters
    ----------
    units : Units
    bonus : float
        Largest share of water that a mix is let off using, 0 by default.
    weeds : bool
        Whether weeds grow in the stubble of the study.
    cautions : tuple of str
        Keys of the general cautions to list at the end.
    """
    words = units.words
    evidence = words.t("county.notes.evidence_text")
    if bonus > 0:
        evidence = words.t("county.notes.evidence_bonus", bonus=units.percent(bonus))
    own = ["weedy"] * weeds + ["doubt", "erosion"]
    keys = [f"county.notes.{key}" for key in own] + [f"caution.{key}" for key in cautions]
    rest = [(words.t(f"{key}_name"), words.t(f"{key}_text")) for key in keys]
    return [(words.t("county.notes.evidence_name"), evidence), *rest]


@dataclass
class CountyPage:
    """Everything that the county page of one study holds.

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

    def rules(self, table: str) -> dict[str, float]:
        """Return the limits of the tests from ``rules`` or ``irrigated_rules`` of the settings."""
        names = {name for test in TEST_ROWS for name in test.limits}
        return {name: float(self.result.settings[table][name]) for name in sorted(names)}

    @cached_property
    def verdicts(self) -> VerdictWords:
        """The words of the verdicts, in the units of the study."""
        return VerdictWords(self.words, self.units, self.result.seasons)

    def t(self, key: str, **values: object) -> str:
        """Return a text of the county page."""
        return self.words.t(f"county.{key}", **values)

    def ground_ha(self) -> dict[str, float]:
        """Return the area of all ground by zone [ha]."""
        area = self.result.sites["area_ha"].groupby(self.result.zones["zone"]).sum()
        return {z.key: float(area.get(z.key, 0.0)) for z in self.zones}

    def field_ha(self) -> dict[str, float]:
        """Return the area of the fields by their zone [ha]."""
        area = self.result.fields.groupby("zone")["area_ha"].sum()
        return {z.key: float(area.get(z.key, 0.0)) for z in self.zones}

    def data(self, field_page_url: str) -> dict[str, Any]:
        """Return what the script reads; plain JSON types."""
        result, raster = self.result, self.raster
        targets, own = target_steps(result)
        rows, columns = raster.site.shape
        more = {f"{head}.{k}": v for head in ("common", "verdict") for k, v in self.words.under(head).items()}
        return {
            "language": self.words.language,
            "units": self.units.system,
            "seasons": self.result.seasons,
            "words": self.words.under("county") | more,
            "months": list(self.words.items("common.months")),
            "zones": [
                {"code": z.code, "label": z.label, "plain": z.plain, "colour": z.colour, "pattern": z.pattern,
                 "ink": ink(z.rgb)} for z in self.zones
            ],
            "rule": rule_data() | {"missing": MISSING},
            "rules": self.rules("rules"),
            "irrigated_rules": self.rules("irrigated_rules"),
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
        """Return what the script reads after the first drawing: the squares and the values by site and field."""
        keys = self.result.sites.drop_duplicates("map_unit_id")
        return {
            "map_units": [[str(s), str(n)] for s, n in zip(keys["symbol"], keys["name"], strict=True)],
            "site_picture": data_uri(site_png(self.raster)),
            "packed": pack(site_arrays(self.result) | judged_arrays(self.result)),
        }

    def content(self) -> dict[str, Any]:
        """Return what the template of the page asks for; plain text, which the template escapes."""
        result, units, t = self.result, self.units, self.t
        ground, inside = self.ground_ha(), self.field_ha()
        problems = result.problems
        name = str(result.settings.get("name", ""))
        frame, frame_place = map_frame(self.raster, units, self.words)
        return dict(
            t=t,
            common=lambda key, **values: self.words.t(f"common.{key}", **values),
            language=self.words.language,
            study=name,
            lead=lead(ground, units),
            field_count=f"{len(result.fields):,}",
            seasons=self.result.seasons,
            ground=round(self.raster.ground_m),
            grid_m=round(abs(result.grid.resolution.y)),
            thinned=self.raster.ground_m > 1.2 * abs(result.grid.resolution.y),
            invented="invented" in name.lower(),
            units=units.system,
            measured="measurements.html" if result.measured is not None else "",
            measured_link=self.words.t("measured.county"),
            layers=LAYERS,
            covers=COVERS,
            options=OPTIONS,
            factors=tuple(dict.fromkeys(FACTOR_OF_TEST)),
            target_count=len(target_steps(result)[0]),
            zones=[
                row | {"ground": units.area(ground[row["key"]]), "fields": units.area(inside[row["key"]])}
                for row in zone_rows(self.zones)
            ],
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
                for i in result.provenance.get("inputs", [])
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
            area_unit=units.area(0).unit,
            depth_unit=units.depth(0).unit,
            static_rows=self._static_rows(),
        )  # fmt: skip

    def _page_names(self) -> list[str] | None:
        """Names of the field pages where they differ from the ids (an id may hold anything, a file name may not)."""
        ids = [str(i) for i in self.result.fields["field_id"]]
        names = [field_file_name(i).removesuffix(".html") for i in ids]
        return None if names == ids else names

    def _picture_scale(self) -> str:
        width = self.raster.site.shape[1] * self.raster.ground_m
        unit, key = ("mile", "paper.scale_us") if self.units.us else ("kilometer", "paper.scale_metric")
        return self.t(key, width=f"{convert(width, 'meter', unit):.1f}")

    def _notes(self) -> list[tuple[str, str]]:
        settings = self.result.settings
        bonus = max(settings.get("mix_water_bonus", {}).values(), default=0.0)
        found = notes(self.units, bonus, bool(settings.get("stubble_weeds")))
        doubts = self.result.problems[self.result.problems["where"] == WHOLE_STUDY]
        if len(doubts):
            lines = [f"{p.what} {self.words.t('doubt.to_do', fix=p.fix)}" for p in doubts.itertuples()]
            found.insert(0, (self.words.t("doubt.title"), " ".join(lines)))
        return found

    def _rule_lines(self) -> list[str]:
        shown = {
            name: self.units.depth(value) if name.endswith("_mm") else self.units.percent(value)
            for name, value in self.result.settings["rules"].items()
        }
        return [self.t(f"notes.rule_{factor}", **shown) for factor in dict.fromkeys(FACTOR_OF_TEST)]

    def _static_rows(self) -> Markup:
        """Return the rows of the field table that a page without script shows, in short tags."""
        fields, rows = self.result.fields, []
        columns = ("field_id", "name", "area_ha", "zone_code", "limiting_option", "limiting_test",
                   "planting_gap_mm_winter_killed")  # fmt: skip
        for field_id, name, area, code, cover, test, gap in zip(*(fields[c] for c in columns), strict=True):
            title = f"<bdi>{escape(field_id)}</bdi>" + (f" <bdi>{escape(name)}</bdi>" if name else "")
            limit = escape(self.verdicts.short(cover, test))
            cells = [self.units.area(area).digits, str(int(code)), limit, self.units.depth(gap).digits]
            rows.append(f"<tr><th>{title}<td>" + "<td>".join(cells))
        return Markup("\n".join(rows))
