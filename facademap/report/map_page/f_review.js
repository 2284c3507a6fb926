/* The planner's review: kept in the page until it is saved as a small file. */
"use strict";
const Review = (() => {
  const { data, text } = Wall, panel = document.getElementById("panel-review"), entries = [];
  let saved = true, feature = null, fields = {};
  function about(f) { if (f.k !== "condition" && f.k !== "repair") return; feature = f; if (fields.about) fields.about.textContent = f.i; draw(); }
  function add() {
    const name = fields.name.value.trim(), words = fields.words.value.trim(), decision = fields.decision.value;
    fields.hint.textContent = !name ? text.review_need_name : decision === "return" && !words ? text.review_need_reason : "";
    if (fields.hint.textContent || (decision === "comment" && !words)) return;
    const whole = fields.whole.checked || !feature;
    entries.push({ at: new Date().toISOString(), reviewer: name, about_table: whole ? "plans" : feature.k + "s", about: whole ? (data.plan_id || "plan") : feature.i, decision, text: words });
    saved = false; fields.words.value = ""; draw();
  }
  function save() {
    const body = JSON.stringify({ facademap_review: 1, project: data.project_id, made_at: new Date().toISOString(), entries }, null, 1);
    const link = el("a", { href: URL.createObjectURL(new Blob([body], { type: "application/json" })), download: "review-" + new Date().toISOString().slice(0, 10) + ".json" });
    document.body.append(link); link.click(); link.remove(); saved = true; draw();
  }
  function draw() {
    fields.about.textContent = feature && !fields.whole.checked ? Wall.tell(feature.k) + " " + feature.i : text.review_about_plan;
    fields.list.replaceChildren(...(entries.length ? entries.map((e, n) => el("li", {}, `${e.about}: ${text[e.decision]}. ${e.text} (${e.reviewer}) `, el("button", { type: "button", "aria-label": text.close + " " + (n + 1), onclick: () => { entries.splice(n, 1); saved = !entries.length; draw(); } }, "\u00d7"))) : [el("li", {}, text.review_empty)]));
    fields.save.disabled = !entries.length; fields.state.textContent = saved ? "" : text.review_unsaved;
  }
  function start() {
    fields = { name: el("input", { id: "reviewer", autocomplete: "name" }), decision: el("select", { id: "decision" }, ["comment", "approve", "return"].map((d) => el("option", { value: d }, text[d]))), words: el("textarea", { id: "review-text", rows: 4 }), whole: el("input", { type: "checkbox", id: "whole-plan", onchange: () => draw() }), hint: el("p", { role: "alert" }), about: el("strong", {}), list: el("ul", {}), save: el("button", { type: "button", id: "review-save", onclick: save }, text.review_save), state: el("span", { role: "status" }) };
    panel.append(el("h2", {}, text.review), el("p", {}, fields.about), el("label", { class: "tick" }, fields.whole, text.review_about_plan), el("label", { class: "wide" }, text.reviewer, fields.name), el("label", { class: "wide" }, text.decision, fields.decision), el("label", { class: "wide" }, text.review_text, fields.words), el("button", { type: "button", id: "review-add", onclick: add }, text.review_add), fields.hint, fields.list, fields.save, " ", fields.state, el("p", {}, text.review_note), ...Panels.said(data.plan_reviews));
    draw(); window.addEventListener("beforeunload", (e) => { if (!saved) { e.preventDefault(); e.returnValue = ""; } });
  }
  return { start, about };
})();
Review.start(); Photo.start(); Panels.start(); Tools.start(); Stage.start();
