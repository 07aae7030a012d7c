"""Where every exported file comes from: a few lines in each of them, which point to the record of the run."""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import lru_cache
from typing import Any

from pipelines.run.result import RECORD, StudyResult, run_record
from pipelines.study.house import shared_toml
from pipelines.study.input_facts import source_facts
from pipelines.study.words import load_catalogue


@lru_cache(maxsize=1)
def layer_notes() -> dict[str, str]:
    """Return the caution, the limits and the state of the evidence that go with every file."""
    return shared_toml("layer_notes.toml")


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
    """Return what every file says of its origin, as short text: study, versions, sources, licences, cautions."""
    made = result.provenance
    return {
        "title": str(result.settings.get("name") or "Unnamed study"),
        **{key: str(made.get(key, "")) for key in ("program", "study_hash", "seed", "started")},
        "versions": json.dumps(made.get("versions", {}), sort_keys=True),
        "sources": "\n".join(source_lines(result)),
        "licence": "; ".join(sorted({str(s.get("licence", "")) for s in made.get("inputs", [])} - {""})),
        "record": f"The whole record of the run is the file {RECORD} of its folder.",
        **layer_notes(),
    }


def about_facts(result: StudyResult) -> dict[str, str]:
    """Return the whole record of the run as dotted keys and text, with the notes that go with every file."""
    facts = {key: value if isinstance(value, str) else json.dumps(value, default=str, ensure_ascii=False)
             for key, value in _flat(run_record(result))}  # fmt: skip
    return {"title": about_tags(result)["title"]} | facts | layer_notes()


def about_text(result: StudyResult, subject: str) -> str:
    """Return one paragraph for formats that hold only a description."""
    tags = about_tags(result)
    lines = [f"{subject} {tags['title']}, {tags['program']}, study {tags['study_hash'][:16]}, seed {tags['seed']}."]
    return "\n".join([*lines, *(f"Source: {s}" for s in source_lines(result)), tags["caution"]])


def _flat(value: Any, key: str = "") -> Iterator[tuple[str, Any]]:
    """Walk nested mappings and lists to dotted keys, lists counted from 1; a list of plain values is one value."""
    inner: Any = value.items() if isinstance(value, dict) else None
    if isinstance(value, list) and any(isinstance(v, dict | list) for v in value):
        inner = enumerate(value, 1)
    if inner is None:
        yield key, value
        return
    for name, part in inner:
        yield from _flat(part, f"{key}.{name}" if key else str(name))
