/* Monitoring points: a mark with a sign for its state, what it showed against its limits, and the plot of its readings. */
"use strict";
const Gauges = (() => {
  const { data, text } = Wall, $ = (id) => document.getElementById(id), all = data.gauges || [];
  const STATES = { "beyond the limit": ["#a3123a", "!"], moving: ["#a85b00", "~"], still: ["#1f6b3a", "="], "cannot be told yet": ["#4a4f57", "?"], "not read yet": ["#4a4f57", "\u2013"] };
  const inch = () => Wall.units() === "ft", unit = () => (inch() ? "in" : "mm"), small = (m, sign) => { const v = (m / (inch() ? 0.0254 : 0.001)).toFixed(inch() ? 4 : 2); return sign && m > 0 ? "+" + v : v.replace("-", "\u2212"); };
  const here = (surface) => all.filter((g) => g.s === surface && g.c);

  function layer(surface) {
    return L.layerGroup(here(surface).map((g) => {
      const [colour, sign] = STATES[g.verdict], words = g.i + ": " + Wall.tell(g.verdict), icon = L.divIcon({ className: "gauge", iconSize: [22, 22], html: "<i></i><b></b>" });
      const mark = L.marker(L.latLng(g.c[1], g.c[0]), { icon, title: words, alt: words, keyboard: true });
      mark.on("add", () => { const [square, word] = mark.getElement().children; square.style.background = colour; word.textContent = sign; mark.getElement().setAttribute("aria-label", words); });
      mark.on("click keypress", (e) => { if (e.type === "click" || e.originalEvent.key === "Enter") { detail(g); Panels.show("panel-detail"); } });
      return mark;
    }));
  }
  const usual = (g, name) => (g.own.includes(name) ? "" : " (" + text.gauge_usual + ")");
  function detail(g) {
    const facts = [[text.gauge_state, Wall.tell(g.verdict)]];
    if (g.readings.length) facts.push([text.gauge_changed, `${small(g.change_m, true)} \u00b1 ${small(g.change_plus_minus_95_m)} ${unit()}, ${text.gauge_limit} ${small(g.limits.limit_m)}${usual(g, "limit_m")}`]);
    if (g.rate_m_a_year != null) facts.push([text.gauge_rate, `${small(g.rate_m_a_year, true)} \u00b1 ${small(g.rate_plus_minus_95_m)} ${unit()}, ${text.gauge_limit} ${small(g.limits.rate_m_a_year)}${usual(g, "rate_m_a_year")}`]);
    if (g.condition) facts.push([text.conditions, g.condition]);
    $("panel-detail").replaceChildren(el("h2", {}, g.i + "  " + text.gauge), el("p", { class: "caution" }, text.gauge_engineer), el("dl", {}, facts.map(([k, v]) => [el("dt", {}, k), el("dd", {}, v)])), el("p", { lang: "en" }, g.why), plot(g));
  }
  function plot(g) {
    if (!g.readings.length) return "";
    const NS = "http://www.w3.org/2000/svg", node = (tag, given, word) => { const n = document.createElementNS(NS, tag); for (const [k, v] of Object.entries(given)) n.setAttribute(k, v); if (word) n.textContent = word; return n; };
    const days = g.readings.map(([day]) => Date.parse(day)), values = g.readings.map(([, m]) => m), limits = [values[0] - g.limits.limit_m, values[0] + g.limits.limit_m];
    const low = Math.min(...values, limits[0]), high = Math.max(...values, limits[1]), room = .1 * (high - low), span = Math.max(1, days.at(-1) - days[0]);
    const x = (d) => 60 + (d - days[0]) / span * 330, y = (v) => 10 + (high + room - v) / (high - low + 2 * room) * 120;
    const root = node("svg", { viewBox: "0 0 400 150", role: "img", "aria-label": `${g.i}: ${g.readings[0][0]} ${small(values[0])}, ${g.readings.at(-1)[0]} ${small(values.at(-1))} ${unit()}`, style: "width:100%;height:auto" });
    for (const v of limits) root.append(node("line", { x1: 60, x2: 390, y1: y(v), y2: y(v), stroke: "#b04020", "stroke-dasharray": "6 4" }), node("text", { x: 55, y: y(v) + 4, "font-size": 12, "text-anchor": "end", fill: "currentColor" }, small(v)));
    root.append(node("polyline", { points: days.map((d, n) => x(d).toFixed(1) + "," + y(values[n]).toFixed(1)).join(" "), fill: "none", stroke: "currentColor" }));
    days.forEach((d, n) => root.append(node("circle", { cx: x(d), cy: y(values[n]), r: 3, fill: "currentColor" })));
    root.append(node("text", { x: 60, y: 146, "font-size": 12, fill: "currentColor" }, g.readings[0][0]), node("text", { x: 390, y: 146, "font-size": 12, "text-anchor": "end", fill: "currentColor" }, g.readings.at(-1)[0] + " \u00b7 " + unit()));
    return root;
  }
  return { layer, here, states: STATES, any: all.some((g) => g.c) };
})();
