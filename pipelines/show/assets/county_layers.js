/* The layers: which number each one shows, in which classes and colours. */
"use strict";
SF.COVERS = SF.rule.covers;
SF.OPTIONS = ["stubble", ...SF.COVERS];

const hex = (text) => [1, 3, 5].map((i) => parseInt(text.slice(i, i + 2), 16));
// Each ramp falls evenly in lightness, so that its order survives grey print and colour-vision deficiency.
const RAMPS = {
  cost: ["#FFF7E0", "#FBD9A0", "#F2AE66", "#DB7C3F", "#AE4A26", "#70240F"],
  water: ["#F9F8E2", "#BBDCD6", "#86C0CC", "#529FBE", "#2D6EA3", "#173B70"],
  time: ["#F7F2FA", "#DAD2EA", "#B6AAD3", "#8E80B8", "#65559A", "#3D2C74"],
};
const NO_DATA = { rgb: [187, 187, 187], ink: [112, 112, 112], pattern: "diagonal" };

/* Each layer: a number by site and by field, the ramp, how a number is written, and fixed class limits or none. */
SF.LAYERS = {
  zone: {},
  gap: { cover: true, ramp: "cost", write: SF.depth, kind: "depth",
    site: (s, c) => SF.tested(SF.site, "gap", c, s), field: (f, c) => SF.field["planting_gap_mm_" + SF.COVERS[c]](f) },
  shortfall: { cover: true, ramp: "cost", write: (v) => SF.years(v, 10), limits: [0.05, 0.15, 0.25, 0.35, 0.45],
    site: (s, c) => SF.tested(SF.site, "shortfall", c, s), field: (f, c) => SF.shortfallOf(f, c) },
  water: { option: true, ramp: "water", write: SF.depth, kind: "depth",
    site: (s, c, o) => SF.site.water[s] - (o ? SF.tested(SF.site, "gap", o - 1, s) : 0), field: (f, c, o) => SF.waterOf(f, o) },
  latest: { ramp: "time", write: SF.date, kind: "day", none: "layer.latest_none",
    site: (s) => SF.site.latest[s], field: (f) => SF.field.latest_termination_day(f) },
  freeze: { ramp: "time", write: SF.date, kind: "day",
    site: (s) => SF.site.freeze[s], field: (f) => SF.field.first_freeze_day(f) },
  agreement: { ramp: "water", write: SF.percent, limits: [0.5, 0.6, 0.7, 0.8, 0.9],
    site: (s) => SF.site.agreement[s], field: (f) => SF.field.agreement(f) },
  capacity: { ramp: "water", write: SF.depth, kind: "depth",
    site: (s) => SF.site.capacity[s], field: (f) => SF.field.capacity_mm(f) },
};

/** Round limits that cut the range of the data into at most six classes, in the units that the user reads. */
const roundLimits = function (values, kind) {
  const sorted = Float64Array.from(values.filter((v) => !Number.isNaN(v))).sort();
  if (!sorted.length) return [];
  const unit = kind === "depth" && SF.units === "us" ? 25.4 : 1;
  const low = sorted[Math.floor(0.02 * (sorted.length - 1))] / unit;
  const high = sorted[Math.ceil(0.98 * (sorted.length - 1))] / unit;
  const steps = kind === "day" ? [1, 2, 4, 7, 14, 28, 56] : [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200];
  const step = steps.find((s) => Math.floor(high / s) - Math.floor(low / s) <= 5) || steps[steps.length - 1];
  const limits = [];
  for (let k = Math.floor(low / step) + 1; k <= Math.floor(high / step) && limits.length < 5; k++) {
    limits.push(Math.round(k * step * 1e6) / 1e6 * unit);
  }
  return limits;
};

const rangeLabel = function (layer, limits, k) {
  if (!limits.length) return SF.t("legend.all");
  if (k === 0) return SF.t("legend.below", { high: layer.write(limits[0]) });
  if (k === limits.length) return SF.t("legend.from", { low: layer.write(limits[k - 1]) });
  return SF.t("legend.range", { low: layer.write(limits[k - 1]), high: layer.write(limits[k]) });
};

/** Classes of the layer and the class of each site and field; class 0 is nothing. */
SF.classesOf = function (name, cover, option) {
  const fields = SF.data.fields.count;
  if (name === "zone") {
    const classes = [null, ...SF.data.zones.map((z) => ({
      rgb: hex(z.colour), ink: z.ink, pattern: z.pattern, label: z.label, number: z.code, plain: z.plain }))];
    return { classes, siteClass: SF.zones.site.zone, fieldClass: SF.zones.field.zone };
  }
  const layer = SF.LAYERS[name];
  const bySite = Array.from({ length: SF.site.n }, (_, s) => (SF.site.rated[s] ? layer.site(s, cover, option) : NaN));
  const limits = layer.limits || roundLimits(bySite, layer.kind);
  const used = limits.length + 1;
  const ramp = RAMPS[layer.ramp];
  const classes = [null];
  for (let k = 0; k < used; k++) {
    const at = used === 1 ? 2 : Math.round((k * (ramp.length - 1)) / (used - 1));
    classes.push({ rgb: hex(ramp[at]), ink: hex(ramp[at]), pattern: "none", label: rangeLabel(layer, limits, k), number: "" });
  }
  classes.push({ ...NO_DATA, label: SF.t(layer.none || "legend.none"), number: "" });
  const classOf = (v) => {
    if (!(v === v) || v === null) return used + 1;
    let k = 0;
    while (k < limits.length && v >= limits[k]) k++;
    return k + 1;
  };
  const siteClass = Uint8Array.from(bySite, classOf);
  const fieldClass = new Uint8Array(fields);
  for (let f = 0; f < fields; f++) {
    fieldClass[f] = classOf(SF.field.zone_code(f) === NOT_RATED ? NaN : layer.field(f, cover, option));
  }
  return { classes, siteClass, fieldClass };
};

/** Short text that is written into a field on the map. */
SF.fieldLabel = function (f) {
  const { layer, cover, option } = SF.state;
  if (layer === "zone") return String(SF.zones.field.zone[f]);
  const value = SF.LAYERS[layer].field(f, cover, option);
  return Number.isNaN(value) || SF.zones.field.zone[f] === NOT_RATED ? "–" : SF.LAYERS[layer].write(value);
};
