"""Run one season through the balance, compiled or as plain Python, and write every result to a file.

Results are written in single precision, as in a run; the stores of every fork are kept in double precision.

With ``NUMBA_DISABLE_JIT=1`` the same source runs in the interpreter; records then need attribute access.
Call: ``python -m tests.laws.plain_python OUT.npz``.
"""

from __future__ import annotations

import sys

import numpy as np
from numba import config

from geo.balance.kernel import lanes
from geo.balance.kernel.records import EVENTS, FLUXES
from geo.balance.kernel.season_run import STEP_DAYS, run_season
from geo.balance.simulate import WHEN, killing_freeze, pack_days
from geo.options import OPTIONS
from geo.season import CHECKS
from tests.water import champion_weather, profile, seasons_of, settings, soils_of, weeds_on

LADDER = np.array([-28, 0])


def record(values: np.ndarray) -> np.ndarray:
    """Return the same memory with the attribute access that compiled code has."""
    return values if not config.DISABLE_JIT else values.view(np.dtype((np.record, values.dtype)))


def one_season(texture: str, years: tuple[int, int]) -> dict[str, np.ndarray]:
    """Return all results of the first season of `years` on one profile."""
    weather = champion_weather(years)
    seasons = seasons_of(weather)
    events = np.zeros(len(seasons), EVENTS)
    for name in EVENTS.names or ():
        events[name] = getattr(seasons, name)
    days = pack_days(weather)
    freezes = killing_freeze(days, seasons)
    used = weeds_on(settings())
    killed, winter, weeds = used.winter_killed, used.overwinter, used.stubble_weeds
    assert weeds is not None
    k, steps = len(OPTIONS), int((seasons.stop - seasons.harvest).max() // STEP_DAYS + 1)
    shapes = {
        "paw": (k, 1, len(CHECKS), 4), "stored": (k, 1, steps), "mass": (k, 1, len(WHEN)), "cover": (k, 1, len(WHEN)),
        "living": (k, 1), "emerged": (k, 1), "flux": (k, 1, len(FLUXES)), "ladder": (len(LADDER), 1),
    }  # fmt: skip
    out = {name: np.full((1, *shape), np.nan, np.float32) for name, shape in shapes.items()}
    out["living"][:] = 0.0
    block = np.zeros(lanes.SIZE)
    forks = np.zeros((2 + len(LADDER), lanes.STATE_END))
    lanes.load_soils(block, lanes.soil_rows(soils_of(profile(texture))), np.zeros(lanes.LANES, np.int64))
    worst = run_season(
        0, block, forks, np.zeros(1, np.int64), record(days[0]), record(events)[0], freezes[0, 0],
        *(record(lanes.pad_mix(mix.groups)) for mix in (killed, winter, weeds)),
        np.array([[mix.density, mix.water_bonus] for mix in (killed, winter, weeds)]), np.full((1, 4), np.nan),
        LADDER, record(used.parameters)[0],
        out["paw"], out["stored"], out["mass"], out["cover"], out["living"], out["emerged"], out["flux"],
        out["ladder"],
    )  # fmt: skip
    states = forks.reshape(len(forks), -1, lanes.LANES)[:, :, 0]  # lanes are alike; in plain Python there is one
    return {**out, "forks": states, "worst": np.array(worst)}


def cases() -> dict[str, np.ndarray]:
    """Return the results of a silt loam in one season and a sand in another, flat by name."""
    found = {}
    for texture, years in (("silt loam", (1992, 1993)), ("sand", (2005, 2006))):
        found.update({f"{texture} {name}": v for name, v in one_season(texture, years).items()})
    return found


if __name__ == "__main__":
    np.savez(sys.argv[1], **cases())
