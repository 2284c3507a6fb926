"use strict";
/* Shows rows that fit, adds up what is shown, draws where it stands and what happened. It makes no markup: what people typed stays text. */
const $ = (id) => document.getElementById(id), NS = document.getElementById("chart").namespaceURI;
const told = JSON.parse($("estate").textContent), form = document.querySelector("form"), rows = [...document.querySelectorAll("tr.wall")];
const node = (tag, given, word, parent) => { const made = document.createElementNS(NS, tag); for (const [k, v] of Object.entries(given)) made.setAttribute(k, v); if (word !== undefined) made.textContent = word; if (parent) parent.append(made); return made; };
const number = (n, digits = 0) => Number(n).toLocaleString("en", { maximumFractionDigits: digits, minimumFractionDigits: digits, useGrouping: false });
const fits = (row) => { const f = form.elements, d = row.dataset;
  return (!f.building.value || d.building === f.building.value) && row.textContent.toLowerCase().includes(f.words.value.trim().toLowerCase())
    && (!f.severe.checked || +d.severe > 0) && (!f.due.checked || +d.due > 0) && (!f.open.checked || +d.open > 0); };
const isShown = (n) => !rows[n].hidden;
let picked = [-1, -1];

/* ---- the plan: metres about the middle of the estate, north up ---- */
const plan = (() => {
  const box = $("plan"); if (!box) return { draw() {}, fit() {} };
  const svg = node("svg", { role: "group", "aria-label": "Plan of the elevations" }, undefined, box), nice = [-1, 0, 1, 2, 3, 4, 5, 6].flatMap((e) => [1, 2, 5].map((s) => s * 10 ** e));
  let view = { x: 0, y: 0, k: 1 };
  const size = () => [box.clientWidth || 600, box.clientHeight || 400];
  const at = ([x, y]) => { const [w, h] = size(); return [w / 2 + (x - view.x) * view.k, h / 2 - (y - view.y) * view.k]; };
  const measure = () => $("measure").value;
  function bounds(only) {
    const all = told.walls.flatMap((wall, n) => (only(n) ? wall.ground.flat() : [])); if (!all.length) return null;
    const x = all.map((p) => p[0]), y = all.map((p) => p[1]); return [Math.min(...x), Math.min(...y), Math.max(...x), Math.max(...y)];
  }
  function fit() {
    const found = bounds(isShown) || bounds(() => true), [w, h] = size(); if (!found) return;
    const [a, b, c, d] = found, wide = Math.max(c - a, 10), high = Math.max(d - b, 10);
    view = { x: (a + c) / 2, y: (b + d) / 2, k: .82 * Math.min(w / wide, h / high) }; draw();
  }
  function step(value, most) { return !(value > 0) ? 0 : value <= most / 3 ? 1 : value <= most * 2 / 3 ? 2 : 3; }
  function draw() {
    const [w, h] = size(), key = measure(), most = Math.max(0, ...told.walls.map((wall, n) => (isShown(n) ? wall.values[key] : 0)));
    svg.setAttribute("viewBox", `0 0 ${w} ${h}`); svg.textContent = "";
    const names = new Map(), order = told.walls.map((wall, n) => n).filter((n) => isShown(n) && told.walls[n].ground.length).sort((a, b) => told.walls[a].values[key] - told.walls[b].values[key]);
    for (const n of order) {
      const wall = told.walls[n], value = wall.values[key], level = step(value, most);
      const words = `${wall.building}, ${wall.title}: ${$("measure").selectedOptions[0].textContent} ${number(value, 1).replace(/\.0$/, "")}`;
      for (const line of wall.ground) {
        const points = line.map(at), xs = points.map((p) => p[0]), ys = points.map((p) => p[1]), short = Math.hypot(Math.max(...xs) - Math.min(...xs), Math.max(...ys) - Math.min(...ys)) < 7;
        const kind = `w v${level}${picked.includes(n) ? " picked" : ""}`, middle = [(Math.max(...xs) + Math.min(...xs)) / 2, (Math.max(...ys) + Math.min(...ys)) / 2];
        const mark = short ? node("circle", { class: kind, cx: middle[0], cy: middle[1], r: 4 }, undefined, svg) : node("polyline", { class: kind, points: points.join(" ") }, undefined, svg);
        mark.setAttribute("tabindex", 0); mark.setAttribute("role", "button"); mark.setAttribute("aria-label", words); node("title", {}, words, mark);
        mark.addEventListener("click", (e) => pick(n, e.shiftKey ? 1 : 0)); mark.addEventListener("keydown", (e) => { if (e.key === "Enter" || e.key === " ") { e.preventDefault(); pick(n, e.shiftKey ? 1 : 0); } });
        const near = names.get(wall.building) || { x: 0, y: Infinity, n: 0 }; near.x += middle[0]; near.n += 1; near.y = Math.min(near.y, ...ys); names.set(wall.building, near);
      }
    }
    const taken = [];
    for (const [name, p] of names) {
      const text = name.length > 28 ? `${name.slice(0, 27)}\u2026` : name, x = p.x / p.n, y = p.y - 9, half = text.length * 3.4;
      if (x < -half || x > w + half || y < 0 || y > h || taken.some((t) => Math.abs(t[0] - x) < t[2] + half && Math.abs(t[1] - y) < 14)) continue;
      taken.push([x, y, half]); node("text", { x, y, "text-anchor": "middle" }, text, svg);
    }
    const metres = nice.find((m) => m * view.k >= 60) || nice.at(-1);
    const long = metres * view.k; node("path", { class: "scale", d: `M12 ${h - 20}v6h${long}v-6` }, undefined, svg);
    node("text", { x: 12 + long / 2, y: h - 20, "text-anchor": "middle" }, metres >= 1000 ? `${number(metres / 1000, metres % 1000 ? 1 : 0)} km` : `${number(metres)} m`, svg);
    node("path", { class: "scale", d: "M22 40V14l-6 9m6-9l6 9" }, undefined, svg); node("text", { x: 22, y: 54, "text-anchor": "middle" }, "N", svg);
    // whole numbers are told as such, others by the upper end of each step
    const whole = (told.numbers.find(([k]) => k === key) || [])[2] === 0, ends = [0, most / 3, most * 2 / 3, most];
    const range = (n) => { if (!whole) return `to ${number(ends[n], 1)}`; const from = Math.floor(ends[n - 1]) + 1, to = Math.floor(ends[n] + 1e-9); return from > to ? "" : from === to ? number(to) : `${number(from)} to ${number(to)}`; };
    const steps3 = [["none", 0], ...[1, 2, 3].map((n) => [range(n), n])].filter(([words]) => words), keys = $("keys"); keys.textContent = "";
    for (const [words, level] of most > 0 ? steps3 : steps3.slice(0, 1)) { const one = document.createElement("span"); one.className = "key"; const sign = node("svg", { viewBox: "0 0 30 14" }, undefined, one); node("path", { class: `v${level}`, d: "M3 7H27", "stroke-linecap": "round" }, undefined, sign); one.append(words); keys.append(one); }
  }
  const zoom = (by, [px, py] = size().map((v) => v / 2)) => { const [w, h] = size(), x = view.x + (px - w / 2) / view.k, y = view.y - (py - h / 2) / view.k, k = Math.min(400, Math.max(1e-5, view.k * by)); view = { k, x: x - (px - w / 2) / k, y: y + (py - h / 2) / k }; draw(); };
  const place = (e) => { const r = box.getBoundingClientRect(); return [e.clientX - r.left, e.clientY - r.top]; };
  const down = new Map();
  box.addEventListener("wheel", (e) => { e.preventDefault(); zoom(e.deltaY < 0 ? 1.25 : .8, place(e)); }, { passive: false });
  svg.addEventListener("pointerdown", (e) => { down.set(e.pointerId, place(e)); });
  window.addEventListener("pointermove", (e) => { const before = down.get(e.pointerId); if (!before) return; const now = place(e);
    if (down.size === 1) { if (Math.hypot(now[0] - before[0], now[1] - before[1]) < 3) return; view.x -= (now[0] - before[0]) / view.k; view.y += (now[1] - before[1]) / view.k; down.set(e.pointerId, now); draw(); return; }
    const other = [...down].find(([id]) => id !== e.pointerId)[1], far = (p) => Math.hypot(p[0] - other[0], p[1] - other[1]); down.set(e.pointerId, now); if (far(before) > 5) zoom(far(now) / far(before), [(now[0] + other[0]) / 2, (now[1] + other[1]) / 2]); });
  for (const end of ["pointerup", "pointercancel"]) window.addEventListener(end, (e) => down.delete(e.pointerId));
  $("nearer").addEventListener("click", () => zoom(1.6)); $("farther").addEventListener("click", () => zoom(1 / 1.6)); $("all").addEventListener("click", fit); $("measure").addEventListener("change", draw);
  new ResizeObserver(() => draw()).observe(box);
  return { draw, fit };
})();

/* ---- side by side ---- */
function pick(n, side) {
  picked[side] = n; $(side ? "right" : "left").value = String(n);
  rows.forEach((row, k) => row.classList.toggle("picked", picked.includes(k))); if (n >= 0) rows[n].scrollIntoView({ block: "nearest" });
  beside(); plan.draw();
}
function beside() {
  const body = $("compared"), walls = picked.map((n) => told.walls[n]); body.textContent = ""; body.closest("table").hidden = !walls.some(Boolean);
  $("heads").textContent = "";
  for (const [k, words] of ["", ...walls.map((w) => (w ? `${w.building}, ${w.title}` : "none chosen")), "Right less left"].entries()) { const th = document.createElement("th"); th.textContent = words; if (k) th.className = "n"; $("heads").append(th); }
  for (const [key, title, digits] of told.numbers) {
    const tr = document.createElement("tr"), cells = [title, ...walls.map((w) => (w ? number(w.values[key], digits) : "")), walls[0] && walls[1] ? number(walls[1].values[key] - walls[0].values[key], digits) : ""];
    cells.forEach((words, k) => { const td = document.createElement("td"); td.textContent = words; if (k) td.className = "n"; tr.append(td); }); body.append(tr);
  }
  walls.forEach((wall, side) => {
    const frame = $(side ? "map-right" : "map-left"); if (!frame) return;
    const where = wall && wall.map ? wall.map : ""; frame.hidden = !where;
    // a map is read when its wall is looked at, and not before
    if (where && frame.dataset.shown !== where) { frame.dataset.shown = where; frame.title = `${wall.building}, ${wall.title}`; frame.src = where; }
  });
}

/* ---- over the years ---- */
function years() {
  const sums = new Map(), body = $("of-years"); body.textContent = "";
  told.walls.forEach((wall, n) => { if (isShown(n)) for (const [year, of] of Object.entries(wall.years)) { const sum = sums.get(year) || { observed: 0, CC3: 0, UC3: 0, done: 0, stone_m3: 0 }; for (const k of Object.keys(sum)) sum[k] += of[k]; sums.set(year, sum); } });
  const known = [...sums.keys()].sort(); $("no-years").hidden = known.length > 0; $("years-table").hidden = !known.length;
  for (const year of known) { const of = sums.get(year), tr = document.createElement("tr");
    [["Year", year], ["Conditions observed", of.observed], ["of CC3", of.CC3], ["of UC3", of.UC3], ["Repairs done", of.done], ["Stone out, litres", number(of.stone_m3 * 1000, 1)]].forEach(([head, words], k) => { const td = document.createElement("td"); td.textContent = words; td.dataset.of = head; if (k) td.className = "n"; tr.append(td); }); body.append(tr); }
  const chart = $("chart"); chart.textContent = ""; chart.style.display = known.length ? "" : "none"; if (!known.length) return;
  const first = +known[0], last = +known.at(-1), span = Math.min(60, last - first + 1), most = Math.max(1, ...known.map((y) => Math.max(sums.get(y).observed, sums.get(y).done))), room = Math.max(280, Math.min(900, $("years").clientWidth)), wide = (room - 20) / span;
  chart.setAttribute("viewBox", `0 0 ${room + 10} 170`);
  for (let n = 0; n < span; n += 1) { const year = last - span + 1 + n, of = sums.get(String(year)), x = 10 + n * wide, bar = Math.min(40, wide * .6);
    if (of) { const high = (v) => 130 * v / most, g = node("g", {}, undefined, chart); node("title", {}, `${year}: ${of.observed} observed, ${of.CC3} of CC3, ${of.done} repairs done`, g);
      node("rect", { class: "a", x, y: 145 - high(of.observed), width: bar, height: high(of.observed) }, undefined, g); node("rect", { class: "b", x, y: 145 - high(of.CC3), width: bar, height: high(of.CC3) }, undefined, g);
      if (of.done) node("rect", { class: "c", x: x + bar * .15, y: 145 - high(of.done), width: bar * .7, height: high(of.done) }, undefined, g); if (wide > 24 && of.observed) node("text", { x: x + bar / 2, y: 140 - high(Math.max(of.observed, of.done)), "text-anchor": "middle" }, of.observed, chart); }
    if (wide > 34 || n % Math.ceil(34 / wide) === 0) node("text", { x: x + bar / 2, y: 162, "text-anchor": "middle" }, year, chart); }
}

const update = () => {
  const sums = {}; let count = 0;
  for (const row of rows) { row.hidden = !fits(row); if (row.hidden) continue; count += 1;
    for (const cell of row.querySelectorAll("[data-value]")) { const k = cell.dataset.key; sums[k] = (sums[k] || 0) + Number(cell.dataset.value); } }
  for (const cell of document.querySelectorAll("tfoot [data-sum]")) cell.textContent = (sums[cell.dataset.sum] || 0).toFixed(Number(cell.dataset.digits));
  $("count").textContent = `${count} of ${rows.length}`; plan.fit(); years();
};
for (const [side, id] of ["left", "right"].entries()) {
  const select = $(id); select.append(new Option("none", "-1")); told.walls.forEach((wall, n) => select.append(new Option(`${wall.building}, ${wall.title}`, String(n))));
  select.addEventListener("change", () => pick(Number(select.value), side));
}
rows.forEach((row, n) => row.addEventListener("click", (e) => pick(n, e.shiftKey ? 1 : 0)));
form.addEventListener("input", update); form.addEventListener("reset", () => setTimeout(update)); form.addEventListener("submit", (e) => e.preventDefault());
for (const part of document.querySelectorAll("[data-by-script]")) part.hidden = false;
form.hidden = false; update(); beside(); window.addEventListener("resize", years);
