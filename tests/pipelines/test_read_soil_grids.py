"""Grids of capacity, of field capacity and wilting point, and of texture, in GeoTIFF and NetCDF."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from geo.errors import StudyError
from geo.soils.table import AWC_COLUMNS
from pipelines.read.soils.dispatch import read_soils
from pipelines.read.soils.grid_units import depth_of, property_of
from tests.geo.soil_frames import check_profiles
from tests.pipelines import soil_files as sf

AWC = list(AWC_COLUMNS)
DEPTHS = ((0, 30), (30, 60), (60, 100))
# cm/cm of the three intervals, in four columns of cells: two soils, a shallow one, no data
CAPACITY = np.array([[0.21, 0.10, 0.15, np.nan], [0.19, 0.08, 0.15, np.nan], [0.17, 0.08, 0.15, np.nan]])


def stack(values: np.ndarray = CAPACITY, rows: int = 3) -> np.ndarray:
    """Return layers x rows x columns as float32."""
    return np.repeat(values[:, None, :], rows, axis=1).astype("float32")


def names(prefix: str) -> tuple[str, ...]:
    return tuple(f"{prefix} {a}-{b} cm" for a, b in DEPTHS)


def by_column(soils) -> pd.DataFrame:
    """Return capacity by column of cells; NaN where not mapped."""
    table = soils.profiles.set_index("map_unit_id")[AWC]
    cells = soils.code_raster.to_numpy()
    assert (cells == cells[0]).all()
    rows = [table.loc[soils.codes[c]] if c >= 0 else table.iloc[0] * np.nan for c in cells[0]]
    return pd.DataFrame(rows).reset_index(drop=True)


# By hand for the first column: 30 cm at 0.21 + 0.48 cm at 0.19; and so on; the last layer continued to 122 cm.
HAND = [300 * 0.21 + 4.8 * 0.19, 295.2 * 0.19 + 9.6 * 0.17, 304.8 * 0.17, 304.8 * 0.17]


@pytest.mark.parametrize(
    ("unit", "factor"),
    [("cm/cm", 1), ("%", 100), ("vol%", 100), ("mm/m", 1000), ("m3 m-3", 1), ("in/ft", 12), ("cm3 cm-3", 1)],
)
def test_capacity_geotiff_of_many_bands(unit, factor, tmp_path):
    path = sf.write_raster(tmp_path / "soil.tif", stack() * factor, descriptions=names("awc"), units=(unit,) * 3)
    soils, problems = read_soils(path)
    table = by_column(soils)
    assert table.loc[0].to_numpy() == pytest.approx(HAND, abs=1.0)  # rounded to 2 mm
    assert table.loc[3].isna().all()
    assert len(soils.profiles) == 3
    check_profiles(soils.profiles)
    text = " | ".join(p.what for p in problems)
    assert "ends at 100 cm; its deepest layer is continued" in text
    assert "hydrologic group B assumed" in text


def test_water_in_each_interval_as_a_length(tmp_path):
    thick = np.array([b - a for a, b in DEPTHS], float)[:, None, None]
    path = sf.write_raster(
        tmp_path / "aws.tif", (stack() * thick).astype("float32"), descriptions=names("aws"), units=("cm",) * 3
    )
    assert by_column(read_soils(path)[0]).loc[0].to_numpy() == pytest.approx(HAND, abs=1.0)


def test_one_file_for_each_depth_in_a_folder(tmp_path):
    for (top, bottom), layer in zip(DEPTHS, stack(), strict=True):
        sf.write_raster(tmp_path / f"awc_{top}-{bottom}cm_mean.tif", layer, tags={"units": "cm/cm"})
    soils, _ = read_soils(tmp_path)
    assert by_column(soils).loc[0].to_numpy() == pytest.approx(HAND, abs=1.0)


def test_integer_storage_with_scale_and_no_data(tmp_path):
    import rasterio

    stored = np.where(np.isnan(stack()), -9999, np.round(stack() * 1000)).astype("int16")
    path = sf.write_raster(
        tmp_path / "soil.tif", stored, nodata=-9999, descriptions=names("awc"), units=("cm/cm",) * 3
    )
    with rasterio.open(path, "r+") as target:
        target.scales = (0.001,) * 3
    table = by_column(read_soils(path)[0])
    assert table.loc[0].to_numpy() == pytest.approx(HAND, abs=1.0)
    assert table.loc[3].isna().all()


def write_netcdf(path, layout: str):
    """Write capacity by depth on a degree grid in one of the layouts that are about."""
    values = stack()
    lat, lon = np.array([41.02, 41.01, 41.00]), np.array([-100.03, -100.02, -100.01, -100.00])
    edges = np.array(DEPTHS, float)
    data = xr.Dataset(
        {"awc": (("depth", "lat", "lon"), values, {"units": "cm3 cm-3"})},
        coords={
            "lat": ("lat", lat, {"units": "degrees_north"}),
            "lon": ("lon", lon, {"units": "degrees_east"}),
            "depth": ("depth", edges.mean(axis=1), {"units": "cm", "bounds": "depth_bnds", "positive": "down"}),
        },
    )
    data["depth_bnds"] = (("depth", "nv"), edges)
    if layout == "latitude rising":
        data = data.sortby("lat")
    elif layout == "longitude 0 to 360":
        data = data.assign_coords(lon=("lon", lon + 360, {"units": "degrees_east"}))
    elif layout == "longitude before latitude":
        data["awc"] = data["awc"].transpose("depth", "lon", "lat")
    elif layout == "packed":
        data["awc"].encoding = {"dtype": "int16", "scale_factor": 0.001, "_FillValue": -32768}
    elif layout == "depth in metres":
        data["depth_bnds"] = (("depth", "nv"), edges / 100)
        data["depth"].attrs["units"] = "m"
    data.to_netcdf(path)
    return path


@pytest.mark.parametrize(
    "layout",
    [
        "plain",
        "latitude rising",
        "longitude 0 to 360",
        "longitude before latitude",
        "packed",
        "depth in metres",
    ],
)
def test_capacity_netcdf(layout, tmp_path):
    soils, _ = read_soils(write_netcdf(tmp_path / "awc.nc", layout))
    assert by_column(soils).loc[0].to_numpy() == pytest.approx(HAND, abs=1.0)
    assert by_column(soils).loc[3].isna().all()
    raster = soils.code_raster
    assert raster.rio.crs.to_epsg() == 4326
    assert raster.y.values[0] > raster.y.values[-1]
    assert raster.x.values.tolist() == pytest.approx([-100.03, -100.02, -100.01, -100.00])


def test_netcdf_window(tmp_path):
    path = write_netcdf(tmp_path / "awc.nc", "plain")
    soils, _ = read_soils(path, area=(-100.034, 41.016, -100.026, 41.024, "EPSG:4326"))
    assert soils.code_raster.shape == (2, 2)
    with pytest.raises(StudyError, match="does not cover the study area"):
        read_soils(path, area=(-90.0, 41.0, -89.0, 42.0, "EPSG:4326"))


def test_depth_without_bounds_needs_the_study_file(tmp_path):
    path = write_netcdf(tmp_path / "awc.nc", "plain")
    data = xr.load_dataset(path).drop_vars("depth_bnds")
    data["depth"].attrs.pop("bounds", None)
    bare = tmp_path / "bare.nc"
    data.to_netcdf(bare)
    with pytest.raises(StudyError, match="depth of awc is not in the metadata"):
        read_soils(bare)
    soils, _ = read_soils(bare, variables={"awc": {"depths_cm": [list(d) for d in DEPTHS]}})
    assert by_column(soils).loc[0].to_numpy() == pytest.approx(HAND, abs=1.0)


def test_field_capacity_and_wilting_point(tmp_path):
    wp = np.full_like(stack(), 0.10)
    fc = wp + stack()
    for prefix, values, unit in (("field_capacity", fc * 100, "%"), ("wilting_point", wp, "m3/m3")):
        for (top, bottom), layer in zip(DEPTHS, values, strict=True):
            sf.write_raster(tmp_path / f"{prefix}_{top}_{bottom}cm.tif", layer, tags={"units": unit})
    soils, _ = read_soils(tmp_path)
    assert by_column(soils).loc[0].to_numpy() == pytest.approx(HAND, abs=1.0)
    first = soils.profiles.set_index("map_unit_id").loc[soils.codes[int(soils.code_raster[0, 0])]]
    assert (first["fc_surface"], first["wp_surface"]) == pytest.approx((0.31, 0.10), abs=0.011)


def test_swapped_field_capacity_and_wilting_point_stop(tmp_path):
    for name, value in (("fc", 0.1), ("wp", 0.3)):
        layer = np.full((3, 4), value, dtype="float32")
        sf.write_raster(tmp_path / f"{name}_0-150cm.tif", layer, tags={"units": "cm/cm"})
    with pytest.raises(StudyError, match="not above the wilting point in 100%"):
        read_soils(tmp_path)


def write_texture(folder, *, sand_unit="g/kg", factor=1000.0, carbon=False, fragments=None):
    """Write Saxton & Rawls table 3 loam and sand as two columns of cells, 0-200 cm."""
    sand, clay = (np.tile(np.array(v, "float32"), (3, 1)) for v in ([0.40, 0.88], [0.20, 0.05]))
    sf.write_raster(folder / "sand_0-200cm.tif", sand * factor, tags={"units": sand_unit})
    sf.write_raster(folder / "clay_0-200cm.tif", clay * 100, tags={"units": "%"})
    name, value, unit = ("soc", 2.5 / 1.724 * 10, "g/kg") if carbon else ("om", 2.5, "%")
    sf.write_raster(folder / f"{name}_0-200cm.tif", np.full_like(sand, value), tags={"units": unit})
    if fragments is not None:
        sf.write_raster(folder / "cfvo_0-200cm.tif", np.full_like(sand, fragments), tags={"units": "cm3/dm3"})
    return folder


@pytest.mark.parametrize("carbon", [False, True], ids=["organic matter %", "organic carbon g/kg"])
def test_texture_grid_gives_the_published_table(carbon, tmp_path):
    # Saxton & Rawls 2006 table 3: loam 1.71, sand 0.63 in/ft between the computed water contents.
    soils, problems = read_soils(write_texture(tmp_path, carbon=carbon))
    table = by_column(soils)
    assert table.loc[0].to_numpy() == pytest.approx([1.71 * 25.4] * 4, abs=1.1)
    assert table.loc[1].to_numpy() == pytest.approx([0.63 * 25.4] * 4, abs=1.1)
    codes = [soils.codes[int(c)] for c in soils.code_raster.to_numpy()[0]]
    profiles = soils.profiles.set_index("map_unit_id").loc[codes]
    assert profiles["surface_texture"].tolist() == ["loam", "sand"]
    assert profiles["hydrologic_group"].tolist() == ["B", "A"]  # 4.3 and 30 um/s, NEH 630 ch. 7 table 7-1
    assert "estimated from texture" in " | ".join(p.what for p in problems)


def test_texture_grid_with_rock_fragments(tmp_path):
    soils, _ = read_soils(write_texture(tmp_path, fragments=250.0))
    assert by_column(soils).loc[0].to_numpy() == pytest.approx([0.75 * 1.71 * 25.4] * 4, abs=1.1)


def test_root_limit_cuts_a_grid(tmp_path):
    folder = write_texture(tmp_path)
    sf.write_raster(folder / "soil_depth.tif", np.full((3, 2), 50.0, dtype="float32"), tags={"units": "cm"})
    soils, _ = read_soils(folder)
    row = by_column(soils).loc[0].to_numpy()
    assert row[2:] == pytest.approx([0, 0])
    assert soils.profiles["root_limit_mm"].tolist() == [500.0, 500.0]
    assert soils.profiles["hydrologic_group"].tolist() != ["A", "B"]  # shallow rock moves the groups


def test_layers_on_other_grids_are_taken_from_the_nearest_cell_and_listed(tmp_path):
    import rasterio
    from rasterio.transform import from_origin

    folder = write_texture(tmp_path)
    with rasterio.open(folder / "clay_0-200cm.tif") as source:
        clay, profile = source.read(), source.profile
    finer = np.kron(clay[0], np.ones((2, 2), dtype="float32"))
    profile.update(height=6, width=4, transform=from_origin(*sf.ORIGIN, sf.CELL / 2, sf.CELL / 2))
    with rasterio.open(folder / "clay_0-200cm.tif", "w", **profile) as target:
        target.write(finer[None])
        target.update_tags(units="%")
    soils, problems = read_soils(folder)
    assert by_column(soils).loc[0].to_numpy() == pytest.approx([1.71 * 25.4] * 4, abs=1.1)
    assert "taken from the nearest cell" in " | ".join(p.what for p in problems)


@pytest.mark.parametrize(
    ("values", "unit", "what"),
    [
        (18.0, "cm/cm", "cannot be in cm/cm"),
        (0.18, "%", "too little for %"),
        (180.0, "%", "cannot be in %"),
        (-9999.0, "cm/cm", "cannot be in cm/cm"),
        (0.18, "kg/m2", "does not fit"),
        (0.18, "bananas", "does not fit"),
        (0.18, "", "does not say the unit"),
        (0.18, "mm/m", "too little for mm/m"),
    ],
)
def test_a_value_that_contradicts_its_unit_stops_with_the_way_out(values, unit, what, tmp_path):
    layer = np.full((3, 4), values, dtype="float32")
    tags = {"units": unit} if unit else {}
    path = sf.write_raster(tmp_path / "awc_0-150cm.tif", layer, tags=tags)
    with pytest.raises(StudyError, match=what) as error:
        read_soils(path)
    assert "awc_0-150cm.tif" in error.value.where
    assert error.value.fix
    if unit == "cm/cm" and values == 18.0:
        assert "would fit %" in error.value.fix


def test_the_study_file_can_add_unit_name_and_depth(tmp_path):
    layer = np.full((3, 4), 180.0, dtype="float32")
    path = sf.write_raster(tmp_path / "layer7.tif", layer)
    soils, _ = read_soils(path, variables={"awc": {"name": "layer7", "units": "mm/m", "depths_cm": [[0, 150]]}})
    assert by_column(soils).loc[0].to_numpy() == pytest.approx([0.18 * 304.8] * 4, abs=1.0)
    with pytest.raises(StudyError, match="Nothing in the soil grid is called"):
        read_soils(path, variables={"awc": "layer8"})
    with pytest.raises(StudyError, match="not a soil property"):
        read_soils(path, variables={"water": "layer7"})


@pytest.mark.parametrize(
    ("change", "what"),
    [
        ({"descriptions": ("awc 0-30 cm", "awc 40-60 cm", "awc 60-100 cm")}, "do not stack"),
        ({"descriptions": ("awc", "awc", "awc")}, "depth of awc is not in the metadata"),
        ({"descriptions": ("x", "y", "z")}, "No soil property"),
        ({"crs": None}, "no coordinate system"),
    ],
)
def test_unusable_grids_say_why(change, what, tmp_path):
    band = {"descriptions": names("awc"), "units": ("cm/cm",) * 3} | change
    path = sf.write_raster(tmp_path / "soil.tif", stack(), **band)
    with pytest.raises(StudyError, match=what):
        read_soils(path)


def test_a_grid_that_ends_early_is_not_continued(tmp_path):
    path = sf.write_raster(
        tmp_path / "awc_0-60cm.tif", np.full((3, 4), 0.2, dtype="float32"), tags={"units": "cm/cm"}
    )
    soils, problems = read_soils(path)
    assert by_column(soils).loc[0].to_numpy() == pytest.approx([60.96, 59.04, 0, 0], abs=1.0)
    assert "nothing is counted below" in " | ".join(p.what for p in problems)


def test_cells_without_part_of_the_depth_are_not_rated_and_counted(tmp_path):
    values = stack()
    values[2, 0, 0] = np.nan
    values[1, 1, 1] = 0.85  # more than any soil holds
    path = sf.write_raster(tmp_path / "soil.tif", values, descriptions=names("awc"), units=("cm/cm",) * 3)
    soils, problems = read_soils(path)
    assert soils.map_units.at["incomplete", "rated_share"] == 0.0
    assert (soils.code_raster.to_numpy() == {n: c for c, n in soils.codes.items()}["incomplete"]).sum() == 2
    assert [p for p in problems if p.action == "left out" and p.what.startswith("2 cells")]


def test_the_same_county_as_survey_and_as_grid_agrees_within_the_rounding(tmp_path):
    export, _ = read_soils(sf.write_export(tmp_path / "export"))
    rated = export.profiles[export.profiles["rated"]]
    mean = rated[AWC].mul(rated["weight"], axis=0).groupby(rated["map_unit_id"]).sum()
    codes = sf.code_array().astype(str)
    edges = [0, 30.48, 60.96, 91.44, 121.92]
    layers = np.stack([np.vectorize(lambda k, c=c: mean[c].get(k, np.nan) / 304.8)(codes) for c in AWC]).astype(
        "float32"
    )
    labels = tuple(f"awc {a:.2f}-{b:.2f} cm" for a, b in zip(edges[:-1], edges[1:], strict=True))
    path = sf.write_raster(tmp_path / "soil.tif", layers, descriptions=labels, units=("cm/cm",) * 4)
    grid, _ = read_soils(path)
    table = grid.profiles.set_index("map_unit_id")[AWC]
    for key in mean.index:
        code = int(grid.code_raster.to_numpy()[codes == key][0])
        assert np.abs(table.loc[grid.codes[code]] - mean.loc[key]).max() <= 1.0 + 1e-3


@pytest.mark.parametrize(
    ("label", "name"),
    [
        ("sand_0-5cm_mean", "sand"),
        ("clay 0-30 cm", "clay"),
        ("AWC_r", "awc"),
        ("available_water_capacity", "awc"),
        ("wv0033_0-5cm_mean", "field_capacity"),
        ("wv1500_0-5cm_mean", "wilting_point"),
        ("soc_15-30cm", "organic_carbon"),
        ("thousand_0-5cm", ""),
        ("temperature", ""),
    ],
)
def test_names_of_properties(label, name):
    assert property_of(label) == name


@pytest.mark.parametrize(
    ("label", "depth"),
    [
        ("awc_0-30cm_mean", (0, 30)),
        ("30_60_cm", (30, 60)),
        ("awc 0 to 12 in", (0, 30.48)),
        ("0.3-0.6 m", (30, 60)),
        ("awc 60-30 cm", None),
        ("awc", None),
        ("p_2019-2020", None),
    ],
)
def test_depths_in_names(label, depth):
    found = depth_of(label)
    assert (found is None) if depth is None else found == pytest.approx(depth)


def test_netcdf_variables_are_found_by_their_cf_standard_names(tmp_path):
    shape = (3, 4)
    name = "volume_fraction_of_condensed_water_in_soil_at_"
    data = xr.Dataset(
        {
            "upper": (("y", "x"), np.full(shape, 0.32), {"standard_name": name + "field_capacity", "units": "1"}),
            "lower": (("y", "x"), np.full(shape, 0.14), {"standard_name": name + "wilting_point", "units": "1"}),
        },
        coords={"y": np.arange(3)[::-1] * 1000.0, "x": np.arange(4) * 1000.0},
    )
    path = tmp_path / "other_country.nc"
    data.to_netcdf(path)
    depths = {"depths_cm": [[0, 150]]}
    given = {"field_capacity": depths, "wilting_point": depths}
    with pytest.raises(StudyError, match="no coordinate system"):
        read_soils(path, variables=given)
    soils, _ = read_soils(path, variables=given, crs="EPSG:3035")
    assert soils.code_raster.rio.crs.to_epsg() == 3035
    assert by_column(soils).loc[0].to_numpy() == pytest.approx([0.18 * 304.8] * 4, abs=1.0)


# Saxton & Rawls (2006), Soil Sci. Soc. Am. J. 70:1569, table 3: contents in % of volume at 2.5 % organic matter,
# saturated conductivity in mm/h: of 16.1 mm/h (4.5 um/s) group B, of 4.3 mm/h (1.2 um/s) group C by its depth limits.
TABLE_3 = [("silt loam", 20, 15, 11, 48, "B"), ("clay loam", 30, 35, 22, 48, "C")]


def write_water_and_texture(folder, sand, clay, *, depths=DEPTHS, group=None):
    """Write capacity, sand, clay and organic matter of one soil, by depth, in a folder of GeoTIFFs."""
    for name, value, unit in (("awc", 20.0, "%"), ("sand", sand, "%"), ("clay", clay, "%"), ("om", 2.5, "%")):
        for top, bottom in depths if name in ("sand", "clay", "om") else DEPTHS:
            layer = np.full((3, 4), value, dtype="float32")
            sf.write_raster(folder / f"{name}_{top}-{bottom}cm.tif", layer, units=(unit,))
    if group is not None:
        sf.write_raster(folder / "hydrologic_group.tif", np.tile(np.array(group, "uint8"), (3, 1)), nodata=0)
    return folder


@pytest.mark.parametrize(
    ("texture", "sand", "clay", "wp", "sat", "group"), TABLE_3, ids=[f"Saxton-Rawls-2006-{r[0]}" for r in TABLE_3]
)
def test_capacity_with_texture_takes_the_surface_from_texture(texture, sand, clay, wp, sat, group, tmp_path):
    soils, problems = read_soils(write_water_and_texture(tmp_path, sand, clay))
    row = soils.profiles.iloc[0]
    assert row["surface_texture"] == texture
    assert row["wp_surface"] == pytest.approx(wp / 100, abs=0.011)  # contents are kept in steps of 0.02
    assert row["fc_surface"] - row["wp_surface"] == pytest.approx(0.20, abs=0.021)
    assert row["sat_surface"] == pytest.approx(max(sat / 100, wp / 100 + 0.25), abs=0.021)
    assert row["hydrologic_group"] == group
    assert row[AWC].sum() == pytest.approx(0.20 * 1219.2, abs=4.0)
    assert not any("assumed" in p.what for p in problems)


def test_a_grid_of_hydrologic_groups_goes_before_the_estimate(tmp_path):
    soils, problems = read_soils(write_water_and_texture(tmp_path, 20, 15, group=[1, 13, 0, 9]))
    groups = soils.profiles.set_index("map_unit_id")["hydrologic_group"]
    assert [groups[soils.codes[c]] for c in soils.code_raster.to_numpy()[0]] == ["A", "D", "B", "B"]
    assert [p.what for p in problems if "hydrologic" in p.what] == [
        "3 cells hold no code of a hydrologic group; the estimate was kept"
    ]


def test_texture_of_other_depths_is_left_alone_and_listed(tmp_path):
    folder = write_water_and_texture(tmp_path, 20, 15, depths=((0, 50), (50, 100)))
    for path in folder.glob("om_*.tif"):
        path.unlink()
    soils, problems = read_soils(folder)
    assert soils.profiles["surface_texture"].tolist() == ["loam"]
    text = " | ".join(p.what for p in problems)
    assert "sand and clay are given for other depths than the rest" in text
    assert "a loam surface and hydrologic group B assumed" in text


def test_a_deep_interval_that_holds_nothing_is_no_contradiction_of_the_unit(tmp_path):
    depths = ((0, 30), (30, 100), (100, 150))
    values = np.array([[0.20], [0.18], [0.0]]) * np.ones((1, 4))
    for (top, bottom), layer in zip(depths, stack(values), strict=True):
        sf.write_raster(tmp_path / f"awc_{top}-{bottom}cm.tif", layer, units=("cm/cm",))
    soils, _ = read_soils(tmp_path)
    assert soils.profiles[AWC].sum(axis=1).tolist() == pytest.approx([300 * 0.20 + 700 * 0.18], abs=4.0)
