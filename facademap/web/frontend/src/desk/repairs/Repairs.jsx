import { useEffect } from "preact/hooks";
import { entryOf, rowsOf, tickOf } from "../data/data.js";
import { edit } from "../data/edits.js";
import { shown } from "../data/names.js";
import { may } from "../data/reviewer.js";
import { area, leastSizes } from "../data/settings.js";
import { dialog, select, selection } from "../data/view.js";
import { Cautions } from "../parts/Cautions.jsx";
import { Facts, Field } from "../parts/fields.jsx";
import { JobBar } from "../parts/JobBar.jsx";
import { AllReviews, Reviews } from "../parts/Review.jsx";
import { FORMS, useChange } from "../survey/Record.jsx";
import { goTo } from "../wall/wall.js";
import { t } from "../words/texts.js";
import { Campaign } from "./Campaign.jsx";
import { Sketch } from "./CutOutSketch.jsx";
import { Fixing } from "./Fixing.jsx";
import { Papers, Ticket } from "./Papers.jsx";
import { Pins } from "./Pins.jsx";
import { Plans } from "./Plans.jsx";
import { Stones } from "./RankedStones.jsx";
import { UNDECIDED, Undecided } from "./Undecided.jsx";
import { Watch } from "./Watch.jsx";

function chosenRepair() {
  const [first] = selection.value;
  if (!first) return null;
  if (first.table === "repairs") return entryOf("repairs", first.id)?.row ?? null;
  if (first.table === "pieces")
    return entryOf("repairs", entryOf("pieces", first.id)?.row.repair ?? "")?.row ?? null;
  if (first.table === "conditions")
    return rowsOf("repairs").find((r) => (r.conditions ?? []).includes(first.id)) ?? null;
  return rowsOf("repairs").find((r) => r.wall_stone === first.id) ?? null;
}

/** Columns of a piece that follow from its cut-out or from matching. */
const FOLLOWS = new Set(["width_m", "height_m", "depth_m", "unmatched_reason"]);

export function RepairSheet() {
  void tickOf("repairs").value;
  const row = chosenRepair();
  if (!row) return <Overview />;
  return <OneRepair row={row} key={row.id} />;
}

function Overview() {
  const repairs = rowsOf("repairs");
  const placed = new Set(rowsOf("placements").map((p) => p.repair));
  const pieces = rowsOf("pieces");
  const without = pieces.filter((p) => !placed.has(p.repair));
  /** @type {Record<string, number>} */
  const counts = {};
  for (const r of repairs) counts[r.treatment] = (counts[r.treatment] ?? 0) + 1;
  return (
    <div class="overview">
      <h2>{t("many.repairs")}</h2>
      <p class="aside">{t(repairs.length ? "repairs.choose" : "repairs.none")}</p>
      <JobBar kinds={["plan", "match", "papers"]} />
      {repairs.length > 0 && (
        <table class="plain">
          <caption class="visually-hidden">{t("treatments")}</caption>
          <tbody>
            {Object.entries(counts)
              .sort((a, b) => b[1] - a[1])
              .map(([n, c]) => (
                <tr key={n}>
                  <th scope="row">{n}</th>
                  <td>{c}</td>
                </tr>
              ))}
            <tr>
              <th scope="row">{t("removed")}</th>
              <td>{area(repairs.reduce((s, r) => s + (r.removed_area_m2 ?? 0), 0))}</td>
            </tr>
            <tr>
              <th scope="row">{t("pieces.placed")}</th>
              <td>{t("of", { n: pieces.length - without.length, all: pieces.length })}</td>
            </tr>
          </tbody>
        </table>
      )}
      {without.length > 0 && (
        <>
          <h3>{t("pieces.without")}</h3>
          <ul class="rows wanted">
            {without.map((p) => (
              <li key={p.id}>
                <button
                  type="button"
                  class="link"
                  onClick={() => {
                    select("repairs", p.repair);
                    goTo("repairs", p.repair);
                  }}
                >
                  {p.repair}
                </button>{" "}
                <span class="aside">
                  {p.unmatched_reason ? t(`reason.${p.unmatched_reason}`) : t("match.notyet")}
                  {p.source_size && (
                    <>
                      <br />
                      {t("look.for", { size: leastSizes(p.source_size) })}
                    </>
                  )}
                </span>
              </li>
            ))}
          </ul>
        </>
      )}
      <Plans />
      <AllReviews />
      <Watch />
      <Campaign />
      <Papers />
    </div>
  );
}

/** @typedef {import("../parts/fields.jsx").Value} Value */

/** What a row says in a column that is asked for by its name. */
const saidIn = (/** @type {AnyRow} */ row, /** @type {string} */ name) =>
  /** @type {Value} */ (row[name]);

/** @param {{ row: Repair }} props */
function OneRepair({ row }) {
  const change = useChange();
  const piece = rowsOf("pieces").find((p) => p.repair === row.id) ?? null;
  const place = rowsOf("placements").find((p) => p.repair === row.id) ?? null;
  useEffect(() => {
    if (selection.value[0]?.table !== "repairs") select("repairs", row.id);
  }, [row.id]);
  return (
    <div class="repair">
      <header class="head">
        <h2>
          {t("one.repairs")} <span class="id">{shown(row.id)}</span>
        </h2>
        <div class="figures">
          <button type="button" class="quiet" onClick={() => goTo("repairs", row.id)}>
            {t("show")}
          </button>
          <span>{row.treatment}</span>
          <span class="stage">{row.stage}</span>
          <button
            type="button"
            class="quiet"
            onClick={() => {
              dialog.value = { kind: "history", table: "repairs", id: row.id };
            }}
          >
            {t("panel.history")}
          </button>
          <button
            type="button"
            class="quiet"
            onClick={() => {
              selection.value = [];
            }}
          >
            {t("repairs.all")}
          </button>
        </div>
      </header>
      {row.held_back && <p class="warn">{t("repair.waits", { why: row.held_back })}</p>}
      <Cautions list={row.cautions} />
      {(row.conditions ?? []).length > 0 && (
        <p>
          {t("repair.answers")}{" "}
          {row.conditions.map((c) => (
            <button
              type="button"
              class="link"
              key={c}
              onClick={() => {
                select("conditions", c);
                goTo("conditions", c);
              }}
            >
              {c} {entryOf("conditions", c)?.row.term ?? ""}
            </button>
          ))}
        </p>
      )}
      {row.treatment === UNDECIDED && <Undecided row={row} />}
      {row.note && <p class="said">{row.note}</p>}
      {piece && <Sketch row={row} piece={piece} />}
      {piece && <Stones row={row} piece={piece} place={place} />}
      <details open={!piece}>
        <summary>{t("decision")}</summary>
        <p class="aside">
          {t("rule.of", {
            rule: row.rule ?? "–",
            status: [row.rule_status ?? "–", row.rule_source].filter(Boolean).join(", "),
          })}
        </p>
        {!may("design") ? (
          <Facts table="repairs" row={row} names={FORMS.repairs} />
        ) : (
          <div class="form">
            {FORMS.repairs
              .filter((n) => !(n === "treatment" && row.treatment === UNDECIDED))
              .map((n) => (
                <Field
                  key={n}
                  table="repairs"
                  name={n}
                  value={saidIn(row, n)}
                  onChange={(v) => change(n, v)}
                />
              ))}
          </div>
        )}
      </details>
      {piece && (
        <details>
          <summary>{t("one.pieces")}</summary>
          {!may("design") ? (
            <Facts table="pieces" row={piece} names={FORMS.pieces} />
          ) : (
            <div class="form">
              {FORMS.pieces.map((n) => (
                <Field
                  key={n}
                  table="pieces"
                  name={n}
                  value={saidIn(piece, n)}
                  readOnly={FOLLOWS.has(n)}
                  onChange={(v) =>
                    edit(t("what.piece", { id: row.id }), [
                      { op: "update", table: "pieces", id: piece.id, values: { [n]: v } },
                    ])
                  }
                />
              ))}
            </div>
          )}
        </details>
      )}
      <Pins row={row} piece={piece} />
      {piece && !String(row.id).startsWith("new:") && <Fixing row={row} />}
      {piece && !String(row.id).startsWith("new:") && <Ticket repair={row.id} />}
      <Reviews table="repairs" id={row.id} />
    </div>
  );
}
