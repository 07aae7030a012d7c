"""Write files whole or not at all: build beside the target, then swap everything in at once. Hash what is there."""

from __future__ import annotations

import hashlib
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from geo.errors import StudyError

_CLOSE_IT = "Close it in your GIS or spreadsheet and run the same command again. The earlier files are untouched."
PART = ".part-"
_SQLITE_SUFFIXES = (".gpkg", ".sqlite")
_SQLITE_SIDE_FILES = ("-wal", "-shm", "-journal")


@contextmanager
def staged(target: Path, *, check: bool = True) -> Iterator[Path]:
    """Give an empty folder beside `target`; when the block ends well, move its files into `target`.

    Files of the same name are replaced, other files in `target` stay. When the block fails, or one file cannot be
    replaced, `target` keeps every file that it had. With `check`, locked files are found before the block runs, so
    that a long run does not end with the bad news.

    Raises
    ------
    StudyError
        When the folder cannot be written, the disk is full, or a file in it is locked by another program.
    """
    target = target.absolute()
    try:
        target.mkdir(parents=True, exist_ok=True)
        folder = Path(tempfile.mkdtemp(prefix=f".{target.name}-", suffix=".part", dir=target.parent))
    except OSError as error:
        raise StudyError(
            "This folder cannot be written.", f"{target} ({error.strerror})", "Choose a folder that you may write to."
        ) from error
    try:
        if check:
            for file in target.rglob("*"):
                _refuse_locked(file)
        new = folder / "new"
        new.mkdir()
        try:
            yield new
        except OSError as error:
            raise StudyError(
                "The files could not be written.", f"{target} ({error})", "Check the free space and the disk."
            ) from error
        _swap(new, target, folder / "old")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def staged_folder(target: Path) -> Iterator[Path]:
    """Give an empty folder that becomes `target` when the block ends well, in place of the earlier one and its files.

    All work goes on beside it, in a folder whose name starts with `PART`: a killed run leaves no half folder.
    """
    target = target.absolute()
    target.parent.mkdir(parents=True, exist_ok=True)
    work = Path(tempfile.mkdtemp(prefix=PART, dir=target.parent))
    try:
        new = work / target.name
        new.mkdir()
        yield new
        if target.exists():
            os.replace(target, work / ".earlier")
        os.replace(new, target)
    except OSError as error:
        raise StudyError(
            "The files could not be written.", f"{target} ({error})", "Check the free space and the disk."
        ) from error
    finally:
        shutil.rmtree(work, ignore_errors=True)


@contextmanager
def staged_file(target: Path) -> Iterator[Path]:
    """Give a path to write one file to; it becomes `target` when the block ends well (side files come along)."""
    with staged(target.absolute().parent, check=False) as folder:
        _refuse_locked(target)
        yield folder / target.name


def write_whole(path: Path, content: str | bytes) -> None:
    """Write one file at once (text as UTF-8, line ends as they are); its folder is made when it does not exist.

    Raises
    ------
    StudyError
        When the file cannot be written. An earlier file stays as it was.
    """
    part = path.with_name(f".{path.name}-{os.getpid()}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            part.write_bytes(content.encode() if isinstance(content, str) else content)
            os.replace(part, path)
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        raise StudyError(
            "The file could not be written.",
            f"{path} ({error.strerror or error})",
            "Check the folder and the free space. An earlier file is untouched.",
        ) from error


def file_sha256(path: Path) -> str:
    """Return the SHA-256 of a file as hexadecimal digits."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _swap(new: Path, target: Path, old: Path) -> None:
    """Move all files of `new` into `target`; on the first failure put the old ones back."""
    files = sorted(f.relative_to(new) for f in new.rglob("*") if f.is_file())
    for name in files:
        _refuse_locked(target / name)
    kept: list[Path] = []
    placed: list[Path] = []
    try:
        for name in files:
            destination = target / name
            destination.parent.mkdir(parents=True, exist_ok=True)
            if destination.exists():
                (old / name).parent.mkdir(parents=True, exist_ok=True)
                os.replace(destination, old / name)
                kept.append(name)
            os.replace(new / name, destination)
            placed.append(name)
            _drop_side_files(destination)
    except BaseException as error:
        for name in placed:
            if name not in kept:
                (target / name).unlink(missing_ok=True)
        for name in kept:
            os.replace(old / name, target / name)
        if not isinstance(error, OSError):
            raise
        raise StudyError("A file could not be replaced.", f"{target} ({error})", _CLOSE_IT) from error


def _refuse_locked(file: Path) -> None:
    """Raise when another program holds the file, as far as the system knows."""
    if file.suffix not in _SQLITE_SUFFIXES or not file.is_file():
        return
    try:
        with closing(sqlite3.connect(f"{file.as_uri()}?mode=rw", uri=True, timeout=0.2)) as database:
            database.execute("BEGIN EXCLUSIVE")
            database.rollback()
            busy = (database.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone() or (0,))[0]
    except sqlite3.OperationalError as error:
        if "locked" not in str(error) and "busy" not in str(error):
            return
        busy = 1
    except sqlite3.DatabaseError:
        return
    if busy:
        raise StudyError("The file is open in another program.", str(file), _CLOSE_IT)


def _drop_side_files(file: Path) -> None:
    """Remove journals that belonged to the file that was replaced; they would be played into the new one."""
    if file.suffix in _SQLITE_SUFFIXES:
        for suffix in _SQLITE_SIDE_FILES:
            file.with_name(file.name + suffix).unlink(missing_ok=True)
