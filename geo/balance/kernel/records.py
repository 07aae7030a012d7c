"""Records that the compiled water balance reads and writes: one structured value instead of forty arguments."""

from __future__ import annotations

import numpy as np

from geo.profile import LAYER_MM, SURFACE_MM

N_SUB = 5
"""Sublayers: the evaporation layer (0-100 mm), the rest of the first foot, and three one-foot layers."""
SUB_THICKNESS_MM = (SURFACE_MM, LAYER_MM - SURFACE_MM, LAYER_MM, LAYER_MM, LAYER_MM)
MAX_GROUPS = 6
FLUXES = ("precip_mm", "evaporation_mm", "transpiration_mm", "drainage_mm", "runoff_mm", "snow_loss_mm")

SOIL = np.dtype(
    [
        ("capacity_mm", "f8", (N_SUB,)),  # field capacity to wilting point, by sublayer
        ("dry_mm", "f8"),  # what evaporation can take below the wilting point in the top 100 mm
        ("rew_mm", "f8"),  # readily evaporable water, FAO-56 table 19
        ("foot_wilting_mm", "f8"),  # water held at wilting point in the first foot
        ("foot_saturated_mm", "f8"),  # water held at saturation in the first foot
        ("cn_fallow", "f8"),  # curve number: fallow with crop residue
        ("cn_cover", "f8"),  # curve number: close-grown cover with crop residue
        ("root_limit_mm", "f8"),
    ],
    align=True,
)
"""One profile. All in mm of water unless the name says otherwise."""

GROUP = np.dtype(
    [
        (name, "f8")
        for name in (
            "share",
            "base_temperature_c",
            "emergence_gdd",
            "half_cover_gdd",
            "cover_max",
            "kcb_full",
            "height_m",
            "root_rate_mm_per_gdd",
            "root_max_mm",
            "depletion_p",
            "efficiency_pa",
            "kill_c",
            "kill_hardened_c",
            "kill_three_nights_c",
            "hardening_days",
            "crown_sheltered",
            "decay_multiplier",
            "residue_area_m2_kg",
        )
    ],
    align=True,
)
"""One functional group of a mix; names, units and sources as in ``shared/cover_traits.csv``."""

STATE = np.dtype(
    [
        ("water_mm", "f8", (N_SUB,)),  # above wilting point; the first may go below zero
        ("snow_mm", "f8"),
        ("straw_kg_ha", "f8"),
        ("dead_cover_kg_ha", "f8"),
        ("dead_area_m2_kg", "f8"),
        ("dead_decay", "f8"),
        ("shelter_m", "f8"),  # height of standing stubble and cover that holds snow
        ("emergence_gdd", "f8"),
        ("emerged", "f8"),
        ("stand_open", "f8"),  # 1 between seeding and the end of the stand (killed or terminated)
        ("heat_gdd", "f8", (MAX_GROUPS,)),
        ("root_mm", "f8", (MAX_GROUPS,)),
        ("mass_kg_ha", "f8", (MAX_GROUPS,)),
        ("hardened", "f8", (MAX_GROUPS,)),
        ("cold_nights", "f8", (MAX_GROUPS,)),
        ("frost_memory", "f8"),  # above 0 while any group is hardened or counts cold nights
        ("alive", "f8", (MAX_GROUPS,)),
        ("cover_part", "f8", (MAX_GROUPS,)),  # ground covered by each group, today
        ("canopy", "f8"),  # live ground cover of the whole mix, 0-1
        ("flux_mm", "f8", (len(FLUXES),)),  # sums since the last reset
        ("closure_mm", "f8"),  # largest absolute daily imbalance
    ],
    align=True,
)
"""Everything that one option carries from one day to the next."""

DAY = np.dtype(
    [
        (name, "f8")
        for name in ("rain_mm", "snow_mm", "tmean_c", "tmin_c", "et0_mm", "vpd_kpa", "decay_heat", "frozen")
    ],
    align=True,
)
"""One day of one climate cell, with what follows from weather alone already computed."""

PARAMETER_NAMES = (
    "kc_max",
    "surface_drain_share",
    "residue_evaporation_cut",
    "standing_stubble_cut",
    "stubble_straw_kg_ha",
    "straw_area_m2_kg",
    "straw_decay_per_day",
    "stubble_height_m",
    "cover_height_m_per_t_ha",
    "full_shelter_m",
    "snow_drift_share",
    "snow_catch_share",
    "snow_sublimation",
    "melt_mm_per_c",
    "frozen_infiltration",
    "frozen_pore_exponent",
    "frozen_pack_mm",
    "frozen_pack_exponent",
    "frozen_least_pack_mm",
    "frozen_evaporation_share",
    "run_in_water_share",
    "run_in_kcb",
    "run_in_kcb_start",
    "run_in_initial_days",
    "run_in_development_days",
    "run_in_mid_days",
    "run_in_cover",
    "run_in_ripening_loss",
    "run_in_least_cover",
    "run_in_straw_share",
    "run_in_root_start_mm",
    "run_in_root_lead_days",
    "run_in_root_mm",
    "run_in_depletion_p",
    "seedbed_wetness",
    "emergence_limit_days",
    "canopy_multiplier",
    "growth_span_c",
    "vpd_floor_kpa",
    "hardening_below_c",
    "dehardening_span_c",
    "dehardening_speed",
    "snow_depth_cm_per_mm",
)
PARAMETERS = np.dtype([(name, "f8") for name in PARAMETER_NAMES], align=True)
"""Scalars of the balance; values, units, ranges and sources in ``shared/water_balance.toml``."""

EVENTS = np.dtype(
    [
        (name, "i8")
        for name in (
            "start",
            "harvest",
            "seeding_winter_killed",
            "seeding_overwinter",
            "mid_november",
            "first_april",
            "early_termination",
            "stop",
        )
    ],
    align=True,
)
"""Positions of one season's dates on the time axis, as in `geo.season.SeasonIndex`."""
