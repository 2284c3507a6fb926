/* The relief: depth by colour in a light that is turned by hand, contours, and the section along a measured line. */
"use strict";
const Relief = (() => {
  const { data, text } = Wall, $ = (id) => document.getElementById(id), RAMP = data.relief_ramp || [], all = data.reliefs || [];
  const of = (surface) => all.find((r) => r.s === surface), UNKNOWN = [196, 170, 190], LIGHT_DEG = 45, STEEPER = 3, FLAT_M = 0.00005;
  let from = 315, held = null, address = "";

  /* heights lie in the picture: red and green count steps, blue tells what is known */
  async function heights(r) {
    const image = new Image(); image.src = r.png; await image.decode();
    const sheet = document.createElement("canvas"); sheet.width = r.width; sheet.height = r.height;
    const pen = sheet.getContext("2d", { willReadFrequently: true }); pen.drawImage(image, 0, 0);
    const pixels = pen.getImageData(0, 0, r.width, r.height).data, out = new Float32Array(r.width * r.height).fill(r.middle_m), known = new Uint8Array(out.length);
    for (let i = 0; i < out.length; i++) if (pixels[4 * i + 2] > 127) { known[i] = 1; out[i] = r.low_m + r.step_m * (pixels[4 * i] * 256 + pixels[4 * i + 1]); }
    return { ...r, out, known, soft: calm(out, r.width, r.height, 1), calm: calm(calm(out, r.width, r.height, 2), r.width, r.height, 2) };
  }
  function calm(values, width, height, reach) {
    const pass = (from, count, length, step, next) => {
      const to = new Float32Array(from.length);
      for (let line = 0; line < count; line++) for (let k = 0, at = line * next; k < length; k++) {
        let sum = 0; for (let d = -reach; d <= reach; d++) sum += from[at + Math.min(Math.max(k + d, 0), length - 1) * step];
        to[at + k * step] = sum / (2 * reach + 1);
      }
      return to;
    };
    return pass(pass(values, height, width, 1, width), width, height, width, 1);
  }
  /* steps of the legend and contours in the unit that is read: they count from zero */
  const steps = () => (Wall.units() === "ft" ? [1 / 16, 1 / 8, 1 / 4, 1 / 2, 1, 2, 6, 12].map((n) => n * 0.0254) : [.001, .002, .005, .01, .02, .05, .1, .2, .5]);
  const step = (r) => steps().find((s) => (r.to_m - r.from_m) / s <= 12) || steps().at(-1);
  const ends = (r) => { const s = step(r); return [Math.floor(r.from_m / s) * s, Math.ceil(r.to_m / s) * s]; };
  const figure = (m) => { const n = Wall.units() === "ft" ? +(m / 0.0254).toFixed(2) : Math.round(m * 1e4) / 10; return (n > 0 ? "+" : n < 0 ? "\u2212" : "") + Math.abs(n); };
  const unit = () => (Wall.units() === "ft" ? "in" : "mm");
  const colour = (share) => { const at = Math.min(1, Math.max(0, share)) * (RAMP.length - 1), k = Math.min(RAMP.length - 2, Math.floor(at)); return RAMP[k].map((c, n) => c + (RAMP[k + 1][n] - c) * (at - k)); };

  function paint(h) {
    const { width, height, out, known, soft } = h, sheet = document.createElement("canvas"); sheet.width = width; sheet.height = height;
    const pen = sheet.getContext("2d"), picture = pen.createImageData(width, height), pixels = picture.data, every = step(h);
    const turn = from * Math.PI / 180, up = LIGHT_DEG * Math.PI / 180, [first, last] = ends(h), light = [Math.sin(turn) * Math.cos(up), Math.cos(turn) * Math.cos(up), Math.sin(up)], slope = STEEPER / (2 * h.cell_m);
    for (let y = 0, i = 0; y < height; y++) for (let x = 0; x < width; x++, i++) {
      const right = x < width - 1 ? i + 1 : i, under = y < height - 1 ? i + width : i; let rgb;
      if (!known[i]) rgb = ((x + y) / 3) & 1 ? UNKNOWN : [255, 255, 255];
      else if (known[right] && known[under] && crosses(h, i, right, under, every)) rgb = [30, 30, 30];
      else {
        const du = (soft[x > 0 ? i - 1 : i] - soft[right]) * slope, dv = (soft[under] - soft[y > 0 ? i - width : i]) * slope;
        const lit = Math.min(1.25, Math.max(.3, .45 + .55 * Math.max(0, (du * light[0] + dv * light[1] + light[2]) / Math.hypot(du, dv, 1)) / light[2]));
        rgb = colour((out[i] - first) / (last - first)).map((c) => c * lit);
      }
      pixels[4 * i] = rgb[0]; pixels[4 * i + 1] = rgb[1]; pixels[4 * i + 2] = rgb[2]; pixels[4 * i + 3] = 255;
    }
    pen.putImageData(picture, 0, 0); return sheet.toDataURL();
  }
  /* on a face without slope noise would draw contours everywhere: only where the calmed wall slopes */
  const crosses = ({ calm }, i, right, under, every) => { const here = Math.floor(calm[i] / every); return (here !== Math.floor(calm[right] / every) && Math.abs(calm[i] - calm[right]) > FLAT_M) || (here !== Math.floor(calm[under] / every) && Math.abs(calm[i] - calm[under]) > FLAT_M); };

  const box = (r) => L.latLngBounds([r.top_m - r.height * r.cell_m, r.left_m], [r.top_m, r.left_m + r.width * r.cell_m]);
  const layers = new Set();
  function layer(surface, options) {
    const r = of(surface); if (!r) return null;
    const made = L.imageOverlay("data:image/gif;base64,R0lGODlhAQABAAAAACH5BAEKAAEALAAAAAABAAEAAAICTAEAOw==", box(r), { alt: text.layer_relief, className: "relief", ...options });
    made.on("add", () => { layers.add(made); draw(r); }); made.on("remove", () => layers.delete(made)); return made;
  }
  async function draw(r) {
    if (!held || held.s !== r.s) { held = await heights(r); address = ""; }
    const asked = from + unit(); if (!address || held.asked !== asked) { held.asked = asked; address = paint(held); }
    layers.forEach((one) => one.setUrl(address)); document.documentElement.dataset.relief = r.s;
  }
  const again = () => { const r = of(Wall.state.surface); if (r && layers.size) draw(r); };

  /* what the colours mean; the light by hand */
  function legend() {
    const holder = el("fieldset", { id: "relief-legend" }), r = of(Wall.state.surface); if (!r) return holder;
    const [first, last] = ends(r), bar = el("canvas", { width: 240, height: 14, role: "img", "aria-label": text.relief_scale }), pen = bar.getContext("2d");
    for (let x = 0; x < 240; x++) { pen.fillStyle = `rgb(${colour(x / 239).map(Math.round).join()})`; pen.fillRect(x, 0, 1, 14); }
    const light = el("input", { type: "range", min: 0, max: 359, step: 5, value: from, id: "relief-light" }); light.oninput = () => { from = +light.value; again(); };
    holder.append(el("legend", {}, text.layer_relief + (r.day ? ", " + r.day : "")), bar, el("div", { class: "ends" }, [first, (first + last) / 2, last].map((m) => el("span", {}, figure(m)))),
      el("p", {}, `${unit()}: ${text.relief_scale}; ${text.relief_contours} ${Wall.units() === "ft" ? step(r) / 0.0254 : step(r) * 1000} ${unit()}`), r.note ? el("p", {}, r.note) : "", el("label", { class: "wide" }, text.relief_light, light));
    return holder;
  }
  function show_legend() { const old = $("relief-legend"); if (old) old.replaceWith(legend()); }

  /* the section along the line that is measured: the cells that it crosses */
  async function section(places) {
    const panel = $("section-panel"), r = of(Wall.state.surface); panel.hidden = true; if (!r || places.length < 2) return;
    if (!held || held.s !== r.s) { held = await heights(r); address = ""; }
    const found = []; let along = 0;
    for (let n = 1; n < places.length; n++) {
      const [a, b] = [places[n - 1], places[n]], length = Math.hypot(b.lng - a.lng, b.lat - a.lat);
      for (let s = 0; s <= length; s += r.cell_m) {
        const u = a.lng + (b.lng - a.lng) * s / length, v = a.lat + (b.lat - a.lat) * s / length, x = Math.floor((u - r.left_m) / r.cell_m), y = Math.floor((r.top_m - v) / r.cell_m), i = y * r.width + x;
        found.push([along + s, x >= 0 && y >= 0 && x < r.width && y < r.height && held.known[i] ? held.out[i] : null]);
      }
      along += length;
    }
    const seen = found.map((f) => f[1]).filter((w) => w !== null); if (seen.length < 2) return;
    panel.replaceChildren(plot(found, along, Math.min(...seen), Math.max(...seen)), el("p", {}, `${text.relief_section}: ${unit()}, ${Wall.length(along)}; ${text.relief_sigma} ${figure(r.sigma_m).replace("+", "\u00b1")} ${unit()}`)); panel.hidden = false;
  }
  function plot(found, length, lowest, highest) {
    const every = steps().find((s) => (highest - lowest) / s <= 5) || steps().at(-1), low = Math.floor(lowest / every) * every, high = Math.max(low + every, Math.ceil(highest / every) * every);
    const NS = "http://www.w3.org/2000/svg", node = (tag, given, word) => { const n = document.createElementNS(NS, tag); for (const [k, v] of Object.entries(given)) n.setAttribute(k, v); if (word) n.textContent = word; return n; };
    const root = node("svg", { viewBox: "0 0 600 150", role: "img", "aria-label": text.relief_section }), x = (s) => 46 + s / length * 546, y = (w) => 138 - (w - low) / (high - low) * 128;
    for (let w = low; w < high + every / 2; w += every) root.append(node("line", { x1: 46, x2: 592, y1: y(w), y2: y(w), stroke: "#bbb" }), node("text", { x: 42, y: y(w) + 4, "font-size": 12, "text-anchor": "end", fill: "currentColor" }, figure(w)));
    let d = "", open = false; for (const [s, w] of found) { if (w === null) open = false; else { d += (open ? "L" : "M") + x(s).toFixed(1) + " " + y(w).toFixed(1); open = true; } }
    root.append(node("path", { d, fill: "none", stroke: "#7a1fa2", "stroke-width": 1.6 })); return root;
  }
  /* what lies on paper: the picture as it is seen, and what its colours mean */
  function printed(surface) {
    const r = of(surface); if (!r || !held || held.s !== surface || !address) return null;
    const bar = el("canvas", { width: 120, height: 8 }), pen = bar.getContext("2d"), [first, last] = ends(r);
    for (let x = 0; x < 120; x++) { pen.fillStyle = `rgb(${colour(x / 119).map(Math.round).join()})`; pen.fillRect(x, 0, 1, 8); }
    const words = `${figure(first)} \u2013 ${figure(last)} ${unit()} ${text.relief_scale}; ${text.relief_contours} ${Wall.units() === "ft" ? step(r) / 0.0254 : step(r) * 1000} ${unit()}`;
    return { address, left_m: r.left_m, top_m: r.top_m, wide_m: r.width * r.cell_m, high_m: r.height * r.cell_m, scale: bar.toDataURL(), words: text.layer_relief + (r.day ? ", " + r.day : "") + ": " + words, note: r.note };
  }
  return { layer, legend, show_legend, section, again, printed, any: all.length > 0, of };
})();
