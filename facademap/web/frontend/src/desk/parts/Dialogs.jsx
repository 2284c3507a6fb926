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
 * @param {any} props.children
 * @param {boolean | string} [props.wide]
 * @param {string} [props.beside] Class of one that leaves the page to be seen.
 */
export function Dialog({ title: heading, onClose, children, wide, beside }) {
  const box = useRef(null);
  useEffect(() => {
    const before = /** @type {HTMLElement} */ (document.activeElement);
    // one that speaks of something on the page leaves the page to be seen
    if (beside) box.current.show();
    else box.current.showModal();
    return () => before?.focus?.();
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
const sameOutline = (name, a, b) =>
  name === "geometry" &&
  a &&
  b &&
  a.type === b.type &&
  JSON.stringify(roundAll(a.coordinates)) === JSON.stringify(roundAll(b.coordinates));

export function History({ table, id }) {
  const [entries, setEntries] = useState(null);
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
                {!isReviewer() &&
                  CAN_GO_BACK.includes(table) &&
                  e.after &&
                  differing(e.after).length > 0 && (
                    <button type="button" class="quiet" onClick={() => goBack(e)}>
                      {t("history.back")}
                    </button>
                  )}
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

  function differing(after) {
    const row = entryOf(table, id)?.row;
    return row
      ? Object.keys(after).filter(
          (n) =>
            !DERIVED.includes(n) &&
            JSON.stringify(after[n] ?? null) !== JSON.stringify(row[n] ?? null) &&
            !sameOutline(n, after[n], row[n]),
        )
      : [];
  }

  /** An edit like any other: it can be taken back, and both versions stay in the history. */
  function goBack(e) {
    edit(t("what.history.back", { id, at: when(e.at) }), [
      {
        op: "update",
        table,
        id,
        values: Object.fromEntries(differing(e.after).map((n) => [n, e.after[n]])),
      },
    ]);
    dialog.value = null;
  }

  function changed(e) {
    const names = new Set([...Object.keys(e.before ?? {}), ...Object.keys(e.after ?? {})]);
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
