"""The text of a new study file: every table, the defaults, and what is allowed."""

STUDY_FILE = """\
# Study file. Change what differs, delete what you do not need, then run:
#   springfill check study.toml      reads everything and says what is missing
#   springfill screen study.toml     runs the study
# Paths are relative to this file. A line that begins with # shows a default or an example.

[study]
name = "My county"
units = "us"              # us: inches, acres, pounds an acre; metric: mm, hectares, kilograms a hectare
out = "my_county_out"     # folder for the results, in the folder that you run from
# seed = 1                # of the weather generator: the same seed gives the same years
# years = 31              # generated years when the climate is monthly normals (31 years make 30 seasons)
# owner = ""              # written into the layers, such as the name of your office

[soils]
path = "soils"            # survey export (folder or zip), geodatabase, raster of map units, or grids of soil water
# licence = ""            # of this layer, named with the results; every layer below may have one
# date = "2024-10"        # of the data; without it, the date of the file is shown
# kind = "auto"           # survey_export, geodatabase, map_unit_raster, water_capacity_grid, field_capacity_grid,
                          # texture_grid
# crs = "EPSG:4326"       # only when the layer does not say
# variables = { tables = "survey.gdb" }   # what a grid or a raster cannot say by itself, see docs/study_file.md

[climate]
path = "climate"          # monthly normals or daily records: NetCDF, GeoTIFF or text; a file, folder, pattern or list
# kind = "auto"           # normals, daily: refuses the other kind
# variables = { date = "Date", precip = "Rain", tmin = "Tmin", tmax = "Tmax" }   # columns of a plain table
# options = { units = { precip = "inch", tmin = "degF", tmax = "degF" }, latitude = 40.4, longitude = -101.7 }

[fields]                  # leave this table out to map the county without fields
path = "fields.gpkg"      # GeoPackage, Shapefile (zip too), GeoJSON, KML/KMZ, GeoParquet, FlatGeobuf
# layer = "fields"        # when the file holds more than one
# crs = "EPSG:4326"       # only when the file does not say
# columns = { field_id = "FIELD_NO", name = "LABEL" }   # when your columns have other names

# [elevation]             # a height model, for the slope in the erosion caution
# path = "elevation.tif"

# [measurements]          # own soil water by depth, from sensors or cores: a start of the balance, and a page
# path = "soil_water.csv"
# columns = { field_id = "Field", date = "Date", top = "From", bottom = "To", volumetric = "VWC" }
# units = { depth = "inch", volumetric = "percent" }   # never guessed; not needed where the header says them, VWC (%)

[season]                  # month-day
harvest = "07-20"
seeding_winter_killed = "08-01"
seeding_overwinter = "09-05"
early_termination = "04-01"
planting = "05-15"        # of the next crop

# [map]
# crs = "EPSG:5070"       # a projected CRS in metres; equal area keeps acres right
# resolution_m = 30.0
# bounds = [left, bottom, right, top]   # in metres of that CRS; by default the whole soil map

[rules]                   # thresholds of the zone tests: a judgement, so set your own (docs/study_file.md)
planting_gap_max_mm = 38.1    # most water that a cover may cost at planting in the middle year (38.1 mm = 1.5 in)
shortfall_max = 0.20          # most years, as a share, in which a cover may cost the next crop its target
target_share = 0.5            # the target: share of the water that the root zone can hold
# season_min = 0.7            # share of years in which the cover must reach its ground cover before the freeze
# winterkill_min = 0.9        # share of winters that must kill the winter-killed mix
# survival_min = 0.7          # share of winters that the overwintering mix must survive
# ground_cover_min = 0.3
# rated_share_min = 0.5

# [irrigated_rules]       # season_min, winterkill_min, survival_min, rated_share_min, where irrigated fields differ

# [parameters]            # of the water balance: names and ranges in shared/water_balance.toml
# snow_catch_share = 0.25

# [mixes.winter_killed]   # and [mixes.overwinter]: plant groups and their shares, see shared/cover_mixes.toml

# [stubble]               # what covers are compared with
# weeds = "sprayed"       # unsprayed: volunteer grain and weeds grow in the stubble until the early end date

# [run]
# parameter_sets = 8      # further runs that say how sure a zone is; 0 for a quick look
# field_pages = true
"""
