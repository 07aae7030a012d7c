/* Drawing: every square and every outline of the county on canvas tiles, in the colours of the layer that is shown. */
"use strict";

/** Tell whether a screen pixel carries the ink of a pattern (the same rule as the printed picture). */
SF.patternInk = function (pattern, x, y) {
  switch (pattern) {
    case "lines": return y % 8 < 2;
    case "dots": return x % 8 < 2 && (y + 4 * (Math.floor(x / 8) % 2)) % 8 < 2;
    case "grid": return x % 10 < 1 || y % 10 < 1;
    case "diagonal": return (x + y) % 10 < 2;
    default: return false;
  }
};

SF.PATTERN_PERIOD = 80;
const PIXEL = (rgb) => (255 << 24) | (rgb[2] << 16) | (rgb[1] << 8) | rgb[0];
const CSS_RGB = (rgb) => `rgb(${rgb[0]},${rgb[1]},${rgb[2]})`;

/** A canvas with one class drawn as fill and pattern; `phase` is the place of its corner in the pattern. */
SF.swatch = function (cls, width, height) {
  const canvas = SF.el("canvas", { width, height, "aria-hidden": "true", class: "swatch" });
  const context = canvas.getContext("2d");
  const image = context.createImageData(width, height);
  const pixels = new Uint32Array(image.data.buffer);
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      pixels[y * width + x] = PIXEL(SF.patternInk(cls.pattern, x, y) ? cls.ink : cls.rgb);
    }
  }
  context.putImageData(image, 0, 0);
  return canvas;
};

/** Trace the outlines of one field on a canvas path. */
const trace = function (context, shapes, field, scale, left, top) {
  for (let r = shapes.fieldRing[field]; r < shapes.fieldRing[field + 1]; r++) {
    const stop = 2 * shapes.ringStart[r + 1];
    let k = 2 * shapes.ringStart[r];
    context.moveTo(shapes.xy[k] * scale - left, shapes.xy[k + 1] * scale - top);
    for (k += 2; k < stop; k += 2) context.lineTo(shapes.xy[k] * scale - left, shapes.xy[k + 1] * scale - top);
    context.closePath();
  }
};

/**
 * The drawing layer.
 *
 * `view` is read at each drawing: {classes, siteClass, fieldClass, shown, irrigated, whole, label(field), dark}.
 */
SF.CountyLayer = L.GridLayer.extend({
  initialize: function (shapes, frame, view, options) {
    L.GridLayer.prototype.initialize.call(this, options);
    this.shapes = shapes;
    this.frame = frame;
    this.view = view;
    this.site = null;
    this.tiles = new Map();
    this.on("tileunload", (event) => this.tiles.delete(event.tile));
  },

  createTile: function (coords) {
    const size = this.getTileSize().x;
    const ratio = Math.min(2, Math.max(1, Math.round(window.devicePixelRatio || 1)));
    const tile = SF.el("canvas", { width: size * ratio, height: size * ratio });
    this.tiles.set(tile, { coords, size, ratio });
    this.paint(tile);
    return tile;
  },

  /** Draw every tile again, at once. */
  repaint: function () {
    for (const tile of this.tiles.keys()) this.paint(tile);
  },

  paint: function (tile) {
    const { coords, size, ratio } = this.tiles.get(tile);
    // Pixels of the whole world at this zoom; the corner of the map is the origin of all outlines.
    const scale = (256 * 2 ** coords.z) / (2 * Math.PI * 6378137);
    const left = coords.x * size - (this.frame.west + Math.PI * 6378137) * scale;
    const top = coords.y * size - (Math.PI * 6378137 - this.frame.north) * scale;
    const context = tile.getContext("2d");
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.clearRect(0, 0, tile.width, tile.height);
    if (!this.view.whole && this.site) this.paintSquares(context, tile, coords, size, ratio, scale, left, top);
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
    this.paintFields(context, coords, size, scale, left, top);
  },

  paintSquares: function (context, tile, coords, size, ratio, scale, left, top) {
    const { columns, rows, step } = this.frame;
    const view = this.view;
    const width = tile.width;
    const image = context.createImageData(width, width);
    const pixels = new Uint32Array(image.data.buffer);
    const fill = view.classes.map((c) => (c ? PIXEL(c.rgb) : 0));
    const inks = view.classes.map((c) => (c ? PIXEL(c.ink) : 0));
    const patterns = view.classes.map((c) => (c ? c.pattern : "none"));
    const column = new Int32Array(width);
    for (let x = 0; x < width; x++) column[x] = Math.floor(((x + 0.5) / ratio + left) / scale / step);
    const phaseX = (coords.x * size) % SF.PATTERN_PERIOD;
    const phaseY = (coords.y * size) % SF.PATTERN_PERIOD;
    for (let y = 0; y < width; y++) {
      const row = Math.floor(((y + 0.5) / ratio + top) / scale / step);
      if (row < 0 || row >= rows) continue;
      const start = row * columns;
      const py = phaseY + Math.floor(y / ratio);
      for (let x = 0; x < width; x++) {
        if (column[x] < 0 || column[x] >= columns) continue;
        const site = this.site[start + column[x]];
        if (site < 0) continue;
        const c = view.siteClass[site];
        if (c === 0) continue;
        const inked = patterns[c] !== "none" && SF.patternInk(patterns[c], phaseX + Math.floor(x / ratio), py);
        pixels[y * width + x] = inked ? inks[c] : fill[c];
      }
    }
    context.putImageData(image, 0, 0);
  },

  paintFields: function (context, coords, size, scale, left, top) {
    const { shapes, view } = this;
    const margin = 24;
    const box = shapes.box;
    const near = [];
    for (let f = 0; f < view.shown.length; f++) {
      if (!view.shown[f]) continue;
      const b = 4 * f;
      if (box[b] * scale - left < size + margin && box[b + 2] * scale - left > -margin
        && box[b + 1] * scale - top < size + margin && box[b + 3] * scale - top > -margin) near.push(f);
    }
    if (!near.length) return;
    if (view.whole) {
      const byClass = new Map();
      for (const f of near) {
        const c = view.fieldClass[f];
        if (!byClass.has(c)) byClass.set(c, []);
        byClass.get(c).push(f);
      }
      for (const [c, fields] of byClass) {
        const cls = view.classes[c];
        if (!cls) continue;
        context.beginPath();
        for (const f of fields) trace(context, shapes, f, scale, left, top);
        context.fillStyle = CSS_RGB(cls.rgb);
        context.fill("evenodd");
        if (cls.pattern !== "none") {
          context.save();
          context.translate(-((coords.x * size) % SF.PATTERN_PERIOD), -((coords.y * size) % SF.PATTERN_PERIOD));
          cls.fill = cls.fill || context.createPattern(SF.swatch(cls, SF.PATTERN_PERIOD, SF.PATTERN_PERIOD), "repeat");
          context.fillStyle = cls.fill;
          context.fill("evenodd");
          context.restore();
        }
      }
    }
    // A dark line in a light casing stands out on every fill; irrigated fields have a broken line.
    const close = scale > 0.028;
    for (const wet of [false, true]) {
      const fields = near.filter((f) => Boolean(view.irrigated[f]) === wet);
      if (!fields.length) continue;
      context.beginPath();
      for (const f of fields) trace(context, shapes, f, scale, left, top);
      context.lineJoin = "round";
      context.setLineDash([]);
      if (close) {
        context.strokeStyle = "#fff";
        context.lineWidth = 4;
        context.stroke();
      }
      context.strokeStyle = "#222";
      context.lineWidth = close ? 2 : 0.7;
      if (wet) context.setLineDash(close ? [7, 4] : [2, 2]);
      context.stroke();
    }
    context.setLineDash([]);
    this.paintLabels(context, near, scale, left, top);
  },

  paintLabels: function (context, near, scale, left, top) {
    const { shapes, view } = this;
    context.font = "600 13px system-ui, sans-serif";
    context.textAlign = "center";
    context.textBaseline = "middle";
    for (const f of near) {
      const b = 4 * f;
      if ((shapes.box[b + 2] - shapes.box[b]) * scale < 44 || (shapes.box[b + 3] - shapes.box[b + 1]) * scale < 34) continue;
      const text = view.label(f);
      const x = ((shapes.box[b] + shapes.box[b + 2]) / 2) * scale - left;
      const y = ((shapes.box[b + 1] + shapes.box[b + 3]) / 2) * scale - top;
      const half = context.measureText(text).width / 2 + 5;
      context.fillStyle = "#fff";
      context.strokeStyle = "#222";
      context.lineWidth = 1;
      context.fillRect(x - half, y - 10, 2 * half, 20);
      context.strokeRect(x - half, y - 10, 2 * half, 20);
      context.fillStyle = "#222";
      context.fillText(text, x, y + 1);
    }
  },

  /** Field at a place (metres from the corner of the map) among those shown, or -1. */
  fieldAt: function (x, y) {
    const { xy, ringStart, fieldRing, box } = this.shapes;
    for (let f = fieldRing.length - 2; f >= 0; f--) {
      const b = 4 * f;
      if (!this.view.shown[f] || x < box[b] || x > box[b + 2] || y < box[b + 1] || y > box[b + 3]) continue;
      let inside = false;
      for (let r = fieldRing[f]; r < fieldRing[f + 1]; r++) {
        for (let i = ringStart[r], j = ringStart[r + 1] - 1; i < ringStart[r + 1]; j = i++) {
          const yi = xy[2 * i + 1];
          const yj = xy[2 * j + 1];
          if (yi > y !== yj > y && x < ((xy[2 * j] - xy[2 * i]) * (y - yi)) / (yj - yi) + xy[2 * i]) inside = !inside;
        }
      }
      if (inside) return f;
    }
    return -1;
  },

  siteAt: function (x, y) {
    const column = Math.floor(x / this.frame.step);
    const row = Math.floor(y / this.frame.step);
    if (!this.site || column < 0 || row < 0 || column >= this.frame.columns || row >= this.frame.rows) return -1;
    return this.site[row * this.frame.columns + column];
  },

  /** Metres from the corner of the map -> latitude and longitude, and back. */
  toLatLng: function (x, y) {
    return L.CRS.EPSG3857.projection.unproject(L.point(this.frame.west + x, this.frame.north - y));
  },
  fromLatLng: function (latlng) {
    const p = L.CRS.EPSG3857.projection.project(latlng);
    return [p.x - this.frame.west, this.frame.north - p.y];
  },

  boundsOf: function (field) {
    const b = this.shapes.box.subarray(4 * field, 4 * field + 4);
    return L.latLngBounds(this.toLatLng(b[0], b[3]), this.toLatLng(b[2], b[1]));
  },

  ringsOf: function (field) {
    const rings = [];
    for (let r = this.shapes.fieldRing[field]; r < this.shapes.fieldRing[field + 1]; r++) {
      const ring = [];
      for (let i = this.shapes.ringStart[r]; i < this.shapes.ringStart[r + 1]; i++) {
        ring.push(this.toLatLng(this.shapes.xy[2 * i], this.shapes.xy[2 * i + 1]));
      }
      rings.push(ring);
    }
    return rings;
  },
});
