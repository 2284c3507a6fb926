// The menu at a place of the wall.
import { useEffect, useRef } from "preact/hooks";
import { shown, title } from "../data/names.js";
import { readsHere } from "../data/reviewer.js";
import { isSelected, select, selection } from "../data/view.js";
import { allActions, canBeDone } from "../drawing/actions.js";
import { menu } from "../drawing/contextmenu.js";
import { t } from "../words/texts.js";

const OFFERED = [
  "tool.modify",
  "tool.move",
  "copy",
  "copy.on",
  "merge",
  "choose.kind",
  "choose.view",
  "zoom.chosen",
  "history",
  "delete",
];
const READING = ["zoom.chosen", "history"];
/** @type {Record<string, number>} */
const TURNS = { ArrowDown: 1, ArrowUp: -1 };
const WIDTH_PX = 250;
const ROW_PX = 34;

export function ContextMenu() {
  const now = menu.value;
  const box = useRef(/** @type {HTMLDivElement | null} */ (null));
  const before = useRef(/** @type {Element | null} */ (null));
  const close = () => {
    menu.value = null;
    if (before.current instanceof HTMLElement) before.current.focus();
  };
  useEffect(() => {
    if (!now) return undefined;
    before.current = document.activeElement;
    box.current?.querySelector("button")?.focus();
    const away = (/** @type {PointerEvent} */ e) => {
      if (!(e.target instanceof Node && box.current?.contains(e.target))) menu.value = null;
    };
    addEventListener("pointerdown", away, true);
    return () => removeEventListener("pointerdown", away, true);
  }, [now]);
  if (!now) return null;
  const all = allActions();
  const offered = (readsHere() ? READING : OFFERED)
    .flatMap((id) => all.find((a) => a.id === id) ?? [])
    .filter(canBeDone);
  const onKey = (/** @type {import("preact").TargetedKeyboardEvent<HTMLElement>} */ e) => {
    e.stopPropagation();
    const items = [...e.currentTarget.querySelectorAll("button")];
    const turn = TURNS[e.key];
    const at = items.indexOf(/** @type {HTMLButtonElement} */ (document.activeElement));
    if (turn) items[(at + turn + items.length) % items.length]?.focus();
    else if (e.key === "Escape" || e.key === "Tab") close();
    else return;
    e.preventDefault();
  };
  const room = box.current?.parentElement ?? document.querySelector(".wall");
  const [w, h] = [room?.clientWidth ?? innerWidth, room?.clientHeight ?? innerHeight];
  const high = (now.here.length + offered.length) * ROW_PX + 60;
  return (
    <div
      class="context-menu"
      role="menu"
      tabIndex={-1}
      aria-label={t("menu")}
      ref={box}
      style={{
        left: `${Math.max(4, Math.min(now.x, w - WIDTH_PX - 8))}px`,
        top: `${Math.max(4, Math.min(now.y, h - high))}px`,
      }}
      onKeyDown={onKey}
    >
      {now.here.map((r) => (
        <button
          type="button"
          role="menuitemradio"
          aria-checked={isSelected(r.table, r.id)}
          key={`${r.table}${r.id}`}
          onClick={() => {
            select(r.table, r.id);
            menu.value = { ...now };
          }}
        >
          {title(r.table)} <strong>{shown(r.id)}</strong>
        </button>
      ))}
      {now.here.length > 0 && offered.length > 0 && <hr />}
      {offered.map((a) => (
        <button
          type="button"
          role="menuitem"
          key={a.id}
          class={a.id === "delete" ? "danger" : ""}
          onClick={() => {
            close();
            a.run();
          }}
        >
          {a.name()}
          {a.id === "delete" && selection.value.length > 1 ? ` (${selection.value.length})` : ""}
          <kbd aria-hidden="true">{a.key}</kbd>
        </button>
      ))}
    </div>
  );
}
