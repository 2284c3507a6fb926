/* Drawing: the picture of the wall and, tile by tile, everything that was outlined on it. */
"use strict";
const Draw = (() => {
  const { data } = Wall, TILE = 512, patterns = new Map();
  /* widths of the book of signs are millimetres of paper; a page has 96 pixels an inch */
  const PX_PER_MM = 96 / 25.4;
  const weightOf = (cc) => data.signs.classes.cc[cc ?? "none"].weight_mm * PX_PER_MM;
  const family = Object.fromEntries(data.families.map((f) => [f.id, f])), term = Object.fromEntries(data.terms.map((t) => [t.name, t]));
  const { signs } = data, signOf = (name) => signs.terms[name] || signs.other, proposedDash = signs.states.proposed.dash_mm.map((d) => d * PX_PER_MM);
  const REPAIR = signs.things.repairs.colour;
  const proposed = (f) => f.p.origin === "assisted" && !f.p.confirmed_by;
  const dashOf = (f) => proposed(f) ? proposedDash : f.t === "L" ? (signOf(f.p.term).dash_mm || []).map((d) => d * PX_PER_MM) : [];

  function crs(surface) {
    const top = surface.levels - 1;
    return L.Util.extend({}, L.CRS.Simple, {
      code: surface.id, transformation: new L.Transformation(1, -surface.left_m, -1, surface.top_m),
      scale: (z) => Math.pow(2, z - top) / surface.gsd_m, zoom: (s) => Math.log2(s * surface.gsd_m) + top, infinite: true });
  }

  /* the cell of a hatch, laid side by side as often as makes it whole pixels */
  function cell({ hatch, colour }, sharp) {
    const { width_mm, height_mm, strokes_mm, dots_mm } = hatch.cell, canvas = document.createElement("canvas"), pen = canvas.getContext("2d");
    const whole = (mm) => { const one = mm * PX_PER_MM * sharp, times = [1, 2, 3, 4, 5, 6].reduce((best, n) => Math.abs(Math.round(n * one) / n - one) < Math.abs(Math.round(best * one) / best - one) - .02 ? n : best); return [times, Math.round(times * one)]; };
    const [across, wide] = whole(width_mm), [down, high] = whole(height_mm); canvas.width = wide; canvas.height = high;
    pen.scale(wide / across / width_mm, high / down / height_mm); pen.strokeStyle = pen.fillStyle = colour; pen.lineWidth = signs.hatch.line_mm;
    pen.globalAlpha = signs.hatch.fill; pen.fillRect(0, 0, across * width_mm, down * height_mm); pen.globalAlpha = 1; pen.beginPath();
    for (let i = 0; i < across; i++) for (let j = 0; j < down; j++) {
      const x = i * width_mm, y = j * height_mm;
      for (const [x1, y1, x2, y2] of strokes_mm) { pen.moveTo(x + x1, y + y1); pen.lineTo(x + x2, y + y2); }
    }
    pen.stroke();
    for (let i = 0; i < across; i++) for (let j = 0; j < down; j++) for (const [x, y] of dots_mm) { pen.beginPath(); pen.arc(i * width_mm + x, j * height_mm + y, signs.hatch.dot_radius_mm, 0, 7); pen.fill(); }
    return canvas;
  }
  /* the hatch of a term in a tile; it runs on from tile to tile */
  function pattern(pen, name, sharp, coords) {
    const key = name + sharp; if (!patterns.has(key)) { const canvas = cell(signOf(name), sharp); patterns.set(key, [canvas, pen.createPattern(canvas, "repeat")]); }
    const [canvas, made] = patterns.get(key), back = (n, side) => -((n * TILE * sharp) % side + side) % side / sharp;
    made.setTransform(new DOMMatrix().translate(back(coords.x, canvas.width), back(coords.y, canvas.height)).scale(1 / sharp)); return made;
  }
  const swatches = new Map();
  function swatch(name) {
    if (!swatches.has(name)) swatches.set(name, cell(signOf(name), 1).toDataURL());
    return swatches.get(name);
  }
  /* the sign of a term as the map draws it: an area hatched, a crack a line, a place a triangle */
  const drawn = new Map(), icons = new Map();
  for (const f of data.features) if (f.k === "condition") { const n = drawn.get(f.p.term) || drawn.set(f.p.term, {}).get(f.p.term); n[f.t] = (n[f.t] || 0) + 1; }
  const shape = (name) => Object.entries(drawn.get(name) || { P: 1 }).sort((a, b) => b[1] - a[1])[0][0];
  function sign(name) {
    if (shape(name) === "P") return swatch(name);
    if (!icons.has(name)) {
      const canvas = document.createElement("canvas"); canvas.width = 60; canvas.height = 36; const pen = canvas.getContext("2d"); pen.fillStyle = "#fff"; pen.fillRect(0, 0, 60, 36);
      pen.strokeStyle = signOf(name).colour; pen.lineWidth = 5; if (shape(name) === "L") pen.setLineDash((signOf(name).dash_mm || []).map((d) => d * 2 * PX_PER_MM)); pen.beginPath();
      if (shape(name) === "L") { pen.moveTo(4, 28); pen.lineTo(22, 12); pen.lineTo(38, 24); pen.lineTo(56, 8); } else { pen.moveTo(30, 5); pen.lineTo(44, 30); pen.lineTo(16, 30); pen.closePath(); }
      pen.stroke(); icons.set(name, canvas.toDataURL());
    }
    return icons.get(name);
  }

  function trace(pen, feature, x0, y0, ppmm) {
    pen.beginPath();
    for (const ring of Wall.rings(feature)) {
      for (let n = 0; n < ring.length; n += 2) {
        const x = (ring[n] - x0) * ppmm, y = (y0 - ring[n + 1]) * ppmm;
        if (n) pen.lineTo(x, y); else pen.moveTo(x, y);
      }
      if (feature.t === "P") pen.closePath();
    }
  }
  function halo(pen, colour, width, dash) {
    pen.setLineDash(dash || []); pen.strokeStyle = "rgba(255,255,255,.75)"; pen.lineWidth = width + 1.6; pen.stroke();
    pen.strokeStyle = colour; pen.lineWidth = width; pen.stroke(); pen.setLineDash([]);
  }
  function condition(pen, f, x0, y0, ppmm, sharp, coords) {
    const { colour } = signOf(f.p.term), width = weightOf(f.p.cc);
    if (f.t === "X") {
      const x = (f.c[0] - x0) * ppmm, y = (y0 - f.c[1]) * ppmm, size = signs.points.size_mm * PX_PER_MM;
      pen.beginPath(); pen.moveTo(x, y - size * 2 / 3); pen.lineTo(x + size / Math.sqrt(3), y + size / 3); pen.lineTo(x - size / Math.sqrt(3), y + size / 3); pen.closePath();
      pen.fillStyle = "#fff"; pen.fill(); pen.strokeStyle = colour; pen.lineWidth = width; pen.stroke(); return;
    }
    trace(pen, f, x0, y0, ppmm);
    if (f.t === "P") { pen.fillStyle = pattern(pen, f.p.term, sharp, coords); pen.fill("evenodd"); }
    halo(pen, colour, f.t === "L" ? width + signs.lines.extra_mm * PX_PER_MM : width, dashOf(f));
  }
  function repair(pen, f, x0, y0, ppmm) {
    trace(pen, f, x0, y0, ppmm); halo(pen, REPAIR, f.p.pieced ? 2.6 : 1.3, f.p.pieced ? [] : [6, 4]);
    if (f.p.pieced && ppmm > 0.25) for (const [x, y] of f.p.pin_places || []) {
      pen.beginPath(); pen.arc((x - x0) * ppmm, (y0 - y) * ppmm, Math.max(2, 4 * ppmm), 0, 7); pen.fillStyle = "#fff"; pen.fill(); pen.strokeStyle = REPAIR; pen.lineWidth = 1.4; pen.stroke();
    }
  }
  function plain(pen, f, x0, y0, ppmm) {
    if (f.k === "control") {
      const x = (f.c[0] - x0) * ppmm, y = (y0 - f.c[1]) * ppmm;
      pen.beginPath(); pen.moveTo(x - 8, y); pen.lineTo(x + 8, y); pen.moveTo(x, y - 8); pen.lineTo(x, y + 8);
      if (f.p.role === "check") { pen.moveTo(x + 5, y); pen.arc(x, y, 5, 0, 7); } halo(pen, "#111", 1.4); return;
    }
    trace(pen, f, x0, y0, ppmm);
    if (f.k === "opening") { pen.fillStyle = "rgba(40,50,60,.35)"; pen.fill("evenodd"); halo(pen, "#28323c", 1.4); } else halo(pen, "#5c5147", .9);
  }
  const ORDER = { opening: 0, stone: 1, condition: 2, repair: 3, control: 4 };

  /* tiles are drawn at the zoom of the map itself, also between whole steps, so that nothing is drawn scaled */
  const Exact = L.GridLayer.extend({ _clampZoom() { return this._map.getZoom(); } });
  /* what is too small for a hatch and a halo is gathered by colour, as text of paths, and drawn some at a time, so that no colour hides the others */
  const AT_ONCE = 200;
  function Small(pen, x0, y0, ppmm) {
    const taken = new Uint8Array(TILE * TILE / 16); let colours = new Map(), waiting = 0;
    const of = (colour) => colours.get(colour) || colours.set(colour, { marks: [], areas: [], lines: [] }).get(colour);
    /* too small to read: one mark a place */
    function mark(f, colour) {
      const px = Math.round((f.b[0] - x0) * ppmm), py = Math.round((y0 - f.b[3]) * ppmm), slot = (py >> 2) * (TILE >> 2) + (px >> 2);
      if (px < 0 || py < 0 || px >= TILE || py >= TILE || taken[slot]) return;
      taken[slot] = 1; of(colour).marks.push(px, py); if (++waiting >= AT_ONCE) draw();
    }
    /* between readable and invisible: in half pixels, corners closer than one left out */
    function outline(f, colour) {
      const area = f.t === "P" && f.k === "condition", path = area ? of(colour).areas : of(colour).lines, halves = 2 * ppmm;
      for (const ring of Wall.rings(f)) {
        let x = 0, y = 0, words = "";
        for (let n = 0; n < ring.length; n += 2) {
          const px = Math.round((ring[n] - x0) * halves), py = Math.round((y0 - ring[n + 1]) * halves);
          if (!n) words = "M" + px + " " + py; else if (Math.abs(px - x) + Math.abs(py - y) < 3) continue; else words += "L" + px + " " + py;
          x = px; y = py;
        }
        path.push(f.t === "P" ? words + "Z" : words);
      }
      if (++waiting >= AT_ONCE) draw();
    }
    function draw() {
      for (const [colour, { marks, areas, lines }] of colours) {
        pen.save(); pen.scale(0.5, 0.5); pen.lineWidth = 2.6; pen.strokeStyle = colour; pen.fillStyle = colour + "66";
        if (areas.length) { const path = new Path2D(areas.join("")); pen.fill(path); pen.stroke(path); }
        if (lines.length) pen.stroke(new Path2D(lines.join("")));
        pen.restore(); pen.fillStyle = colour; for (let n = 0; n < marks.length; n += 2) pen.fillRect(marks[n], marks[n + 1], 3, 3);
      }
      colours = new Map(); waiting = 0;
    }
    return { mark, outline, draw };
  }
  const Outlines = Exact.extend({
    createTile(coords) {
      const canvas = document.createElement("canvas"), sharp = Math.min(2, window.devicePixelRatio || 1);
      canvas.width = canvas.height = TILE * sharp;
      const pen = canvas.getContext("2d"); pen.scale(sharp, sharp);
      const surface = Wall.surface(), ppmm = crs(surface).scale(coords.z) / 1000, margin = (Wall.shown.residual ? 80 : 12) / ppmm;
      const x0 = surface.left_m * 1000 + coords.x * TILE / ppmm, y0 = surface.top_m * 1000 - coords.y * TILE / ppmm, size = TILE / ppmm;
      const found = Wall.near(surface.id, [x0 - margin, y0 - size - margin, x0 + size + margin, y0 + margin]).filter(this.options.wanted || Wall.visible);
      found.sort((a, b) => ORDER[a.k] - ORDER[b.k] || a.o - b.o);
      const small = Small(pen, x0, y0, ppmm); let kind = "";
      for (const f of found) {
        const size = Math.max(f.b[2] - f.b[0], f.b[3] - f.b[1]) * ppmm;
        if (f.k !== kind) { small.draw(); kind = f.k; }
        if (size < 12 && f.t !== "X") { small[size < 5 ? "mark" : "outline"](f, kind === "condition" ? signOf(f.p.term).colour : kind === "repair" ? REPAIR : "#5c5147"); continue; }
        (f.k === "condition" ? condition : f.k === "repair" ? repair : plain)(pen, f, x0, y0, ppmm, sharp, coords);
      }
      small.draw();
      if (Wall.shown.labels) labels(pen, found, x0, y0, ppmm);
      if (Wall.shown.residual) for (const f of found) if (f.rv) arrow(pen, f, x0, y0, ppmm);
      if (!this.options.wanted && surface.control_edge_m.length) controlEdge(pen, surface, x0, y0, ppmm);
      if (Wall.shown.grid && !this.options.wanted) gridLines(pen, surface, coords);
      return canvas;
    }
  });
  /* where the control ends: beyond the dashed line places are extrapolated */
  function controlEdge(pen, surface, x0, y0, ppmm) {
    pen.save(); pen.beginPath();
    surface.control_edge_m.forEach(([u, v], n) => pen[n ? "lineTo" : "moveTo"]((u * 1000 - x0) * ppmm, (y0 - v * 1000) * ppmm));
    pen.closePath(); pen.lineJoin = "round";
    pen.strokeStyle = "#ffffff"; pen.lineWidth = 3; pen.stroke();
    pen.setLineDash([9, 5]); pen.strokeStyle = "#16191d"; pen.lineWidth = 1.5; pen.stroke();
    pen.restore();
  }
  /* residual of a control point: ten pixels for a millimetre, at every zoom */
  function arrow(pen, f, x0, y0, ppmm) {
    const x = (f.c[0] - x0) * ppmm, y = (y0 - f.c[1]) * ppmm, dx = f.rv[0] * 10, dy = -f.rv[1] * 10, turn = Math.atan2(dy, dx);
    pen.beginPath(); pen.moveTo(x, y); pen.lineTo(x + dx, y + dy);
    for (const side of [2.7, -2.7]) { pen.moveTo(x + dx, y + dy); pen.lineTo(x + dx + 6 * Math.cos(turn + side), y + dy + 6 * Math.sin(turn + side)); }
    halo(pen, "#9c1616", 1.8);
  }
  const letter = (f) => (signOf(f.p.term).letter || String(f.p.term || "").slice(0, 2).toUpperCase()) + (f.p.uc == null ? "" : signs.classes.uc[f.p.uc].mark);
  /* letters where the outline has room for them */
  function labels(pen, found, x0, y0, ppmm) {
    pen.font = "600 11px system-ui, DejaVu Sans, sans-serif"; pen.textAlign = "center"; pen.textBaseline = "middle";
    const put = [];
    for (const f of found) {
      const word = f.k === "condition" ? letter(f) : f.k === "repair" && f.p.pieced ? f.i : "";
      if (!word || (f.b[2] - f.b[0]) * ppmm < word.length * 9 + 6 || (f.b[3] - f.b[1]) * ppmm < 17) continue;
      let x = (f.c[0] - x0) * ppmm, y = (y0 - f.c[1]) * ppmm; const w = pen.measureText(word).width / 2 + 3;
      if (x < 0 || x >= TILE || y < 0 || y >= TILE) continue; /* the tile that holds its middle writes it, moved in from the edge */
      x = Math.max(w, Math.min(TILE - w, x)); y = Math.max(9, Math.min(TILE - 9, y));
      if (put.some((q) => Math.abs(q[0] - x) < q[2] + w && Math.abs(q[1] - y) < 16)) continue;
      put.push([x, y, w]); pen.fillStyle = "rgba(255,255,255,.88)"; pen.fillRect(x - w, y - 8, 2 * w, 16);
      pen.fillStyle = f.k === "repair" ? REPAIR : "#16191d"; pen.fillText(word, x, y + .5);
    }
  }

  function tile(surface, key) {
    if (surface.tile_folder) { const [, x, y] = key.split("/").map(Number); return x >= 0 && y >= 0 ? surface.tile_folder + "/" + key + ".jpg" : ""; }
    const holder = document.getElementById("tile-" + surface.number + "/" + key); return holder ? "data:image/jpeg;base64," + holder.textContent : "";
  }
  const Picture = L.GridLayer.extend({
    createTile(coords, done) {
      const surface = Wall.surface(), key = coords.z + "/" + coords.x + "/" + coords.y, own = tile(surface, key), coming = !own && document.readyState === "loading";
      const img = document.createElement(own || coming ? "img" : "div"); if (!own && !coming) { setTimeout(() => done(null, img), 0); return img; }
      img.alt = "";
      /* a tile is filled up to its full size: what lies beyond the picture is not shown */
      const span = TILE * surface.gsd_m * Math.pow(2, surface.levels - 1 - coords.z), beyond = [surface.left_m + (coords.x + 1) * span - surface.extent_m[2], surface.extent_m[1] - (surface.top_m - (coords.y + 1) * span)].map((m) => Math.max(0, m / span * 100));
      if (beyond[0] || beyond[1]) img.style.clipPath = `inset(0 ${beyond[0]}% ${beyond[1]}% 0)`;
      img.onload = img.onerror = () => done(null, img);
      /* the finest tiles are read after the code; one that the picture does not have stays empty */
      const fill = (found) => { if (found) img.src = found; else { img.hidden = true; done(null, img); } };
      if (coming) document.addEventListener("DOMContentLoaded", () => fill(tile(surface, key)), { once: true }); else fill(own);
      return img;
    }
  });
  function gridLines(pen, surface, coords) {
      const ppm = crs(surface).scale(coords.z);
      const unit = Wall.units() === "ft" ? Wall.FT_M : 1, step = [0.1, 0.5, 1, 2, 5, 10, 20, 50, 100].map((s) => s * unit).find((s) => s * ppm >= 90) || 200 * unit;
      const u0 = surface.left_m + coords.x * TILE / ppm, v0 = surface.top_m - coords.y * TILE / ppm;
      const word = (m) => unit === 1 ? +m.toFixed(1) + " m" : +(m / unit).toFixed(1) + " ft";
      pen.font = "11px system-ui, DejaVu Sans, sans-serif"; pen.lineWidth = 1; pen.textAlign = "left"; pen.textBaseline = "alphabetic";
      const across = [], wide = (m) => pen.measureText(word(m)).width + 4;
      /* from a little left of the tile, whose words reach into it */
      for (let u = Math.ceil((u0 - 60 / ppm) / step) * step; u <= u0 + TILE / ppm; u += step) { const x = (u - u0) * ppm; across.push([x, x + wide(u)]); line(pen, x, 0, 0, TILE, word(u)); }
      for (let v = Math.floor((v0 + 16 / ppm) / step) * step; v >= v0 - TILE / ppm; v -= step) {
        /* in a corner of tiles the words of a level stand right of those of the line that comes down there */
        const y = (v0 - v) * ppm, met = Math.min(Math.abs(y), Math.abs(y - TILE)) < 14 ? across.find(([from, to]) => from < wide(v) && to > 0) : null;
        line(pen, 0, y, TILE, 0, word(v), met ? met[1] + 2 : 0);
      }
  }
  function line(pen, x, y, dx, dy, word, aside = 0) {
    pen.strokeStyle = "rgba(255,255,255,.45)"; pen.beginPath(); pen.moveTo(x + 1, y + 1); pen.lineTo(x + dx + 1, y + dy + 1); pen.stroke();
    pen.strokeStyle = "rgba(20,30,40,.35)"; pen.beginPath(); pen.moveTo(x, y); pen.lineTo(x + dx, y + dy); pen.stroke();
    const at = x + aside; pen.fillStyle = "rgba(255,255,255,.8)"; pen.fillRect(at + 2, y + 2, pen.measureText(word).width + 4, 13); pen.fillStyle = "#222"; pen.fillText(word, at + 4, y + 12);
  }
  return { crs, signOf, letter, weightOf, dashOf, proposed, PX_PER_MM, termsInOrder: data.terms.map((t) => t.name), Outlines, Picture, swatch, sign, shape, tile, term, family, REPAIR, TILE };
})();
