// The list of commands: everything that can be done, found by its name, with its key.
import { useEffect, useMemo, useRef, useState } from "preact/hooks";
import { dialog } from "../data/view.js";
import { allActions, canBeDone } from "../drawing/actions.js";
import { Dialog } from "../parts/Dialogs.jsx";
import { t } from "../words/texts.js";

/** @typedef {ReturnType<typeof allActions>[number]} Action */

/** @type {Record<string, number>} */
const TURNS = { ArrowDown: 1, ArrowUp: -1 };

const plain = (/** @type {string} */ text) =>
  text.toLowerCase().normalize("NFD").replace(/\p{M}/gu, "");

/**
 * Every word that was typed begins a word of the name or of its group, the better fits first.
 * @param {Action[]} actions
 * @param {string} typed
 */
export function fitting(actions, typed) {
  const words = plain(typed).split(/\s+/).filter(Boolean);
  const judged = actions.map((action) => {
    const name = plain(action.name());
    const all = `${name} ${plain(t(`group.${action.group}`))}`;
    const fits = words.every((w) => all.startsWith(w) || all.includes(` ${w}`));
    return { action, fits, first: words.length > 0 && name.startsWith(words[0]) };
  });
  return judged
    .filter((j) => j.fits)
    .sort((a, b) => Number(b.first) - Number(a.first))
    .map((j) => j.action);
}

export function Palette() {
  const [text, setText] = useState("");
  const [at, setAt] = useState(0);
  const list = useRef(/** @type {HTMLUListElement | null} */ (null));
  const actions = useMemo(() => allActions().filter(canBeDone), []);
  const found = fitting(actions, text);
  const now = Math.min(at, found.length - 1);
  useEffect(() => {
    list.current?.querySelector("[aria-selected=true]")?.scrollIntoView({ block: "nearest" });
  }, [now, text]);
  const close = () => {
    dialog.value = null;
  };
  const run = (/** @type {Action} */ action) => {
    close();
    // after the dialogue has given the focus back
    setTimeout(action.run, 0);
  };
  const onKey = (/** @type {KeyboardEvent} */ e) => {
    const turn = TURNS[e.key];
    if (turn) setAt((now + turn + found.length) % found.length);
    else if (e.key === "Enter" && found[now]) run(found[now]);
    else return;
    e.preventDefault();
  };
  return (
    <Dialog title={t("commands")} onClose={close} wide="commands">
      <input
        type="text"
        role="combobox"
        autofocus
        aria-expanded="true"
        aria-controls="command-list"
        aria-activedescendant={found[now] ? `command-${found[now].id}` : undefined}
        aria-label={t("commands.find")}
        placeholder={t("commands.find")}
        value={text}
        onInput={(e) => {
          setText(e.currentTarget.value);
          setAt(0);
        }}
        onKeyDown={onKey}
      />
      <ul
        class="command-list"
        id="command-list"
        role="listbox"
        aria-label={t("commands")}
        ref={list}
      >
        {found.map((action, i) => (
          <li
            key={action.id}
            id={`command-${action.id}`}
            role="option"
            aria-selected={i === now}
            onClick={() => run(action)}
            onPointerMove={() => setAt(i)}
            onKeyDown={() => {}}
          >
            <span>{action.name()}</span>
            <small>{t(`group.${action.group}`)}</small>
            <kbd>{action.key}</kbd>
          </li>
        ))}
        {!found.length && <li class="aside">{t("none.found")}</li>}
      </ul>
    </Dialog>
  );
}
