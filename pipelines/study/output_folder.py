"""Make sure of the output folder before a long run, not after it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from geo.errors import StudyError
from pipelines.study.file import Study
from pipelines.study.staging import staged


def input_paths(study: Study, folder: Path) -> list[Path]:
    """Return the layers that a study reads, patterns as their folder, absolute."""
    climate = [study.climate.path] if isinstance(study.climate.path, str) else list(study.climate.path)
    named = [study.soils.path, *climate]
    named += [table.path for table in (study.fields, study.elevation, study.measurements) if table is not None]
    return [_before_pattern(folder / name) for name in named]


def _before_pattern(path: Path) -> Path:
    while any(sign in path.name for sign in "*?["):
        path = path.parent
    return path.resolve()


@contextmanager
def ready_folder(target: Path, inputs: Sequence[Path]) -> Iterator[None]:
    """Check that results can be written to `target`; when the block fails, take a folder that it made away again.

    Raises
    ------
    StudyError
        The folder holds layers of the study (results would lie among them, and could replace them), cannot be
        written, or a file in it is open in another program.
    """
    place = target.resolve()
    for path in inputs:
        if path == place or place in path.parents:
            raise StudyError(
                "The results would be written among the layers that the study reads.",
                f"{target} holds {path.name}",
                "Name another folder with --out, or under [study] out.",
            )
    missing = [p for p in (place, *place.parents) if not p.exists()]
    with staged(place):
        pass
    try:
        yield
    except BaseException:
        for folder in missing:
            if any(folder.iterdir()):
                break
            folder.rmdir()
        raise
