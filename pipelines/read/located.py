"""Say in which file, and by which key of the study file, a layer is set right that the library cannot use."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from geo.errors import CrsError, StudyError


@contextmanager
def located(where: str, table: str) -> Iterator[None]:
    """Add file and key to errors of the library, which knows neither.

    Parameters
    ----------
    where : str
        File of the layer.
    table : str
        Table of the study file that names the layer: ``fields``, ``soils``, ...
    """
    try:
        yield
    except CrsError as error:
        fix = f'{error.fix} Give it in the study file: crs = "EPSG:..." under [{table}].'
        raise CrsError(error.what, where, fix) from error
    except StudyError as error:
        raise type(error)(error.what, where, error.fix) from error
