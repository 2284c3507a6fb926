// Somebody else was there meanwhile: both versions side by side, and a person chooses.
import { useState } from "preact/hooks";
import { conflict, mineOf, resolveConflict, settleEntry } from "../data/outbox.js";
import { photoAddress } from "../data/photos.js";
import { when } from "../data/settings.js";
import { Dialog } from "../parts/Dialogs.jsx";
import { labelOf, said } from "../parts/fields.jsx";
import { Thumb } from "../parts/Thumb.jsx";
import { t } from "../words/texts.js";

export function Conflict() {
  return conflict.value.theirs.table === "work" ? <EntryConflict /> : <RowConflict />;
}

function RowConflict() {
  const { item, theirs } = conflict.value;
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
  if (theirs.row === null || change.op === "delete") {
    const gone = theirs.row === null;
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
                    {said(theirs.table, n, isMine ? own[n] : theirs.row[n])}
                  </label>
                  {n === "geometry" && (
                    <Thumb
                      geometry={isMine ? own[n] : theirs.row[n]}
                      beside={isMine ? theirs.row[n] : own[n]}
                      label={said(theirs.table, n, isMine ? own[n] : theirs.row[n])}
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

const measures = (values) =>
  values
    ? Object.entries(values)
        .map(
          ([n, v]) =>
            `${labelOf(n)} ${[]
              .concat(v)
              .map((x) => (n.endsWith("_m") ? (x * 1000).toFixed(1) : x))
              .join(", ")}${n.endsWith("_m") ? " mm" : ""}`,
        )
        .join(" · ")
    : "–";

/** An entry of the record that met another one. Both may be true; then mine is entered on top. */
function EntryConflict() {
  const { item, theirs } = conflict.value;
  const other = theirs.entry ?? {};
  const cutOut = item.act === "cut-out";
  const lines = [
    [
      "conflict.what",
      cutOut ? t("work.cutout.measured") : (item.body.stage ?? item.body.criterion),
      cutOut ? t("work.cutout.measured") : (other.stage ?? other.check ?? theirs.stage),
    ],
    ["conflict.who", item.who, other.mason ?? theirs.who ?? t("somebody")],
    ["conflict.when", when(item.at), when(other.at ?? theirs.at)],
    ["conflict.result", item.body.result ?? "–", other.result ?? "–"],
    [
      "conflict.measured",
      measures(cutOut ? item.body.values : item.body.measured),
      measures(cutOut ? theirs.measured : other.measured),
    ],
    ["conflict.reason", item.reason || "–", other.reason ?? "–"],
  ].filter(([, mine, them], i) => i < 3 || mine !== "–" || them !== "–");
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
