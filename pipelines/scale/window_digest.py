"""A hash of what a tile has read through its window: a layer may change elsewhere without making the tile stale."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator

import numpy as np
import pandas as pd
import xarray as xr

from pipelines.run.inputs import Inputs


def window_digest(inputs: Inputs) -> str:
    """Return the SHA-256 of fields, soils, slopes, climate and measurements that a tile has read.

    Values count, not files: the order of rows and columns does, the place of a file and its date do not.
    """
    digest = hashlib.sha256()
    for piece in _pieces(inputs):
        digest.update(len(piece).to_bytes(8, "big"))
        digest.update(piece)
    return digest.hexdigest()


def _pieces(inputs: Inputs) -> Iterator[bytes | memoryview]:
    grid, soil, climate = inputs.grid, inputs.soil, inputs.climate
    yield f"{grid.crs} {grid.affine} {grid.shape}".encode()
    yield from _frame(pd.DataFrame(inputs.fields.drop(columns="geometry")))
    yield b"".join(inputs.fields.geometry.to_wkb())
    yield _array(inputs.codes)
    inside = soil.profiles["map_unit_id"].isin(inputs.map_units)
    yield from _frame(soil.profiles[inside].rename_axis("profile_id").reset_index())
    kept = soil.map_units.index.isin(inputs.map_units)
    yield from _frame(soil.map_units.loc[kept].rename_axis("id").reset_index())
    if inputs.slope is not None:
        yield _array(inputs.slope.percent)
    yield from _frame(climate.cells)
    for data in (climate.normals, climate.daily):
        if data is not None:
            yield from _dataset(data)
    if inputs.measurements is not None:
        yield from _frame(inputs.measurements.readings)


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
