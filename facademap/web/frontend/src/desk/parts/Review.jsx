// Reviews: what a reviewer says of a repair or a condition, and the links that let reviewers in.
import { useEffect, useState } from "preact/hooks";
import { enterReview } from "../data/acts.js";
import { ask, refusalIn } from "../data/api.js";
import { rowsOf } from "../data/data.js";
import { notice } from "../data/edits.js";
import { isNew } from "../data/keys.js";
import { online } from "../data/outbox.js";
import { isReviewer, may } from "../data/reviewer.js";
import { onDay, who } from "../data/settings.js";
import { panel, place, select, selection } from "../data/view.js";
import { goTo } from "../wall/wall.js";
import { t } from "../words/texts.js";

/**
 * What was said of a row, and room to say more.
 * @param {RowPlace} props
 */
export function Reviews({ table, id }) {
  const said = rowsOf("reviews").filter((r) => r.about_table === table && r.about === id);
  const [text, setText] = useState("");
  const say = (/** @type {string} */ decision) => {
    if (decision === "return" && !text.trim()) {
      notice.value = { text: t("review.why"), bad: true };
      return;
    }
    void enterReview({ about_table: table, about: id, decision, text: text.trim() });
    setText("");
    notice.value = { text: t(online.value ? "review.stored" : "work.kept") };
  };
  if (isNew(id)) return null;
  return (
    <details class="reviews" open={isReviewer() || said.length > 0}>
      <summary>
        {t("review")} {said.length > 0 && <span class="count">{said.length}</span>}
      </summary>
      <ul class="rows">
        {said.map((r) => (
          <li key={r.id}>
            <strong>{t(`review.${r.decision}`)}</strong> {r.text}{" "}
            <span class="aside">
              {r.reviewer} · {onDay(r.at)}
            </span>
          </li>
        ))}
      </ul>
      {may("review") && (
        <>
          <label class="field">
            {t("review.text")}{" "}
            <textarea
              rows={2}
              maxLength={2000}
              value={text}
              onInput={(e) => setText(e.currentTarget.value)}
              onKeyDown={(e) => e.stopPropagation()}
            />
          </label>
          <p class="acts spaced">
            <button type="button" onClick={() => say("comment")} disabled={!text.trim()}>
              {t("review.comment")}
            </button>
            <button type="button" onClick={() => say("approve")}>
              {t("review.do.approve")}
            </button>
            <button type="button" onClick={() => say("return")}>
              {t("review.do.return")}
            </button>
          </p>
        </>
      )}
    </details>
  );
}

/** @type {Record<string, string>} */
const PLACE_OF = { conditions: "survey", repairs: "repairs", plans: "repairs" };

/** Everything that was said, newest first; what was returned stands out. */
export function AllReviews() {
  const all = [...rowsOf("reviews")].sort((a, b) => String(b.at).localeCompare(String(a.at)));
  /** @param {ReviewEntry} review */
  const open = ({ about_table: table, about: id }) => {
    if (table !== "plans") {
      select(table, id);
      goTo(table, id);
      panel.value = table === "repairs" ? "repair" : "record";
    } else selection.value = [];
    place.value = PLACE_OF[table] ?? "survey";
  };
  if (!all.length) return null;
  return (
    <section class="all-reviews" aria-label={t("reviews")}>
      <h3>
        {t("reviews")} <span class="count">{all.length}</span>
      </h3>
      <ul class="rows">
        {all.slice(0, 100).map((r) => (
          <li key={r.id}>
            <button type="button" class="link" onClick={() => open(r)}>
              {r.about}
            </button>{" "}
            <strong class={r.decision}>{t(`review.${r.decision}`)}</strong> {r.text}{" "}
            <span class="aside">
              {r.reviewer} · {onDay(r.at)}
            </span>
          </li>
        ))}
      </ul>
    </section>
  );
}

/** What a reviewer sees first. */
export function Welcome() {
  return (
    <div class="empty">
      <h2>{t("welcome")}</h2>
      <p>{t("welcome.text")}</p>
      <AllReviews />
    </div>
  );
}

/** @typedef {{ id: string, name: string, made_at: string, withdrawn_at: string | null }} Link */

/** Links for reviewers: made here, shown once, withdrawn at any time. */
export function ReviewerLinks() {
  const [links, setLinks] = useState(/** @type {Link[]} */ ([]));
  const [name, setName] = useState("");
  const [made, setMade] = useState(/** @type {{ name: string, address: string } | null} */ (null));
  const load = () =>
    ask("/api/reviewer-links").then(
      (a) => setLinks(a.links),
      () => {},
    );
  useEffect(() => {
    void load();
  }, []);
  const make = async (/** @type {Event} */ event) => {
    event.preventDefault();
    if (!name.trim()) return;
    const link = await ask("/api/reviewer-links", {
      method: "POST",
      body: { name: name.trim(), who: who.value },
    }).catch((e) => {
      notice.value = {
        text: refusalIn(e) || t("needs.server"),
        bad: true,
      };
    });
    if (!link) return;
    setMade({ ...link, address: new URL(link.address, location.href).href });
    setName("");
    void load();
  };
  return (
    <section>
      <h3>{t("links.title")}</h3>
      <p class="aside">{t("links.text")}</p>
      <form class="inline" onSubmit={make}>
        <label class="field">
          {t("links.name")}{" "}
          <input maxLength={80} value={name} onInput={(e) => setName(e.currentTarget.value)} />
        </label>
        <button type="submit">{t("links.make")}</button>
      </form>
      {made && (
        <p class="warn">
          {t("links.once", { name: made.name })}{" "}
          <input
            readOnly
            aria-label={t("links.link")}
            value={made.address}
            onFocus={(e) => e.currentTarget.select()}
          />
        </p>
      )}
      <ul class="rows">
        {links.map((l) => (
          <li key={l.id}>
            {l.name}{" "}
            <span class="aside">
              {l.withdrawn_at ? t("links.withdrawn") : t("links.since", { day: onDay(l.made_at) })}
            </span>
            {!l.withdrawn_at && (
              <button
                type="button"
                class="quiet danger"
                onClick={() =>
                  ask("/api/reviewer-links/withdraw", {
                    method: "POST",
                    body: { id: l.id, who: who.value },
                  }).then(load)
                }
              >
                {t("links.withdraw")}
              </button>
            )}
          </li>
        ))}
      </ul>
    </section>
  );
}
