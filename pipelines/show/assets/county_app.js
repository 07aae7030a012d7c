/* The page itself: what is chosen, and what has to be drawn again when it changes. */
"use strict";
SF.field = SF.readColumns(SF.data.fields.columns);
SF.state = {
  layer: "zone", cover: 0, option: 1, whole: false, selected: -1, page: 0, rows: [], count: 0,
  shown: new Uint8Array(SF.data.fields.count).fill(1),
  filter: { search: "", zone: 0, factor: "", ground: "" },
  sort: { column: "field", descending: false },
  rules: { ...SF.data.rules, target: SF.data.target },
};
SF.site = null;
SF.cover = null;
SF.studyZones = {
  site: { zone: new Uint8Array(0), factor: new Uint8Array(0) },
  field: {
    zone: Uint8Array.from({ length: SF.data.fields.count }, (_, f) => SF.field.zone_code(f)),
    factor: Uint8Array.from({ length: SF.data.fields.count }, (_, f) => SF.field.factor(f)),
  },
};
SF.zones = SF.studyZones;

/* Numbers of a field ---------------------------------------------------------------------------------------------- */

SF.gapOf = (f, c) => (SF.zones.field.zone[f] === 7 ? NaN : SF.field["planting_gap_mm_" + SF.COVERS[c]](f));
SF.waterOf = (f, o) => (SF.zones.field.zone[f] === 7 ? NaN : SF.field["planting_water_mm_" + SF.OPTIONS[o]](f));
SF.shortfallOf = function (f, c) {
  if (SF.zones.field.zone[f] === 7) return NaN;
  if (SF.state.rules.target === SF.data.target) return SF.field["shortfall_years_" + SF.COVERS[c]](f);
  if (SF.fieldShortfall.target !== SF.state.rules.target) SF.fieldShortfall();
  return SF.fieldShortfall.values[c][f];
};

/** Shortfall years of each field at another planting-water target: its sites, weighted by area. */
SF.fieldShortfall = function () {
  const { target } = SF.state.rules;
  const n = SF.site.n;
  SF.fieldShortfall.target = target;
  SF.fieldShortfall.values = SF.COVERS.map((_, c) => {
    const out = new Float64Array(SF.data.fields.count);
    for (let f = 0, k = 0; f < out.length; f++) {
      let sum = 0;
      let weight = 0;
      for (const stop = k + SF.cover.count[f]; k < stop; k++) {
        const s = SF.cover.site[k];
        const value = SF.site.rated[s] ? SF.site.shortfall[(target * 3 + c) * n + s] : NaN;
        if (!Number.isNaN(value)) { sum += SF.cover.share[k] * value; weight += SF.cover.share[k]; }
      }
      out[f] = weight > 0 ? sum / weight : NaN;
    }
    return out;
  });
};

/* What-if --------------------------------------------------------------------------------------------------------- */

SF.isStudy = () => ["planting_gap_max_mm", "shortfall_max"].every((k) => SF.state.rules[k] === SF.data.rules[k])
  && SF.state.rules.target === SF.data.target;

SF.zonesOf = (f) => (SF.field.irrigated(f) === 1 ? SF.irrigatedZones : SF.zones.site);

SF.rezone = function () {
  if (SF.isStudy()) { SF.zones = SF.studyZones; return; }
  const site = SF.classify(SF.site, SF.state.rules, SF.state.rules.target, false);
  const field = SF.fieldZones(SF.cover, (f) => (SF.field.irrigated(f) === 1 ? SF.irrigatedZones : site), SF.data.rules.rated_share_min);
  for (let f = 0; f < field.zone.length; f++) {
    // Water rules do not touch irrigated fields: they keep the zone that the study gave them.
    if (SF.field.irrigated(f) === 1) {
      field.zone[f] = SF.studyZones.field.zone[f];
      field.factor[f] = SF.studyZones.field.factor[f];
    }
  }
  SF.zones = { site, field };
};

/* Drawing --------------------------------------------------------------------------------------------------------- */

SF.paintView = function () {
  const drawn = SF.site || SF.state.layer === "zone" ? SF.classesOf(SF.state.layer, SF.state.cover, SF.state.option) : SF.view;
  Object.assign(SF.view, drawn, { whole: SF.state.whole, shown: SF.state.shown });
  SF.layer.repaint();
};

SF.drawLegend = function () {
  const { layer, cover, option } = SF.state;
  const name = SF.LAYERS[layer].cover ? SF.t("common.option." + SF.COVERS[cover])
    : SF.LAYERS[layer].option ? SF.t("common.option." + SF.OPTIONS[option]) : "";
  SF.byId("legend-title").textContent = name ? SF.t("legend.with", { layer: SF.t("layer." + layer), option: name }) : SF.t("layer." + layer);
  SF.byId("legend-about").textContent = SF.t("about." + layer);
  const area = new Float64Array(SF.view.classes.length);
  if (SF.site) for (let s = 0; s < SF.site.n; s++) area[SF.view.siteClass[s]] += SF.site.area[s];
  const rows = SF.view.classes.map((c, k) => (c === null ? null : SF.el("li", {},
    SF.swatch(c, 34, 22), SF.el("span", {}, (c.number ? c.number + " " : "") + c.label),
    SF.site ? SF.el("span", { class: "acres" }, SF.area(area[k])) : null)));
  SF.byId("legend-list").replaceChildren(...rows.filter(Boolean));
};

SF.drawTotals = function () {
  if (!SF.site) return;
  const { ground, fields, number } = SF.zoneAreas();
  const changed = !SF.isStudy();
  SF.byId("totals-change").hidden = !changed;
  const rows = SF.data.zones.map((z) => {
    const before = SF.studyGround[z.code];
    const difference = ground[z.code] - before;
    const sign = difference > 0 ? "+" : "";
    return SF.el("tr", { "data-zone": z.code },
      SF.el("th", { scope: "row" }, SF.el("span", { class: "chip", "aria-hidden": "true" }, SF.zoneSwatch(z.code)), z.code + " ", z.label),
      SF.el("td", { class: "number" }, SF.area(ground[z.code], true)),
      changed ? SF.el("td", { class: "number" }, sign + SF.area(difference, true)) : null,
      SF.el("td", { class: "number" }, SF.area(fields[z.code], true)),
      SF.el("td", { class: "number" }, SF.digits(number[z.code], 0)));
  });
  const sum = (a) => a.reduce((x, y) => x + y, 0);
  SF.byId("totals-rows").replaceChildren(...rows);
  SF.byId("totals-foot").replaceChildren(SF.el("tr", {}, SF.el("th", { scope: "row" }, SF.t("totals.all")),
    SF.el("td", { class: "number" }, SF.area(sum(ground), true)), changed ? SF.el("td") : null,
    SF.el("td", { class: "number" }, SF.area(sum(fields), true)), SF.el("td", { class: "number" }, SF.digits(sum(number), 0))));
  for (const node of document.querySelectorAll(".area-unit")) node.textContent = SF.t("common.unit." + (US() ? "acre" : "hectare"));
};

SF.drawRules = function () {
  const { rules } = SF.state;
  const us = US();
  const gap = SF.byId("rule-gap");
  gap.max = us ? 6 : 150;
  gap.step = us ? 0.1 : 1;
  gap.value = us ? nice(rules.planting_gap_max_mm / 25.4, 0.1) : rules.planting_gap_max_mm;
  SF.byId("rule-shortfall").value = rules.shortfall_max;
  SF.byId("rule-target").value = rules.target;
  const texts = {
    gap: SF.depth(rules.planting_gap_max_mm),
    shortfall: SF.t("whatif.years", { count: SF.digits(rules.shortfall_max * 10, 1) }),
    target: SF.t("whatif.target_value", { percent: SF.percent(SF.data.targets[rules.target]) }),
  };
  for (const [key, text] of Object.entries(texts)) {
    SF.byId("rule-" + key + "-out").textContent = text;
    SF.byId("rule-" + key).setAttribute("aria-valuetext", text);
  }
  SF.byId("rule-reset").disabled = SF.isStudy();
  SF.byId("rule-note").textContent = SF.t(SF.isStudy() ? "whatif.study" : "whatif.changed");
};

/** Draw again what depends on the zones, the filter, the layer or the units. */
SF.refresh = function (what) {
  if (what === "rules") SF.rezone();
  if (what !== "select") SF.applyFilter();
  SF.paintView();
  SF.drawLegend();
  SF.drawRules();
  if (what === "start") return;
  SF.sortRows();
  SF.drawHead();
  SF.drawRows();
  SF.drawTotals();
  SF.byId("count-text").textContent = SF.t("table.count", { count: SF.digits(SF.state.count, 0), total: SF.digits(SF.data.fields.count, 0) });
};

SF.say = (text) => { SF.byId("spoken").textContent = text; };

/* Start ----------------------------------------------------------------------------------------------------------- */

SF.start = function (map) {
  const frame = SF.data.image;
  SF.map = map;
  SF.shapes = SF.readOutlines(SF.data.fields.outlines);
  SF.view = {
    shown: SF.state.shown, whole: false, label: SF.fieldLabel,
    irrigated: Uint8Array.from({ length: SF.data.fields.count }, (_, f) => SF.field.irrigated(f)),
    classes: [], siteClass: new Uint8Array(0), fieldClass: new Uint8Array(0),
  };
  SF.layer = new SF.CountyLayer(SF.shapes, frame, SF.view);
  const corner = (x, y) => SF.layer.toLatLng(x, y);
  const bounds = L.latLngBounds(corner(0, frame.rows * frame.step), corner(frame.columns * frame.step, 0));
  SF.bounds = bounds;
  map.attributionControl.setPrefix(false);
  for (const way of ["in", "out"]) {
    const button = map.getContainer().querySelector(".leaflet-control-zoom-" + way);
    button.title = SF.t("zoom_" + way);
    button.setAttribute("aria-label", SF.t("zoom_" + way));
  }
  map.fitBounds(bounds, { animate: false });
  map.setMaxBounds(bounds.pad(0.6));
  map.setMinZoom(Math.max(4, map.getZoom() - 2));
  SF.listen();
  SF.refresh("start");
  SF.layer.addTo(map);
  // First show the fields; tables, squares and what the rules need follow once that stands on the screen.
  const shown = new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(done))));
  const loaded = new Promise((done) => {
    if (document.readyState !== "loading") done();
    else document.addEventListener("DOMContentLoaded", done);
  });
  SF.ready = shown.then(() => { SF.refresh("all"); return loaded; }).then(SF.finish);
};

/** Unpack the tables and the picture after the first drawing. */
SF.finish = async function () {
  Object.assign(SF.data, JSON.parse(SF.byId("county-more").textContent));
  try {
    const arrays = await SF.unpack(SF.data.packed);
    SF.cover = { count: arrays.cover_count, site: arrays.cover_site, share: Float64Array.from(arrays.cover_share, (v) => v / SF.data.share_steps) };
    SF.site = { ...arrays, n: arrays.rated.length };
    SF.studyZones.site = { zone: arrays.zone, factor: arrays.factor };
    SF.irrigatedZones = SF.classify(SF.site, SF.data.irrigated_rules, SF.data.target, true);
    SF.studyGround = new Float64Array(8);
    for (let s = 0; s < SF.site.n; s++) SF.studyGround[arrays.zone[s]] += arrays.area[s];
  } catch (error) {
    SF.byId("whatif").disabled = true;
    SF.byId("rule-note").textContent = SF.t("whatif.old_browser");
    SF.fallbackPicture();
    return "no tables";
  }
  SF.layer.site = await SF.readSites({ ...SF.data.image, site: SF.data.site_picture }).catch(() => null);
  if (!SF.layer.site) SF.fallbackPicture();
  SF.refresh("all");
  document.documentElement.dataset.ready = "yes";
  return SF.layer.site ? "all" : "no picture";
};

/** Where a browser hands out altered pictures, show the zones as they were drawn by the study. */
SF.fallbackPicture = function () {
  L.imageOverlay(SF.byId("paper-map").src, SF.bounds, { className: "pixels", zIndex: 1, alt: "" }).addTo(SF.map).bringToBack();
  SF.byId("picture-note").hidden = false;
};
