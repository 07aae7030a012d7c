"""Soil water "measured" in invented Larkspur County: cores of a few fields, drawn from a seed like all of it."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd

from sample_layers.larkspur_frame import Frame
from sample_layers.larkspur_soils import Survey

FIELDS = 6
FOOT_IN = 12
# How full the profile is found (0 = wilting point, 1 = field capacity), stubble and winter-killed mix. All invented.
DAYS = {"2019-07-23": (0.16, None), "2019-11-13": (0.34, 0.22), "2020-05-12": (0.52, 0.46)}


def draw_measurements(
    rng: np.random.Generator, frame: Frame, polygons: gpd.GeoDataFrame, survey: Survey, fields: gpd.GeoDataFrame
) -> pd.DataFrame:
    """Return cores by foot from a few dry fields: columns as in the file, water in percent by volume.

    Water lies between wilting point and field capacity of the main soil where the core was taken, wetter to the east,
    with seeded scatter. Every second field has a strip of the winter-killed mix. Cores end at rock.
    """
    dry = fields[~fields["irrigated"]]
    picked = dry.iloc[np.sort(rng.choice(len(dry), min(4 * FIELDS, len(dry)), replace=False))]
    places = gpd.GeoSeries(picked.geometry.representative_point().to_numpy(), crs=fields.crs).to_crs("EPSG:4326")
    ground = polygons.set_geometry(frame.lonlat(polygons.geometry.to_numpy()), crs="EPSG:4326")
    symbol = [ground.loc[ground.contains(p), "symbol"].iloc[:1].tolist() for p in places]
    key = {row["musym"]: row["mukey"] for row in survey.mapunit}
    rows: list[tuple[object, ...]] = []
    done = 0
    for field_id, place, found in zip(picked["field_id"], places, symbol, strict=True):
        layers = _feet(survey, key[found[0]]) if found else []
        if len(layers) < 2 or done == FIELDS:
            continue
        east = float(frame.unit_square(np.array(place.x), np.array(place.y))[0])
        for date, levels in DAYS.items():
            for option, level in zip(("stubble", "winter-killed"), levels, strict=True):
                if level is None or (option != "stubble" and done % 2):
                    continue
                full = level + 0.25 * east + rng.normal(0, 0.06)
                for foot, (wilting, capacity) in enumerate(layers):
                    share = np.clip(full * (1.15 - 0.1 * foot) + rng.normal(0, 0.04), 0.02, 1.0)
                    water = 100 * (wilting + share * (capacity - wilting))
                    depth = (FOOT_IN * foot, FOOT_IN * (foot + 1))
                    rows.append((field_id, f"{place.x:.5f}", f"{place.y:.5f}", date, *depth, option, f"{water:.1f}"))
        done += 1
    columns = ["field_id", "lon", "lat", "date", "from (in)", "to (in)", "treatment", "vwc (%)"]
    return pd.DataFrame(rows, columns=columns)


def _feet(survey: Survey, mukey: str) -> list[tuple[float, float]]:
    """Return wilting point and field capacity (m3/m3) at the middle of each foot of a map unit's main component."""
    parts = [c for c in survey.component if c["mukey"] == mukey]
    main = max(parts, key=lambda c: c["comppct_r"])
    horizons = [h for h in survey.chorizon if h["cokey"] == main["cokey"] and "wfifteenbar_r" in h]
    stop = [
        r["resdept_r"] for r in survey.corestrictions if r["cokey"] == main["cokey"] and "bedrock" in r["reskind"]
    ]
    out = []
    for foot in range(4):
        middle = (foot + 0.5) * FOOT_IN * 2.54
        here = [h for h in horizons if h["hzdept_r"] <= middle < h["hzdepb_r"]]
        if not here or (stop and (foot + 1) * FOOT_IN * 2.54 > min(stop)):
            break
        out.append((here[0]["wfifteenbar_r"] / 100, here[0]["wthirdbar_r"] / 100))
    return out


def write_measurements(table: pd.DataFrame, path: Path, note: str) -> None:
    """Write the table as CSV under a line that says that it is invented."""
    path.write_text(f"# {note}\n" + table.to_csv(index=False, lineterminator="\n"), encoding="utf-8", newline="\n")
