/* The panels beside the map: summary, legend and filters, list, details, help. Text is only ever set as text. */
"use strict";
function el(tag, given, ...children) {
  const node = document.createElement(tag);
  for (const [key, value] of Object.entries(given || {})) {
    if (key === "class") node.className = value; else if (key.startsWith("on")) node[key] = value; else if (value !== false && value != null) node.setAttribute(key, value === true ? "" : value);
  }
  node.append(...children.flat(Infinity).filter((c) => c != null)); return node;
}
const Panels = (() => {
  const { data, text } = Wall, $ = (id) => document.getElementById(id), sections = [...document.querySelectorAll("aside > section")];
  const kinds = { condition: text.conditions, repair: text.repairs };

  function tabs() {
    const holder = el("div", { class: "tabs-inner", role: "tablist", "aria-label": text.title });
    sections.forEach((section) => holder.append(el("button", { type: "button", role: "tab", id: "tab-" + section.id, "aria-controls": section.id, onclick: () => show(section.id),
      onkeydown: (e) => { const step = { ArrowRight: 1, ArrowLeft: -1 }[e.key]; if (!step) return; const all = [...holder.children], next = all[(all.indexOf(e.target) + step + all.length) % all.length]; next.focus(); next.click(); } }, text[section.dataset.tab])));
    document.querySelector("aside").prepend(holder);
    sections.forEach((s) => { s.setAttribute("role", "tabpanel"); s.setAttribute("aria-labelledby", "tab-" + s.id); s.tabIndex = 0; });
    show("panel-summary");
  }
  function show(id) {
    if (id === "panel-help" && !helped) { helped = true; help(); }
    for (const s of sections) { s.hidden = s.id !== id; const tab = $("tab-" + s.id); tab.setAttribute("aria-selected", s.id === id); tab.tabIndex = s.id === id ? 0 : -1; }
    if (id === "panel-legend") { if (!signed) { signed = true; legend(); } tally(); }
    if (id === "panel-list") { if (!hits || $("in-view").checked) search(); mark(Wall.state.selected); }
  }
  const table = (heads, rows) => el("table", {}, el("thead", {}, el("tr", {}, heads.map((h, n) => el("th", { scope: "col", class: n ? "num" : "" }, h)))), el("tbody", {}, rows.map((r) => el("tr", {}, r.map((c, n) => el("td", { class: n ? "num" : "" }, c instanceof Node ? c : Wall.say(String(c))))))));
  /* a sentence in the language of the page, or marked as the English that it is */
  const sentence = (tag, words, given) => el(tag, Wall.english(words) ? { ...given, lang: "en" } : given, Wall.say(words));

  function summary() {
    const s = data.summary, panel = $("panel-summary"); panel.replaceChildren();
    panel.append(el("h2", {}, text.summary)); urgent(panel, s.urgent); panel.append(el("div", { class: "big" }, s.figures.map((f) => el("div", {}, el("strong", {}, Wall.say(f.value)), el("span", {}, Wall.say(f.label))))));
    if (!data.features.some((f) => f.k === "condition")) panel.append(el("p", {}, text.missing_conditions));
    if (s.looks.length) panel.append(el("h3", {}, text.appearance), el("ul", {}, s.looks.map((line) => sentence("li", line))));
    for (const block of s.tables) panel.append(el("h3", {}, Wall.say(block.title)), table(block.heads.map(Wall.say), block.rows));
    for (const line of s.lines) panel.append(sentence("p", line));
    if (data.plan_of_building) panel.append(el("h3", {}, text.plan_of_building), plan());
  }
  /* the urgent ones come first: a few at once, the rest folded */
  function urgent(panel, all) {
    if (!all.length) return; const items = (some) => el("ul", {}, some.map((u) => el("li", {}, el("button", { type: "button", class: "link", onclick: () => go("condition", u.id) }, u.id), " " + [Wall.termed(u.term), ...u.words].filter(Boolean).join(", "))));
    const rest = el("details", {}, el("summary", {}, text.more + " (" + (all.length - 5) + ")")); rest.ontoggle = () => { if (rest.children.length < 2) rest.append(items(all.slice(5, 505))); };
    panel.append(el("div", { class: "urgent" }, el("h3", {}, text.urgent + " (" + all.length + ")"), items(all.slice(0, 5)), all.length > 5 ? rest : null));
  }
  function plan() {
    const ns = "http://www.w3.org/2000/svg", svg = document.createElementNS(ns, "svg"), lines = data.plan_of_building.lines;
    const e = lines.flatMap((l) => [l.from[0], l.to[0]]), n = lines.flatMap((l) => [l.from[1], l.to[1]]), pad = Math.max(3, (Math.max(...e) - Math.min(...e)) * .2, (Math.max(...n) - Math.min(...n)) * .2);
    const x = (v) => v - Math.min(...e) + pad, y = (v) => Math.max(...n) - v + pad, wide = Math.max(...e) - Math.min(...e) + 2 * pad, high = Math.max(...n) - Math.min(...n) + 2 * pad;
    svg.setAttribute("viewBox", `0 0 ${wide} ${high}`); svg.setAttribute("role", "img"); svg.setAttribute("aria-label", text.plan_of_building); svg.style.cssText = "max-height:220px;width:100%";
    const draw = (tag, given, word) => { const node = document.createElementNS(ns, tag); for (const [k, v] of Object.entries(given)) node.setAttribute(k, v); if (word) node.textContent = word; svg.append(node); };
    for (const l of lines) { draw("line", { x1: x(l.from[0]), y1: y(l.from[1]), x2: x(l.to[0]), y2: y(l.to[1]), stroke: "#7a1f1f", "stroke-width": wide / 60 }); draw("text", { x: x((l.from[0] + l.to[0]) / 2), y: y((l.from[1] + l.to[1]) / 2) - wide / 50, "font-size": wide / 22, "text-anchor": "middle", fill: "#1b1f24" }, l.name); }
    draw("path", { d: `M ${wide * .93} ${high * .08} l ${-wide * .02} ${wide * .06} h ${wide * .04} z`, fill: "#1b1f24" }); draw("text", { x: wide * .93, y: high * .08 + wide * .1, "font-size": wide / 25, "text-anchor": "middle" }, "N");
    return svg;
  }
  function go(kind, id) { const f = Wall.byId(kind, id); if (f) { Wall.shown[kind] = true; Stage.layers(); Stage.select(f, true); show("panel-detail"); } }

  /* legend: what is shown, with counts and net areas that follow the view and the filters */
  const counts = new Map();
  function tick(word, on, change, image, key, layer) {
    const box = el("input", { type: "checkbox", onchange: () => { change(box.checked); Stage.layers(); } }); box.checked = on;
    const number = el("span", { class: "n" }); if (key) counts.set(key, number);
    return el("label", { class: "tick", "data-layer": layer }, box, image, el("span", {}, word), number);
  }
  function swatch(name) { const t = Draw.term[name], box = el("span", { class: "swatch", "aria-hidden": "true" }); box.style.backgroundImage = `url(${Draw.sign(name)})`; if (Draw.shape(name) !== "P") box.style.backgroundSize = "100% 100%"; box.dataset.shape = Draw.shape(name); box.style.borderColor = Draw.family[t.family].colour; return box; }
  function group(title, name, values, words) {
    const ticks = [], set = el("fieldset", {}, el("legend", {}, title));
    const turn = (on) => { values.forEach((v) => on ? Wall.off[name].delete(v) : Wall.off[name].add(v)); ticks.forEach((t) => { t.querySelector("input").checked = on; }); Stage.layers(); };
    set.append(el("div", { class: "two" }, el("button", { type: "button", onclick: () => turn(true), "aria-label": title + ": " + text.all }, text.all), el("button", { type: "button", onclick: () => turn(false), "aria-label": title + ": " + text.none }, text.none)));
    for (const v of values) { const t = tick(words(v), true, (on) => on ? Wall.off[name].delete(v) : Wall.off[name].add(v), name === "term" && Draw.term[v] ? swatch(v) : null, name + "|" + v); ticks.push(t); set.append(t); }
    return set;
  }
  function legend() {
    const panel = $("panel-legend"), conditions = data.features.filter((f) => f.k === "condition"), repairs = data.features.filter((f) => f.k === "repair");
    panel.append(el("h2", {}, text.filters));
    const layers = [["condition", text.layer_conditions], ["repair", text.layer_repairs], ["after", text.layer_after], ["relief", text.layer_relief], ["change", text.layer_change], ["gauges", text.layer_gauges], ["stone", text.layer_stones], ["opening", text.layer_openings], ["control", text.layer_control], ["residual", text.layer_residual], ["labels", text.layer_labels], ["grid", text.layer_grid]];
    panel.append(el("fieldset", {}, el("legend", {}, text.filters), layers.filter(([k]) => (k !== "relief" || Relief.any) && (k !== "change" || Change.any) && (k !== "gauges" || Gauges.any) && (k !== "after" || (data.seen || []).length) && (k !== "residual" || data.features.some((f) => f.rv))).map(([key, word]) => tick(word, Wall.shown[key], (on) => { Wall.shown[key] = on; if (key === "residual" && on) Wall.shown.control = true; }, null, null, key))));
    if (Relief.any) panel.append(Relief.legend());
    if (Change.any) panel.append(Change.legend());
    const used = new Set(conditions.map((f) => f.p.term));
    for (const f of data.families) {
      const terms = data.terms.filter((t) => t.family === f.id && used.has(t.name)); if (!terms.length) continue;
      const words = (name) => Draw.term[name].abbreviation + "  " + Wall.termed(name);
      panel.append(group((f.layer === "stone" ? f.id + "  " : "") + Wall.tell(f.name), "term", terms.map((t) => t.name), words));
    }
    const values = (list, name) => [...new Set(list.map((f) => String(f.p[name] ?? "")))].sort();
    for (const [name, title] of [["cc", text.class_cc], ["uc", text.class_uc], ["rc", text.class_rc]])
      if (conditions.length) panel.append(group(title, name, values(conditions, name), (v) => v === "" ? text.not_classed : name.toUpperCase() + v + "  " + Wall.tell(data.classes[name][v] || "")));
    if (repairs.length) for (const [name, title] of [["treatment", text.treatment], ["stage", text.stage]]) panel.append(group(title, name, values(repairs, name), (v) => Wall.tell(v)));
    const surveys = values(conditions, "survey"); if (surveys.length > 1) panel.append(group(text.survey, "survey", surveys, (v) => v || text.not_said));
    const days = values(conditions, "observed_on"); if (days.length > 1 && days.length <= 60) panel.append(group(text.survey_date, "observed_on", days, (v) => v || text.not_said));
    panel.append(el("p", { id: "legend-total", role: "status" }));
  }
  let waiting = 0;
  function tally() {
    for (const label of document.querySelectorAll("[data-layer]")) label.querySelector("input").checked = Wall.shown[label.dataset.layer];
    clearTimeout(waiting); if ($("panel-legend").hidden) return; /* counted only while it is seen */
    waiting = setTimeout(() => {
      const box = Stage.viewBox(), sums = new Map(); let total = 0, number = 0;
      for (const f of Wall.near(Wall.state.surface, box)) {
        if (!Wall.visible(f) || (f.k !== "condition" && f.k !== "repair")) continue;
        for (const name of f.k === "condition" ? ["term", "cc", "uc", "rc", "survey", "observed_on"] : ["treatment", "stage"]) { const key = name + "|" + String(f.p[name] ?? ""), s = sums.get(key) || [0, 0]; s[0] += 1; s[1] += f.a || 0; sums.set(key, s); }
        if (f.k === "condition") { total += f.a || 0; number += 1; }
      }
      for (const [key, node] of counts) { const s = sums.get(key); node.textContent = s ? s[0] + (s[1] ? " \u00b7 " + Wall.area(s[1]) : "") : "\u2013"; }
      const out = $("legend-total"); if (out) out.textContent = number + " " + (Wall.language === "de" ? text.conditions : text.conditions.toLowerCase()) + " " + text.in_view + ", " + Wall.area(total);
    }, 120);
  }

  /* list and search */
  let limit = 100, hits = null, helped = false, signed = false; // help and legend are made when first asked for
  const order = new Intl.Collator("en", { numeric: true }).compare;
  function search() {
    const words = $("search").value.toLowerCase().split(/\s+/).filter(Boolean);
    hits = data.features.filter((f) => (f.k === "condition" || f.k === "repair" || (f.k === "stone" && words.length)) && words.every((w) => Wall.words(f).includes(w)));
    if ($("in-view").checked) { const there = new Set(Wall.near(Wall.state.surface, Stage.viewBox())); hits = hits.filter((f) => there.has(f) && Wall.visible(f)); }
    hits.sort((a, b) => (a.k < b.k ? -1 : a.k > b.k ? 1 : order(a.i, b.i))); limit = 100; rows();
  }
  /* what is selected on the wall is marked in the list, and scrolled to */
  function mark(f) {
    if ($("panel-list").hidden || !hits) return; const at = f ? hits.indexOf(f) : -1; if (at >= limit) { limit = at + 50; rows(); }
    [...$("rows").children].forEach((li, n) => { const button = li.firstChild; if (n === at) { button.setAttribute("aria-current", "true"); button.scrollIntoView({ block: "nearest" }); } else button.removeAttribute("aria-current"); });
  }
  /* looked for as if typed, when there is something to be found */
  function find(words) {
    $("search").value = words; search(); if (hits.length) show("panel-list"); else { $("search").value = ""; hits = null; }
  }
  function rows() {
    $("found").textContent = hits.length ? hits.length + "" : text.nothing; $("more").hidden = hits.length <= limit;
    $("rows").replaceChildren(...hits.slice(0, limit).map((f) => el("li", {}, el("button", { type: "button", onclick: () => { Wall.shown[f.k] = true; Stage.layers(); Stage.select(f, true); show("panel-detail"); } }, f.i + "  " + heading(f), el("small", {}, [f.p.piece, f.p.wall_stone, f.a ? Wall.area(f.a) : null, f.p.uc != null ? "UC" + f.p.uc : null, f.p.stage ? Wall.tell(f.p.stage) : null].filter(Boolean).join("  \u00b7  "))))));
  }

  const heading = (f) => f.p.term ? Wall.termed(f.p.term) : Wall.tell(f.p.treatment || f.k === "opening" && f.p.kind || "") || f.p.stone_type || f.p.kind || f.p.name || "";
  /* what is chosen from a list has words in every language; what was typed stays as typed */
  const CHOSEN = new Set(["treatment", "stage", "activity", "origin", "kind", "bed", "role", "rule_status", "reason", "held_back"]);
  const spoken = (name, v) => name === "term" ? Wall.termed(v) + (Wall.tell(v) === v ? "" : " (" + v + ")") : name === "exposed" ? String(v).split(",").map(Wall.tell).join(", ") : CHOSEN.has(name) || v === "common practice" ? Wall.say(String(v)) : Wall.measured(String(v));
  /* one thing in full */
  function detail(f) {
    const panel = $("panel-detail"), words = data.labels[f.k] || {};
    const value = (name, v) => name.endsWith("_m") ? Wall.length(v) : name.endsWith("_m2") ? Wall.area(v) : name.endsWith("_m3") ? Wall.volume(v) : ["cc", "uc", "rc"].includes(name) ? name.toUpperCase() + v + " " + Wall.tell(data.classes[name][v] || "") : typeof v === "boolean" ? Wall.tell(v ? "yes" : "no") : Array.isArray(v) ? v.join(", ") : spoken(name, v);
    const skip = new Set(["pin_places", "pieced", "cautions", "photo", "before", "piece_picture", "block_words", "pin_words", "edge_words"]);
    const list = Object.entries(f.p).filter(([k, v]) => v !== null && v !== "" && !skip.has(k) && !(Array.isArray(v) && !v.length));
    const links = (name, v) => name === "conditions" ? v.map((id) => el("button", { type: "button", class: "link", onclick: () => go("condition", id) }, id)) : name === "repair" ? el("button", { type: "button", onclick: () => go("repair", v) }, v) : value(name, v);
    panel.replaceChildren(...[el("h2", {}, f.i + "  " + heading(f)),
      (f.p.cautions || []).map((c) => sentence("p", c, { class: "caution" })), el("dl", {}, list.map(([k, v]) => [el("dt", {}, Wall.tell(words[k] || k.replaceAll("_", " "))), el("dd", {}, folded(links(k, v)))])),
      f.p.term && Draw.term[f.p.term] ? sentence("p", Draw.term[f.p.term].meaning) : null,
      (f.p.edge_words || []).length ? [el("h3", {}, Wall.tell(data.labels.more.edges)), el("ul", {}, f.p.edge_words.map((w) => sentence("li", w)))] : [],
      (f.p.pin_words || []).length ? [el("h3", {}, Wall.tell(data.labels.more.pins)), el("ul", {}, f.p.pin_words.map((w) => sentence("li", w)))] : [],
      f.p.pieced ? [el("h3", {}, text.chosen_block), f.p.block_words ? sentence("p", f.p.block_words) : el("p", {}, text.no_block)] : [],
      picture(f), papers(f), said(f.rev),
      el("div", { class: "two" }, el("button", { type: "button", onclick: () => Stage.select(f, true) }, text.go), el("a", { href: "#" + encodeURIComponent(f.k + ":" + f.i) }, text.link))].flat(Infinity).filter((node) => node));
    Review.about(f);
  }
  /* an enormous text is folded after its first words */
  const folded = (v) => typeof v === "string" && v.length > 600 ? el("details", {}, el("summary", {}, v.slice(0, 160) + "\u2026"), el("div", { class: "long" }, v)) : v;
  function said(rows) { return (rows || []).length ? [el("h3", {}, text.earlier_reviews), el("ul", {}, rows.map(([at, who, decision, words]) => el("li", {}, `${at}, ${who}: ${text[decision] || decision}. `, folded(words))))] : []; }
  function picture(f) {
    const seen = (data.seen || []).find((s) => s.repair === f.i && f.k === "repair"), photo = f.p.photo ? data.photos[f.p.photo] : null, out = [];
    if (seen) out.push(el("div", { class: "pair" }, seen.before ? el("figure", {}, large(seen.before, text.now), el("figcaption", {}, text.now)) : null, el("figure", {}, large(seen.image, text.piece_in_wall), el("figcaption", {}, text.after))));
    if (f.p.photo) out.push(photo ? el("figure", {}, large(photo, f.p.photo), el("figcaption", {}, f.p.photo + " \u00b7 " + text.photo_larger)) : el("p", {}, f.p.photo + ": " + text.missing_photo));
    return out;
  }
  /* a picture that opens in large */
  const large = (src, words) => el("button", { type: "button", class: "photo", "aria-label": words + ": " + text.photo_larger, onclick: () => Photo.open(src, words) }, el("img", { src, alt: words, loading: "lazy" }));
  /* papers that were beside the page when it was made, those of this thing first */
  const sheet = (name, id) => { const p = data.papers.find((one) => one.name === name); return p ? [p.file + (p.pages[id] ? "#page=" + p.pages[id] : ""), p.title] : null; };
  function papers(f) {
    const found = (f.k === "repair" ? [f.p.piece ? sheet("tickets", f.p.piece) : null, sheet("job-sheets", f.i), sheet("records", f.i)] : []).filter(Boolean);
    return found.length ? [el("h3", {}, text.papers), el("ul", {}, found.map(paper))] : [];
  }
  const paper = ([href, title]) => el("li", {}, el("a", { href, target: "_blank", rel: "noopener" }, Wall.tell(title)));
  function help() {
    const panel = $("panel-help"); panel.replaceChildren(); panel.append(el("h2", {}, text.help), ...data.help.map((p) => sentence("p", p)), el("h3", {}, text.accuracy), ...data.accuracy.map((p) => sentence("p", p)),
      el("h3", {}, text.cautions), ...data.cautions.map((p) => sentence("p", p, { class: "caution" })), el("h3", {}, text.sources), el("ul", {}, data.sources.map((p) => sentence("li", p))));
    if (Wall.language !== "en") panel.append(el("p", {}, text.glossary_words));
    if (data.papers.length) panel.append(el("h3", {}, text.papers), el("p", {}, text.papers_beside), el("ul", {}, data.papers.map((p) => paper([p.file, p.title]))));
    panel.append(el("h3", {}, text.legend), el("dl", {}, data.terms.map((t) => [el("dt", {}, t.abbreviation + "  " + Wall.termed(t.name)), sentence("dd", t.meaning)])));
  }
  /* everything once more, in other units */
  function said_again() {
    summary(); if (helped) help(); if (hits) rows(); if (Wall.state.selected) detail(Wall.state.selected);
  }
  function skip(event) { event.preventDefault(); show("panel-list"); $("list").focus(); }
  function start() {
    summary(); tabs(); document.querySelector(".skip").onclick = skip; Stage.onView(tally); let moved = 0; $("in-view").onchange = search;
    Stage.onView(() => { if (!$("in-view").checked || $("panel-list").hidden) return; clearTimeout(moved); moved = setTimeout(search, 150); });
    let typing = 0; $("search").oninput = () => { clearTimeout(typing); typing = setTimeout(search, 120); };
    $("more").onclick = () => { limit += 200; rows(); };
  }
  return { start, show, find, detail, go, mark, said, said_again, table };
})();
