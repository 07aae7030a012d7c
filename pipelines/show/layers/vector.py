"""GeoPackage with styles and described columns, GeoParquet, FlatGeobuf and GeoJSON."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyarrow.parquet as pq
import pyogrio

from pipelines.run.result import StudyResult
from pipelines.show.layers.about import about_tags, about_text
from pipelines.show.layers.columns import Column
from pipelines.show.layers.vector_layers import Layer
from pipelines.show.legend import zone_legend

GEOPACKAGE_VERSION = "1.2"
"""Read without a warning by desktop GIS of the last years (GDAL 3.0 on)."""
_SCHEMA_PAGE = "http://www.geopackage.org/spec121/#extension_schema"
ROW_GROUP = 20_000


def write_geopackage(result: StudyResult, layers: Mapping[str, Layer], path: Path) -> None:
    """Write layers and tables to a new GeoPackage with titles, styles, described columns and provenance."""
    tags = about_tags(result)
    first = True
    for layer in layers.values():
        options = {"IDENTIFIER": layer.title, "DESCRIPTION": layer.description}
        spatial: dict[str, object] = {}
        if layer.spatial:
            options["GEOMETRY_NAME"] = "geom"
            spatial = {"geometry_type": "MultiPolygon", "promote_to_multi": True}
        start = {"dataset_options": {"VERSION": GEOPACKAGE_VERSION}, "dataset_metadata": tags} if first else {}
        pyogrio.write_dataframe(
            layer.frame, path, layer=layer.name, driver="GPKG", layer_options=options, layer_metadata=tags,
            append=False, **spatial, **start,
        )  # fmt: skip
        first = False
    styles = _style_table(layers.values(), result)
    if len(styles):
        pyogrio.write_dataframe(styles, path, layer="layer_styles", driver="GPKG", layer_options={"FID": "id"})
    _describe_columns(path, layers)


def _style_table(layers: Iterable[Layer], result: StudyResult) -> pd.DataFrame:
    """Return the table in which QGIS looks for styles; only its QML is applied, the SLD is for others."""
    rows = [
        {
            "f_table_catalog": "", "f_table_schema": "", "f_table_name": layer.name, "f_geometry_column": "geom",
            "styleName": layer.style.name, "styleQML": layer.style.qml, "styleSLD": layer.style.sld,
            "useAsDefault": True, "description": f"{layer.title}: {layer.style.name}", "owner": "", "ui": "",
            "update_time": pd.to_datetime(result.provenance.get("started", "2000-01-01T00:00:00Z"), utc=True)
            .tz_localize(None).as_unit("ms"),
        }
        for layer in layers
        if layer.style is not None
    ]  # fmt: skip
    return pd.DataFrame(rows)


def _describe_columns(path: Path, layers: Mapping[str, Layer]) -> None:
    """Add the schema extension (OGC 12-128r15, annex F.9): titles, descriptions with units, words of zone codes."""
    with closing(sqlite3.connect(path)) as database, database:
        database.executescript(
            """
            CREATE TABLE IF NOT EXISTS gpkg_extensions (table_name TEXT, column_name TEXT,
              extension_name TEXT NOT NULL, definition TEXT NOT NULL, scope TEXT NOT NULL,
              CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name));
            CREATE TABLE IF NOT EXISTS gpkg_data_columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL,
              name TEXT, title TEXT, description TEXT, mime_type TEXT, constraint_name TEXT,
              CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name), CONSTRAINT gdc_tn UNIQUE (table_name, name));
            CREATE TABLE IF NOT EXISTS gpkg_data_column_constraints (constraint_name TEXT NOT NULL,
              constraint_type TEXT NOT NULL, value TEXT, min NUMERIC, min_is_inclusive BOOLEAN, max NUMERIC,
              max_is_inclusive BOOLEAN, description TEXT,
              CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value));
            """
        )
        for table in ("gpkg_data_columns", "gpkg_data_column_constraints"):
            database.execute(
                "INSERT OR IGNORE INTO gpkg_extensions VALUES (?, NULL, 'gpkg_schema', ?, 'read-write')",
                (table, _SCHEMA_PAGE),
            )
        database.executemany(
            "INSERT INTO gpkg_data_column_constraints (constraint_name, constraint_type, value, description) "
            "VALUES ('zone_codes', 'enum', ?, ?)",
            [(str(z.code), z.label) for z in zone_legend()],
        )
        database.executemany(
            "INSERT INTO gpkg_data_columns (table_name, column_name, name, title, description, constraint_name) "
            "VALUES (?, ?, ?, ?, ?, ?)",
            [
                (layer.name, c.name, name, c.titled, c.described, "zone_codes" if c.name == "zone_code" else None)
                for layer in layers.values()
                for c, name in _distinct_titles(layer.columns)
            ],
        )


def _distinct_titles(columns: tuple[Column, ...]) -> Iterator[tuple[Column, str]]:
    """Pair each column with its title, which GDAL shows as its alias; the standard wants it once in a table."""
    seen: set[str] = set()
    for column in columns:
        yield column, column.titled if column.titled not in seen else column.name
        seen.add(column.titled)


def write_geoparquet(result: StudyResult, layer: Layer, path: Path) -> None:
    """Write GeoParquet 1.1 (plain Parquet for a table): bounding box of each row, near rows together, zstd.

    The titles, units and meanings of columns are on the Arrow fields, the provenance in the file metadata ``about``.
    """
    frame = layer.frame
    if isinstance(frame, gpd.GeoDataFrame):
        if len(frame) > 1:
            frame = frame.iloc[frame.geometry.hilbert_distance().argsort(kind="stable")].reset_index(drop=True)
        frame.to_parquet(path, index=False, schema_version="1.1.0", write_covering_bbox=True, geometry_encoding="WKB")
    else:
        frame.to_parquet(path, index=False)
    table = pq.read_table(path)
    by_name = {c.name: c for c in layer.columns}
    schema = table.schema
    for index, field in enumerate(schema):
        if column := by_name.get(field.name):
            words = {
                "title": column.label,
                **{k: getattr(column, k) for k in ("unit", "description", "plain", "origin")},
            }
            schema = schema.set(index, field.with_metadata(words))
    schema = schema.with_metadata((schema.metadata or {}) | {b"about": json.dumps(about_tags(result)).encode()})
    pq.write_table(table.cast(schema), path, compression="zstd", row_group_size=ROW_GROUP)


def write_ogr(result: StudyResult, layer: Layer, path: Path) -> None:
    """Write FlatGeobuf with its spatial index, or GeoJSON by RFC 7946, as the ending says; with the provenance."""
    options = {"DESCRIPTION": about_text(result, layer.description)}
    if path.suffix == ".geojson":
        options |= {"RFC7946": "YES", "WRITE_NAME": "YES"}
        metadata = None
    else:
        options |= {"TITLE": layer.title}
        metadata = about_tags(result)
    pyogrio.write_dataframe(
        layer.frame, path, layer=layer.name, geometry_type="MultiPolygon", promote_to_multi=True,
        layer_options=options, layer_metadata=metadata,
    )  # fmt: skip
