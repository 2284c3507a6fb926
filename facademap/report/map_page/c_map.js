/* The map itself: layers, selection, read-out, scale bar. */
"use strict";
const Stage = (() => {
  const { data, text, state } = Wall, $ = (id) => document.getElementById(id);
  const map = window.facademapMap, near = { tileSize: Draw.TILE, keepBuffer: 1, updateWhenZooming: false, noWrap: true };
  let picture, outlines, after, relief, change, gauges, marked = L.layerGroup(), surface;
  const latlng = (x, y) => L.latLng(y / 1000, x / 1000);
  const listeners = [];

  function open(id) {
    surface = data.surfaces.find((s) => s.id === id) || data.surfaces[0]; if (!surface) return;
    state.surface = surface.id;
    map.eachLayer((layer) => map.removeLayer(layer));
    map.options.crs = Draw.crs(surface); map.options.minZoom = -3; map.options.maxZoom = surface.levels + 3;
    const top = surface.levels - 1, every = { ...near, minZoom: -3, maxZoom: surface.levels + 3 };
    map.setView(latlng((surface.extent_m[0] + surface.extent_m[2]) * 500, (surface.extent_m[1] + surface.extent_m[3]) * 500), 0, { animate: false, reset: true });
    whole(); // before there are layers: what is drawn is drawn once
    if (surface.has_picture) picture = new Draw.Picture({ ...every, minNativeZoom: 0, maxNativeZoom: top, className: "picture" }).addTo(map);
    after = L.layerGroup((data.seen || []).filter((s) => s.s === surface.id).map((s) => L.imageOverlay(s.image, [latlng(s.box[0], s.box[1]), latlng(s.box[2], s.box[3])], { alt: text.piece_in_wall })));
    relief = Relief.layer(surface.id, { pane: "tilePane", zIndex: 2 }); change = Change.layer(surface.id, { pane: "tilePane", zIndex: 2 }); outlines = new Draw.Outlines({ ...every, zIndex: 3 }); marked.addTo(map); gauges = Gauges.layer(surface.id);
    $("hint").textContent = surface.has_picture ? "" : text.missing_picture;
    document.querySelectorAll(".keyplan [data-surface]").forEach((g) => g.setAttribute("aria-pressed", g.dataset.surface === surface.id));
    Relief.show_legend(); Change.show_legend(); layers();
  }
  function layers() {
    if (relief) (Wall.shown.relief && !Wall.swiping ? map.addLayer(relief) : map.removeLayer(relief));
    if (change) (Wall.shown.change && !Wall.swiping ? map.addLayer(change) : map.removeLayer(change));
    if (gauges) (Wall.shown.gauges && !Wall.swiping ? map.addLayer(gauges) : map.removeLayer(gauges));
    if (after) (Wall.shown.after ? map.addLayer(after) : map.removeLayer(after));
    if (outlines) { if (Wall.swiping) map.removeLayer(outlines); else if (map.hasLayer(outlines)) outlines.redraw(); else map.addLayer(outlines); } listeners.forEach((call) => call());
  }
  const box = (m) => L.latLngBounds(latlng(m[0], m[1]), latlng(m[2], m[3]));
  function whole() { map.fitBounds(box(surface.extent_m.map((m) => m * 1000)), { animate: false }); }
  function viewBox() { const b = map.getBounds(); return [b.getWest() * 1000, b.getSouth() * 1000, b.getEast() * 1000, b.getNorth() * 1000]; }

  function select(feature, move) {
    state.selected = feature; marked.clearLayers(); Panels.mark(feature); if (!feature) return;
    if (feature.s !== state.surface) { $("surface").value = feature.s; open(feature.s); }
    // a light rim below and the line of the desk's selection above, seen on dark stone and on pale
    for (const line of [{ color: "#ffffff", weight: 6.5 }, { color: "#0b7a83", weight: 3.2 }]) {
      const style = { ...line, fill: false, interactive: false };
      if (feature.t === "X") L.circleMarker(latlng(...feature.c), { ...style, radius: 12 }).addTo(marked);
      for (const ring of feature.t === "X" ? [] : Wall.rings(feature)) {
        const places = []; for (let n = 0; n < ring.length; n += 2) places.push(latlng(ring[n], ring[n + 1]));
        (feature.t === "P" ? L.polygon : L.polyline)(places, style).addTo(marked);
      }
    }
    if (move) { const grow = Math.max(150, (feature.b[2] - feature.b[0]) * .6); map.fitBounds(box([feature.b[0] - grow, feature.b[1] - grow, feature.b[2] + grow, feature.b[3] + grow]), { animate: false, maxZoom: surface.levels + 1 }); }
    Panels.detail(feature);
    try { history.replaceState(null, "", "#" + encodeURIComponent(feature.k + ":" + feature.i)); } catch (e) { location.hash = feature.k + ":" + feature.i; }
  }
  /* a link that names no thing on the wall, a block or a surveyor, is looked for in the list */
  function fromLink() {
    let words = location.hash.slice(1); try { words = decodeURIComponent(words); } catch (e) { /* a link that was cut off names nothing */ }
    if (words.startsWith("wall:") && [...$("surface").options].some((o) => o.value === words.slice(5))) { $("surface").value = words.slice(5); open(words.slice(5)); return; }
    const feature = words ? Wall.named(words) : null; if (feature) { Wall.shown[feature.k] = true; layers(); select(feature, true); Panels.show("panel-detail"); } else if (words && words !== "list") Panels.find(words);
  }

  /* a small drawing of all surfaces, folded out, each a button */
  function keyPlan() {
    const plan = data.key_plan || []; if (plan.reduce((n, e) => n + e.panels.length, 0) < 2) return;
    const NS = "http://www.w3.org/2000/svg", svg = document.createElementNS(NS, "svg"), node = (tag, given, word, parent) => { const n = document.createElementNS(NS, tag); for (const [k, v] of Object.entries(given)) n.setAttribute(k, v); if (word) n.textContent = word; (parent || svg).append(n); return n; };
    const all = plan.flatMap((e) => e.panels.map((p) => p.box)), unit = Math.max(...plan.map((e) => Math.max(...e.panels.map((p) => p.box[2])) - Math.min(...e.panels.map((p) => p.box[0])))) / 150;
    let down = 0, wide = 0;
    for (const e of plan) {
      const u0 = Math.min(...e.panels.map((p) => p.box[0])), v1 = Math.max(...e.panels.map((p) => p.box[3])), v0 = Math.min(...e.panels.map((p) => p.box[1]));
      node("text", { x: 0, y: down + 11 * unit, "font-size": 11 * unit, fill: "#1b1f24" }, e.name.length > 26 ? e.name.slice(0, 25) + "\u2026" : e.name); down += 15 * unit;
      for (const p of e.panels) {
        const pick = () => { $("surface").value = p.s; open(p.s); };
        const g = node("g", { role: "button", tabindex: 0, "aria-label": p.name, "data-surface": p.s });
        node("title", {}, p.name, g); node("rect", { x: p.box[0] - u0, y: down + v1 - p.box[3], width: p.box[2] - p.box[0], height: p.box[3] - p.box[1], "stroke-width": unit }, "", g);
        g.addEventListener("click", pick); g.addEventListener("keydown", (k) => { if (k.key === "Enter" || k.key === " ") { k.preventDefault(); pick(); } });
        wide = Math.max(wide, p.box[2] - u0);
      }
      down += v1 - v0 + 5 * unit;
    }
    svg.setAttribute("viewBox", `${-unit} 0 ${wide + 2 * unit} ${down}`); svg.setAttribute("role", "group"); svg.setAttribute("aria-label", text.key_plan);
    const control = L.control({ position: "topright" }); control.onAdd = () => { const div = L.DomUtil.create("div", "keyplan"); div.append(svg); L.DomEvent.disableClickPropagation(div); return div; }; control.addTo(map);
  }
  /* the page in its language; another one is the same page with another address, so that a link keeps it */
  function speak() {
    document.documentElement.lang = Wall.language;
    for (const node of document.querySelectorAll("[data-text]")) node.textContent = text[node.dataset.text];
    for (const node of document.querySelectorAll("[data-label]")) node.setAttribute("aria-label", text[node.dataset.label]);
    const chooser = $("language"); for (const [tag, one] of Object.entries(data.catalogues)) { const option = new Option(one.language, tag); option.lang = tag; chooser.add(option); }
    chooser.value = Wall.language; chooser.onchange = () => { const there = new URL(location.href); there.searchParams.set("lang", chooser.value); location.href = there.href; };
  }
  function start() {
    map.setMinZoom(-3);
    L.Control.Bar = L.Control.extend({ onAdd() { this.holder = L.DomUtil.create("div", "scalebar"); map.on("zoomend", this.show, this); return this.holder; },
      show() {
        const ppm = map.options.crs.scale(map.getZoom()), unit = Wall.units() === "ft" ? Wall.FT_M : 1;
        const size = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50].map((s) => s * unit).filter((s) => s * ppm <= 170).pop() || 0.005 * unit;
        this.holder.textContent = unit === 1 ? (size < 1 ? Math.round(size * 1000) + " mm" : size + " m") : size / unit >= 1 ? +(size / unit).toFixed(1) + " ft" : +(size / unit * 12).toFixed(1) + " in";
        const bar = document.createElement("i"); bar.style.width = size * ppm + "px"; this.holder.prepend(bar);
      } });
    const bar = new L.Control.Bar({ position: "bottomleft" }).addTo(map);
    const zoom = L.control({ position: "topleft" });
    zoom.onAdd = () => { const div = L.DomUtil.create("div", "zoom"); for (const [word, sign, step] of [[text.zoom_in, "+", 1], [text.zoom_out, "\u2212", -1]]) { const b = document.createElement("button"); b.type = "button"; b.textContent = sign; b.setAttribute("aria-label", word); b.onclick = (e) => { e.stopPropagation(); map.setZoom(map.getZoom() + step); }; div.append(b); } L.DomEvent.disableClickPropagation(div); return div; };
    zoom.addTo(map);
    map.on("mousemove", (e) => { $("readout").textContent = "u " + Wall.length(e.latlng.lng) + "   v " + Wall.length(e.latlng.lat); });
    map.on("click", (e) => {
      if (Tools.busy(e.latlng)) return;
      const reach = 9 / (map.options.crs.scale(map.getZoom()) / 1000), hits = Wall.at(state.surface, e.latlng.lng * 1000, e.latlng.lat * 1000, reach, Wall.visible);
      if (!hits.length) { select(null); return; }
      const next = hits.indexOf(state.selected); select(hits[next >= 0 ? (next + 1) % hits.length : 0], false); if ($("panel-list").hidden) Panels.show("panel-detail");
    });
    map.on("moveend", () => listeners.forEach((call) => call()));
    keyPlan(); const chooser = $("surface"); for (const s of data.surfaces) chooser.add(new Option(s.name, s.id)); chooser.onchange = () => open(chooser.value);
    $("units").onchange = () => { Wall.setUnits($("units").value); bar.show(); layers(); Panels.said_again(); Change.show_legend(); Relief.show_legend(); Relief.again(); };
    $("units").value = Wall.units(); $("whole").onclick = whole; speak();
    if (data.surfaces.length) { open(data.surfaces[0].id); bar.show(); fromLink(); } else $("hint").textContent = text.missing_picture;
    window.addEventListener("hashchange", fromLink); new ResizeObserver(() => map.invalidateSize({ animate: false })).observe($("stage"));
    document.documentElement.dataset.ready = "yes";
  }
  return { map, open, layers, whole, select, viewBox, start, latlng, onView: (call) => listeners.push(call), surface: () => surface };
})();
