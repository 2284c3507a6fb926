// One input for every kind of column, made from the contract of the table.
import { useEffect, useState } from "preact/hooks";
import { column, rowsOf, schema } from "./data.js";
import { area as areaText, length, units } from "./settings.js";
import { t } from "./texts.js";

const CLASSES = new Set(["cc", "uc", "rc"]);
/** The name of a column as people read it; one that the catalogue does not know is told by its own name. */
const label = (name) => {
  const known = t(`field.${name}`);
  if (known !== `field.${name}`) return known;
  const words = name.replace(/_(m|m2|m3|deg|kg|px)$/, "").replaceAll("_", " ");
  return words[0].toUpperCase() + words.slice(1);
};
/** A value as it is shown beside another one. */
export function said(table, name, value) {
  if (name === "geometry")
    return value
      ? t("outline.corners", { n: JSON.stringify(value.coordinates).split("[").length - 2 })
      : "–";
  if (value === null || value === undefined || value === "") return "–";
  if (column(table, name)?.unit === "m") return length(value, { digits: 1 });
  if (column(table, name)?.unit === "m2") return areaText(value);
  if (typeof value === "boolean") return t(value ? "yes" : "no");
  return typeof value === "object" ? JSON.stringify(value) : String(value);
}

export const labelOf = label;

/** What a row says, for people who only read. */
export function Facts({ table, row, names }) {
  const told = names.filter(
    (n) => !(row[n] === null || row[n] === undefined || row[n] === "" || row[n] === false),
  );
  const words = (n) =>
    CLASSES.has(n) ? `${row[n]} · ${schema.value.classes[n][row[n]]}` : said(table, n, row[n]);
  return (
    <dl class="facts">
      {told.map((n) => (
        <div key={n}>
          <dt>{label(n)}</dt>
          <dd>{words(n)}</dd>
        </div>
      ))}
    </dl>
  );
}

/** Go to the first class of what is selected; digits answer from there on. */
export function toClasses() {
  const first = document.querySelector(".sheet .classes .seg");
  first?.focus();
  return Boolean(first);
}

/** From one class to the next, and from the last to the measure. */
function onward(group) {
  const groups = [...document.querySelectorAll(".sheet .classes")];
  const next =
    groups[groups.indexOf(group) + 1]?.querySelector(".seg") ??
    ["depth_m", "width_m"]
      .map((n) => document.getElementById(`field-conditions-${n}`))
      .find(Boolean);
  next?.focus();
  next?.select?.();
}

export function Classes({ name, value, onChange, mixed, lacking }) {
  const words = schema.value.classes[name];
  const onKey = (e) => {
    const group = e.currentTarget;
    const all = [...group.querySelectorAll(".seg")];
    const turn = { ArrowLeft: -1, ArrowRight: 1 }[e.key];
    if (e.ctrlKey || e.metaKey || e.altKey) return;
    if (/^[0-3]$/.test(e.key)) {
      onChange(Number(e.key));
      onward(group);
    } else if (turn) all[(all.indexOf(document.activeElement) + turn + 4) % 4]?.focus();
    else return;
    e.preventDefault();
    e.stopPropagation();
  };
  return (
    <fieldset class={`classes ${lacking ? "lacking" : ""}`} onKeyDown={onKey}>
      <legend>
        {label(name)}{" "}
        <span class="aside">
          {value === null || value === undefined
            ? t(mixed ? "differs" : lacking ? "lacking" : "not.set")
            : words[value]}
        </span>
      </legend>
      <div class="segments">
        {[0, 1, 2, 3].map((n) => (
          <button
            type="button"
            key={n}
            aria-pressed={value === n}
            class={`seg level${n}`}
            title={words[n]}
            onClick={() => onChange(value === n ? null : n)}
          >
            <span class="visually-hidden">{label(name)} </span>
            {n}
            <span class="visually-hidden"> {words[n]}</span>
          </button>
        ))}
      </div>
    </fieldset>
  );
}

/** A length as it is typed, in the unit chosen. */
export const fromMetres = (m, small) => {
  if (m === null || m === undefined) return "";
  const v = units.value === "in" ? m / 0.0254 : m * 1000;
  return String(Number(v.toFixed(units.value === "in" ? 3 : small ? 2 : 1)));
};
/** What was typed as a length; nothing for an empty box, undefined where it is no length. */
export const toMetres = (text) => {
  if (!text.trim()) return null;
  const fraction = text.trim().match(/^(\d+)?\s*(?:(\d+)\/(\d+))$/);
  const v = fraction
    ? Number(fraction[1] ?? 0) + Number(fraction[2]) / Number(fraction[3])
    : Number(text.replace(",", "."));
  return Number.isFinite(v) ? (units.value === "in" ? v * 0.0254 : v / 1000) : undefined;
};

/** A text box that tells only when it is left or Enter is pressed, so that an edit is one edit. */
export function Entry({ value, onCommit, area, ...rest }) {
  const [text, setText] = useState(value ?? "");
  useEffect(() => setText(value ?? ""), [value]);
  const commit = () => {
    if (text !== (value ?? "")) onCommit(text);
  };
  const Tag = area ? "textarea" : "input";
  return (
    <Tag
      {...rest}
      value={text}
      data-clean={text === (value ?? "") ? "" : undefined}
      onInput={(e) => setText(e.currentTarget.value)}
      onBlur={commit}
      onKeyDown={(e) => {
        // leaving the box commits
        if (e.key === "Enter" && !area) e.currentTarget.blur();
        // with nothing typed here, Ctrl Z takes back the last edit of the desk
        if (!((e.ctrlKey || e.metaKey) && text === (value ?? ""))) e.stopPropagation();
      }}
    />
  );
}

export function Field({ table, name, value, onChange, mixed, readOnly, lacking }) {
  const col = column(table, name);
  if (!col) return null;
  if (CLASSES.has(name))
    return (
      <Classes name={name} value={value} onChange={onChange} mixed={mixed} lacking={lacking} />
    );
  const id = `field-${table}-${name}`;
  const hint = mixed ? t("differs") : "";
  let input;
  if (col.choices.length) {
    input = (
      <select
        id={id}
        value={value ?? ""}
        disabled={readOnly}
        onChange={(e) => onChange(e.currentTarget.value || null)}
      >
        {(!col.required || mixed) && <option value="">{mixed ? t("differs") : "–"}</option>}
        {col.choices.map((c) => (
          <option key={c} value={c}>
            {c}
          </option>
        ))}
      </select>
    );
  } else if (col.kind === "bool") {
    return (
      <label class="check">
        <input
          type="checkbox"
          checked={Boolean(value)}
          disabled={readOnly}
          onChange={(e) => onChange(e.currentTarget.checked)}
        />{" "}
        {label(name)}
      </label>
    );
  } else if (col.kind === "float" && col.unit === "m") {
    input = (
      <span class="with-unit">
        <Entry
          id={id}
          inputMode="decimal"
          placeholder={hint}
          disabled={readOnly}
          value={fromMetres(value, name === "width_m")}
          onCommit={(text) => {
            const m = toMetres(text);
            if (m !== undefined) onChange(m);
          }}
        />
        <span aria-hidden="true">{units.value}</span>
      </span>
    );
  } else if (col.kind === "float" || col.kind === "int") {
    input = (
      <span class="with-unit">
        <Entry
          id={id}
          inputMode="decimal"
          placeholder={hint}
          disabled={readOnly}
          value={
            value === null || value === undefined ? "" : String(Number(Number(value).toFixed(5)))
          }
          onCommit={(text) => onChange(text.trim() ? Number(text) : null)}
        />
        {col.unit && (
          <span aria-hidden="true">{col.unit.replace("m2", "m²").replace("m3", "m³")}</span>
        )}
      </span>
    );
  } else if (col.kind === "date") {
    input = (
      <input
        id={id}
        type="date"
        disabled={readOnly}
        value={value ?? ""}
        onChange={(e) => onChange(e.currentTarget.value || null)}
      />
    );
  } else if (col.refers && rowsOf(col.refers).length < 4000) {
    const list = `${id}-list`;
    input = (
      <>
        <Entry
          id={id}
          list={list}
          placeholder={hint}
          disabled={readOnly}
          value={value ?? ""}
          onCommit={(text) => onChange(text.trim() || null)}
        />
        <datalist id={list}>
          {rowsOf(col.refers).map((r) => (
            <option key={r.id} value={r.id} />
          ))}
        </datalist>
      </>
    );
  } else if (name === "note" || name === "cause" || name === "text") {
    input = (
      <Entry
        id={id}
        area
        rows={2}
        placeholder={hint}
        disabled={readOnly}
        value={value ?? ""}
        onCommit={(text) => onChange(text.trim() || null)}
      />
    );
  } else {
    input = (
      <Entry
        id={id}
        placeholder={hint}
        disabled={readOnly}
        value={value ?? ""}
        onCommit={(text) => onChange(text.trim() || null)}
      />
    );
  }
  return (
    <div class={`field ${lacking ? "lacking" : ""}`} title={col.meaning}>
      <label for={id}>
        {label(name)}
        {lacking && (
          <>
            {" "}
            · <b>{t("lacking")}</b>
          </>
        )}
      </label>
      {input}
    </div>
  );
}
