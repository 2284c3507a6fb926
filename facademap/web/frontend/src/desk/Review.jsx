// Reviews: what a reviewer says of a repair or a condition, and the links that let reviewers in.
import { useEffect, useState } from "preact/hooks";
import { ask } from "./api.js";
import { project, rowsOf } from "./data.js";
import { notice } from "./edits.js";
import { who } from "./settings.js";

export const isReviewer = () => project.value?.pass === "review";

/** What was said of a row, and room to say more. */
export function Reviews({ table, id }) {
  const said = rowsOf("reviews").filter((r) => r.about_table === table && r.about === id);
  const [text, setText] = useState("");
  const say = async (decision) => {
    if (decision === "return" && !text.trim()) {
      notice.value = { text: "Say why it is returned.", bad: true };
      return;
    }
    try {
      await ask("/api/reviews", { method: "POST", body: { about_table: table, about: id, decision, text: text.trim(), reviewer: who.value || "reviewer" } });
      setText("");
      notice.value = { text: "Stored with the project." };
    } catch (error) {
      notice.value = { text: error.problem ? `${error.problem}. ${error.remedy}` : "No connection; nothing was sent. Try again.", bad: true };
    }
  };
  if (String(id).startsWith("new:")) return null;
  return (
    <details class="reviews" open={isReviewer() || said.length > 0}><summary>Review {said.length > 0 && <span class="count">{said.length}</span>}</summary>
      <ul class="rows">{said.map((r) => <li key={r.id}><strong>{r.decision === "return" ? "Returned" : r.decision === "approve" ? "Approved" : "Comment"}</strong> {r.text} <span class="aside">{r.reviewer} · {new Date(r.at).toLocaleDateString()}</span></li>)}</ul>
      <label class="field">Comment or reason <textarea rows={2} maxLength={2000} value={text} onInput={(e) => setText(e.currentTarget.value)} onKeyDown={(e) => e.stopPropagation()} /></label>
      <p class="acts spaced"><button type="button" onClick={() => say("comment")} disabled={!text.trim()}>Comment</button><button type="button" onClick={() => say("approve")}>Approve</button><button type="button" onClick={() => say("return")}>Return</button></p>
    </details>
  );
}

/** Links for reviewers: made here, shown once, withdrawn at any time. */
export function ReviewerLinks() {
  const [links, setLinks] = useState([]);
  const [name, setName] = useState("");
  const [made, setMade] = useState(null);
  const load = () => ask("/api/reviewer-links").then((a) => setLinks(a.links), () => {});
  useEffect(() => { void load(); }, []);
  const make = async (event) => {
    event.preventDefault();
    if (!name.trim()) return;
    const link = await ask("/api/reviewer-links", { method: "POST", body: { name: name.trim(), who: who.value } }).catch((e) => { notice.value = { text: `${e.problem ?? "No connection"}. ${e.remedy ?? ""}`, bad: true }; });
    if (!link) return;
    setMade({ ...link, address: new URL(link.address, location.href).href });
    setName("");
    void load();
  };
  return (
    <section><h3>Links for reviewers</h3>
      <p class="aside">A reviewer reads everything and adds comments, approvals and returns; nothing else. The link works until it is withdrawn.</p>
      <form class="inline" onSubmit={make}><label class="field">Name of the reviewer <input maxLength={80} value={name} onInput={(e) => setName(e.currentTarget.value)} /></label><button>Make a link</button></form>
      {made && <p class="warn">For {made.name}, shown this once: <input readOnly aria-label="Link" value={made.address} onFocus={(e) => e.currentTarget.select()} /></p>}
      <ul class="rows">{links.map((l) => <li key={l.id}>{l.name} <span class="aside">{l.withdrawn_at ? "withdrawn" : `since ${new Date(l.made_at).toLocaleDateString()}`}</span>
        {!l.withdrawn_at && <button type="button" class="quiet danger" onClick={() => ask("/api/reviewer-links/withdraw", { method: "POST", body: { id: l.id, who: who.value } }).then(load)}>Withdraw</button>}</li>)}</ul>
    </section>
  );
}
