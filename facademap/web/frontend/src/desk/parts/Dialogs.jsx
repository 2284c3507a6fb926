// Dialogs: the frame of all of them, name, history, keys and help.
import { useEffect, useRef, useState } from "preact/hooks";
import { ask, q } from "../data/api.js";
import { entryOf } from "../data/data.js";
import { edit } from "../data/edits.js";
import { isNew } from "../data/keys.js";
import { isReviewer } from "../data/reviewer.js";
import { when, who } from "../data/settings.js";
import { dialog } from "../data/view.js";
import { roundAll } from "../geometry/shapes.js";
import { t } from "../words/texts.js";
import { labelOf, said } from "./fields.jsx";
import { Thumb } from "./Thumb.jsx";

/**
 * The frame of a dialogue.
 * @param {object} props
 * @param {string} props.title
 * @param {() => void} [props.onClose] Without it the dialogue waits for an answer.
 * @param {import("preact").ComponentChildren} props.children
 * @param {boolean | string} [props.wide]
 * @param {string} [props.beside] Class of one that leaves the page to be seen.
 */
export function Dialog({ title: heading, onClose, children, wide, beside }) {
  const box = useRef(/** @type {HTMLDialogElement | null} */ (null));
  useEffect(() => {
    const before = document.activeElement;
    // one that speaks of something on the page leaves the page to be seen
    if (beside) box.current?.show();
    else box.current?.showModal();
    return () => {
      if (before instanceof HTMLElement) before.focus();
    };
  }, []);
  return (
    <dialog
      ref={box}
      class={`${wide ? `wide ${wide === true ? "" : wide}` : ""} ${beside ?? ""}`}
      aria-labelledby="dialog-title"
      onCancel={(e) => {
        e.preventDefault();
        onClose?.();
      }}
      onKeyDown={(e) => {
        e.stopPropagation();
        if (beside && e.key === "Escape") onClose?.();
      }}
    >
      <header>
        <h2 id="dialog-title">{heading}</h2>
        {onClose && (
          <button type="button" class="close" aria-label={t("close")} onClick={onClose}>
            ×
          </button>
        )}
      </header>
      {children}
    </dialog>
  );
}

const CAN_GO_BACK = ["conditions", "wall_stones", "openings"];
/** Columns that follow from others. */
const DERIVED = ["id", "rev", "surface", "area_m2", "length_m"];
/**
 * @param {Geometry | null | undefined} a
 * @param {Geometry | null | undefined} b
 */
const sameOutline = (a, b) =>
  a &&
  b &&
  a.type === b.type &&
  JSON.stringify(roundAll(a.coordinates)) === JSON.stringify(roundAll(b.coordinates));

/**
 * What was done with a row, as the history of the project tells it.
 * @typedef {{
 *   seq: number, what: string, who: string, at: string, op: string,
 *   before?: Partial<AnyRow> | null, after?: Partial<AnyRow> | null,
 * }} HistoryEntry
 */

/** @param {RowPlace} props */
export function History({ table, id }) {
  const [entries, setEntries] = useState(/** @type {HistoryEntry[] | null} */ (null));
  useEffect(() => {
    ask(`/api/history?table=${table}&id=${q(id)}`).then(
      (a) => setEntries(a.entries),
      () => setEntries([]),
    );
  }, [table, id]);
  return (
    <Dialog
      title={t("history.of", { id: isNew(id) ? t("new") : id })}
      onClose={() => {
        dialog.value = null;
      }}
      wide
    >
      {entries === null ? (
        <p>…</p>
      ) : !entries.length ? (
        <p>{t("history.none")}</p>
      ) : (
        <ol class="history">
          {entries.map((e) => (
            <li key={e.seq}>
              <p>
                <strong>{e.what}</strong>{" "}
                <span class="aside">
                  {e.who} · {when(e.at)}
                </span>
                {wayBack(e)}
              </p>
              <ul>
                {changed(e).map(([n, a, b]) => (
                  <li key={n}>
                    {n === "geometry" ? t("outline") : labelOf(n)}:{" "}
                    {e.op !== "insert" && (
                      <>
                        <del>{a}</del> →{" "}
                      </>
                    )}
                    {b}
                    {n === "geometry" && e.after?.geometry?.coordinates && (
                      <Thumb
                        geometry={e.after.geometry}
                        beside={e.before?.geometry?.coordinates ? e.before.geometry : null}
                        label={t("outline.drawn")}
                      />
                    )}
                  </li>
                ))}
              </ul>
            </li>
          ))}
        </ol>
      )}
    </Dialog>
  );

  /** @param {Partial<AnyRow>} after */
  function differing(after) {
    /** @type {AnyRow | undefined} */
    const row = entryOf(table, id)?.row;
    return row
      ? Object.keys(after).filter(
          (n) =>
            !DERIVED.includes(n) &&
            JSON.stringify(after[n] ?? null) !== JSON.stringify(row[n] ?? null) &&
            !(n === "geometry" && sameOutline(after.geometry, row.geometry)),
        )
      : [];
  }

  /** @param {HistoryEntry} e */
  function wayBack({ at, after }) {
    if (isReviewer() || !CAN_GO_BACK.includes(table) || !after || !differing(after).length)
      return null;
    return (
      <button type="button" class="quiet" onClick={() => goBack(at, after)}>
        {t("history.back")}
      </button>
    );
  }

  /**
   * An edit like any other: it can be taken back, and both versions stay in the history.
   * @param {string} at
   * @param {Partial<AnyRow>} after
   */
  function goBack(at, after) {
    edit(t("what.history.back", { id, at: when(at) }), [
      {
        op: "update",
        table,
        id,
        values: Object.fromEntries(differing(after).map((n) => [n, after[n]])),
      },
    ]);
    dialog.value = null;
  }

  /** @param {HistoryEntry} e */
  function changed(e) {
    const names = new Set([...Object.keys(e.before ?? {}), ...Object.keys(e.after ?? {})]);
    /** @type {(name: string, value: unknown, drawn: string) => string} */
    const words = (n, v, drawn) => (n === "geometry" ? (v ? t(drawn) : "–") : said(table, n, v));
    return [...names]
      .filter(
        (n) =>
          n !== "id" &&
          JSON.stringify(e.before?.[n] ?? null) !== JSON.stringify(e.after?.[n] ?? null),
      )
      .map((n) => [
        n,
        words(n, e.before?.[n], "outline.before"),
        words(n, e.after?.[n], "outline.drawn"),
      ]);
  }
}

export function Name() {
  const [text, setText] = useState(who.value);
  const go = () => {
    who.value = text.trim();
    dialog.value = null;
  };
  return (
    <Dialog title={t("name.title")} onClose={go}>
      <p>{t("name.text")}</p>
      <form
        onSubmit={(e) => {
          e.preventDefault();
          go();
        }}
      >
        <label class="field">
          {t("name.label")}{" "}
          <input
            autofocus
            maxLength={60}
            value={text}
            onInput={(e) => setText(e.currentTarget.value)}
          />
        </label>
        <footer class="actions">
          <button type="submit" class="main">
            {t("name.go")}
          </button>
        </footer>
      </form>
    </Dialog>
  );
}

const KEYS = [
  "V",
  "S",
  "U",
  "P",
  "R",
  "F",
  "L",
  "O",
  "A",
  "W",
  "B",
  "E",
  "D",
  "X",
  "H",
  "K",
  "J",
  "C",
  "I",
  "Q",
  "M",
  "N",
  "T",
  "Y",
  "G",
  "arrows",
  "space",
  "enter",
  "enter.class",
  "corners",
  "backspace",
  "esc",
  "undo",
  "commands",
  "menu",
  "choose",
  "middle",
  "zoom",
  "alt",
  "shift",
  "find",
  "places",
];

const READING_KEYS = ["V", "M", "G", "arrows", "zoom", "esc", "find", "places"];

export function Help() {
  return (
    <Dialog
      title={t("help")}
      onClose={() => {
        dialog.value = null;
      }}
      wide
    >
      <p class="acts">
        <button
          type="button"
          onClick={() => {
            dialog.value = { kind: "tour", step: 0 };
          }}
        >
          {t("tour.show")}
        </button>
        <button
          type="button"
          onClick={() => {
            dialog.value = { kind: "commands" };
          }}
        >
          {t("commands")} <kbd>{t("keyname.commands")}</kbd>
        </button>
      </p>
      <h3>{t("keys")}</h3>
      <dl class="keys">
        {(isReviewer() ? READING_KEYS : KEYS).map((k) => (
          <div key={k}>
            <dt>
              <kbd>{k.length === 1 ? k : t(`keyname.${k}`)}</kbd>
            </dt>
            <dd>{t(`key.${k}`)}</dd>
          </div>
        ))}
      </dl>
    </Dialog>
  );
}
