"""The layers that every study publishes, with their dictionary and catalogue."""

from __future__ import annotations

import json
from pathlib import Path

from pipelines.run.result import FIELD_TESTS, FIELDS, StudyResult
from pipelines.show.layers.catalog import STAC_FILE, ColumnGroup, write_dictionary, write_legend, write_stac_item
from pipelines.show.layers.columns import Column, describe, named
from pipelines.show.layers.netcdf import DATASET_WORDS, build_dataset, dataset_names, write_netcdf
from pipelines.show.layers.raster import amount_rasters, write_rasters
from pipelines.show.layers.request import Clip, export_layers, layer_names
from pipelines.show.layers.tables import field_points, write_csv
from pipelines.show.layers.vector import write_geopackage, write_geoparquet
from pipelines.show.layers.vector_layers import build_layers
from pipelines.study.staging import staged
from pipelines.study.units import System

__all__ = ["Clip", "export_layers", "layer_names", "publish_layers"]

GEOPACKAGE, TABLE = "springfill.gpkg", "fields.csv"


def publish_layers(result: StudyResult, folder: Path) -> list[Path]:
    """Write every layer of a finished study: the GIS part of the output folder, whole or not at all.

    Parameters
    ----------
    result : StudyResult
        A finished study.
    folder : Path
        The output folder. Files of an earlier run are replaced; layers that it had and this one has not are removed.

    Returns
    -------
    list of Path
        The files.

    Raises
    ------
    StudyError
        When a file is open in another program or the folder cannot be written; the earlier files stay.
    """
    with staged(folder) as stage:
        inner = stage / "layers"
        inner.mkdir()
        write_dictionary(result, _write_all(result, stage), inner)
        write_legend(inner)
        made = sorted(f for f in stage.rglob("*") if f.is_file())
        write_stac_item(result, made, inner / STAC_FILE)
        names = [f.relative_to(stage) for f in [*made, inner / STAC_FILE]]
        before = _listed(folder)
    for name in before - {n.as_posix() for n in names}:
        (folder / name).unlink(missing_ok=True)
    return [folder / name for name in names]


def _write_all(result: StudyResult, folder: Path) -> list[ColumnGroup]:
    """Write the layers; return every column, band and variable of each file."""
    layers = build_layers(result)
    write_geopackage(result, layers, folder / GEOPACKAGE)
    groups = [ColumnGroup(GEOPACKAGE, x.name, x.description, x.columns) for x in layers.values()]
    for file, name in ((FIELDS, "fields"), (FIELD_TESTS, "verdicts")):
        write_geoparquet(result, layers[name], folder / file)
        groups.append(ColumnGroup(file, "", layers[name].description, layers[name].columns))
    system: System = "us" if result.settings.get("units") == "us" else "metric"
    table = field_points(result.fields)
    write_csv(table, folder / TABLE, system)
    words = "The fields for a spreadsheet. Units are in the headers."
    groups.append(ColumnGroup(TABLE, "", words, tuple(describe(str(c), system) for c in table.columns)))
    for name in dataset_names(result):
        data = build_dataset(result, name)
        write_netcdf(data, folder / "layers" / f"{name}.nc")
        known = tuple(c for c in (named(str(n), "metric") for n in data.variables) if c.known)
        groups.append(ColumnGroup(f"layers/{name}.nc", "", f"{DATASET_WORDS[name]}.".capitalize(), known))
    write_rasters(result, folder / "layers")
    rasters: list[tuple[str, str, tuple[Column, ...]]] = [
        ("zones", "Zone code of each pixel.", (describe("zone_code"),)),
        ("sites", "Number of the site of each pixel.", (describe("site"),)),
        *((raster.name, raster.title, raster.columns) for raster in amount_rasters(result)),
    ]
    return groups + [ColumnGroup(f"layers/{name}.tif", "", text, columns) for name, text, columns in rasters]


def _listed(folder: Path) -> set[str]:
    """Return the files that the STAC item of an earlier run in this folder lists, relative to the folder."""
    try:
        item = json.loads((folder / "layers" / STAC_FILE).read_text(encoding="utf-8"))
        hrefs = [str(a["href"]) for a in item["assets"].values()]
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return set()
    names = (h.removeprefix("../") if h.startswith("../") else f"layers/{h.removeprefix('./')}" for h in hrefs)
    return {name for name in names if ".." not in Path(name).parts and not Path(name).is_absolute()}
