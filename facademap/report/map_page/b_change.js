/* What changed between two surveys of the wall: colours where a change is proved, the bare wall where none is told. */
"use strict";
const Change = (() => {
  const { data, text } = Wall, all = data.changes || [], of = (surface) => all.find((c) => c.s === surface);
  function layer(surface, options) {
    const c = of(surface); if (!c) return null;
    return L.imageOverlay(c.png, [[c.top_m - c.high_m, c.left_m], [c.top_m, c.left_m + c.wide_m]], { alt: text.layer_change, className: "relief", ...options });
  }
  /* what the colours mean, in the unit that is read */
  function legend() {
    const holder = el("fieldset", { id: "change-legend" }), c = of(Wall.state.surface); if (!c) return holder;
    const bar = el("span", { class: "ramp", role: "img", "aria-label": text.change_scale }); bar.style.background = `linear-gradient(90deg, ${c.ramp.map((rgb) => `rgb(${rgb.join()})`).join()})`;
    const figure = (m) => (m < 0 ? "\u2212" : "+") + (Wall.units() === "ft" ? +(Math.abs(m) / 0.0254).toFixed(2) + " in" : Math.abs(m) * 1000 + " mm");
    holder.append(el("legend", {}, `${text.layer_change}: ${c.surveys[0]} \u2192 ${c.surveys[1]}`), bar, el("div", { class: "ends" }, el("span", {}, figure(-c.full_m)), el("span", {}, figure(c.full_m))), el("p", {}, text.change_scale), c.note ? el("p", { lang: "en" }, c.note) : "");
    return holder;
  }
  function show_legend() { const old = document.getElementById("change-legend"); if (old) old.replaceWith(legend()); }
  return { any: all.length > 0, layer, legend, show_legend };
})();
