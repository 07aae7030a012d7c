"""Outcomes for the modeller as CF NetCDF: by site, by field, and by response unit and year."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from geo.rating import ZONE_NAMES
from pipelines.run.result import RULES, TEST_PARTS, StudyResult
from pipelines.show.layers.about import about_tags
from pipelines.show.layers.columns import Column, describe
from pipelines.study.units import System

CONVENTIONS = "CF-1.8"
"""The first version with strings as labels."""
OUTCOMES, FIELD_OUTCOMES, YEARS = "outcomes", "field_outcomes", "years"
DATASET_WORDS = {
    OUTCOMES: "water that covers leave, by response unit",
    FIELD_OUTCOMES: "water that covers leave, by field",
    YEARS: "one value a response unit, option and season",
}
_COORDINATE_WORDS = {"layer": "layer_number"}


def dataset_names(result: StudyResult) -> list[str]:
    """Return the names of the datasets that a study has, keys of `DATASET_WORDS`."""
    return [name for name in DATASET_WORDS if name != YEARS or result.yearly is not None]


def build_dataset(
    result: StudyResult, name: str, system: System = "metric", sites: np.ndarray | None = None
) -> xr.Dataset:
    """Return one CF dataset in a system of units.

    Curves that have no place in the tables are here: water by depth and check date, stored water through the season,
    shortfall years by target, gap by termination date.

    Parameters
    ----------
    result : StudyResult
        A finished study.
    name : str
        One of `dataset_names`.
    system : {"us", "metric"}
        Units of values and names of variables.
    sites : int array, optional
        Only these sites, and the response units in them.
    """
    build = {OUTCOMES: _by_site, FIELD_OUTCOMES: _by_field, YEARS: _by_unit}[name]
    data = build(result, system, result.sites.index.to_numpy() if sites is None else sites)
    for key, values in data.coords.items():
        column = describe(_COORDINATE_WORDS.get(str(key), str(key)))
        if values.dtype == np.int64:
            data[key] = values.astype(np.int32)
        if column.known and not values.attrs.get("standard_name"):
            data[key].attrs = _words(column)
    tags = about_tags(result)
    return data.assign_attrs({
        "Conventions": CONVENTIONS,
        "title": f"{tags['title']}: {DATASET_WORDS[name]}",
        "institution": str(result.settings.get("owner") or "not given"),
        "source": f"Daily soil water balance model, {tags['program']}",
        "history": f"{tags['started']} {tags['program']}, study {tags['study_hash']}, seed {tags['seed']}",
        "references": tags["sources"] or "none",
        "comment": f"{tags['caution']} {tags['limits']} {tags['evidence']} {tags['record']}",
        "license": tags["licence"] or "not given",
        "date_created": tags["started"],
        "study_hash": tags["study_hash"],
        "seed": tags["seed"],
    })  # fmt: skip


def _described(values: xr.Dataset, system: System) -> xr.Dataset:
    """Return variables in a system of units, under the names and with the words of the dictionary."""
    data = xr.Dataset(attrs=values.attrs)
    for name, one in values.data_vars.items():
        column = describe(str(name), system)
        scaled = one * np.float32(column.factor) if column.factor != 1.0 else one
        data[column.name] = scaled.assign_attrs(_words(column) if column.known else one.attrs)
    return data


def _words(column: Column) -> dict[str, str]:
    words = {"long_name": column.label, "comment": column.description}
    if column.unit == "day of year":
        return words | {"long_name": f"{column.label} (day of a 365-day year)", "units": "1"}
    return words | ({"units": column.unit} if column.unit else {})


def _by_site(result: StudyResult, system: System, sites: np.ndarray) -> xr.Dataset:
    """Return the outcomes of the sites, their dryland zone, and their tests under both rules."""
    data = _described(result.outcomes, system)
    tests = xr.concat([result.verdicts, result.irrigated_verdicts], xr.IndexVariable("rule", list(RULES)))
    for name in TEST_PARTS:
        test = tests[name].transpose("site", "rule", "cover", "test")
        data[f"test_{name}"] = test.astype(np.int8) if test.dtype == bool else test
        data[f"test_{name}"].attrs = _words(describe(name))
    for name in ("test_value", "test_limit"):
        data[name].attrs["comment"] = (
            "The gap test is in mm in every system of units, the others are shares of years."
        )
    area = describe("area_ha", system)
    data["area"] = "site", result.sites["area_ha"].to_numpy(np.float32) * np.float32(area.factor), _words(area)
    for name, source in (("rated_share", result.sites), ("agreement", result.zones)):
        data[name] = "site", source[name].to_numpy(np.float32), _words(describe(name))
    data["zone_code"] = "site", result.zones["zone_code"].to_numpy(np.int8), _words(describe("zone_code"))
    codes = np.array(list(ZONE_NAMES), np.int8)
    data["zone_code"].attrs |= {"flag_values": codes, "flag_meanings": " ".join(ZONE_NAMES.values())}
    del data["zone_code"].attrs["units"]
    map_unit = result.sites["map_unit_id"].astype(str).to_numpy(object)
    data = data.assign_coords(map_unit_id=("site", map_unit), **_cell_places("site", result.sites, result))
    return data.sel(site=sites)


def _by_field(result: StudyResult, system: System, _: np.ndarray) -> xr.Dataset:
    """Return the outcomes of the fields; their tests are a table (`pipelines.show.layers.tables.verdict_table`)."""
    names = np.asarray(result.fields["field_id"].astype(str), dtype=str)
    data = _described(result.field_outcomes, system).assign_coords(field_id=("field", names))
    data["field"].attrs = {"long_name": "Number of the field in this file"}
    return data


def _by_unit(result: StudyResult, system: System, sites: np.ndarray) -> xr.Dataset:
    """Return one value a response unit, option and season.

    The members of each site and their weights come along (``member_site``, ``member_unit``, ``member_weight``), so
    that values by site can be made from it.
    """
    assert result.yearly is not None
    members = result.site_units[result.site_units["site"].isin(sites)]
    data = _described(result.yearly, system).sel(unit=np.unique(members["unit"]))
    units = result.units.loc[data["unit"].values]
    profile = units["profile_id"].astype(str).to_numpy(object)
    data = data.assign_coords(
        profile_id=("unit", profile, {"long_name": "Soil profile"}), **_cell_places("unit", units, result)
    )
    data["unit"].attrs = {"long_name": "Response unit: one soil profile under one climate cell"}
    for name, kind in (("site", np.int32), ("unit", np.int32), ("weight", np.float32)):
        text = {"long_name": f"Members of the sites: {name}"} | ({"units": "1"} if name == "weight" else {})
        data[f"member_{name}"] = "member", members[name].to_numpy(kind), text
    return data


def _cell_places(dim: str, table: pd.DataFrame, result: StudyResult) -> dict[str, Any]:
    """Return the climate cell of each row of a table, and where it is."""
    cell = result.cells.loc[table["cell"].to_numpy()]
    places: dict[str, Any] = {
        name: (dim, cell[name].to_numpy(float), _words(describe(name)) | {"standard_name": name})
        for name in ("latitude", "longitude")
    }
    return places | {"cell": (dim, table["cell"].to_numpy(np.int32), _words(describe("cell")))}


def write_netcdf(data: xr.Dataset, path: Path) -> None:
    """Write a dataset as NetCDF 4, compressed."""
    encoding: dict[str, dict[str, object]] = {str(name): {"_FillValue": None} for name in data.variables}
    for name, values in data.data_vars.items():
        packed = {"zlib": True, "complevel": 1, "shuffle": True}
        encoding[str(name)] |= packed | (
            {"_FillValue": values.dtype.type(np.nan)} if values.dtype.kind == "f" else {}
        )
    data.to_netcdf(path, engine="netcdf4", format="NETCDF4", encoding=encoding)
