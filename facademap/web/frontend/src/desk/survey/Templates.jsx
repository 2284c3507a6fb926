// Named templates of conditions: kept with the project, used by a key or a touch, on one condition or on many.
import { useState } from "preact/hooks";
import { may } from "../data/reviewer.js";
import { length } from "../data/settings.js";
import { dropTemplate, keepTemplate, templates, useTemplate } from "../data/shared.js";
import { dialog, template } from "../data/view.js";
import { Dialog } from "../parts/Dialogs.jsx";
import { Swatch } from "../parts/Swatch.jsx";
import { t } from "../words/texts.js";

const CLASSES = /** @type {const} */ (["cc", "uc", "rc"]);

/**
 * A template in a few words: its classes and its depth.
 * @param {{ values: Partial<Condition> }} template
 */
const said = ({ values }) =>
  [
    ...CLASSES.filter((n) => n in values).map((n) => `${n.toUpperCase()} ${values[n]}`),
    values.depth_m && length(values.depth_m),
  ]
    .filter(Boolean)
    .join(" · ");

/**
 * @param {{row?: Condition | null, onUse?: ((term: string) => void) | null}} props `onUse` takes the term instead of the selection.
 */
export function Templates({ row = null, onUse = null }) {
  const all = templates();
  if (!may("survey")) return null;
  return (
    <section class="templates" aria-label={t("templates")}>
      <h3>
        {t("templates")}{" "}
        {row && (
          <button
            type="button"
            class="quiet"
            onClick={() => {
              dialog.value = { kind: "template", row };
            }}
          >
            {t("template.keep")}
          </button>
        )}
      </h3>
      {!all.length && <p class="aside">{t("templates.none")}</p>}
      <ul>
        {all.map((x) => (
          <li key={x.id}>
            <button
              type="button"
              class="template-use"
              aria-pressed={
                !row && template.value.name === x.name && Boolean(template.value.sticky)
              }
              title={x.key ? t("template.key", { key: x.key }) : undefined}
              onClick={() => {
                useTemplate(x);
                if (typeof x.values.term === "string") onUse?.(x.values.term);
              }}
            >
              <Swatch term={String(x.values.term ?? "")} small />{" "}
              <span>
                <strong>{x.name}</strong> <small>{said(x)}</small>
              </span>
              {x.key && <kbd>⇧{x.key}</kbd>}
            </button>
            <button
              type="button"
              class="quiet"
              aria-label={t("template.drop", { name: x.name })}
              onClick={() => dropTemplate(x)}
            >
              ×
            </button>
          </li>
        ))}
      </ul>
    </section>
  );
}

/** @param {{ row: Condition }} props */
export function KeepTemplate({ row }) {
  const all = templates();
  const free =
    ["1", "2", "3", "4", "5", "6", "7", "8", "9"].find((k) => !all.some((x) => x.key === k)) ?? "";
  const [name, setName] = useState("");
  const [key, setKey] = useState(free);
  const taken = all.find((x) => x.key === key && x.name !== name.trim());
  const close = () => {
    dialog.value = null;
  };
  const store = (/** @type {Event} */ event) => {
    event.preventDefault();
    if (!name.trim()) return;
    keepTemplate(name, key, row);
    close();
  };
  return (
    <Dialog title={t("template.keep")} onClose={close}>
      <p>{t("template.what", { term: row.term ?? "" })}</p>
      <form onSubmit={store}>
        <div class="form">
          <label class="field">
            {t("template.name")}{" "}
            <input
              required
              autofocus
              maxLength={60}
              value={name}
              onInput={(e) => setName(e.currentTarget.value)}
            />
          </label>
          <label class="field">
            {t("template.shift")}{" "}
            <select value={key} onChange={(e) => setKey(e.currentTarget.value)}>
              <option value="">{t("none")}</option>
              {[1, 2, 3, 4, 5, 6, 7, 8, 9].map((n) => (
                <option key={n} value={String(n)}>
                  {n}
                </option>
              ))}
            </select>
          </label>
        </div>
        {taken && <p class="aside">{t("template.taken", { name: taken.name })}</p>}
        <footer class="actions">
          <button type="submit" class="main" disabled={!name.trim()}>
            {t("store")}
          </button>
        </footer>
      </form>
    </Dialog>
  );
}
