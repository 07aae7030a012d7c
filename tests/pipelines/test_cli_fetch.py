"""From an area to a map on the command line: fetch, check, screen, against local stand-ins of the services."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from pytest_httpserver import HTTPServer

from pipelines.cli import main as cli
from pipelines.study.house import sample_dir
from tests.pipelines.fetch_server import Services

BOUNDS = "-103.0,39.97,-102.9,40.05"


@pytest.fixture(scope="module")
def services() -> Iterator[Services]:
    """The services of the sample county on a local server."""
    server = HTTPServer(threaded=True)
    server.start()
    yield Services(server)
    server.stop()


@pytest.fixture(autouse=True)
def _addresses(services: Services, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    monkeypatch.setattr("time.sleep", lambda seconds: None)  # the pauses between requests are tested elsewhere
    for name, address in services.bases.items():
        monkeypatch.setenv(f"SPRINGFILL_{name.upper()}_URL", address)


@pytest.mark.slow
def test_fetch_then_check_then_screen(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    home = tmp_path / "county"
    assert cli.run(["fetch", str(home), "--bounds", BOUNDS, "--years", "2001-2006"]) == 0
    told = capsys.readouterr().out
    assert "requests sent" in told
    assert "public domain" in told.lower()
    study = home / "study.toml"
    assert f"springfill check {study}" in " ".join(told.split())

    text = study.read_text(encoding="utf-8")
    assert "# [fields]" in text
    fields = f'[fields]\npath = "{(sample_dir() / "fields.gpkg").as_posix()}"\n[map]\nresolution_m = 90\n'
    study.write_text(text + fields + "[run]\nparameter_sets = 0\n", encoding="utf-8")
    assert cli.run(["check", str(study), "--out", str(tmp_path / "out")]) == 0
    assert "daily record, 5 whole seasons" in capsys.readouterr().out

    assert cli.run(["screen", str(study), "--out", str(tmp_path / "out")]) == 0
    told = capsys.readouterr().out
    assert re.search(r"5 seasons, \d+ soils", told)
    assert (tmp_path / "out" / "index.html").is_file()


def test_a_service_that_refuses_is_a_users_error(
    services: Services, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    services.faults["outline"] = [403]
    try:
        assert cli.run(["fetch", str(tmp_path / "c"), "--county", "99999"]) == 1
    finally:
        services.faults["outline"] = []
    error = capsys.readouterr().err
    assert "to do:" in error
    assert "Traceback" not in error
