"""Join the finished tiles of a region: layers, tables, the record and the page over all of them."""

from __future__ import annotations

import json
from collections.abc import Callable

import pandas as pd

from geo.errors import problem_table
from geo.rating import ZONE_CODES
from pipelines.scale.region_layers import (
    problem_rows,
    seasons_of,
    write_field_parts,
    write_mosaic,
    write_store,
)
from pipelines.scale.region_page import write_region_page
from pipelines.scale.swept import Swept
from pipelines.show.layers.about import layer_notes
from pipelines.show.layers.tables import write_csv
from pipelines.study.staging import staged, write_whole

_STEPS = 5


def join(swept: Swept, tell: Callable[[float, int], None]) -> None:
    """Write everything that covers all tiles; each file or folder is replaced whole."""
    done = swept.of("done")
    tiles = [r["tile"] for r in done]
    out = swept.folder
    tell(0, _STEPS)
    problems = write_field_parts(out, tiles)
    tell(1, _STEPS)
    notes = layer_notes()
    about = swept.about
    sites = write_store(out, tiles, {
        "title": f"{swept.region.region.name}: water that covers leave, by response unit of every tile",
        "institution": swept.study.study.owner or "not given",
        "source": f"Daily soil water balance model, {about['program']}",
        "history": f"{about['started']} {about['program']}, study {about['study_hash']}, seed {about['seed']}",
        "comment": " ".join(notes.values()),
    })  # fmt: skip
    tell(2, _STEPS)
    rows, columns = write_mosaic(out, tiles)
    tell(3, _STEPS)
    listed = pd.concat([problem_rows(out, tiles), problem_table(problems).assign(tile_id="")], ignore_index=True)
    lost = [
        {"tile_id": r["tile"], "layer": "tiles", "where": r.get("where", ""), "what": r["what"],
         "action": "left out", "fix": r.get("fix", "")}
        for r in swept.records if r["status"] != "done"
    ]  # fmt: skip
    if lost:
        listed = pd.concat([pd.DataFrame(lost), listed], ignore_index=True)
    areas = swept.areas_ha()
    record = {
        **about,
        "seconds": round(swept.seconds, 1),
        "tiles": [{k: v for k, v in r.items() if k != "areas_ha"} | _areas(r) for r in swept.records],
        "fresh": swept.fresh,
        "areas_ha": {zone: round(float(areas[zone]), 4) for zone in ZONE_CODES},
        "sites": sites,
        "mosaic": {"rows": rows, "columns": columns},
        "seasons": seasons_of(done),
        "problems": len(listed),
    }
    with staged(out) as stage:
        write_csv(_tile_table(swept), stage / "tiles.csv", swept.study.study.units)
        write_csv(listed, stage / "problems.csv", "metric")
        write_region_page(swept, (rows, columns), stage / "index.html")
    tell(4, _STEPS)
    write_whole(out / "run.json", json.dumps(record, indent=1, default=str, ensure_ascii=False))
    tell(_STEPS, _STEPS)


def _areas(record: dict) -> dict:  # type: ignore[type-arg]
    found = record.get("areas_ha", {})
    return {"areas_ha": {zone: round(float(found.get(zone, 0.0)), 4) for zone in ZONE_CODES}} if found else {}


def _tile_table(swept: Swept) -> pd.DataFrame:
    """Return one row a tile: id, name, status, why, fields, hectares and hectares by zone."""
    rows = []
    for record in swept.records:
        areas = record.get("areas_ha", {})
        rows.append({
            "tile_id": record["tile"], "tile_name": record["name"], "tile_status": record["status"],
            "reason": record.get("what", ""), "tile_fields": int(record.get("counts", {}).get("fields", 0)),
            "area_ha": float(sum(areas.values())),
            **{f"area_{zone}_ha": float(areas.get(zone, 0.0)) for zone in ZONE_CODES},
        })  # fmt: skip
    return pd.DataFrame(rows)
