import { useState } from "preact/hooks";
import { column } from "../data/data.js";
import { edit } from "../data/edits.js";
import { may } from "../data/reviewer.js";
import { who } from "../data/settings.js";
import { openRow } from "../drawing/opening.js";
import { labelOf } from "../parts/fields.jsx";
import { t } from "../words/texts.js";

export const UNDECIDED = "undecided";

/**
 * What planning could not decide from what is known: what it asks for, and the way for a person to decide.
 * @param {{ row: Repair }} props
 */
export function Undecided({ row }) {
  const [treatment, setTreatment] = useState("");
  const [reason, setReason] = useState("");
  const asks = row.asks ?? [];
  const choices = column("repairs", "treatment")?.choices.filter((n) => n !== UNDECIDED) ?? [];
  const decide = (/** @type {Event} */ event) => {
    event.preventDefault();
    const values = { treatment, reason: reason.trim(), overruled_by: who.value || "surveyor" };
    edit(t("what.decide", { id: row.id }), [
      { op: "update", table: "repairs", id: row.id, values },
    ]);
  };
  return (
    <section class="warn" aria-label={t("undecided")}>
      <h3>{t("undecided")}</h3>
      {row.reason && <p>{row.reason}</p>}
      {asks.length > 0 && (
        <p>
          {t("undecided.asks", { names: asks.map(labelOf).join(", ") })}{" "}
          {(row.conditions ?? []).map((c) => (
            <button
              type="button"
              class="link"
              key={c}
              onClick={() => openRow("conditions", c, asks[0])}
            >
              {c}
            </button>
          ))}
        </p>
      )}
      {may("design") && (
        <form class="decide" onSubmit={decide}>
          <select
            aria-label={t("field.treatment")}
            value={treatment}
            onChange={(e) => setTreatment(e.currentTarget.value)}
          >
            <option value="">{t("undecided.none")}</option>
            {choices.map((n) => (
              <option key={n} value={n}>
                {n}
              </option>
            ))}
          </select>
          <input
            aria-label={t("undecided.why")}
            placeholder={t("undecided.why")}
            value={reason}
            onInput={(e) => setReason(e.currentTarget.value)}
            onKeyDown={(e) => e.stopPropagation()}
          />
          <button type="submit" disabled={!treatment || !reason.trim()}>
            {t("undecided.decide")}
          </button>
        </form>
      )}
    </section>
  );
}
