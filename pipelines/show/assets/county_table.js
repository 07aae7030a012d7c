/* The field table: search, filter, sort, pages; linked with the map both ways. */
"use strict";
SF.PAGE_ROWS = 50;

/** Columns of the table: how a cell is written, what it is sorted by. */
SF.COLUMNS = [
  { key: "field", sort: (f) => SF.field.field_id(f) },
  { key: "area", right: true, sort: (f) => SF.field.area_ha(f), write: (f) => SF.area(SF.field.area_ha(f), true) },
  { key: "zone", sort: (f) => SF.zones.field.zone[f] },
  { key: "factor", sort: (f) => SF.limitOf(f), write: (f) => SF.limitOf(f) },
  { key: "gap", right: true, sort: (f) => SF.gapOf(f, SF.state.cover), write: (f) => SF.depth(SF.gapOf(f, SF.state.cover), true) },
  { key: "shortfall", right: true, sort: (f) => SF.shortfallOf(f, SF.state.cover),
    write: (f) => SF.digits(SF.shortfallOf(f, SF.state.cover) * 10, 1) },
  { key: "water", right: true, sort: (f) => SF.field.planting_water_mm_stubble(f) - SF.gapOf(f, SF.state.cover),
    write: (f) => SF.depth(SF.waterOf(f, SF.state.cover + 1), true) },
];

SF.limitOf = (f) => SF.limitWord(SF.rule, SF.zones.field.cover[f], SF.zones.field.test[f]);
SF.factorOf = (f) => (SF.zones.field.test[f] < 0 ? "none" : SF.rule.tests[SF.zones.field.test[f]].factor);

const fold = (text) => text.toLocaleLowerCase(SF.data.language).normalize("NFKD").replace(/\p{M}/gu, "");

/** Which fields pass the search and the filters; kept as one byte a field for the drawing layer. */
SF.applyFilter = function () {
  const { search, zone, factor, ground } = SF.state.filter;
  const wanted = fold(search.trim());
  const shown = SF.state.shown;
  if (wanted && !SF.searchText) SF.searchText = Array.from({ length: shown.length },
    (_, f) => fold(SF.field.field_id(f) + " " + SF.field.name(f)));
  let count = 0;
  for (let f = 0; f < shown.length; f++) {
    const pass = (!wanted || SF.searchText[f].includes(wanted))
      && (!zone || SF.zones.field.zone[f] === zone)
      && (factor === "" || SF.factorOf(f) === factor)
      && (!ground || (ground === "irrigated") === (SF.field.irrigated(f) === 1));
    shown[f] = pass ? 1 : 0;
    count += shown[f];
  }
  SF.state.count = count;
};

/** Field numbers that pass, in the order of the table. */
SF.sortRows = function () {
  const { column, descending } = SF.state.sort;
  const { sort } = SF.COLUMNS.find((c) => c.key === column);
  const rows = [];
  for (let f = 0; f < SF.state.shown.length; f++) if (SF.state.shown[f]) rows.push(f);
  const keys = new Array(SF.state.shown.length);
  for (const f of rows) keys[f] = sort(f);
  const collator = new Intl.Collator(SF.data.language, { numeric: true });
  const missing = (v) => v === null || v === "" || v !== v;
  rows.sort((a, b) => {
    const x = keys[a];
    const y = keys[b];
    if (missing(x) || missing(y)) return missing(x) - missing(y) || a - b;
    const order = typeof x === "string" ? collator.compare(x, y) : x - y;
    return (descending ? -order : order) || a - b;
  });
  SF.state.rows = rows;
};

SF.drawHead = function () {
  const { column, descending } = SF.state.sort;
  const cells = SF.COLUMNS.map((c) => {
    const active = c.key === column;
    const unit = { area: US() ? "acre" : "hectare", gap: US() ? "inch" : "mm", water: US() ? "inch" : "mm" }[c.key];
    const label = SF.t("table." + c.key) + (unit ? ", " + SF.t("common.unit." + unit) : "");
    const button = SF.el("button", { type: "button", class: "sort", "data-sort": c.key }, label,
      SF.el("span", { class: "arrow", "aria-hidden": "true" }, active ? (descending ? "\u25BC" : "\u25B2") : "\u2195"));
    return SF.el("th", { scope: "col", class: c.right ? "number" : "", "aria-sort": active ? (descending ? "descending" : "ascending") : false }, button);
  });
  SF.byId("field-head").replaceChildren(SF.el("tr", {}, cells));
};

const zoneCell = function (f) {
  const code = SF.zones.field.zone[f];
  const zone = SF.data.zones[code - 1];
  return [SF.el("span", { class: "chip", "data-zone": code, "aria-hidden": "true" }, SF.zoneSwatch(code)), code + " ", zone.label];
};

SF.zoneSwatch = function (code) {
  const zone = SF.data.zones[code - 1];
  return SF.swatch({ rgb: hex(zone.colour), ink: zone.ink, pattern: zone.pattern }, 22, 16);
};

SF.drawRows = function () {
  const { rows, selected } = SF.state;
  const pages = Math.max(1, Math.ceil(rows.length / SF.PAGE_ROWS));
  SF.state.page = Math.min(Math.max(SF.state.page, 0), pages - 1);
  const start = SF.state.page * SF.PAGE_ROWS;
  const part = rows.slice(start, start + SF.PAGE_ROWS);
  const body = part.map((f) => {
    const cells = SF.COLUMNS.map((c) => {
      if (c.key === "field") {
        const name = SF.field.name(f);
        return SF.el("th", { scope: "row" },
          SF.el("button", { type: "button", class: "pick", "data-field": f }, SF.el("bdi", {}, SF.field.field_id(f))),
          name ? SF.el("bdi", { class: "name" }, name) : null,
          SF.field.irrigated(f) ? SF.el("span", { class: "mark" }, SF.t("table.irrigated")) : null);
      }
      return SF.el("td", { class: c.right ? "number" : "" }, c.key === "zone" ? zoneCell(f) : c.write(f));
    });
    return SF.el("tr", { "data-field": f, "aria-selected": false, class: f === selected ? "selected" : "" }, cells);
  });
  if (!body.length) body.push(SF.el("tr", {}, SF.el("td", { colspan: SF.COLUMNS.length }, SF.t("table.empty"))));
  SF.byId("field-rows").replaceChildren(...body);
  SF.byId("page-text").textContent = rows.length
    ? SF.t("table.rows", { first: SF.digits(start + 1, 0), last: SF.digits(start + part.length, 0), total: SF.digits(rows.length, 0) })
    : "";
  SF.byId("page-back").disabled = SF.state.page === 0;
  SF.byId("page-on").disabled = SF.state.page >= pages - 1;
};

/** Show the row of a field: turn to its page and bring it into view of the table. */
SF.showRow = function (field) {
  const place = SF.state.rows.indexOf(field);
  if (place < 0) return false;
  SF.state.page = Math.floor(place / SF.PAGE_ROWS);
  SF.drawRows();
  const row = SF.byId("field-rows").querySelector(`tr[data-field="${field}"]`);
  const box = SF.byId("table-box");
  box.scrollTop = Math.max(0, row.offsetTop - box.clientHeight / 2);
  return true;
};

/** Ground by zone code, of sites [ha]. */
SF.groundAreas = function (zone) {
  const ground = new Float64Array(SF.data.zones.length + 1);
  for (let s = 0; s < zone.length; s++) ground[zone[s]] += SF.site.area[s];
  return ground;
};

/** By zone code: all ground, and area and number of the fields that pass the filter. */
SF.zoneAreas = function () {
  const ground = SF.groundAreas(SF.zones.site.zone);
  const fields = new Float64Array(ground.length);
  const number = new Uint32Array(ground.length);
  SF.zones.field.zone.forEach((code, f) => {
    if (!SF.state.shown[f]) return;
    number[code] += 1;
    fields[code] += SF.field.area_ha(f);
  });
  return { ground, fields, number };
};
