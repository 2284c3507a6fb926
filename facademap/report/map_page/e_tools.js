/* Measuring, comparing by swipe, printing to scale. */
"use strict";
const Tools = (() => {
  const { data, text, state } = Wall, $ = (id) => document.getElementById(id), map = Stage.map;
  let measuring = false, places = [], drawn = L.layerGroup();

  /* a length between two places, each uncertain by the check accuracy per axis, with 95 % confidence */
  function pm(surface, dx, dy) { const s = surface.sigma_m; return s ? 1.96 * Math.SQRT2 * s : null; }
  function busy(latlng) { if (!measuring) return false; places.push(latlng); sketch(); return true; }
  function sketch() {
    drawn.clearLayers(); drawn.addTo(map); if (places.length > 1) for (const line of [{ color: "#ffffff", weight: 5 }, { color: "#0b7a83", weight: 2.4 }]) L.polyline(places, { ...line, interactive: false }).addTo(drawn);
    places.forEach((p) => L.circleMarker(p, { radius: 4, color: "#0b7a83", fillColor: "#ffffff", fillOpacity: 1, interactive: false }).addTo(drawn));
    const surface = Wall.surface(); let total = 0, variance = 0, twice = 0;
    places.forEach((p, n) => { if (n) { total += Math.hypot(p.lng - places[n - 1].lng, p.lat - places[n - 1].lat); variance += (pm(surface) || 0) ** 2; } const q = places[(n + 1) % places.length]; twice += p.lng * q.lat - q.lng * p.lat; });
    const plus = surface.sigma_m ? " \u00b1 " + Wall.length(Math.sqrt(variance)) : "";
    const parts = places.length > 1 ? [text.length + " " + Wall.length(total) + plus] : [text.measure_hint];
    if (places.length > 2) parts.push(text.area + " " + Wall.area(Math.abs(twice) / 2) + (surface.sigma_m ? " \u00b1 " + Wall.area(areaPm(surface.sigma_m)) : ""));
    $("hint").textContent = parts.join("   "); Relief.section(places);
  }
  /* shoelace area: each vertex moves it by half the diagonal between its neighbours */
  function areaPm(sigma) { let sum = 0; places.forEach((p, n) => { const a = places[(n + places.length - 1) % places.length], b = places[(n + 1) % places.length]; sum += ((b.lng - a.lng) ** 2 + (b.lat - a.lat) ** 2) / 4; }); return 1.96 * sigma * Math.sqrt(sum); }
  function turn(on) { measuring = on; places = []; drawn.clearLayers(); Relief.section(places); $("measure").setAttribute("aria-pressed", on); $("hint").textContent = on ? text.measure_hint : ""; map.doubleClickZoom[on ? "disable" : "enable"](); $("stage").style.cursor = on ? "crosshair" : ""; }

  /* swipe: a second set of outlines, each side cut at the line */
  let shown = [];
  const surveys = () => [...new Set(data.features.filter((f) => f.k === "condition").map((f) => String(f.p.survey ?? "")))].sort();
  const side = (word) => (f) => word === "planned" ? (f.k === "repair" && Wall.visible(f)) : word === "now" ? (f.k === "condition" && Wall.visible(f)) : (f.k === "condition" && String(f.p.survey ?? "") === word && Wall.shown.condition);
  function swipe(on) {
    $("swipe").setAttribute("aria-pressed", on); $("swipe-panel").hidden = $("swipe-rule").hidden = !on;
    shown.forEach((layer) => map.removeLayer(layer)); shown = []; Wall.swiping = on; Stage.layers();
    if (!on) return;
    const options = { tileSize: Draw.TILE, minZoom: -3, maxZoom: Wall.surface().levels + 3, noWrap: true };
    for (const pane of ["left", "right"]) {
      const word = $("swipe-" + pane).value; if (word === "relief") { const own = Relief.layer(Wall.state.surface, { pane }); if (own) shown.push(own.addTo(map)); continue; } shown.push(new Draw.Outlines({ ...options, pane, wanted: side(word) }).addTo(map));
      if (word === "planned") (data.seen || []).filter((s) => s.s === Wall.state.surface).forEach((s) => shown.push(L.imageOverlay(s.image, [Stage.latlng(s.box[0], s.box[1]), Stage.latlng(s.box[2], s.box[3])], { pane, alt: text.piece_in_wall }).addTo(map)));
    }
    cut();
  }
  function cut() {
    if (!shown.length) return; const size = map.getSize(), x = size.x * $("swipe-line").value / 1000, nw = map.containerPointToLayerPoint([0, 0]), se = map.containerPointToLayerPoint(size), mid = nw.x + x;
    const clip = (a, b) => `polygon(${a}px ${nw.y}px, ${b}px ${nw.y}px, ${b}px ${se.y}px, ${a}px ${se.y}px)`;
    map.getPane("left").style.clipPath = clip(nw.x, mid); map.getPane("right").style.clipPath = clip(mid, se.x); $("swipe-rule").style.left = x + "px";
  }

  /* print view: an SVG in millimetres of paper, with the same signs */
  const PAPERS = { A4: [297, 210], A3: [420, 297], Letter: [279.4, 215.9], Tabloid: [431.8, 279.4] };
  const feet = () => Wall.units() === "ft", scales = () => feet() ? [12, 24, 48, 96] : [10, 20, 50, 100];
  /* printing by the browser's own command prints what is seen, to scale; the page is as before afterwards */
  let byBrowser = false;
  function beforePrint() { if ($("print-view").hidden && data.surfaces.length) { byBrowser = true; openPrint(); } }
  function afterPrint() { if (byBrowser) { byBrowser = false; $("print-view").hidden = true; $("print").setAttribute("aria-expanded", false); } }
  function openPrint() {
    const view = $("print-view"), scale = el("select", { id: "print-scale" }, scales().map((s, n) => el("option", { value: s, selected: n === 2 }, "1:" + s))), paper = el("select", { id: "print-paper" }, Object.keys(PAPERS).map((p) => el("option", { value: p }, p)));
    const sheet = el("div", { class: "sheet" });
    view.replaceChildren(el("div", { class: "no-print" }, el("label", {}, text.scale + " ", scale), el("label", {}, text.paper + " ", paper), el("button", { type: "button", onclick: () => make(sheet, +scale.value, paper.value) }, text.print_go), el("button", { type: "button", onclick: () => window.print() }, text.print), el("button", { type: "button", onclick: closePrint }, text.print_close), el("span", {}, feet() ? text.print_note_ft : text.print_note)), sheet);
    view.hidden = false; $("print").setAttribute("aria-expanded", true); paper.value = feet() ? "Letter" : "A4"; make(sheet, scales()[2], paper.value); scale.focus();
  }
  function closePrint() { $("print-view").hidden = true; $("print").setAttribute("aria-expanded", false); $("print").focus(); }
  const NS = "http://www.w3.org/2000/svg";
  const svg = (tag, given, ...children) => { const node = document.createElementNS(NS, tag); for (const [k, v] of Object.entries(given)) node.setAttribute(k, v); node.append(...children); return node; };
  /* the cell of a hatch, in millimetres of paper */
  function hatch(id, { hatch: { cell }, colour }) {
    const d = cell.strokes_mm.map(([x1, y1, x2, y2]) => `M${x1} ${y1}L${x2} ${y2}`).join(""), { line_mm, dot_radius_mm, fill } = data.signs.hatch;
    return svg("pattern", { id, width: cell.width_mm, height: cell.height_mm, patternUnits: "userSpaceOnUse" }, svg("rect", { width: cell.width_mm, height: cell.height_mm, fill: colour, "fill-opacity": fill }),
      svg("path", { d, stroke: colour, "stroke-width": line_mm, fill: "none" }), ...cell.dots_mm.map(([cx, cy]) => svg("circle", { cx, cy, r: dot_radius_mm, fill: colour })));
  }
  function make(holder, scale, paper) {
    const surface = Wall.surface(), centre = map.getCenter(), wide = PAPERS[paper][0] - 20, high = PAPERS[paper][1] - 60, k = 1 / scale;
    const x0 = centre.lng * 1000 - wide / k / 2, y1 = centre.lat * 1000 + high / k / 2, x = (mm) => (mm - x0) * k, y = (mm) => (y1 - mm) * k;
    const root = svg("svg", { width: wide + "mm", height: high + "mm", viewBox: `0 0 ${wide} ${high}`, role: "img", "aria-label": text.print }), defs = svg("defs", {}), clip = svg("g", {}); root.append(defs, clip); const bar = feet() ? 101.6 : 100;
    if (surface.has_picture) paperTiles(clip, surface, x0, y1, wide, high, k);
    const relief = Wall.shown.relief ? Relief.printed(surface.id) : null;
    if (relief) clip.append(svg("image", { class: "relief", href: relief.address, x: x(relief.left_m * 1000), y: y(relief.top_m * 1000), width: relief.wide_m * 1000 * k, height: relief.high_m * 1000 * k, preserveAspectRatio: "none" }));
    const found = Wall.near(surface.id, [x0, y1 - high / k, x0 + wide / k, y1]).filter(Wall.visible), used = new Set();
    for (const f of found) {
      const d = Wall.rings(f).map((r) => { let s = ""; for (let n = 0; n < r.length; n += 2) s += (n ? "L" : "M") + x(r[n]).toFixed(2) + " " + y(r[n + 1]).toFixed(2); return s + (f.t === "P" ? "Z" : ""); }).join("");
      const t = Draw.term[f.p.term], colour = f.k === "condition" ? Draw.signOf(f.p.term).colour : f.k === "repair" ? Draw.REPAIR : "#444";
      const weight = f.k === "condition" ? Draw.weightOf(f.p.cc) / Draw.PX_PER_MM : f.k === "repair" ? data.signs.things.repairs.weight_mm : .3, size = data.signs.points.size_mm;
      if (f.t === "X" && f.k !== "condition") { clip.append(svg("circle", { cx: x(f.c[0]), cy: y(f.c[1]), r: 1.2, fill: "#fff", stroke: colour, "stroke-width": .4 })); continue; }
      if (f.t === "X") { clip.append(svg("path", { d: `M${x(f.c[0])} ${y(f.c[1]) - size * 2 / 3}l${size / Math.sqrt(3)} ${size}h${-2 * size / Math.sqrt(3)}z`, fill: "#fff", stroke: colour, "stroke-width": weight })); continue; }
      if (f.k === "condition" && t) used.add(t.name);
      if (f.k === "condition" && f.t === "P") clip.append(svg("path", { d, fill: "#fff", "fill-opacity": .45, "fill-rule": "evenodd" })); /* so that the hatch reads on dark stone, in grey too */
      clip.append(svg("path", { d, fill: f.k === "condition" && f.t === "P" && t ? `url(#h-${t.abbreviation})` : "none", "fill-rule": "evenodd", stroke: colour, "stroke-width": weight + (f.k === "condition" && f.t === "L" ? data.signs.lines.extra_mm : 0), ...(f.k === "repair" && !f.p.pieced ? { "stroke-dasharray": "1.6 1" } : f.k === "condition" && Draw.dashOf(f).length ? { "stroke-dasharray": Draw.dashOf(f).map((d) => (d / Draw.PX_PER_MM).toFixed(2)).join(" ") } : {}) }));
      const room = Math.min(f.b[2] - f.b[0], f.b[3] - f.b[1]) * k; if (t && room > 3) clip.append(svg("text", { x: x(f.c[0]), y: y(f.c[1]), "font-size": 2.2, "text-anchor": "middle", "dominant-baseline": "middle", stroke: "#fff", "stroke-width": .6, "paint-order": "stroke" }, Draw.letter(f)));
    }
    for (const g of Wall.shown.gauges ? Gauges.here(surface.id) : []) {
      const [colour, sign] = Gauges.states[g.verdict], a = x(g.c[0] * 1000), b = y(g.c[1] * 1000);
      clip.append(svg("path", { d: `M${a} ${b - 2.4}l2.4 2.4l-2.4 2.4l-2.4 -2.4z`, fill: colour, stroke: "#fff", "stroke-width": .4 }), svg("text", { x: a, y: b + .9, "font-size": 2.6, "font-weight": "bold", "text-anchor": "middle", style: "fill:#fff" }, sign), svg("text", { x: a, y: b - 3, "font-size": 2.4, "text-anchor": "middle", stroke: "#fff", "stroke-width": .6, "paint-order": "stroke" }, g.i + " " + Wall.tell(g.verdict)));
    }
    for (const name of used) defs.append(hatch("h-" + Draw.term[name].abbreviation, Draw.signOf(name)));
    clip.append(svg("rect", { x: 5, y: high - 11.5, width: bar + 6, height: 9.5, fill: "#fff", "fill-opacity": .9 }), svg("path", { d: `M 8 ${high - 6} v 2 h ${bar} v -2`, fill: "none", stroke: "#000", "stroke-width": .5 }), svg("text", { x: 8, y: high - 7, "font-size": 3, stroke: "#fff", "stroke-width": .7, "paint-order": "stroke" }, `${feet() ? "4\u2033" : "100 mm"} = ${Wall.length(bar / 1000 * scale)}  (1:${scale})`), svg("rect", { x: .2, y: .2, width: wide - .4, height: high - .4, fill: "none", stroke: "#000", "stroke-width": .4 }));
    const entry = (sign, word) => el("span", {}, sign, " " + word), line = (given) => { const s = svg("svg", { width: "6mm", height: "3mm", viewBox: "0 0 6 3", "aria-hidden": "true" }); s.append(svg(given.r ? "circle" : "path", { fill: "#fff", stroke: Draw.REPAIR, "stroke-width": .6, ...given })); return s; };
    const legend = el("p", { class: "print-legend" }, Draw.termsInOrder.filter((name) => used.has(name)).map((name) => { const i = el("img", { src: Draw.sign(name), alt: "" }); return entry(i, Draw.term[name].abbreviation + "\u00a0" + Wall.termed(name)); }),
      entry(line({ d: "M0 1.5H6" }), text.print_cut), entry(line({ d: "M0 1.5H6", "stroke-dasharray": "1.6 1" }), text.print_uncut), entry(line({ d: "M3 .3l1.3 2.4h-2.6z", stroke: "#444", "stroke-width": .4 }), text.print_point));
    if (relief) legend.prepend(entry(el("img", { src: relief.scale, alt: "" }), relief.words), relief.note ? el("span", { lang: "en" }, relief.note) : "");
    holder.replaceChildren(el("h2", { class: "print-title" }, data.name + "  \u2013  " + surface.name + "  1:" + scale), root, legend, el("p", { class: "print-foot" }, Wall.say(data.accuracy[0] || ""), " ", Wall.say(data.cautions[0] || "")));
    let page = document.getElementById("page-size"); if (!page) { page = el("style", { id: "page-size" }); document.head.append(page); } page.textContent = `@page { size: ${PAPERS[paper][0]}mm ${PAPERS[paper][1]}mm; margin: 10mm; }`;
  }
  function paperTiles(paper, surface, x0, y1, wide, high, k) {
    /* a tile is filled up to its full size beyond the picture: only the picture is printed */
    const [u0, v0, u1, v1] = surface.extent_m.map((m) => m * 1000), edge = svg("clipPath", { id: "picture-edge" }), group = svg("g", { "clip-path": "url(#picture-edge)", opacity: .75 });
    edge.append(svg("rect", { x: (u0 - x0) * k, y: (y1 - v1) * k, width: (u1 - u0) * k, height: (v1 - v0) * k })); paper.append(edge, group);
    let z = surface.levels - 1; while (z > 0 && surface.gsd_m * 1000 * k * Math.pow(2, surface.levels - 1 - z) < 0.08) z--;
    const tile = Draw.TILE * surface.gsd_m * 1000 * Math.pow(2, surface.levels - 1 - z), first = [Math.floor((x0 - surface.left_m * 1000) / tile), Math.floor((surface.top_m * 1000 - y1) / tile)];
    for (let c = first[0]; c * tile + surface.left_m * 1000 < x0 + wide / k; c++) for (let r = first[1]; surface.top_m * 1000 - r * tile > y1 - high / k; r++) {
      const key = z + "/" + c + "/" + r, own = Draw.tile(surface, key); if (!own) continue;
      group.append(svg("image", { href: own, x: (c * tile + surface.left_m * 1000 - x0) * k, y: (y1 - surface.top_m * 1000 + r * tile) * k, width: tile * k + .15, height: tile * k + .15, preserveAspectRatio: "none" }));
    }
  }
  function start() {
    for (const name of ["left", "right"]) { const pane = map.createPane(name); pane.style.zIndex = 410; }
    const choices = [["now", text.as_is], ...(data.features.some((f) => f.k === "repair") ? [["planned", text.as_planned]] : []), ...(surveys().length > 1 ? surveys().map((s) => [s, text.survey + " " + s]) : []), ...(Relief.any ? [["relief", text.layer_relief]] : [])];
    for (const id of ["swipe-left", "swipe-right"]) { choices.forEach(([v, w]) => $(id).add(new Option(w, v))); $(id).onchange = () => swipe(true); }
    $("swipe-right").value = choices.length > 1 ? choices[choices.length === 2 ? 1 : choices.length - 1][0] : "now"; if (choices.some((c) => c[0] === "planned")) $("swipe-right").value = "planned";
    $("swipe").onclick = () => swipe($("swipe").getAttribute("aria-pressed") !== "true"); $("swipe-line").oninput = cut; map.on("move zoom resize", cut);
    $("measure").onclick = () => turn(!measuring); map.on("dblclick", () => { if (measuring) { measuring = false; $("measure").setAttribute("aria-pressed", false); $("stage").style.cursor = ""; setTimeout(() => map.doubleClickZoom.enable(), 50); } });
    document.addEventListener("keydown", (e) => { if (e.key === "Escape") { if (!$("print-view").hidden) closePrint(); else if (places.length || measuring) turn(false); else if (state.selected) Stage.select(null); } });
    $("print").onclick = openPrint; window.addEventListener("beforeprint", beforePrint); window.addEventListener("afterprint", afterPrint);
  }
  return { busy, start };
})();
