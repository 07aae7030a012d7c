"""Outcomes for the modeller: CF NetCDF by site, option, depth, day and target, with the spread over the years."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import xarray as xr

from geo.rating import ZONE_NAMES
from pipelines.run.result import StudyResult
from pipelines.show.layers.about import about_facts, about_tags, source_lines, study_title
from pipelines.show.layers.columns import Column, describe
from pipelines.study.units import System

CONVENTIONS = "CF-1.8"
"""The first version with strings as labels."""
_COORDINATE_WORDS = {"layer": "layer_number"}
_UNITLESS = {"day of year": "1", "": ""}
_TEST_WORDS = {
    "value": "Value that the test looks at, rounded to the step of the test",
    "limit": "Limit of the test",
    "margin": "Distance from the limit, as a share of the limit; zero or more passes",
    "passed": "1 when the test is passed or waived",
    "waived": "1 where the test does not apply: water tests of irrigated ground",
}
_RULES = ("dryland", "irrigated")


def outcome_dataset(result: StudyResult, system: System = "metric") -> xr.Dataset:
    """Return every outcome, the zones and the tests under both rules as one CF dataset in a system of units.

    Curves that have no place in the tables are here: water by depth and check date, stored water through the season,
    shortfall years by target, gap by termination date. A ``season`` dimension is kept when the study has one.
    """
    data = xr.Dataset(attrs=_attributes(result))
    for name, values in result.outcomes.data_vars.items():
        if values.dtype.kind not in "fiub":
            continue
        column = describe(str(name), system)
        scaled = values.astype(np.float32) * np.float32(column.factor) if values.dtype.kind == "f" else values
        data[column.name] = scaled.drop_attrs() if column.known else scaled.assign_attrs(values.attrs)
        if column.known:
            data[column.name].attrs = _words(column)
    tests = xr.concat([result.verdicts, result.irrigated_verdicts], xr.IndexVariable("rule", list(_RULES)))
    for name, text in _TEST_WORDS.items():
        test = tests[name].transpose("site", "rule", "cover", "test")
        data[f"test_{name}"] = test.astype(np.int8) if test.dtype == bool else test
        data[f"test_{name}"].attrs = {"long_name": text, "units": "1"}
    if system == "us":
        for name in ("test_value", "test_limit"):
            data[name].attrs["comment"] = "The gap test is in mm in every system of units."
    data = _with_places(data, result, system)
    for name in data.coords:
        column = describe(_COORDINATE_WORDS.get(str(name), str(name)))
        if column.known and name not in ("latitude", "longitude"):
            data[name].attrs = _words(column)
    return data


def _words(column: Column) -> dict[str, str]:
    words = {"long_name": column.label, "comment": column.description}
    unit = _UNITLESS.get(column.unit, column.unit)
    if column.unit == "day of year":
        words["long_name"] += " (day of a 365-day year)"
    return words | ({"units": unit} if unit else {})


def _with_places(data: xr.Dataset, result: StudyResult, system: System) -> xr.Dataset:
    """Add to each site its map unit, climate cell, zone, area and the position of its climate cell."""
    sites = result.sites
    area = describe("area_ha", system)
    cell = result.cells.loc[sites["cell"].to_numpy()]
    data["area"] = (
        "site", sites["area_ha"].to_numpy(np.float32) * np.float32(area.factor),
        {"long_name": "Area of the site", "units": area.unit},
    )  # fmt: skip
    data["rated_share"] = ("site", sites["rated_share"].to_numpy(np.float32), _words(describe("rated_share")))
    flags = {
        "flag_values": np.array(list(ZONE_NAMES), np.int8), "flag_meanings": " ".join(ZONE_NAMES.values()),
    }  # fmt: skip
    data["zone_code"] = (
        "site", result.zones["zone_code"].to_numpy(np.int8),
        {"long_name": "Zone code", "comment": describe("zone_code").description, **flags},
    )  # fmt: skip
    agreement = describe("agreement")
    data["agreement"] = "site", result.zones["agreement"].to_numpy(np.float32), _words(agreement)
    for name, words in (("latitude", "degrees_north"), ("longitude", "degrees_east")):
        attrs = {
            "standard_name": name,
            "units": words,
            "long_name": f"{name.title()} of the climate cell of the site",
        }
        data = data.assign_coords({name: ("site", cell[name].to_numpy(np.float64), attrs)})
    for name in ("map_unit_id", "cell"):
        values = sites[name].astype(str).to_numpy(object) if name == "map_unit_id" else sites[name].to_numpy(np.int32)
        data = data.assign_coords({name: ("site", values, {"long_name": describe(name).label})})
    for key, values in data.coords.items():
        if values.dtype == np.int64:
            data[key] = values.astype(np.int32).assign_attrs(values.attrs)
    return data


def _attributes(result: StudyResult) -> dict[str, str]:
    tags = about_tags(result)
    facts = about_facts(result)
    return {
        "Conventions": CONVENTIONS,
        "title": f"{study_title(result)}: water that covers leave, by response unit",
        "institution": str(result.settings.get("owner") or "not given"),
        "source": f"Daily soil water balance model, {tags['PROGRAM']}",
        "history": f"{tags['STARTED']} {tags['PROGRAM']}, study {tags['STUDY_HASH']}, seed {tags['SEED']}",
        "references": "\n".join(source_lines(result)) or "none",
        "comment": f"{tags['CAUTION']} {tags['LIMITS']} {tags['EVIDENCE']}",
        "license": tags["LICENCE"] or "not given",
        "study_hash": tags["STUDY_HASH"],
        "seed": tags["SEED"],
        "about": json.dumps(facts, ensure_ascii=False),
    }


def write_netcdf(result: StudyResult, path: Path, system: System = "metric", sites: np.ndarray | None = None) -> None:
    """Write `outcome_dataset` as NetCDF 4, compressed; only some sites when they are given."""
    data = outcome_dataset(result, system)
    if sites is not None:
        data = data.sel(site=sites)
    encoding: dict[str, dict[str, object]] = {}
    for name, values in data.variables.items():
        kind = values.dtype.kind
        if name in data.data_vars and kind in "fiu":
            fill = np.float32(np.nan) if kind == "f" else None
            encoding[str(name)] = {"zlib": True, "complevel": 1, "shuffle": True, "_FillValue": fill}
        else:
            encoding[str(name)] = {"_FillValue": None}
    data.to_netcdf(path, engine="netcdf4", format="NETCDF4", encoding=encoding)


def yearly_dataset(result: StudyResult) -> xr.Dataset | None:
    """Return one value a response unit, option and season as a CF dataset; None when the study kept none.

    The members of each site and their weights come along (``member_site``, ``member_unit``, ``member_weight``), so
    that values by site can be made from it.
    """
    if result.yearly is None:
        return None
    data = result.yearly.assign_attrs(_attributes(result))
    for name in data.data_vars:
        column = describe(str(name))
        if column.known:
            data[name].attrs = _words(column) | {"units": data[name].attrs.get("units", "1")}
    units = result.units.loc[data["unit"].values]
    cell = result.cells.loc[units["cell"].to_numpy()]
    data = data.assign_coords(
        profile_id=("unit", units["profile_id"].astype(str).to_numpy(object), {"long_name": "Soil profile"}),
        cell=("unit", units["cell"].to_numpy(np.int32), {"long_name": describe("cell").label}),
        latitude=("unit", cell["latitude"].to_numpy(float), {"standard_name": "latitude", "units": "degrees_north"}),
        longitude=(
            "unit",
            cell["longitude"].to_numpy(float),
            {"standard_name": "longitude", "units": "degrees_east"},
        ),
    )
    data["season"].attrs = {"long_name": "Harvest year of the season"}
    data["unit"].attrs = {"long_name": "Response unit: one soil profile under one climate cell"}
    for name, kind in (("site", np.int32), ("unit", np.int32), ("weight", np.float32)):
        values = result.site_units[name].to_numpy(kind)
        data[f"member_{name}"] = ("member", values, {"long_name": f"Members of the sites: {name}"})
    data["member_weight"].attrs["units"] = "1"
    return data


def write_yearly(result: StudyResult, path: Path) -> bool:
    """Write `yearly_dataset` as NetCDF 4, compressed; False when the study kept none."""
    data = yearly_dataset(result)
    if data is None:
        return False
    packed = {"zlib": True, "complevel": 1, "shuffle": True, "_FillValue": np.float32(np.nan)}
    encoding = {str(n): packed for n, v in data.data_vars.items() if v.dtype == np.float32}
    data.to_netcdf(path, engine="netcdf4", format="NETCDF4", encoding=encoding)
    return True
