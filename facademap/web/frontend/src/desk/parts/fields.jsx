// One input for every kind of column, made from the contract of the table.
import { useState } from "preact/hooks";
import { column, entryOf, rowsOf, schema, tableOf } from "../data/data.js";
import { area as areaText, length, units } from "../data/settings.js";
import { parseLength, parseNumber } from "../geometry/measures.js";
import { t } from "../words/texts.js";

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
  const first = /** @type {HTMLElement} */ (document.querySelector(".sheet .classes .seg"));
  first?.focus();
  return Boolean(first);
}

/** From one class to the next, and from the last to the measure. */
function onward(group) {
  const groups = [...document.querySelectorAll(".sheet .classes")];
  const next = /** @type {HTMLInputElement} */ (
    groups[groups.indexOf(group) + 1]?.querySelector(".seg") ??
      ["depth_m", "width_m"]
        .map((n) => document.getElementById(`field-conditions-${n}`))
        .find(Boolean)
  );
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
/** What was typed as a length, with or without its unit; nothing for an empty box, undefined where it is no length. */
export const toMetres = (text) => parseLength(text, units.value);

/**
 * What is wrong with a text; nothing where it can be taken.
 * @type {(text: string) => string}
 */
const always = () => "";
/** @param {string} text */
export const lengthFault = (text) => (toMetres(text) === undefined ? t("refuse.length") : "");

/** The same where a bare number means metres, or another unit. */
export const lengthIn = (text, unit = "m") => parseLength(text, unit);
/** @param {string} text */
export const metresFault = (text) => (lengthIn(text) === undefined ? t("refuse.length") : "");

/**
 * A text box that tells only when it is left or Enter is pressed, so that an edit is one edit. What cannot be taken is
 * refused here, in words, and stays to be mended.
 */
export function Entry({ value, onCommit, area = false, check = always, ...rest }) {
  // what is being typed, and over which value; nothing that happens meanwhile takes it away
  const [typed, setTyped] = useState(/** @type {{text: string, over: string} | null} */ (null));
  const [fault, setFault] = useState("");
  const now = value ?? "";
  const text = typed?.text ?? now;
  const clean = String(text) === String(now);
  const drop = () => {
    setTyped(null);
    setFault("");
  };
  const commit = () => {
    const found = clean ? "" : check(text);
    setFault(found);
    if (found) return;
    setTyped(null);
    if (!clean) onCommit(text);
  };
  const meanwhile = typed && !clean && typed.over !== now;
  const words = fault || (meanwhile ? t("entry.meanwhile", { value: now || "–" }) : "");
  const Tag = area ? "textarea" : "input";
  const told = `${rest.id ?? rest["aria-label"] ?? "entry"}-fault`.replaceAll(" ", "-");
  return (
    <>
      <Tag
        {...rest}
        value={text}
        aria-invalid={fault ? "true" : undefined}
        aria-describedby={words ? told : undefined}
        data-clean={clean ? "" : undefined}
        onInput={(e) => {
          setTyped({ text: e.currentTarget.value, over: typed?.over ?? now });
          if (fault && !check(e.currentTarget.value)) setFault("");
        }}
        onBlur={commit}
        onKeyDown={(e) => {
          if (e.key === "Enter" && !area) {
            // leaving the box commits; what is refused keeps the keys
            if (check(text)) commit();
            else e.currentTarget.blur();
          }
          if (e.key === "Escape" && words) drop();
          // with nothing typed here, Ctrl Z takes back the last edit of the desk
          if (!((e.ctrlKey || e.metaKey) && clean)) e.stopPropagation();
        }}
      />
      {words && (
        <span class="fault" id={told} role="alert">
          {words}
        </span>
      )}
    </>
  );
}

/** The unit of a column as people read it. */
const unitOf = ({ unit }) => unit?.replace("m2", "m²").replace("m3", "m³") ?? "";

function Choice({ id, col, value, mixed, readOnly, onChange }) {
  return (
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
}

/** Outside the limits of its column; told in the unit that people read. */
function limitFault(col, v) {
  const say = (x) => (col.unit === "m" ? length(x) : `${x} ${unitOf(col)}`.trim());
  if (col.minimum != null && v < col.minimum) return t("refuse.least", { n: say(col.minimum) });
  if (col.maximum != null && v > col.maximum) return t("refuse.most", { n: say(col.maximum) });
  return "";
}

function LengthBox({ id, col, name, value, hint, readOnly, onChange }) {
  const check = (text) => {
    const m = toMetres(text);
    return m === undefined ? t("refuse.length") : m === null ? "" : limitFault(col, m);
  };
  return (
    <span class="with-unit">
      <Entry
        id={id}
        inputMode="text"
        placeholder={hint}
        disabled={readOnly}
        value={fromMetres(value, name === "width_m")}
        check={check}
        onCommit={(text) => onChange(toMetres(text))}
      />
      <span aria-hidden="true">{units.value}</span>
    </span>
  );
}

function NumberBox({ id, col, value, hint, readOnly, onChange }) {
  const unit = unitOf(col);
  const read = (text) => parseNumber(text, unit);
  const check = (text) => {
    const v = read(text);
    if (v === undefined) return t("refuse.number");
    if (v !== null && col.kind === "int" && !Number.isInteger(v)) return t("refuse.whole");
    return v === null ? "" : limitFault(col, v);
  };
  return (
    <span class="with-unit">
      <Entry
        id={id}
        inputMode="decimal"
        placeholder={hint}
        disabled={readOnly}
        value={
          value === null || value === undefined ? "" : String(Number(Number(value).toFixed(5)))
        }
        check={check}
        onCommit={(text) => onChange(read(text))}
      />
      {unit && <span aria-hidden="true">{unit}</span>}
    </span>
  );
}

const LISTED = 4000;

/** A name of a row of another table: one that is not there is refused. */
function Reference({ id, col, value, hint, readOnly, onChange }) {
  const list = `${id}-list`;
  const many = tableOf(col.refers).size > LISTED;
  const check = (text) =>
    !text.trim() || entryOf(col.refers, text.trim())
      ? ""
      : t("refuse.reference", { id: text.trim(), table: t(`one.${col.refers}`).toLowerCase() });
  return (
    <>
      <Entry
        id={id}
        list={many ? undefined : list}
        placeholder={hint}
        disabled={readOnly}
        value={value ?? ""}
        check={check}
        onCommit={(text) => onChange(text.trim() || null)}
      />
      {!many && (
        <datalist id={list}>
          {rowsOf(col.refers).map((r) => (
            <option key={r.id} value={r.id} />
          ))}
        </datalist>
      )}
    </>
  );
}

const LONG = ["note", "cause", "text"];

function Box(props) {
  const { id, col, name, value, hint, readOnly, onChange } = props;
  if (col.choices.length) return <Choice {...props} />;
  if (col.kind === "float" && col.unit === "m") return <LengthBox {...props} />;
  if (col.kind === "float" || col.kind === "int") return <NumberBox {...props} />;
  if (col.kind === "date")
    return (
      <input
        id={id}
        type="date"
        disabled={readOnly}
        value={value ?? ""}
        onChange={(e) => onChange(e.currentTarget.value || null)}
      />
    );
  if (col.refers) return <Reference {...props} />;
  const long = LONG.includes(name);
  return (
    <Entry
      id={id}
      area={long}
      rows={long ? 2 : undefined}
      placeholder={hint}
      disabled={readOnly}
      value={value ?? ""}
      onCommit={(text) => onChange(text.trim() || null)}
    />
  );
}

export function Field({
  table,
  name,
  value,
  onChange,
  mixed = false,
  readOnly = false,
  lacking = false,
}) {
  const col = column(table, name);
  if (!col) return null;
  if (CLASSES.has(name))
    return (
      <Classes name={name} value={value} onChange={onChange} mixed={mixed} lacking={lacking} />
    );
  if (col.kind === "bool")
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
  const id = `field-${table}-${name}`;
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
      <Box
        id={id}
        col={col}
        name={name}
        value={value}
        mixed={mixed}
        hint={mixed ? t("differs") : ""}
        readOnly={readOnly}
        onChange={onChange}
      />
    </div>
  );
}
