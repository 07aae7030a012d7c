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
SF.tests = null;
SF.zones = {
  site: { zone: new Uint8Array(0) },
  field: Object.fromEntries(Object.entries({ zone: "zone_code", cover: "limiting_cover", test: "limiting_test" }).map(([key, column]) =>
    [key, Int8Array.from({ length: SF.data.fields.count }, (_, f) => { const v = SF.field[column](f); return Number.isNaN(v) ? -1 : v; })])),
};

/* Numbers of a field ---------------------------------------------------------------------------------------------- */

SF.gapOf = (f, c) => (SF.zones.field.zone[f] === NOT_RATED ? NaN : SF.field["planting_gap_mm_" + SF.COVERS[c]](f));

/** Water of an option (0 is stubble) as the printed stubble less the printed gap: numbers side by side subtract. */
SF.waterLeft = function (stubble, gap) {
  const unit = US() ? 2.54 : 1;
  return (nice(nice(stubble, 0.1) / unit, 1) - nice(nice(gap, 0.1) / unit, 1)) * unit;
};
SF.waterOf = (f, o) => (SF.zones.field.zone[f] === NOT_RATED ? NaN
  : SF.waterLeft(SF.field.planting_water_mm_stubble(f), o ? SF.gapOf(f, o - 1) : 0));
SF.shortfallOf = function (f, c) {
  if (SF.zones.field.zone[f] === NOT_RATED) return NaN;
  const own = SF.state.rules.target === SF.data.target;
  return own ? SF.field["shortfall_years_" + SF.COVERS[c]](f) : SF.tested(SF.tests, "shortfall", c, f);
};

/** A tested value of a place in its unit, at the planting-water target that is tried. */
SF.tested = function (place, name, cover, p) {
  const k = SF.rule.tests.findIndex((test) => test.name === name);
  return place.steps(k, cover, p, SF.state.rules.target) * SF.rule.tests[k].step;
};

/* What-if --------------------------------------------------------------------------------------------------------- */

SF.isStudy = () => ["planting_gap_max_mm", "shortfall_max"].every((k) => SF.state.rules[k] === SF.data.rules[k])
  && SF.state.rules.target === SF.data.target;

/** Limits of dryland, which the sliders set, and of irrigated fields, which keep the study's. */
SF.limits = () => [SF.state.rules, SF.data.irrigated_rules];

SF.rezone = function () {
  if (!SF.site) return;
  SF.zones = Object.fromEntries(Object.entries({ site: SF.site, field: SF.tests }).map(([name, place]) =>
    [name, SF.judge(SF.rule, place, SF.limits(), SF.state.rules.target)]));
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
  // First show the fields; tables, squares and what the rules need follow once that is on the screen.
  const shown = new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(done))));
  const loaded = new Promise((done) => {
    if (document.readyState !== "loading") done();
    else document.addEventListener("DOMContentLoaded", done);
  });
  SF.ready = shown.then(() => { SF.refresh("all"); return loaded; }).then(SF.finish);
};

/** Unpack the values and the picture after the first drawing. */
SF.finish = async function () {
  Object.assign(SF.data, JSON.parse(SF.byId("county-more").textContent));
  try {
    const arrays = await SF.unpack(SF.data.packed);
    SF.site = { ...arrays, ...SF.place(SF.rule, arrays, "site", new Uint8Array(arrays.site_rated.length)) };
    SF.tests = SF.place(SF.rule, arrays, "field", SF.view.irrigated);
    const study = SF.judge(SF.rule, SF.site, [SF.data.rules, SF.data.irrigated_rules], SF.data.target);
    SF.studyGround = SF.groundAreas(study.zone);
    SF.rezone();
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
