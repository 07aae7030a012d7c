"""Where every exported file comes from: one flat list of facts, written into each of them."""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import lru_cache
from typing import Any

from odc.geo.geobox import GeoBox

from pipelines.run.result import StudyResult
from pipelines.study.house import shared_toml
from pipelines.study.input_facts import source_facts
from pipelines.study.words import load_catalogue


@lru_cache(maxsize=1)
def layer_notes() -> dict[str, str]:
    """Return the caution, the limits and the state of the evidence that go with every file."""
    return shared_toml("layer_notes.toml")


def study_title(result: StudyResult) -> str:
    """Return the name of the study as it was typed."""
    return str(result.settings.get("name") or "Unnamed study")


def about_facts(result: StudyResult) -> dict[str, str]:
    """Return the provenance of a study as dotted keys and plain text.

    The study hash, versions, seed and times, each source layer with its title, date, licence and checksum, the rules,
    the grid, counts, and the caution text.
    """
    grid = result.grid
    facts: dict[str, Any] = {
        "title": study_title(result),
        **_first(result.provenance, ("program", "study_hash", "seed", "started")),
        "grid.crs": crs_name(grid),
        "grid.resolution": f"{abs(grid.resolution.x):g}",
        "grid.shape": f"{grid.shape[0]} x {grid.shape[1]}",
    }
    facts.update(_flat(result.provenance, ""))
    for part in ("years", "season", "rules", "units"):
        if part in result.settings:
            facts.update(_flat({part: result.settings[part]}, "settings."))
    facts.update(layer_notes())
    return {key: _text(value) for key, value in facts.items()}


def crs_name(grid: GeoBox) -> str:
    """Return the CRS of a grid as ``EPSG:n``, or as WKT when it has no code."""
    code = grid.crs.to_epsg() if grid.crs is not None else None
    return f"EPSG:{code}" if code else str(grid.crs)


def source_lines(result: StudyResult) -> list[str]:
    """Return one line a source layer: title, date, licence, checksum."""
    words, lines = load_catalogue(), []
    for source in result.provenance.get("inputs", []):
        facts = source_facts(source, words)
        parts = [f"{source.get('layer', 'input')}: {facts['title']}"]
        parts += [facts[k] for k in ("date", "licence") if k in facts]
        parts += [f"sha256 {source['sha256']}"] if source.get("sha256") else []
        lines.append(", ".join(parts))
    return lines


def about_tags(result: StudyResult) -> dict[str, str]:
    """Return the same facts as short upper-case keys, for formats that hold text tags (TIFF)."""
    tags = {k: str(result.provenance.get(k, "")) for k in ("program", "study_hash", "seed", "started")}
    return {
        "TITLE": study_title(result), **{k.upper(): v for k, v in tags.items()},
        "VERSIONS": json.dumps(result.provenance.get("versions", {}), sort_keys=True),
        "SOURCES": "\n".join(source_lines(result)),
        "LICENCE": "; ".join(sorted({str(s.get("licence", "")) for s in result.provenance.get("inputs", [])} - {""})),
        "CAUTION": layer_notes()["caution"], "LIMITS": layer_notes()["limits"], "EVIDENCE": layer_notes()["evidence"],
    }  # fmt: skip


def about_text(result: StudyResult, subject: str) -> str:
    """Return one paragraph for formats that hold only a description."""
    tags = about_tags(result)
    lines = [f"{subject} {tags['TITLE']}, {tags['PROGRAM']}, study {tags['STUDY_HASH'][:16]}, seed {tags['SEED']}."]
    return "\n".join([*lines, *(f"Source: {s}" for s in source_lines(result)), tags["CAUTION"]])


def _first(values: dict[str, Any], keys: tuple[str, ...]) -> dict[str, Any]:
    return {k: values[k] for k in keys if k in values}


def _flat(value: Any, prefix: str) -> Iterator[tuple[str, Any]]:
    """Walk nested mappings and lists to dotted keys, lists counted from 1."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _flat(inner, f"{prefix}{key}." if isinstance(inner, dict | list) else f"{prefix}{key}")
    elif isinstance(value, list) and any(isinstance(v, dict | list) for v in value):
        for number, inner in enumerate(value, 1):
            yield from _flat(inner, f"{prefix}{number}." if isinstance(inner, dict | list) else f"{prefix}{number}")
    else:
        yield prefix.rstrip("."), value


def _text(value: Any) -> str:
    return value if isinstance(value, str) else json.dumps(value, default=str, ensure_ascii=False)
