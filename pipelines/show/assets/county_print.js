/* Paper: the still picture, the table of zones and the list of fields, as they are on the screen at that moment. */
"use strict";
SF.PRINT_ROWS = 400;

SF.preparePrint = function () {
  const { columns, rows, step } = SF.data.image;
  const picture = SF.byId("paper-map");
  SF.paper = SF.paper || { src: picture.src };
  if (SF.layer.site) {
    const times = Math.max(1, Math.floor(1200 / columns));
    const canvas = SF.el("canvas", { width: columns * times, height: rows * times });
    const context = canvas.getContext("2d");
    const image = context.createImageData(canvas.width, canvas.height);
    const pixels = new Uint32Array(image.data.buffer);
    if (!SF.view.whole) {
      for (let y = 0; y < canvas.height; y++) {
        const start = Math.floor(y / times) * columns;
        for (let x = 0; x < canvas.width; x++) {
          const site = SF.layer.site[start + Math.floor(x / times)];
          const c = site < 0 ? null : SF.view.classes[SF.view.siteClass[site]];
          if (c) pixels[y * canvas.width + x] = PIXEL(SF.patternInk(c.pattern, x, y) ? c.ink : c.rgb);
        }
      }
      context.putImageData(image, 0, 0);
    }
    const size = { x: canvas.width, y: canvas.height };
    SF.layer.paintFields(context, { scale: times / step, left: 0, top: 0, size, phaseX: 0, phaseY: 0 }, SF.view.whole);
    picture.src = canvas.toDataURL("image/png");
  }
  SF.byId("paper-layer").textContent = SF.byId("legend-title").textContent + (SF.isStudy() ? "" : " · " + SF.t("whatif.printed", {
    gap: SF.byId("rule-gap-out").textContent, shortfall: SF.byId("rule-shortfall-out").textContent, target: SF.byId("rule-target-out").textContent }));
  const legend = SF.byId("legend-list").cloneNode(true);
  const from = SF.byId("legend-list").querySelectorAll("canvas");
  legend.removeAttribute("id");
  legend.querySelectorAll("canvas").forEach((node, i) => node.replaceWith(SF.el("img", { src: from[i].toDataURL("image/png"), alt: "", width: 34, height: 22 })));
  SF.byId("paper-legend").replaceChildren(legend);
  SF.byId("paper-fields").replaceChildren(SF.printedList(SF.state.rows.slice(0, SF.PRINT_ROWS)));
};

/** The list of fields: units in the heads, zones by number with their key on every sheet, so that a field is one line. */
SF.printedList = function (rows) {
  const { cover } = SF.state;
  const zoneOf = (f) => SF.zones.field.zone[f];
  const unit = (key, name) => SF.t("table." + key) + ", " + SF.t("common.unit." + name);
  const columns = [
    ["", SF.t("table.field"), (f) => SF.el("bdi", {}, SF.field.field_id(f) + (SF.field.name(f) ? " – " + SF.field.name(f) : ""))],
    ["number", unit("area", US() ? "acre" : "hectare"), (f) => SF.area(SF.field.area_ha(f), true)],
    ["number", SF.t("table.zone"), (f) => String(zoneOf(f))],
    ["", SF.t("table.factor"), (f) => SF.limitOf(f)],
    ["number", unit("gap", US() ? "inch" : "mm"), (f) => SF.depth(SF.gapOf(f, cover), true)],
    ["number", SF.t("paper.shortfall_of", { total: SF.data.seasons }), (f) => SF.years(SF.shortfallOf(f, cover), 0, true)],
  ];
  const seen = new Set(rows.map(zoneOf));
  const zones = SF.data.zones.filter((z) => seen.has(z.code)).map((z) => z.code + " " + z.label).join(" · ");
  const key = SF.el("tr", { class: "key" }, SF.el("th", { colspan: columns.length }, SF.t("paper.zone_key", { zones })));
  const heads = SF.el("tr", {}, columns.map(([side, label]) => SF.el("th", { scope: "col", class: side }, label)));
  return SF.el("table", {},
    SF.el("caption", {}, SF.t("paper.fields", { shown: SF.digits(rows.length, 0), total: SF.digits(SF.state.rows.length, 0), option: SF.t("common.option." + SF.COVERS[cover]) })),
    SF.el("thead", {}, key, heads),
    SF.el("tbody", {}, rows.map((f) => SF.el("tr", {}, columns.map(([side, , write]) => SF.el("td", { class: side }, write(f)))))));
};

SF.endPrint = function () {
  SF.byId("paper-map").src = SF.paper.src;
  SF.byId("paper-fields").replaceChildren();
};
