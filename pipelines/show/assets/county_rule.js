/* The zone rule, evaluated from the rule table that the page carries (geo/rating/rule.py): nothing of it is written here. */
"use strict";

/** Limits of every test, cover by cover, in whole steps of the test; halves upwards, as in the study. */
SF.limitsInSteps = (rule, limits) => rule.covers.map((_, c) =>
  rule.tests.map((test) => Math.floor(limits[test.limits[c]] / test.step + 0.5)));

/** Margin of a test as a share of its limit, above zero passes; infinite where waived, NaN where unknown. */
SF.margin = function (test, steps, limit, irrigated) {
  if (Number.isNaN(steps)) return NaN;
  if (irrigated && test.waived_if_irrigated) return Infinity;
  return (test.at_least ? steps - limit : limit - steps) / Math.max(limit, test.floor);
};

/** Places of one kind (site, field) with their tested values, from the unpacked arrays. */
SF.place = function (rule, arrays, kind, irrigated) {
  const rated = arrays[kind + "_rated"];
  const n = rated.length;
  const values = rule.tests.map((test) => arrays[kind + "_" + test.name]);
  const covers = rule.covers.length;
  const byTarget = values.map((one) => one.length > covers * n);
  const steps = function (k, c, p, target) {
    const value = values[k][((byTarget[k] ? target * covers : 0) + c) * n + p];
    return value === rule.missing ? NaN : value;
  };
  return { n, rated, irrigated, steps };
};

/**
 * Judge places: their zone, what limits it and by how much. Ties go to the first test and the first cover.
 *
 * @param {object} rule  covers, tests, zones in the order in which they are tried, not_rated
 * @param {object} place  n; steps(test, cover, place, target): whole steps or NaN; rated, irrigated: a byte by place
 * @param {Array<object>} limits  by name: of dryland, of irrigated ground
 * @param {number} target  position of the planting-water target
 * @returns {object} by place: zone code; cover and test that limit it and the answer by position, -1 for none; margin
 */
SF.judge = function (rule, place, limits, target) {
  const { n } = place;
  const zone = new Uint8Array(n).fill(rule.not_rated);
  const cover = new Int8Array(n).fill(-1);
  const test = new Int8Array(n).fill(-1);
  const answer = new Int8Array(n).fill(-1);
  const margin = new Float64Array(n).fill(NaN);
  const steps = limits.map((one) => SF.limitsInSteps(rule, one));
  const least = (row, among) => among.reduce((best, k) => (row[k] < row[best] ? k : best), among[0]);
  const every = rule.tests.map((_, k) => k);
  for (let p = 0; p < n; p++) {
    const wet = place.irrigated[p];
    const margins = rule.covers.map((_, c) =>
      rule.tests.map((row, k) => SF.margin(row, place.steps(k, c, p, target), steps[wet][c][k], wet)));
    if (!place.rated[p] || margins.some((row) => row.some(Number.isNaN))) continue;
    const fits = margins.map((row) => row.every((m) => m >= 0));
    const eligible = (c, row) => row.some_passes.every((k) => margins[c][k] >= 0);
    const found = rule.zones.find((row) => row.fits_all.every((c) => fits[c])
      && (!row.fits_any.length || row.fits_any.some((c) => fits[c])) && fits.some((_, c) => eligible(c, row)));
    zone[p] = found.code;
    if (found.limit_covers.length) {
      const worst = margins.map((row, c) => (eligible(c, found) ? row[least(row, found.limit_tests)] : -Infinity));
      cover[p] = found.limit_covers.reduce((best, c) => (worst[c] > worst[best] ? c : best));
      test[p] = least(margins[cover[p]], found.limit_tests);
      margin[p] = worst[cover[p]];
    }
    const choice = found.answers.find((c) => fits[c]);
    if (choice !== undefined) {
      answer[p] = choice;
      margin[p] = margins[choice][least(margins[choice], every)];
    }
  }
  return { zone, cover, test, answer, margin };
};

/** The tests of one place under the limits that are tried, cover by cover: value and limit in their unit, and whether passed. */
SF.verdicts = function (rule, place, limits, target, p) {
  const wet = place.irrigated[p];
  const steps = SF.limitsInSteps(rule, limits[wet]);
  return rule.covers.map((_, c) => rule.tests.map((test, k) => {
    const value = place.steps(k, c, p, target);
    return { test, name: test.limits[c], value: value * test.step, limit: steps[c][k] * test.step,
      passed: SF.margin(test, value, steps[c][k], wet) >= 0 };
  }));
};

/* Words of the verdicts, as in pipelines/show/verdict_words.py ------------------------------------------------------- */

/** Value and limit as they are read; a value that misses its limit never looks as if it met it. */
SF.verdictNumbers = function ({ test, name, value, limit, passed }) {
  const depth = name.endsWith("_mm");
  let shown;
  let least;
  if (depth) [shown, least] = [value, limit].map((mm) => (US() ? nice(mm / 25.4, 0.1) : nice(mm, 1)));
  else {
    const exact = limit * SF.data.seasons;
    least = test.at_least ? Math.ceil(exact - 1e-9) : Math.floor(exact + 1e-9);
    shown = nice(value * SF.data.seasons, 1);
    if (passed) shown = test.at_least ? Math.max(shown, least) : Math.min(shown, least);
  }
  const text = depth ? SF.depth(limit) : SF.digits(least, 0);
  if (!passed && (test.at_least ? shown >= least : shown <= least)) return [SF.t("verdict." + (test.at_least ? "under" : "over"), { limit: text }), text];
  return [depth ? SF.depth(value) : SF.digits(shown, 0), text];
};

/** For each cover, which tests it fails, or that it passes. */
SF.byCover = (verdicts) => verdicts.map((tests) => tests.filter((v) => !v.passed).map((v) => {
  const [value, limit] = SF.verdictNumbers(v);
  return SF.t("verdict.clause." + v.name, { value, limit, total: SF.data.seasons });
}).join("; ") || SF.t("verdict.fits"));

/** The limiting test in a few words. */
SF.limitWord = (rule, cover, test) => SF.t("verdict.short." + (test < 0 ? "none" : rule.tests[test].limits[cover]));
