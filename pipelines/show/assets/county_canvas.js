/* Drawing: every square and every outline of the county on one canvas, in the colours of the layer that is shown. */
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

/** Trace the outlines of one field on a canvas path; steps of less than a pixel are passed over. */
const trace = function (context, shapes, field, scale, left, top) {
  const { xy, ringStart, fieldRing } = shapes;
  const near = 1.2 / scale;
  for (let r = fieldRing[field]; r < fieldRing[field + 1]; r++) {
    const stop = 2 * ringStart[r + 1];
    let k = 2 * ringStart[r];
    let x = xy[k];
    let y = xy[k + 1];
    context.moveTo(x * scale - left, y * scale - top);
    for (k += 2; k < stop; k += 2) {
      if (Math.abs(xy[k] - x) + Math.abs(xy[k + 1] - y) < near) continue;
      x = xy[k];
      y = xy[k + 1];
      context.lineTo(x * scale - left, y * scale - top);
    }
    context.closePath();
  }
};

/**
 * The drawing layer: one canvas over the map, drawn again when the map has moved.
 *
 * `view` is read at each drawing: {classes, siteClass, fieldClass, shown, irrigated, whole, label(field)}.
 */
SF.CountyLayer = L.Renderer.extend({
  options: { padding: 0.15, pane: "tilePane" },

  initialize: function (shapes, frame, view) {
    L.Renderer.prototype.initialize.call(this, {});
    this.shapes = shapes;
    this.frame = frame;
    this.view = view;
    this.site = null;
  },

  _initContainer: function () {
    this._container = SF.el("canvas", { "aria-hidden": "true" });
  },

  _update: function () {
    if (this._map._animatingZoom && this._bounds) return;
    L.Renderer.prototype._update.call(this);
    const size = this._bounds.getSize();
    const ratio = Math.min(2, Math.max(1, window.devicePixelRatio || 1));
    const canvas = this._container;
    L.DomUtil.setPosition(canvas, this._bounds.min);
    canvas.width = Math.round(ratio * size.x);
    canvas.height = Math.round(ratio * size.y);
    canvas.style.width = size.x + "px";
    canvas.style.height = size.y + "px";
    this.ratio = ratio;
    this.repaint();
  },

  /** Draw everything again, at once. */
  repaint: function () {
    if (!this._map || !this._bounds) return;
    // Pixels of the whole world at this zoom; the corner of the map is the origin of all outlines.
    const scale = this._map.options.crs.scale(this._map.getZoom()) / (2 * Math.PI * 6378137);
    const corner = this._map.getPixelOrigin().add(this._bounds.min);
    const left = corner.x - (this.frame.west + Math.PI * 6378137) * scale;
    const top = corner.y - (Math.PI * 6378137 - this.frame.north) * scale;
    const place = { scale, left, top, ratio: this.ratio, size: this._bounds.getSize(),
      phaseX: corner.x % SF.PATTERN_PERIOD, phaseY: corner.y % SF.PATTERN_PERIOD };
    const context = this._container.getContext("2d");
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.clearRect(0, 0, this._container.width, this._container.height);
    const squares = this.site && !this.view.whole;
    if (squares) this.paintSquares(context, place);
    context.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
    this.paintFields(context, place, !squares);
  },

  paintSquares: function (context, { scale, left, top, ratio, phaseX, phaseY }) {
    const { columns, rows, step } = this.frame;
    const view = this.view;
    const { width, height } = context.canvas;
    const image = context.createImageData(width, height);
    const pixels = new Uint32Array(image.data.buffer);
    const fill = Int32Array.from(view.classes, (c) => (c ? PIXEL(c.rgb) : 0));
    const inks = Int32Array.from(view.classes, (c) => (c ? PIXEL(c.ink) : 0));
    const patterns = view.classes.map((c) => (c && c.pattern !== "none" ? c.pattern : ""));
    const column = new Int32Array(width);
    for (let x = 0; x < width; x++) {
      const k = Math.floor(((x + 0.5) / ratio + left) / scale / step);
      column[x] = k < 0 || k >= columns ? -1 : k;
    }
    for (let y = 0; y < height; y++) {
      const row = Math.floor(((y + 0.5) / ratio + top) / scale / step);
      if (row < 0 || row >= rows) continue;
      const start = row * columns;
      const py = Math.floor(phaseY + y / ratio);
      for (let x = 0; x < width; x++) {
        if (column[x] < 0) continue;
        const site = this.site[start + column[x]];
        if (site < 0) continue;
        const c = view.siteClass[site];
        const inked = patterns[c] && SF.patternInk(patterns[c], Math.floor(phaseX + x / ratio), py);
        pixels[y * width + x] = inked ? inks[c] : fill[c];
      }
    }
    context.putImageData(image, 0, 0);
  },

  paintFields: function (context, { scale, left, top, size, phaseX, phaseY }, whole) {
    const { shapes, view } = this;
    const margin = 24;
    const box = shapes.box;
    const near = [];
    for (let f = 0; f < view.shown.length; f++) {
      if (!view.shown[f]) continue;
      const b = 4 * f;
      if (box[b] * scale - left < size.x + margin && box[b + 2] * scale - left > -margin
        && box[b + 1] * scale - top < size.y + margin && box[b + 3] * scale - top > -margin) near.push(f);
    }
    if (!near.length) return;
    if (whole) {
      // One path a field: a browser takes ten times as long for the same outlines in one path.
      for (const f of near) {
        const cls = view.classes[view.fieldClass[f]];
        if (!cls) continue;
        context.beginPath();
        trace(context, shapes, f, scale, left, top);
        if (cls.pattern === "none") context.fillStyle = CSS_RGB(cls.rgb);
        else {
          cls.fill = cls.fill || context.createPattern(SF.swatch(cls, SF.PATTERN_PERIOD, SF.PATTERN_PERIOD), "repeat");
          cls.fill.setTransform(new DOMMatrix([1, 0, 0, 1, -phaseX, -phaseY]));
          context.fillStyle = cls.fill;
        }
        context.fill("evenodd");
      }
    }
    // A dark line in a light casing stands out on every fill; irrigated fields have a broken line.
    const close = scale > 0.028;
    context.lineJoin = "round";
    for (const wet of [false, true]) {
      const fields = near.filter((f) => Boolean(view.irrigated[f]) === wet);
      if (close) {
        context.setLineDash([]);
        context.strokeStyle = "#fff";
        context.lineWidth = 4;
        this.strokeAll(context, fields, scale, left, top);
      }
      context.strokeStyle = close ? "#222" : "rgba(34,34,34,.5)";
      context.lineWidth = close ? 2 : 0.7;
      if (wet) context.setLineDash(close ? [7, 4] : [2, 2]);
      this.strokeAll(context, fields, scale, left, top);
    }
    context.setLineDash([]);
    this.paintLabels(context, near, scale, left, top);
  },

  strokeAll: function (context, fields, scale, left, top) {
    for (let start = 0; start < fields.length; start += 50) {
      context.beginPath();
      for (const f of fields.slice(start, start + 50)) trace(context, this.shapes, f, scale, left, top);
      context.stroke();
    }
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
