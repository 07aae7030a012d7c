"""Layers for people who map: the published set of a study, and chosen layers in another CRS, clip, unit or format."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path

from pipelines.run.result import StudyResult
from pipelines.show.layers.catalog import (
    STAC_FILE,
    ColumnGroup,
    write_about,
    write_dictionary,
    write_legend,
    write_stac_item,
)
from pipelines.show.layers.columns import Column, describe
from pipelines.show.layers.netcdf import outcome_dataset, write_netcdf, write_yearly, yearly_dataset
from pipelines.show.layers.raster import amount_rasters, raster_names, write_rasters
from pipelines.show.layers.request import Clip, export_layers, layer_names
from pipelines.show.layers.tables import field_points, write_csv
from pipelines.show.layers.vector import write_flatgeobuf, write_geopackage, write_geoparquet
from pipelines.show.layers.vector_layers import Layer, build_layers
from pipelines.study.staging import staged
from pipelines.study.units import System

__all__ = ["Clip", "export_layers", "layer_names", "publish_layers"]

Progress = Callable[[int, int], None]
_BESIDE_RASTERS = 6


def publish_layers(result: StudyResult, folder: Path, *, progress: Progress | None = None) -> list[Path]:
    """Write every layer of a finished study: the GIS part of the output folder, whole or not at all.

    Parameters
    ----------
    result : StudyResult
        A finished study.
    folder : Path
        The output folder. Files of an earlier run are replaced; layers that it had and this one has not are removed.
    progress : callable, optional
        Called with (files done, files in all).

    Returns
    -------
    list of Path
        The files, in the order in which they were made.

    Raises
    ------
    StudyError
        When a file is open in another program or the folder cannot be written; the earlier files stay.
    """
    total = len(raster_names(result)) + _BESIDE_RASTERS
    done = 0

    def tell() -> None:
        nonlocal done
        done += 1
        if progress is not None:
            progress(done, total)

    with staged(folder) as stage:
        inner = stage / "layers"
        inner.mkdir()
        for _ in write_rasters(result, inner):
            tell()
        layers = build_layers(result)
        write_geopackage(result, layers, stage / "springfill.gpkg")
        tell()
        write_geoparquet(result, layers["fields"], stage / "fields.parquet")
        write_flatgeobuf(result, layers["fields"], inner / "fields.fgb")
        tell()
        system = _system(result)
        fields = field_points(result.fields)
        write_csv(fields, stage / "fields.csv", system, result)
        tell()
        write_netcdf(result, inner / "outcomes.nc")
        write_yearly(result, inner / "years.nc")
        tell()
        columns = tuple(describe(str(c), system) for c in fields.columns)
        write_dictionary(result, column_groups(result, layers, columns), inner)
        write_about(result, inner)
        write_legend(inner)
        tell()
        made = sorted(f for f in stage.rglob("*") if f.is_file())
        write_stac_item(result, made, inner / STAC_FILE)
        tell()
        names = [f.relative_to(stage) for f in [*made, inner / STAC_FILE]]
        before = _listed(folder)
    for name in before - {n.as_posix() for n in names}:
        (folder / name).unlink(missing_ok=True)
    return [folder / name for name in names]


def column_groups(
    result: StudyResult, layers: dict[str, Layer], csv_columns: tuple[Column, ...]
) -> list[ColumnGroup]:
    """Return every column, band and variable of the published files, by file and layer."""
    groups = [ColumnGroup("springfill.gpkg", x.name, x.description, x.columns) for x in layers.values()]
    fields = layers["fields"]
    for file in ("fields.parquet", "layers/fields.fgb"):
        groups.append(ColumnGroup(file, "", fields.description, fields.columns))
    groups.append(
        ColumnGroup("fields.csv", "", "The fields for a spreadsheet. Units are in the headers.", csv_columns)
    )
    groups.append(ColumnGroup("layers/zones.tif", "", "Zone code of each pixel.", (describe("zone_code"),)))
    groups.append(ColumnGroup("layers/sites.tif", "", "Number of the site of each pixel.", (describe("site"),)))
    for raster in amount_rasters(result):
        groups.append(ColumnGroup(f"layers/{raster.name}.tif", "", raster.title, raster.columns))
    variables = tuple(
        c for c in (describe(str(n)) for n in result.outcomes.variables if n in result.outcomes) if c.known
    )
    words = str(outcome_dataset(result).attrs["title"])
    groups.append(ColumnGroup("layers/outcomes.nc", "", words, variables))
    years = yearly_dataset(result)
    if years is not None:
        names = [describe(str(n)) for n in years.data_vars if not str(n).startswith("member_")]
        groups.append(
            ColumnGroup("layers/years.nc", "", "One value a response unit, option and season.", tuple(names))
        )
    return groups


def _system(result: StudyResult) -> System:
    return "us" if result.settings.get("units") == "us" else "metric"


def _listed(folder: Path) -> set[str]:
    """Return the files that the STAC item of an earlier run in this folder lists, relative to the folder."""
    item = folder / "layers" / STAC_FILE
    try:
        assets = json.loads(item.read_text(encoding="utf-8"))["assets"].values()
        hrefs: Sequence[str] = [str(a["href"]) for a in assets]
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return set()
    names = set()
    for href in hrefs:
        name = href.removeprefix("../") if href.startswith("../") else f"layers/{href.removeprefix('./')}"
        if ".." not in Path(name).parts and not Path(name).is_absolute():
            names.add(name)
    return names
