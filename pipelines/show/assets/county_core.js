/* Small tools of the county page: elements, words, units, and the unpacking of what the page carries. */
"use strict";
const SF = { data: JSON.parse(document.getElementById("county-data").textContent) };
SF.rule = SF.data.rule;
const NOT_RATED = SF.rule.not_rated;

/** Make an element. Text always goes in as text, never as markup. */
SF.el = function (tag, attributes, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes || {})) {
    if (value === true) node.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) node.setAttribute(name, value);
  }
  for (const child of children.flat(Infinity)) {
    if (child !== null && child !== undefined) node.append(child.nodeType ? child : String(child));
  }
  return node;
};

SF.byId = (id) => document.getElementById(id);

/** A text of the catalogue with its {values} filled. */
SF.t = function (key, values) {
  const text = SF.data.words[key];
  if (text === undefined) return key;
  return values ? text.replace(/\{(\w+)\}/g, (all, name) => (name in values ? values[name] : all)) : text;
};

/* Units --------------------------------------------------------------------------------------------------------- */

SF.units = SF.data.units;
const US = () => SF.units === "us";
const nice = (value, step) => Math.floor(value / step + 0.5) * step;
const isNumber = (v) => v !== null && v !== undefined && !Number.isNaN(v);

SF.digits = function (value, decimals) {
  const text = value.toLocaleString(SF.data.language, { minimumFractionDigits: decimals, maximumFractionDigits: decimals });
  return text.replace(/^-(?=[0.,]*$)/, "").replace("-", "\u2212");
};

const quantity = (number, unit) => SF.t("common.quantity", { number, unit: SF.t("common.unit." + unit) });
const missing = () => SF.t("common.no_data");

/** Water depth in mm as shown to the user; `bare` leaves the unit away. */
SF.depth = function (mm, bare) {
  if (!isNumber(mm)) return missing();
  const known = nice(mm, 0.1); // nothing finer is compared, see geo/rating/rule.py
  const text = US() ? SF.digits(nice(known / 25.4, 0.1), 1) : SF.digits(nice(known, 1), 0);
  return bare ? text : quantity(text, US() ? "inch" : "mm");
};

SF.area = function (ha, bare) {
  if (!isNumber(ha)) return missing();
  const acres = ha / 0.40468564224;
  const text = US() ? SF.digits(acres, Math.abs(acres) < 9.95 && acres !== 0 ? 1 : 0) : SF.digits(nice(ha, 0.1), 1);
  return bare ? text : quantity(text, US() ? "acre" : "hectare");
};

SF.percent = (share) => (isNumber(share) ? SF.t("common.percent", { number: SF.digits(share * 100, 0) }) : missing());

/** Share of years as a count among the seasons that were run; `bare` is the count alone. */
SF.years = function (share, total, bare) {
  if (!isNumber(share)) return missing();
  const n = total || SF.data.seasons;
  const count = SF.digits(nice(nice(Math.min(Math.max(share, 0), 1), 0.001) * n, 1), 0);
  return bare ? count : SF.t("common.years_in", { count, total: n });
};

const MONTH_START = [0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334];

SF.date = function (day) {
  if (!isNumber(day)) return missing();
  const index = (((Math.round(day) - 1) % 365) + 365) % 365;
  let month = 11;
  while (MONTH_START[month] > index) month -= 1;
  const values = { month: SF.data.months[month], day: index - MONTH_START[month] + 1 };
  return SF.t(US() ? "common.date_us" : "common.date_metric", values);
};

/* Unpacking ----------------------------------------------------------------------------------------------------- */

const TYPES = { f4: Float32Array, i2: Int16Array, u1: Uint8Array, u4: Uint32Array };

/** Unpack arrays whose bytes of equal weight lie together in one zlib stream. */
SF.unpack = async function (packed) {
  const raw = Uint8Array.from(atob(packed.data), (c) => c.charCodeAt(0));
  const stream = new Blob([raw]).stream().pipeThrough(new DecompressionStream("deflate"));
  const bytes = new Uint8Array(await new Response(stream).arrayBuffer());
  const out = {};
  let start = 0;
  for (const [name, type, length] of packed.parts) {
    const width = Number(type[1]);
    const mixed = new Uint8Array(length * width);
    for (let b = 0; b < width; b++) {
      for (let i = 0, from = start + b * length; i < length; i++) mixed[i * width + b] = bytes[from + i];
    }
    out[name] = new TYPES[type](mixed.buffer);
    start += length * width;
  }
  return out;
};

/** Read the site of each square from the grey pixels of the picture; null when the browser alters pictures. */
SF.readSites = async function (image) {
  const picture = new Image();
  picture.src = image.site;
  await picture.decode();
  const width = image.bytes;
  const canvas = SF.el("canvas", { width: image.columns * width, height: image.rows });
  const context = canvas.getContext("2d", { willReadFrequently: true });
  context.drawImage(picture, 0, 0);
  const bytes = context.getImageData(0, 0, canvas.width, canvas.height).data;
  const site = new Int32Array(image.columns * image.rows);
  let sum = 0;
  let placed = 0;
  for (let i = 0, k = 0; i < site.length; i++, k += 4 * width) {
    let number = bytes[k];
    if (width > 1) number += 256 * bytes[k + 4];
    if (width > 2) number += 65536 * bytes[k + 8];
    site[i] = number - 1;
    sum += number;
    placed += number * (i % 251);
  }
  return sum === image.checksum[0] && placed === image.checksum[1] ? site : null;
};

const LETTER = new Int8Array(128).fill(-1);
[..."ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"].forEach((c, i) => { LETTER[c.charCodeAt(0)] = i; });

/** Whole numbers from text: five bits a letter, the sixth says that more follow, the lowest of all is the sign. */
SF.readIntegers = function (text) {
  const out = new Int32Array(text.length);
  let n = 0;
  let value = 0;
  let shift = 0;
  for (let i = 0; i < text.length; i++) {
    const bits = LETTER[text.charCodeAt(i)];
    value |= (bits & 31) << shift;
    if (bits & 32) { shift += 5; continue; }
    out[n++] = value & 1 ? -((value + 1) >>> 1) : value >>> 1;
    value = 0;
    shift = 0;
  }
  return out.subarray(0, n);
};

/** Turn the integer steps of all outlines into flat arrays: metres east and south of the corner of the map. */
SF.readOutlines = function (text) {
  const steps = SF.readIntegers(text);
  const count = SF.data.fields.count;
  const fieldRing = new Uint32Array(count + 1);
  const box = new Float64Array(4 * count);
  const ringStart = [0];
  const xy = new Int32Array(steps.length);
  let x0 = 0;
  let y0 = 0;
  let n = 0;
  let k = 0;
  for (let f = 0; f < count; f++) {
    let west = Infinity, north = Infinity, east = -Infinity, south = -Infinity;
    for (let rings = steps[k++]; rings > 0; rings--) {
      let x = x0;
      let y = y0;
      for (let points = steps[k++], first = true; points > 0; points--, first = false) {
        x += steps[k++];
        y += steps[k++];
        if (first) { x0 = x; y0 = y; }
        xy[n++] = x;
        xy[n++] = y;
        if (x < west) west = x;
        if (x > east) east = x;
        if (y < north) north = y;
        if (y > south) south = y;
      }
      ringStart.push(n / 2);
    }
    fieldRing[f + 1] = ringStart.length - 1;
    box.set([west, north, east, south], 4 * f);
  }
  return { xy, ringStart: Uint32Array.from(ringStart), fieldRing, box };
};

/** The property table: a function for each column that gives the value of a field. */
SF.readColumns = function (columns) {
  const out = {};
  for (const [name, column] of Object.entries(columns)) {
    if (column.v) { out[name] = (f) => column.v[f]; continue; }
    const values = SF.readIntegers(column.n);
    if (column.words) out[name] = (f) => column.words[values[f]];
    else out[name] = (f) => (values[f] === 0 ? NaN : (values[f] - (values[f] > 0)) / column.k);
  }
  return out;
};
