"""Chosen layers of a study in another format, CRS, clip or system of units."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pyproj

from geo.errors import StudyError
from pipelines.run.result import StudyResult
from pipelines.show.layers.netcdf import OUTCOMES, build_dataset, dataset_names, write_netcdf
from pipelines.show.layers.raster import expand_groups, raster_names, write_rasters
from pipelines.show.layers.tables import field_points, without_shapes, write_csv
from pipelines.show.layers.vector import write_geopackage, write_geoparquet, write_ogr
from pipelines.show.layers.vector_layers import (
    LAYER_WORDS,
    SPATIAL_LAYERS,
    Layer,
    build_layers,
    cut_layer,
    placed_layer,
)
from pipelines.show.layers.view import Clip, clip_shape, clipped, present_sites, reprojected
from pipelines.study.staging import staged
from pipelines.study.units import System
from pipelines.study.words import did_you_mean, load_catalogue

RASTER_FORMAT = "cog"


@dataclass(frozen=True)
class Format:
    """What one format can hold."""

    suffix: str
    spatial_only: bool = False
    one_file: bool = False
    takes_crs: bool = True


FORMATS = {
    "gpkg": Format(".gpkg", one_file=True),
    "geoparquet": Format(".parquet"),
    "flatgeobuf": Format(".fgb", spatial_only=True),
    "geojson": Format(".geojson", spatial_only=True),
    "csv": Format(".csv", takes_crs=False),
    RASTER_FORMAT: Format(".tif"),
    "netcdf": Format(".nc", takes_crs=False),
}


def format_of(target: Path) -> str:
    """Return the format that a target is named after; a folder takes the GeoPackage.

    Raises
    ------
    StudyError
        When the ending of a file is that of no format; those that can be written are listed.
    """
    if not target.suffix or target.is_dir():
        return "gpkg"
    for name, kind in FORMATS.items():
        if kind.suffix == target.suffix.lower():
            return name
    listed = ", ".join(f"{kind.suffix} ({name})" for name, kind in FORMATS.items())
    words = load_catalogue()
    raise StudyError(
        words.t("export.no_format", ending=target.suffix), str(target), words.t("export.formats", listed=listed)
    )


def layer_names(result: StudyResult, fmt: str) -> list[str]:
    """Return the layers that a format can hold.

    Raises
    ------
    StudyError
        When the format is unknown; the formats are listed.
    """
    kind = _format(fmt)
    if fmt == RASTER_FORMAT:
        return raster_names(result)
    if fmt == "netcdf":
        return dataset_names(result)
    return list(SPATIAL_LAYERS if kind.spatial_only else LAYER_WORDS)


def export_layers(
    result: StudyResult,
    target: Path,
    *,
    layers: Sequence[str] | None = None,
    crs: str | None = None,
    clip: Clip | None = None,
    units: System = "metric",
    fmt: str = "gpkg",
) -> list[Path]:
    """Write chosen layers, whole or not at all.

    Parameters
    ----------
    result : StudyResult
        A finished study.
    target : Path
        A file (one layer, or a format that holds many) or a folder.
    layers : sequence of str, optional
        Names from `layer_names`; by default the one that a file of a single layer is called after
        (``fields.geojson``), else all that the format can hold.
    crs : str, optional
        Target CRS such as ``EPSG:26913``; the CRS of the study by default, EPSG:4326 for GeoJSON.
    clip : Path, str or tuple of float, optional
        A polygon file, or west, south, east, north in degrees (WGS 84). Zones, response units and rasters are cut;
        fields that touch the clip stay whole, since their numbers are of the whole field.
    units : {"us", "metric"}
        Units of values and column names.
    fmt : str
        ``gpkg``, ``geoparquet``, ``flatgeobuf``, ``geojson``, ``csv``, ``cog`` or ``netcdf``.

    Returns
    -------
    list of Path
        The files.

    Raises
    ------
    StudyError
        When a name, CRS, clip or unit is not understood, or a file cannot be replaced.
    """
    kind = _format(fmt)
    if units not in ("us", "metric"):
        raise StudyError("The units are unknown.", f"units = {units!r}", "Use 'us' or 'metric'.")
    names = _chosen(result, layers or _named_by(result, target, kind, fmt), fmt)
    wanted_crs = _crs(crs, fmt, kind)
    folder, file_name = _place(target, names, kind)
    shape = clip_shape(clip, result.grid) if clip is not None else None
    view = result if shape is None else clipped(result, shape)
    with staged(folder, check=False) as stage:
        if fmt == RASTER_FORMAT:
            moved = view if wanted_crs is None else reprojected(view, wanted_crs)
            write_rasters(moved, stage, names, units)
        elif fmt == "netcdf":
            sites = None if shape is None else present_sites(view)
            for name in names:
                write_netcdf(build_dataset(view, name, units, sites), stage / f"{name}.nc")
        else:
            built = build_layers(view, tuple(names), units)
            if shape is not None:
                built = {n: cut_layer(layer, shape, units) for n, layer in built.items()}
            if wanted_crs is not None:
                built = {n: placed_layer(layer, wanted_crs) for n, layer in built.items()}
            _write_vectors(result, built, stage, fmt, units)
        _rename(stage, file_name)
        made = sorted(f.relative_to(stage) for f in stage.rglob("*") if f.is_file())
    return [folder / name for name in made]


def _write_vectors(result: StudyResult, layers: dict[str, Layer], stage: Path, fmt: str, units: System) -> None:
    if fmt == "gpkg":
        write_geopackage(result, layers, stage / "springfill.gpkg")
        return
    for name, layer in layers.items():
        path = stage / f"{name}{FORMATS[fmt].suffix}"
        if fmt == "csv":
            fields = layer.name == "fields"
            write_csv(
                field_points(layer.frame) if fields else without_shapes(layer.frame), path, units, converted=True
            )
        else:
            (write_geoparquet if fmt == "geoparquet" else write_ogr)(result, layer, path)


def _format(fmt: str) -> Format:
    if fmt not in FORMATS:
        raise StudyError(f"The format '{fmt}' is unknown.", "format", f"Choose from: {', '.join(FORMATS)}.")
    return FORMATS[fmt]


def _named_by(result: StudyResult, target: Path, kind: Format, fmt: str) -> list[str] | None:
    """Take the layer from a file called after it (``fields.geojson``); any other NetCDF file holds the outcomes."""
    one_layer = target.suffix.lower() == kind.suffix and not kind.one_file and not target.is_dir()
    if one_layer and target.stem in layer_names(result, fmt):
        return [target.stem]
    return [OUTCOMES] if one_layer and fmt == "netcdf" else None


def _chosen(result: StudyResult, layers: Sequence[str] | None, fmt: str) -> list[str]:
    known = layer_names(result, fmt)
    if not layers:
        return known
    if fmt == RASTER_FORMAT:
        layers = expand_groups(result, layers)
    for name in layers:
        if name not in known:
            what = f"The format {fmt} has no layer '{name}'.{did_you_mean(name, known)}"
            raise StudyError(what, "layers", f"Choose from: {', '.join(known)}.")
    return list(dict.fromkeys(layers))


def _crs(crs: str | None, fmt: str, kind: Format) -> str | None:
    if fmt == "geojson":
        if crs and not pyproj.CRS.from_epsg(4326).equals(_parse_crs(crs), ignore_axis_order=True):
            raise StudyError(
                "GeoJSON holds longitude and latitude only (RFC 7946).",
                f"crs = {crs}",
                "Leave the CRS out, or use gpkg.",
            )
        return "EPSG:4326"
    if crs and not kind.takes_crs:
        raise StudyError(f"The format {fmt} has no map coordinates.", f"crs = {crs}", "Leave the CRS out.")
    return None if crs is None else _parse_crs(crs).to_string()


def _parse_crs(crs: str) -> pyproj.CRS:
    try:
        return pyproj.CRS.from_user_input(crs)
    except pyproj.exceptions.CRSError as error:
        raise StudyError("The CRS is not understood.", f"crs = {crs}", "Use a code such as EPSG:26913.") from error


def _place(target: Path, names: Sequence[str], kind: Format) -> tuple[Path, str | None]:
    """Return the folder to fill and, when one file is asked for, its name."""
    if not target.suffix or target.is_dir():
        return target, None
    if target.suffix.lower() != kind.suffix:
        raise StudyError(
            f"The file name ends in '{target.suffix}', the format in '{kind.suffix}'.",
            str(target),
            f"Name the file {target.with_suffix(kind.suffix).name}, or choose another format.",
        )
    if len(names) > 1 and not kind.one_file:
        raise StudyError(
            f"One file of this format holds one layer, and {len(names)} are asked for.",
            str(target),
            f"Choose one with --layer ({', '.join(names[:6])}{' ...' if len(names) > 6 else ''}), or name a folder.",
        )
    return target.parent, target.name


def _rename(stage: Path, file_name: str | None) -> None:
    """Give the one file, and the files beside it, the name that was asked for."""
    if file_name is None:
        return
    stem = Path(file_name).stem
    suffixes = (".gpkg", ".nc", ".tif", ".parquet", ".fgb", ".geojson", ".csv")
    main = next(f for f in sorted(stage.iterdir()) if f.suffix in suffixes)
    for file in list(stage.iterdir()):
        file.rename(stage / (stem + file.name.removeprefix(main.stem)))
