/* What the page knows: features, filters, units. No drawing here. */
"use strict";
const Wall = (() => {
  const read = (id) => JSON.parse(document.getElementById(id).textContent);
  const data = read("wall-data"), { catalogues } = data;
  /* the language asked for in the address, else that of the page */
  const asked = new URLSearchParams(location.search).get("lang"), language = Object.hasOwn(catalogues, asked) ? asked : data.language;
  const text = { ...catalogues.en.texts, ...catalogues[language].texts };
  const index = new Map();
  const FT_M = 0.3048, IN_M = 0.0254;
  let units = data.units || "mm";

  /* the things of the page stand as columns (see map_columns.py): what many share is written once */
  const reader = (column) => Array.isArray(column) ? (n) => column[n] ?? undefined : Object.hasOwn(column, "all") ? () => column.all : (n) => column.of[column.at[n] - 1];
  const readers = (columns) => Object.entries(columns).map(([name, column]) => [name, reader(column)]);
  class Feature {
    constructor(source, n) { this.k = source.kind; this.source = source; this.n = n; for (const [name, value] of source.own) this[name] = value(n); }
    /* what is told of it, made when first asked for */
    get p() {
      if (!this.made) { this.made = {}; for (const [name, value] of this.source.told) { const v = value(this.n); if (v !== undefined) this.made[name] = v; } }
      return this.made;
    }
  }
  /* numbers of seven bits a byte, read one after the other */
  function numbers(coded) {
    const bytes = atob(coded); let at = 0;
    const next = () => { let n = 0, shift = 0, byte; do { byte = bytes.charCodeAt(at++); n |= (byte & 127) << shift; shift += 7; } while (byte > 127); return (n >>> 1) ^ -(n & 1); };
    return { next, at: () => at, go: (place) => { at = place; } };
  }
  /* place of the label and box of every feature, in millimetres; where its corners are written */
  function placed(features, corners) {
    for (const f of features) {
      let x = corners.next(), y = corners.next(); f.c = [x, y]; f.corners = corners; f.from = corners.at();
      let left = Infinity, low = Infinity, right = -Infinity, high = -Infinity; const rings = corners.next();
      for (let ring = 0; ring < rings; ring++) {
        [x, y] = f.c;
        for (let n = corners.next(); n > 0; n--) { x += corners.next(); y += corners.next(); if (x < left) left = x; if (x > right) right = x; if (y < low) low = y; if (y > high) high = y; }
      }
      f.b = rings ? [left, low, right, high] : [x, y, x, y];
      f.a = f.t === "P" ? f.a ?? f.p.area_m2 : undefined;
    }
    return features;
  }
  /* every ring or line of a feature as a flat list x, y, x, y in millimetres; read when first asked for */
  function rings(f) {
    if (f.r) return f.r;
    const { next, go } = f.corners; go(f.from);
    f.r = Array.from({ length: next() }, () => {
      let [x, y] = f.c; const line = new Array(2 * next());
      for (let n = 0; n < line.length; n += 2) { line[n] = x += next(); line[n + 1] = y += next(); }
      return line;
    });
    return f.r;
  }
  data.features = data.features.flatMap(({ kind, count, columns, told, corners }) => {
    const source = { kind, own: readers(columns), told: readers(told) };
    return placed(Array.from({ length: count }, (_, n) => new Feature(source, n)), numbers(corners));
  });

  /* features by square of the wall, so that a tile asks only its neighbours */
  const CELL_MM = 500;
  function put(feature) {
    const squares = index.get(feature.s) || index.set(feature.s, new Map()).get(feature.s);
    for (let c = Math.floor(feature.b[0] / CELL_MM); c <= Math.floor(feature.b[2] / CELL_MM); c++)
      for (let r = Math.floor(feature.b[1] / CELL_MM); r <= Math.floor(feature.b[3] / CELL_MM); r++) {
        const key = c * 65536 + r, there = squares.get(key);
        if (there) there.push(feature); else squares.set(key, [feature]);
      }
  }
  data.features.forEach((feature, order) => { feature.o = order; put(feature); });

  /* each once: a feature that lies in several squares is marked by the asking that has it */
  let asked_for = 0;
  function near(surface, box) {
    const found = [], squares = index.get(surface) || new Map(), asking = ++asked_for;
    for (let c = Math.floor(box[0] / CELL_MM); c <= Math.floor(box[2] / CELL_MM); c++)
      for (let r = Math.floor(box[1] / CELL_MM); r <= Math.floor(box[3] / CELL_MM); r++)
        for (const f of squares.get(c * 65536 + r) || [])
          if (f.asking !== asking && f.b[2] >= box[0] && f.b[0] <= box[2] && f.b[3] >= box[1] && f.b[1] <= box[3]) { f.asking = asking; found.push(f); }
    return found;
  }

  function inside(feature, x, y, reach) {
    if (feature.t === "P") return rings(feature).reduce((odd, ring) => odd !== crosses(ring, x, y), false);
    if (feature.t === "X") return Math.hypot(feature.c[0] - x, feature.c[1] - y) <= reach;
    return rings(feature).some((line) => distance(line, x, y) <= reach);
  }
  function crosses(ring, x, y) {
    let odd = false;
    for (let n = 0, m = ring.length - 2; n < ring.length; m = n, n += 2)
      if ((ring[n + 1] > y) !== (ring[m + 1] > y) && x < (ring[m] - ring[n]) * (y - ring[n + 1]) / (ring[m + 1] - ring[n + 1]) + ring[n]) odd = !odd;
    return odd;
  }
  function distance(line, x, y) {
    let best = Infinity;
    for (let n = 0; n + 3 < line.length; n += 2) {
      const dx = line[n + 2] - line[n], dy = line[n + 3] - line[n + 1];
      const t = Math.max(0, Math.min(1, ((x - line[n]) * dx + (y - line[n + 1]) * dy) / (dx * dx + dy * dy || 1)));
      best = Math.min(best, Math.hypot(line[n] + t * dx - x, line[n + 1] + t * dy - y));
    }
    return best;
  }
  /* the smallest thing under the pointer */
  function at(surface, x, y, reach, wanted) {
    const hits = near(surface, [x - reach, y - reach, x + reach, y + reach]).filter((f) => wanted(f) && inside(f, x, y, reach));
    const rank = (f) => (f.k === "control" ? 0 : f.k === "condition" ? 1 : f.k === "repair" ? 2 : f.k === "stone" ? 3 : 4);
    return hits.sort((a, b) => rank(a) - rank(b) || (a.a || 0) - (b.a || 0));
  }

  /* what is shown */
  const shown = { condition: true, repair: true, stone: false, opening: false, control: false, residual: false, after: false, relief: false, change: false, gauges: true, grid: true, labels: true };
  const off = { term: new Set(), cc: new Set(), uc: new Set(), rc: new Set(), treatment: new Set(), stage: new Set(), survey: new Set(), observed_on: new Set() };
  const FILTERED = { condition: ["term", "cc", "uc", "rc", "survey", "observed_on"], repair: ["treatment", "stage"], stone: [], opening: [], control: [] };
  function visible(feature) {
    return shown[feature.k] && FILTERED[feature.k].every((name) => !off[name].size || !off[name].has(String(feature.p[name] ?? "")));
  }

  /* what a search looks through */
  const abbreviation = Object.fromEntries(data.terms.map((t) => [t.name, t.abbreviation])), CLASSED = new Set(["cc", "uc", "rc"]);
  function words(feature) {
    if (feature.q === undefined) {
      const said = [feature.i, abbreviation[feature.p.term] || ""];
      for (const [name, value] of Object.entries(feature.p))
        if (CLASSED.has(name)) said.push(name + value, tell(data.classes[name][value] || "")); else if (typeof value === "string") said.push(value === tell(value) ? measured(value) : value + " " + say(value)); else if (Array.isArray(value)) said.push(value.filter((v) => typeof v === "string").map(measured).join(" "));
      feature.q = said.join(" ").toLowerCase();
    }
    return feature.q;
  }
  const sixteenths = (inches) => {
    let n = Math.round(inches * 16); const whole = Math.floor(n / 16); n -= whole * 16;
    if (!n) return String(whole);
    let d = 16; while (n % 2 === 0) { n /= 2; d /= 2; }
    return (whole ? whole + " " : "") + n + "/" + d;
  };
  function length(metres) {
    if (units === "mm") return Math.round(metres * 1000).toLocaleString("en").replace(/,/g, "\u202f") + " mm";
    const sign = metres < 0 ? "-" : "", inches = Math.round(Math.abs(metres) / IN_M * 16) / 16, feet = Math.floor(inches / 12);
    return sign + feet + "\u2032 " + sixteenths(inches - feet * 12) + "\u2033";
  }
  function area(square) { return units === "mm" ? square.toFixed(square < 1 ? 4 : 2) + " m\u00b2" : (square / FT_M / FT_M).toFixed(2) + " ft\u00b2"; }
  /* a litre is a cubic decimetre; cubic feet by the international foot */
  function volume(cubic) { return units === "mm" ? (cubic * 1000).toFixed(1) + " L" : (cubic / FT_M ** 3).toFixed(2) + " ft\u00b3"; }
  const tenths = (metres) => units === "mm" ? (metres * 1000).toFixed(1) + " mm" : (metres / IN_M).toFixed(2) + "\u2033";
  const joint = (metres) => units === "ft" && metres / IN_M >= 1 / 16 ? sixteenths(metres / IN_M) + "\u2033" : tenths(metres);
  const total = (square) => units === "mm" ? square.toFixed(square < 0.1 ? 3 : 2) + " m\u00b2" : (square / FT_M / FT_M).toFixed(square < 0.1 ? 2 : 1) + " ft\u00b2";
  const weight = (kg) => units === "mm" ? kg.toFixed(0) + " kg" : (kg / 0.45359237).toFixed(0) + " lb";
  const SAID = { length, area: total, volume, weight, joint, error: tenths, shift: (metres) => (metres > 0 ? "+" : "") + tenths(metres) };
  /* sentences carry their measures in metres, each between two signs of its own */
  const measured = (words) => typeof words === "string" ? words.replace(/\ue000(\w+) ([-+.\de]+)\ue001/g, (all, kind, value) => Object.hasOwn(SAID, kind) ? SAID[kind](+value) : all) : words;
  /* words of the project's own vocabulary in the language of the page: as they stand, or by a sentence with gaps */
  const vocabulary = catalogues[language].words, gaps = Object.keys(vocabulary).filter((words) => words.includes("{}")).sort((a, b) => b.length - a.length)
    .map((words) => [new RegExp("^" + words.split("{}").map((part) => part.replace(/[.*+?^${}()|[\]\\]/g, "\\$&")).join("([^]*?)") + "$"), words]);
  const known = (words) => Object.hasOwn(vocabulary, words);
  function tell(words) {
    if (typeof words !== "string" || language === "en" || !words) return words;
    if (known(words)) return vocabulary[words];
    for (const [shape, key] of gaps) {
      const found = shape.exec(words);
      if (found) { let n = 0; return vocabulary[key].replace(/{}/g, () => parts(found[++n])); }
    }
    return words;
  }
  /* what fills a gap: a sentence again, or a list of counted words */
  const parts = (words) => { const told = tell(words); return told !== words ? told : words.split(/(, | \()/).map((part) => part.replace(/^(\d+ )?([^\d\ue000]*[^\d\ue000 ])( \d+)?$/, (all, before, word, after) => (before || "") + tell(word) + (after || ""))).join(""); };
  /* told, in the reader's units; what has no words in the language is marked as English */
  const say = (words) => measured(tell(words)), english = (words) => language !== "en" && typeof words === "string" && tell(words) === words;
  /* the terms of the published glossary by its word in the language, those of our own with a sign */
  const own = new Set(catalogues[language].own), termed = (name) => tell(name) + (own.has(name) ? "\u00b0" : "");
  const byId = (kind, id) => data.features.find((f) => f.k === kind && f.i === id);
  /* what a link names: a thing by its kind and id, by its id alone, or a piece by its own */
  function named(words) {
    const one = words.indexOf(":"), kinds = ["condition", "repair", "stone", "opening", "control"];
    const found = byId(words.slice(0, one), words.slice(one + 1)); if (found) return found;
    for (const kind of kinds) { const same = byId(kind, words); if (same) return same; }
    return data.features.find((f) => f.p.piece === words);
  }
  const state = { surface: data.surfaces.length ? data.surfaces[0].id : "", selected: null };
  return { data, text, byId, near, at, rings, words, visible, shown, off, length, area, volume, say, tell, english, termed, language, measured, named, state, setUnits: (u) => { units = u; }, units: () => units, FT_M,
    surface: () => data.surfaces.find((s) => s.id === state.surface) };
})();
