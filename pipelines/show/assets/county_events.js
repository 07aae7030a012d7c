/* What the user does: choosing, filtering, clicking the map or a row, printing. */
"use strict";

/** Select a field: outline it, open its popup, show its row. `from` is "map" or "table". */
SF.select = function (field, from, latlng) {
  SF.state.selected = field;
  if (SF.outline) SF.outline.remove();
  const rings = SF.layer.ringsOf(field);
  SF.outline = L.layerGroup([
    L.polygon(rings, { color: "#fff", weight: 8, fill: false, interactive: false }),
    L.polygon(rings, { color: "#C2185B", weight: 4, fill: false, interactive: false }),
  ]).addTo(SF.map);
  const bounds = SF.layer.boundsOf(field);
  if (from === "table") SF.map.fitBounds(bounds.pad(1.2), { maxZoom: 15, animate: false });
  if (!SF.showRow(field)) SF.drawRows();
  const at = latlng || bounds.getCenter();
  SF.openPopup(SF.fieldPopup(field, at), at, from === "map");
  SF.say(SF.t("spoken.selected", { id: SF.field.field_id(field), zone: SF.data.zones[SF.zones.field.zone[field] - 1].label }));
};

SF.openPopup = function (content, at, focus) {
  const size = SF.map.getSize();
  const width = Math.min(340, size.x - 64);
  SF.popup = L.popup({ maxWidth: width, minWidth: Math.min(230, width), maxHeight: Math.max(160, 0.66 * size.y), autoPanPadding: [8, 8] }).setLatLng(at).setContent(content).openOn(SF.map);
  const close = SF.popup.getElement().querySelector(".leaflet-popup-close-button");
  if (close) close.setAttribute("aria-label", SF.t("popup.close"));
  if (focus && content.querySelector("a")) content.querySelector("a").focus({ preventScroll: true });
};

const zoneLine = (code) => SF.el("p", { class: "zone-line" }, SF.zoneSwatch(code), SF.el("strong", {}, code + " " + SF.data.zones[code - 1].label));

/** The popup of a field, built of text nodes only, when it is asked for. */
SF.fieldPopup = function (f, at) {
  const code = SF.zones.field.zone[f];
  const wet = SF.field.irrigated(f) === 1;
  const facts = [SF.field.field_id(f), SF.area(SF.field.area_ha(f)), wet ? SF.t("popup.irrigated") : null].filter(Boolean);
  const cell = (text) => SF.el("td", { class: "number" }, text);
  const row = (o) => SF.el("tr", {}, SF.el("th", { scope: "row" }, SF.t("common.option_short." + SF.OPTIONS[o])),
    cell(SF.depth(SF.waterOf(f, o), true)), cell(o ? SF.depth(SF.gapOf(f, o - 1), true) : "–"),
    cell(o ? SF.digits(nice(SF.shortfallOf(f, o - 1) * SF.data.seasons, 1), 0) : "–"));
  const unit = ", " + SF.t("common.unit." + (US() ? "inch" : "mm"));
  const heads = [SF.t("popup.option"), SF.t("popup.water") + unit, SF.t("popup.gap") + unit,
    SF.t("popup.shortfall", { total: SF.data.seasons })];
  const pair = (key, text) => [SF.el("dt", {}, SF.t("popup." + key)), SF.el("dd", {}, text)];
  const latest = SF.field.latest_termination_day(f);
  const name = SF.field.name(f);
  const crops = [SF.field.previous_crop(f), SF.field.next_crop(f)].filter(Boolean).join(" → ");
  return SF.el("div", { class: "card", "data-popup-field": f },
    SF.el("p", { class: "card-title" }, SF.el("bdi", {}, name || SF.field.field_id(f))),
    SF.el("p", { class: "facts" }, facts.map((text, i) => [i ? " · " : "", SF.el("bdi", {}, text)])),
    zoneLine(code), SF.el("p", {}, SF.data.zones[code - 1].plain),
    wet ? SF.el("p", {}, SF.t("popup.irrigated_note")) : null,
    SF.coverReasons(f), SF.isStudy() ? SF.partsNote(f) : null,
    SF.el("dl", {}, pair("limit", SF.longLimit(f)), crops ? [SF.el("dt", {}, SF.t("popup.crops")), SF.el("dd", {}, SF.el("bdi", {}, crops))] : [],
      code === NOT_RATED ? [] : [pair("latest", Number.isNaN(latest) ? SF.t("popup.latest_none") : SF.date(latest)),
        pair("agreement", SF.percent(SF.field.agreement(f)))]),
    code === NOT_RATED ? null : SF.el("table", {}, SF.el("thead", {}, SF.el("tr", {}, heads.map((text, i) =>
      SF.el("th", { scope: "col", class: i ? "number" : "" }, text)))), SF.el("tbody", {}, [0, 1, 2, 3].map(row))),
    SF.siteFacts(at),
    SF.el("p", {}, SF.el("a", { href: SF.pageUrl(f) }, SF.t("popup.page"))));
};

SF.longLimit = (f) => (SF.zones.field.test[f] < 0 ? "" : SF.t("common.option_short." + SF.COVERS[SF.zones.field.cover[f]]) + ": ") + SF.limitOf(f);

/** Which tests each cover fails, cover by cover, under the rules that are tried. */
SF.coverReasons = function (f) {
  if (!SF.tests || SF.zones.field.zone[f] === NOT_RATED) return null;
  const said = SF.byCover(SF.verdicts(SF.rule, SF.tests, SF.limits(), SF.state.rules.target, f));
  return SF.el("ul", { class: "reasons" }, said.map((text, c) =>
    SF.el("li", {}, SF.el("strong", {}, SF.t("common.option_short." + SF.COVERS[c])), " ", text)));
};

/** Where the largest part of a field, taken by itself, has another zone than the whole field. */
SF.partsNote = function (f) {
  const [whole, part] = [SF.field.zone_code(f), SF.field.largest_zone(f)];
  if (whole === part) return null;
  const label = (code) => SF.data.zones[code - 1].label;
  const area = SF.area(SF.field.area_ha(f) * SF.field.largest_zone_share(f));
  return SF.el("p", { class: "facts" }, SF.t("verdict.parts", { zone: label(whole), part: label(part), area }));
};

SF.pageUrl = (f) => SF.data.page_url.replace("{field_id}", () => encodeURIComponent(SF.data.pages ? SF.data.pages[f] : SF.field.field_id(f)));

/** What the soil map says at one place. */
SF.siteFacts = function (at) {
  const s = SF.site ? SF.layer.siteAt(...SF.layer.fromLatLng(at)) : -1;
  if (s < 0) return null;
  const unit = SF.data.map_units[SF.site.map_unit[s]];
  return SF.el("p", { class: "soil" }, SF.t("popup.soil") + " ", SF.el("bdi", {}, unit[0]), " ", SF.el("bdi", {}, unit[1]),
    ` (${SF.t("popup.soil_zone", { zone: SF.zones.site.zone[s] })})`);
};

SF.groundPopup = function (s, at) {
  const code = SF.zones.site.zone[s];
  const c = SF.state.cover;
  const dl = code === NOT_RATED ? null : SF.el("dl", {},
    SF.el("dt", {}, SF.t("layer.gap")), SF.el("dd", {}, SF.depth(SF.LAYERS.gap.site(s, c))),
    SF.el("dt", {}, SF.t("layer.shortfall")), SF.el("dd", {}, SF.years(SF.LAYERS.shortfall.site(s, c))),
    SF.el("dt", {}, SF.t("layer.capacity")), SF.el("dd", {}, SF.depth(SF.site.capacity[s])));
  return SF.el("div", { class: "card" }, SF.el("p", { class: "card-title" }, SF.t("popup.ground")), zoneLine(code),
    SF.el("p", {}, SF.data.zones[code - 1].plain), dl, SF.siteFacts(at));
};

SF.listen = function () {
  const { state } = SF;
  const on = (id, type, run) => SF.byId(id).addEventListener(type, run);
  const choose = (id, set) => on(id, "change", (event) => { set(event.target.value); SF.refresh("all"); });

  choose("layer", (v) => {
    state.layer = v;
    SF.byId("option-box").hidden = !SF.LAYERS[v].option;
  });
  choose("cover", (v) => { state.cover = Number(v); });
  choose("option", (v) => { state.option = Number(v); });
  choose("draw", (v) => { state.whole = v === "whole"; });
  choose("filter-zone", (v) => { state.filter.zone = Number(v); state.page = 0; });
  choose("filter-factor", (v) => { state.filter.factor = v; state.page = 0; });
  choose("filter-ground", (v) => { state.filter.ground = v; state.page = 0; });
  choose("units", (v) => { SF.units = v; SF.scale(); if (SF.popup) SF.map.closePopup(); });
  on("theme", "change", (event) => {
    if (event.target.value === "auto") delete document.documentElement.dataset.theme;
    else document.documentElement.dataset.theme = event.target.value;
  });
  on("search", "input", (event) => {
    state.filter.search = event.target.value;
    state.page = 0;
    SF.refresh("all");
    SF.say(SF.byId("count-text").textContent);
  });
  on("filter-clear", "click", () => {
    Object.assign(state.filter, { search: "", zone: 0, factor: "", ground: "" });
    SF.byId("field-filter").reset();
    SF.refresh("all");
  });
  on("field-filter", "submit", (event) => event.preventDefault());

  let waiting = false;
  const change = (set) => (event) => {
    set(Number(event.target.value));
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(() => { waiting = false; SF.refresh("rules"); });
  };
  const studyGap = SF.data.rules.planting_gap_max_mm;
  on("rule-gap", "input", change((v) => {
    const mm = US() ? v * 25.4 : v;
    state.rules.planting_gap_max_mm = Math.abs(mm - studyGap) < 1e-9 ? studyGap : mm;
  }));
  on("rule-shortfall", "input", change((v) => { state.rules.shortfall_max = v; }));
  on("rule-target", "input", change((v) => { state.rules.target = v; }));
  on("rule-reset", "click", () => {
    state.rules = { ...SF.data.rules, target: SF.data.target };
    SF.refresh("rules");
    SF.say(SF.t("whatif.study"));
  });

  on("field-head", "click", (event) => {
    const button = event.target.closest("button[data-sort]");
    if (!button) return;
    const same = state.sort.column === button.dataset.sort;
    state.sort = { column: button.dataset.sort, descending: same && !state.sort.descending };
    state.page = 0;
    SF.refresh("select");
    SF.byId("field-head").querySelector(`[data-sort="${state.sort.column}"]`).focus();
  });
  on("field-rows", "click", (event) => {
    const row = event.target.closest("tr[data-field]");
    if (!row) return;
    SF.select(Number(row.dataset.field), "table");
    SF.byId("field-rows").querySelector(`button[data-field="${row.dataset.field}"]`).focus({ preventScroll: true });
  });
  on("page-back", "click", () => { state.page -= 1; SF.drawRows(); });
  on("page-on", "click", () => { state.page += 1; SF.drawRows(); });

  SF.map.on("click", (event) => {
    const [x, y] = SF.layer.fromLatLng(event.latlng);
    const field = SF.layer.fieldAt(x, y);
    if (field >= 0) { SF.select(field, "map", event.latlng); return; }
    const site = SF.site ? SF.layer.siteAt(x, y) : -1;
    if (site >= 0) SF.openPopup(SF.groundPopup(site, event.latlng), event.latlng, false);
  });
  SF.scale();
  window.addEventListener("beforeprint", SF.preparePrint);
  window.addEventListener("afterprint", SF.endPrint);
};

SF.scale = function () {
  if (SF.scaleBar) SF.scaleBar.remove();
  SF.scaleBar = L.control.scale({ imperial: US(), metric: !US() }).addTo(SF.map);
};
