// Somebody else was there meanwhile: both versions side by side, and a person chooses.
import { useState } from "preact/hooks";
import { conflict, mineOf, resolveConflict, settleEntry } from "../data/outbox.js";
import { photoAddress } from "../data/photos.js";
import { when } from "../data/settings.js";
import { figuresIn } from "../geometry/measures.js";
import { Dialog } from "../parts/Dialogs.jsx";
import { labelOf, said } from "../parts/fields.jsx";
import { Thumb } from "../parts/Thumb.jsx";
import { t } from "../words/texts.js";

/** What was measured: one figure, several in a row, or one for each name. @typedef {Record<string, unknown>} Figures */

export function Conflict() {
  const now = conflict.value;
  if (!now) return null;
  const { item, theirs } = now;
  if (theirs.table === "work")
    return "act" in item ? <EntryConflict item={item} theirs={theirs} /> : null;
  return "changes" in item ? <RowConflict item={item} theirs={theirs} /> : null;
}

/** @param {{ item: Edit, theirs: Theirs }} props */
function RowConflict({ item, theirs }) {
  const change = item.changes.find((c) => c.table === theirs.table && c.id === theirs.id);
  // all that waits for this row is chosen at once, so that nothing of theirs is written over later unseen
  const [own] = useState(() => mineOf(theirs.table, theirs.id));
  const names = Object.keys(own).filter(
    (n) =>
      n !== "id" &&
      theirs.row &&
      JSON.stringify(own[n] ?? null) !== JSON.stringify(theirs.row[n] ?? null),
  );
  const [mine, setMine] = useState(() => Object.fromEntries(names.map((n) => [n, true])));
  if (!change) return null;
  // after something was kept of mine I am the last who changed it, and that is not what is asked
  const who = theirs.who && theirs.who !== item.who ? theirs.who : t("somebody");
  const { row } = theirs;
  const drawn = /** @type {Geometry | null | undefined} */ (own.geometry);
  if (row === null || change.op === "delete") {
    const gone = row === null;
    return (
      <Dialog title={t("conflict.title")}>
        <p>
          {gone
            ? t("conflict.gone", { id: theirs.id })
            : t("conflict.delete", { who, id: theirs.id })}
        </p>
        <footer class="actions">
          <button type="button" class="main" onClick={() => resolveConflict([])}>
            {gone ? t("conflict.back") : t("tool.delete")}
          </button>
          <button type="button" onClick={() => resolveConflict(null)}>
            {gone ? t("conflict.leave") : t("conflict.keep.it")}
          </button>
        </footer>
      </Dialog>
    );
  }
  const theirsHold = names.filter((n) => !mine[n]);
  return (
    <Dialog title={t("conflict.title")} wide>
      <p>
        {t("conflict.text", {
          who,
          id: `${t(`one.${theirs.table}`).toLowerCase()} ${theirs.id}`,
          at: when(theirs.at),
        })}
      </p>
      <table class="compare">
        <thead>
          <tr>
            <th scope="col">{t("value")}</th>
            <th scope="col">{t("conflict.mine")}</th>
            <th scope="col">{t("conflict.theirs")}</th>
          </tr>
        </thead>
        <tbody>
          {names.map((n) => (
            <tr key={n}>
              <th scope="row">{n === "geometry" ? t("outline") : labelOf(n)}</th>
              {[true, false].map((isMine) => (
                <td key={String(isMine)}>
                  <label class="check">
                    <input
                      type="radio"
                      name={`choose-${n}`}
                      checked={mine[n] === isMine}
                      onChange={() => setMine({ ...mine, [n]: isMine })}
                    />
                    {said(theirs.table, n, isMine ? own[n] : row[n])}
                  </label>
                  {n === "geometry" && (
                    <Thumb
                      geometry={isMine ? drawn : row.geometry}
                      beside={isMine ? row.geometry : drawn}
                      label={said(theirs.table, n, isMine ? own[n] : row[n])}
                    />
                  )}
                </td>
              ))}
            </tr>
          ))}
        </tbody>
      </table>
      <footer class="actions">
        <button
          type="button"
          class="main"
          onClick={() =>
            resolveConflict(
              theirsHold.length && theirsHold.length === names.length ? null : theirsHold,
            )
          }
        >
          {t("conflict.keep")}
        </button>
        <button type="button" onClick={() => resolveConflict(null)}>
          {t("conflict.drop")}
        </button>
      </footer>
    </Dialog>
  );
}

/** @param {Figures | null | undefined} values */
const measures = (values) =>
  values
    ? Object.entries(values)
        .map(([n, v]) => {
          const isLength = n.endsWith("_m");
          const told = figuresIn(v).map((x) => (isLength ? (Number(x) * 1000).toFixed(1) : x));
          return `${labelOf(n)} ${told.join(", ")}${isLength ? " mm" : ""}`;
        })
        .join(" · ")
    : "–";

/**
 * An entry of the record that met another one. Both may be true; then mine is entered on top.
 * @param {{ item: Act, theirs: WorkTheirs }} props
 */
function EntryConflict({ item, theirs }) {
  /** @type {Partial<WorkEntry>} */
  const other = theirs.entry ?? {};
  const { body } = item;
  const cutOut = item.act === "cut-out";
  /** @type {[string, string | undefined, string | undefined][]} */
  const all = [
    [
      "conflict.what",
      cutOut ? t("work.cutout.measured") : (body.stage ?? body.criterion),
      cutOut ? t("work.cutout.measured") : (other.stage ?? other.check ?? theirs.stage),
    ],
    ["conflict.who", item.who, other.mason ?? theirs.who ?? t("somebody")],
    ["conflict.when", when(item.at), when(other.at ?? theirs.at)],
    ["conflict.result", body.result ?? "–", other.result ?? "–"],
    [
      "conflict.measured",
      measures(cutOut ? body.values : body.measured),
      measures(cutOut ? theirs.measured : other.measured),
    ],
    ["conflict.reason", item.reason || "–", other.reason ?? "–"],
  ];
  const lines = all.filter(([, mine, them], i) => i < 3 || mine !== "–" || them !== "–");
  const again = () =>
    settleEntry({
      seen:
        item.act === "stage"
          ? { stage: theirs.stage }
          : item.act === "check"
            ? { entry: other.id ?? null }
            : { measured: theirs.measured },
    });
  return (
    <Dialog title={t("conflict.title")} wide>
      <p>{t("conflict.entry", { id: item.repair, stage: theirs.stage })}</p>
      <table class="compare">
        <thead>
          <tr>
            <th scope="col">{t("value")}</th>
            <th scope="col">{t("conflict.mine")}</th>
            <th scope="col">{t("conflict.theirs")}</th>
          </tr>
        </thead>
        <tbody>
          {lines.map(([name, mine, them]) => (
            <tr key={name}>
              <th scope="row">{t(name)}</th>
              <td>{mine}</td>
              <td>{them}</td>
            </tr>
          ))}
          {(item.photo || other.photo) && (
            <tr>
              <th scope="row">{t("conflict.photo")}</th>
              {[item.photo, other.photo].map((p, i) => (
                <td key={i}>
                  {p ? <img src={photoAddress(p, 240)} alt={t("waits.photo")} /> : "–"}
                </td>
              ))}
            </tr>
          )}
        </tbody>
      </table>
      <footer class="actions">
        <button type="button" class="main" onClick={again}>
          {t("conflict.entry.again")}
        </button>
        <button type="button" onClick={() => settleEntry(null)}>
          {t("conflict.drop")}
        </button>
      </footer>
    </Dialog>
  );
}
