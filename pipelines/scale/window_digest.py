"""A hash of what a tile has read through its window: a layer may change elsewhere without making the tile stale."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator

import numpy as np
import pandas as pd
import xarray as xr

from pipelines.run.state import Run, need
from pipelines.run.steps import map_codes


def window_digest(run: Run) -> str:
    """Return the SHA-256 of fields, soils, slopes, climate and measurements of a run whose layers are read.

    Values count, not files: the order of rows and columns does, the place of a file and its date do not.
    """
    digest = hashlib.sha256()
    for piece in _pieces(run):
        digest.update(len(piece).to_bytes(8, "big"))
        digest.update(piece)
    return digest.hexdigest()


def _pieces(run: Run) -> Iterator[bytes | memoryview]:
    grid = need(run.grid)
    yield f"{grid.crs} {grid.affine} {grid.shape}".encode()
    if run.fields is not None:
        yield from _frame(pd.DataFrame(run.fields.drop(columns="geometry")))
        yield b"".join(run.fields.geometry.to_wkb())
    codes, map_units = map_codes(run)
    yield _array(codes)
    soil = need(run.soil)
    inside = soil.profiles["map_unit_id"].isin(map_units)
    yield from _frame(soil.profiles[inside].rename_axis("profile_id").reset_index())
    yield from _frame(soil.map_units.loc[soil.map_units.index.isin(map_units)].rename_axis("id").reset_index())
    if run.slope is not None:
        yield _array(run.slope)
    climate = need(run.climate)
    yield from _frame(climate.cells)
    for data in (climate.normals, climate.daily):
        if data is not None:
            yield from _dataset(data)
    if run.measurements is not None:
        yield from _frame(run.measurements.readings)


def _frame(frame: pd.DataFrame) -> Iterator[bytes]:
    yield "\n".join(map(str, frame.columns)).encode()
    yield frame.to_csv(index=False, float_format="%.9g").encode()


def _dataset(data: xr.Dataset) -> Iterator[bytes | memoryview]:
    for name in sorted(map(str, data.variables)):
        values = data[name].values
        yield f"{name} {data[name].dims} {values.dtype}".encode()
        yield repr(values.tolist()).encode() if values.dtype.kind == "O" else _array(values)


def _array(values: np.ndarray) -> bytes:
    return np.ascontiguousarray(values).tobytes()
