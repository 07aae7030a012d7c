/* The zone rule, the same as in the study: four tests a cover, then the zone, what limits it and by how much. */
"use strict";
SF.TOLERANCE = 1e-6; // shares come as float32, see geo/rating/zones.py

/**
 * Give every site its zone.
 *
 * @param {object} site   season, winter, gap (cover x site), shortfall (target x cover x site), rated (site)
 * @param {object} rules  season_min, winterkill_min, survival_min, planting_gap_max_mm, shortfall_max
 * @param {number} target place of the planting-water target among the targets of the table
 * @param {boolean} irrigated true where water is bought: the gap and the shortfall always pass
 * @returns {{zone: Uint8Array, factor: Uint8Array, option: Uint8Array}} factor: 0 none, 1 season, 2 winter, 3 water;
 *   option: place of the limiting cover, 3 none
 */
SF.classify = function (site, rules, target, irrigated) {
  const n = site.rated.length;
  const zone = new Uint8Array(n);
  const factor = new Uint8Array(n);
  const option = new Uint8Array(n).fill(3);
  const shortfallStart = target * 3 * n;
  const FACTOR = [1, 2, 3, 3];
  const floors = [0.01, 0.01, 1.0, 0.01];
  const worst = [0, 0, 0];
  const worstTest = [0, 0, 0];
  const ok = [false, false, false];
  for (let s = 0; s < n; s++) {
    let known = site.rated[s] === 1;
    for (let c = 0; c < 3; c++) {
      const at = c * n + s;
      const value = [site.season[at], site.winter[at], site.gap[at], site.shortfall[shortfallStart + at]];
      const limit = [
        rules.season_min,
        c === 0 ? rules.winterkill_min : rules.survival_min,
        rules.planting_gap_max_mm,
        rules.shortfall_max,
      ];
      ok[c] = true;
      worst[c] = Infinity;
      worstTest[c] = 0;
      for (let k = 0; k < 4; k++) {
        if (Number.isNaN(value[k])) { known = false; continue; }
        if (irrigated && k > 1) continue;
        const slack = k < 2 ? value[k] - limit[k] : limit[k] - value[k];
        const margin = slack / Math.max(limit[k], floors[k]);
        if (!(slack >= -SF.TOLERANCE)) ok[c] = false;
        if (margin < worst[c]) { worst[c] = margin; worstTest[c] = k; }
      }
    }
    if (!known) { zone[s] = 7; continue; }
    let limiting = 0;
    if (ok[0] && ok[2]) { zone[s] = 5; continue; }
    if (ok[0] && ok[1]) { zone[s] = 4; limiting = 2; }
    else if (ok[0]) { zone[s] = 3; limiting = 1; }
    else if (ok[1] || ok[2]) { zone[s] = 6; limiting = 0; }
    else {
      for (let c = 1; c < 3; c++) if (worst[c] > worst[limiting]) limiting = c;
      zone[s] = FACTOR[worstTest[limiting]] === 3 ? 1 : 2;
    }
    factor[s] = FACTOR[worstTest[limiting]];
    option[s] = limiting;
  }
  return { zone, factor, option };
};

/**
 * Give every field the zone with the largest share of its rated area, and what limits most of that zone (ties to the drier zone,
 * then to the first reason by name, as in the study).
 *
 * @param {object} cover  count (field), site and share (one after the other)
 * @param {function} zonesOf  field -> {zone, factor, option} by site
 * @param {number} ratedMin  below this rated share a field is not rated
 */
SF.fieldZones = function (cover, zonesOf, ratedMin) {
  const n = cover.count.length;
  const zone = new Uint8Array(n);
  const factor = new Uint8Array(n);
  const share = new Float64Array(8);
  const reason = new Float64Array(16);
  // Reasons by name: factor (none, season, water, winter), then cover (none, early, late, winter-killed).
  const RANK = [0, 1, 3, 2];
  const COVER_RANK = [3, 1, 2, 0];
  for (let f = 0, k = 0; f < n; f++) {
    const sites = zonesOf(f);
    const start = k;
    const stop = k + cover.count[f];
    share.fill(0);
    for (; k < stop; k++) share[sites.zone[cover.site[k]]] += cover.share[k];
    let best = 7;
    let rated = 0;
    for (let z = 6; z > 0; z--) {
      rated += share[z];
      if (share[z] > 0 && (best === 7 || share[z] >= share[best])) best = z;
    }
    zone[f] = rated >= ratedMin - SF.TOLERANCE ? best : 7;
    if (zone[f] === 7) continue;
    reason.fill(0);
    for (let j = start; j < stop; j++) {
      const s = cover.site[j];
      if (sites.zone[s] === zone[f]) reason[4 * RANK[sites.factor[s]] + COVER_RANK[sites.option[s]]] += cover.share[j];
    }
    let first = 0;
    for (let r = 1; r < 16; r++) if (reason[r] > reason[first] + SF.TOLERANCE) first = r;
    factor[f] = RANK.indexOf(first >> 2);
  }
  return { zone, factor };
};
