// One input for every kind of column, made from the contract of the table.
import { useState } from "preact/hooks";
import { column, entryOf, rowsOf, schema, tableOf } from "../data/data.js";
import { area as areaText, length, units } from "../data/settings.js";
import { parseLength, parseNumber } from "../geometry/measures.js";
import { t } from "../words/texts.js";

/**
 * Whether a column holds a class.
 * @param {string} name
 * @returns {name is keyof Schema["classes"]}
 */
const isClass = (name) => ["cc", "uc", "rc"].includes(name);
/** The name of a column as people read it; one that the catalogue does not know is told by its own name. */
const label = (/** @type {string} */ name) => {
  const known = t(`field.${name}`);
  if (known !== `field.${name}`) return known;
  const words = name.replace(/_(m|m2|m3|deg|kg|px)$/, "").replaceAll("_", " ");
  return words[0].toUpperCase() + words.slice(1);
};
/**
 * A value as it is shown beside another one.
 * @param {TableName} table
 * @param {string} name
 * @param {unknown} value
 */
export function said(table, name, value) {
  if (value === null || value === undefined || value === "") return "–";
  if (name === "geometry") {
    const { coordinates } = /** @type {Geometry} */ (value);
    return t("outline.corners", { n: JSON.stringify(coordinates).split("[").length - 2 });
  }
  const unit = column(table, name)?.unit;
  if (unit === "m" && typeof value === "number") return length(value, { digits: 1 });
  if (unit === "m2" && typeof value === "number") return areaText(value);
  if (typeof value === "boolean") return t(value ? "yes" : "no");
  return typeof value === "object" ? JSON.stringify(value) : String(value);
}

export const labelOf = label;

/**
 * What is wrong with a text; nothing where it can be taken.
 * @typedef {(text: string) => string} Check
 * What a box of a form holds and tells.
 * @typedef {string | number | boolean | null | undefined} Value
 */

/**
 * What a row says, for people who only read.
 * @param {{ table: TableName, row: AnyRow, names: readonly string[] }} props
 */
export function Facts({ table, row, names }) {
  const told = names.filter(
    (n) => !(row[n] === null || row[n] === undefined || row[n] === "" || row[n] === false),
  );
  const words = (/** @type {string} */ n) =>
    isClass(n) ? `${row[n]} · ${classNames(n)[Number(row[n])]}` : said(table, n, row[n]);
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
  /** @type {HTMLElement | null} */
  const first = document.querySelector(".sheet .classes .seg");
  first?.focus();
  return Boolean(first);
}

/** The words for the classes of a scale. */
const classNames = (/** @type {keyof Schema["classes"]} */ name) =>
  schema.value?.classes[name] ?? [];

/**
 * From one class to the next, and from the last to the measure.
 * @param {HTMLElement} group
 */
function onward(group) {
  const groups = [...document.querySelectorAll(".sheet .classes")];
  const next =
    groups[groups.indexOf(group) + 1]?.querySelector(".seg") ??
    ["depth_m", "width_m"]
      .map((n) => document.getElementById(`field-conditions-${n}`))
      .find(Boolean);
  if (next instanceof HTMLElement) next.focus();
  if (next instanceof HTMLInputElement) next.select();
}

/** @type {Record<string, number>} */
const TURNS = { ArrowLeft: -1, ArrowRight: 1 };

/**
 * @param {{
 *   name: keyof Schema["classes"], value: Value, onChange: (value: number | null) => void, mixed?: boolean, lacking?: boolean,
 * }} props
 */
export function Classes({ name, value, onChange, mixed, lacking }) {
  const words = classNames(name);
  const onKey = (/** @type {import("preact").TargetedKeyboardEvent<HTMLElement>} */ e) => {
    const group = e.currentTarget;
    const all = /** @type {HTMLElement[]} */ ([...group.querySelectorAll(".seg")]);
    const turn = TURNS[e.key];
    const here = all.indexOf(/** @type {HTMLElement} */ (document.activeElement));
    if (e.ctrlKey || e.metaKey || e.altKey) return;
    if (/^[0-3]$/.test(e.key)) {
      onChange(Number(e.key));
      onward(group);
    } else if (turn) all[(here + turn + 4) % 4]?.focus();
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
            : words[Number(value)]}
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

/**
 * A length as it is typed, in the unit chosen.
 * @param {number | null | undefined} m
 * @param {boolean} [small] Told to a hundredth of a millimetre.
 */
export const fromMetres = (m, small) => {
  if (m === null || m === undefined) return "";
  const v = units.value === "in" ? m / 0.0254 : m * 1000;
  return String(Number(v.toFixed(units.value === "in" ? 3 : small ? 2 : 1)));
};
/**
 * What was typed as a length, with or without its unit; nothing for an empty box, undefined where it is no length.
 * @param {string} text
 */
export const toMetres = (text) => parseLength(text, units.value);

/** @type {Check} */
const always = () => "";
/** @param {string} text */
export const lengthFault = (text) => (toMetres(text) === undefined ? t("refuse.length") : "");

/**
 * The same where a bare number means metres, or another unit.
 * @param {string} text
 */
export const lengthIn = (text, unit = "m") => parseLength(text, unit);
/** @param {string} text */
export const metresFault = (text) => (lengthIn(text) === undefined ? t("refuse.length") : "");

/**
 * A text box that tells only when it is left or Enter is pressed, so that an edit is one edit. What cannot be taken is
 * refused here, in words, and stays to be mended.
 * @param {{
 *   value: string | null | undefined, onCommit: (text: string) => void, area?: boolean, check?: Check,
 *   id?: string, list?: string, rows?: number, placeholder?: string, disabled?: boolean, class?: string,
 *   inputMode?: "text" | "decimal" | "numeric", maxLength?: number, "aria-label"?: string,
 * }} props
 */
export function Entry({ value, onCommit, area = false, check = always, list, rows, ...rest }) {
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
  const told = `${rest.id ?? rest["aria-label"] ?? "entry"}-fault`.replaceAll(" ", "-");
  /** @typedef {HTMLInputElement | HTMLTextAreaElement} TextBox */
  const box = {
    ...rest,
    value: text,
    "aria-invalid": fault ? true : undefined,
    "aria-describedby": words ? told : undefined,
    "data-clean": clean ? "" : undefined,
    onInput: (/** @type {import("preact").TargetedEvent<TextBox>} */ e) => {
      setTyped({ text: e.currentTarget.value, over: typed?.over ?? now });
      if (fault && !check(e.currentTarget.value)) setFault("");
    },
    onBlur: commit,
    onKeyDown: (/** @type {import("preact").TargetedKeyboardEvent<TextBox>} */ e) => {
      if (e.key === "Enter" && !area) {
        // leaving the box commits; what is refused keeps the keys
        if (check(text)) commit();
        else e.currentTarget.blur();
      }
      if (e.key === "Escape" && words) drop();
      // with nothing typed here, Ctrl Z takes back the last edit of the desk
      if (!((e.ctrlKey || e.metaKey) && clean)) e.stopPropagation();
    },
  };
  return (
    <>
      {area ? <textarea {...box} rows={rows} /> : <input {...box} list={list} />}
      {words && (
        <span class="fault" id={told} role="alert">
          {words}
        </span>
      )}
    </>
  );
}

/** The unit of a column as people read it. */
const unitOf = (/** @type {SchemaColumn} */ { unit }) =>
  unit?.replace("m2", "m²").replace("m3", "m³") ?? "";

/**
 * @typedef {{
 *   id: string, col: SchemaColumn, name: string, value: Value, mixed: boolean, hint: string, readOnly: boolean,
 *   onChange: (value: Value) => void,
 * }} BoxProps
 */

/** @param {BoxProps} props */
function Choice({ id, col, value, mixed, readOnly, onChange }) {
  return (
    <select
      id={id}
      value={String(value ?? "")}
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

/**
 * Outside the limits of its column; told in the unit that people read.
 * @param {SchemaColumn} col
 * @param {number} v
 */
function limitFault(col, v) {
  const say = (/** @type {number} */ x) =>
    col.unit === "m" ? length(x) : `${x} ${unitOf(col)}`.trim();
  if (col.minimum != null && v < col.minimum) return t("refuse.least", { n: say(col.minimum) });
  if (col.maximum != null && v > col.maximum) return t("refuse.most", { n: say(col.maximum) });
  return "";
}

/** @param {BoxProps} props */
function LengthBox({ id, col, name, value, hint, readOnly, onChange }) {
  const check = (/** @type {string} */ text) => {
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
        value={fromMetres(typeof value === "number" ? value : null, name === "width_m")}
        check={check}
        onCommit={(text) => onChange(toMetres(text))}
      />
      <span aria-hidden="true">{units.value}</span>
    </span>
  );
}

/** @param {BoxProps} props */
function NumberBox({ id, col, value, hint, readOnly, onChange }) {
  const unit = unitOf(col);
  const read = (/** @type {string} */ text) => parseNumber(text, unit);
  const check = (/** @type {string} */ text) => {
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

/**
 * A name of a row of another table: one that is not there is refused.
 * @param {BoxProps & { refers: TableName }} props
 */
function Reference({ id, refers, value, hint, readOnly, onChange }) {
  const list = `${id}-list`;
  const many = tableOf(refers).size > LISTED;
  const check = (/** @type {string} */ text) =>
    !text.trim() || entryOf(refers, text.trim())
      ? ""
      : t("refuse.reference", { id: text.trim(), table: t(`one.${refers}`).toLowerCase() });
  return (
    <>
      <Entry
        id={id}
        list={many ? undefined : list}
        placeholder={hint}
        disabled={readOnly}
        value={String(value ?? "")}
        check={check}
        onCommit={(text) => onChange(text.trim() || null)}
      />
      {!many && (
        <datalist id={list}>
          {rowsOf(refers).map((r) => (
            <option key={r.id} value={r.id} />
          ))}
        </datalist>
      )}
    </>
  );
}

const LONG = ["note", "cause", "text"];

/** @param {BoxProps} props */
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
        value={String(value ?? "")}
        onChange={(e) => onChange(e.currentTarget.value || null)}
      />
    );
  if (col.refers) return <Reference {...props} refers={col.refers} />;
  const long = LONG.includes(name);
  return (
    <Entry
      id={id}
      area={long}
      rows={long ? 2 : undefined}
      placeholder={hint}
      disabled={readOnly}
      value={String(value ?? "")}
      onCommit={(text) => onChange(text.trim() || null)}
    />
  );
}

/**
 * @param {{
 *   table: TableName, name: string, value: Value, onChange: (value: Value) => void,
 *   mixed?: boolean, readOnly?: boolean, lacking?: boolean,
 * }} props
 */
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
  if (isClass(name))
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
