"""Whole or not at all."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from contextlib import closing

import pytest

from geo.errors import StudyError
from pipelines.study import staging
from pipelines.study.staging import staged, staged_file, write_whole


def _listing(folder):
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_files_appear_together_and_others_stay(tmp_path):
    target = tmp_path / "out"
    (target / "layers").mkdir(parents=True)
    (target / "layers" / "a.txt").write_text("old")
    (target / "keep.txt").write_text("mine")
    with staged(target) as folder:
        (folder / "layers").mkdir()
        (folder / "layers" / "a.txt").write_text("new")
        (folder / "b.txt").write_text("b")
        assert (target / "layers" / "a.txt").read_text() == "old"
    assert _listing(target) == {"layers/a.txt": b"new", "keep.txt": b"mine", "b.txt": b"b"}
    assert os.listdir(tmp_path) == ["out"]


@pytest.mark.parametrize("error", [ValueError("x"), KeyboardInterrupt(), StudyError("x")], ids=repr)
def test_a_failing_block_leaves_everything(tmp_path, error):
    target = tmp_path / "out"
    target.mkdir()
    (target / "a.txt").write_text("old")

    def half():
        with staged(target) as folder:
            (folder / "a.txt").write_text("half")
            raise error

    with pytest.raises(type(error)):
        half()
    assert _listing(target) == {"a.txt": b"old"}
    assert os.listdir(tmp_path) == ["out"]


def test_a_full_disk_is_a_plain_error(tmp_path):
    with pytest.raises(StudyError, match="could not be written"), staged(tmp_path / "out"):
        raise OSError(28, "No space left on device")


def test_a_failing_swap_puts_the_old_files_back(tmp_path, monkeypatch):
    target = tmp_path / "out"
    target.mkdir()
    for name in "ac":
        (target / f"{name}.txt").write_text("old")
    real = os.replace

    def stubborn(source, destination):
        if str(source).endswith(os.path.join("new", "c.txt")):
            raise PermissionError(13, "in use")
        real(source, destination)

    monkeypatch.setattr(staging.os, "replace", stubborn)

    def write():
        with staged(target) as folder:
            for name in "abc":
                (folder / f"{name}.txt").write_text("new")

    with pytest.raises(StudyError, match="could not be replaced") as caught:
        write()
    assert "Close it" in caught.value.fix
    assert _listing(target) == {"a.txt": b"old", "c.txt": b"old"}


def test_a_geopackage_in_use_is_reported_before_the_work(tmp_path):
    file = tmp_path / "out" / "a.gpkg"
    file.parent.mkdir()
    with closing(sqlite3.connect(file)) as database:
        database.execute("CREATE TABLE t (x)")
        database.commit()
        database.execute("BEGIN IMMEDIATE")
        before = file.read_bytes()
        with pytest.raises(StudyError, match="open in another program"), staged(file.parent):
            pytest.fail("the block must not run")
        with pytest.raises(StudyError, match="open in another program"), staged_file(file) as path:
            path.write_bytes(b"new")
    assert file.read_bytes() == before


def test_the_journal_of_a_dead_program_is_not_played_into_the_new_file(tmp_path):
    file = tmp_path / "a.gpkg"
    code = (
        "import sqlite3, os, sys; d = sqlite3.connect(sys.argv[1]); d.execute('PRAGMA journal_mode=WAL');"
        "d.execute('CREATE TABLE old (x)'); d.commit(); os._exit(0)"
    )
    subprocess.run([sys.executable, "-c", code, str(file)], check=True)
    assert file.with_name("a.gpkg-wal").exists()
    with staged_file(file) as path, closing(sqlite3.connect(path)) as database:
        database.execute("CREATE TABLE new (x)")
        database.commit()
    with closing(sqlite3.connect(file)) as database:
        assert database.execute("SELECT name FROM sqlite_master").fetchall() == [("new",)]


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="the superuser may write anywhere")
def test_a_folder_without_permission(tmp_path):
    tmp_path.chmod(0o500)
    with pytest.raises(StudyError, match="cannot be written"), staged(tmp_path / "out"):
        pass


def test_a_file_where_the_folder_should_be(tmp_path):
    (tmp_path / "out").write_text("a file")
    with pytest.raises(StudyError, match="cannot be written"), staged(tmp_path / "out"):
        pass


def test_one_file_is_written_whole_or_not_at_all(tmp_path, monkeypatch):
    path = tmp_path / "new" / "a.txt"
    write_whole(path, "caf\u00e9\n")
    assert path.read_bytes() == b"caf\xc3\xa9\n"

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(staging.os, "replace", full)
    with pytest.raises(StudyError, match="could not be written"):
        write_whole(path, b"other")
    assert _listing(tmp_path) == {"new/a.txt": b"caf\xc3\xa9\n"}
