"""Each package that the program needs has its reason in DEVELOPERS.md, and is imported somewhere."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
IMPORTED_AS = {
    "cf-xarray": "cf_xarray",
    "django-js-lib-leaflet": "js_lib_leaflet",
    "odc-geo": "odc.geo",
    "pillow": "PIL",
}


def _needed() -> list[str]:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    listed = [*project["dependencies"], *project["optional-dependencies"]["scale"]]
    return sorted({re.split(r"[\[<>=; ]", line)[0] for line in listed})


def test_the_table_lists_what_the_program_needs():
    section = (ROOT / "DEVELOPERS.md").read_text().split("## What each dependency is for")[1].split("\n## ")[0]
    rows = re.findall(r"^\| ([^|]+) \| ([^|]+) \|$", section, flags=re.MULTILINE)
    explained = [name for names, reason in rows if reason.strip() for name in names.split(", ")]
    assert set(explained) - {"package"} == set(_needed())


@pytest.mark.parametrize("package", _needed())
def test_the_program_uses_each_package(package):
    module = re.escape(IMPORTED_AS.get(package, package))
    use = re.compile(rf"^\s*(import|from) {module}\b|files\(\"{module}\"\)", flags=re.MULTILINE)
    files = [file for folder in ("geo", "pipelines") for file in (ROOT / folder).rglob("*.py")]
    assert any(use.search(file.read_text()) for file in files)
