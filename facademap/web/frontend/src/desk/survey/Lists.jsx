// The list beside the wall: every row of a table, found, filtered, in order.
import { useMemo, useRef, useState } from "preact/hooks";
import { column, rowsOf, schema, surface } from "../data/data.js";
import { shown } from "../data/names.js";
import { area, length } from "../data/settings.js";
import { isSelected, panel, select, selection } from "../data/view.js";
import { labelOf } from "../parts/fields.jsx";
import { Swatch } from "../parts/Swatch.jsx";
import { goTo } from "../wall/wall.js";
import { t } from "../words/texts.js";

const COLUMNS = {
  conditions: ["id", "term", "cc", "uc", "rc", "depth_m", "area_m2", "wall_stone", "note"],
  wall_stones: ["id", "course", "number", "stone_type", "part", "cc", "note"],
  repairs: ["id", "treatment", "stage", "depth_m", "wall_stone", "held_back"],
  openings: ["id", "kind", "note"],
};
const ROW_PX = 36;
const [UNCONFIRMED, HELD] = ["unconfirmed", "held"];
/** Made once: a hundred thousand rows are put in order at once. */
const inOrder = new Intl.Collator(undefined, { numeric: true });

/** @typedef {keyof typeof COLUMNS} Listed A table that can be listed. */

/**
 * A row of a table that can be listed, by the columns that are asked for by their name.
 * @typedef {AnyRow & Partial<Pick<Condition, "term" | "area_m2"> & Pick<Repair, "stage" | "treatment">>} Told
 */

/** @type {(table: Listed, name: string, value: unknown) => string} */
const cell = (table, name, value) => {
  if (value === null || value === undefined || value === "") return "–";
  const unit = column(table, name)?.unit;
  if (unit === "m2") return area(Number(value));
  if (unit === "m") return length(Number(value));
  return shown(String(value));
};

/**
 * Whether a row is what the filter asks for: a family, a class such as cc3, a stage or a treatment, or something to be settled.
 * @param {Listed} table
 * @param {AnyRow} row
 * @param {string} only
 */
function isWanted(table, row, only) {
  if (only === UNCONFIRMED) return row.origin === "assisted" && !row.confirmed_by;
  if (table === "repairs")
    return only === HELD ? Boolean(row.held_back) : row.stage === only || row.treatment === only;
  const [, column, level] = only.match(/^([cur]c)(\d)$/) ?? [];
  return column ? row[column] === Number(level) : row.family === only;
}

/** @param {{ tables?: Listed[] }} props */
export function List({ tables = ["conditions", "wall_stones", "openings"] }) {
  const [table, setTable] = useState(tables[0]);
  const [text, setText] = useState("");
  const [only, setOnly] = useState("");
  const [here, setHere] = useState(false);
  const [sort, setSort] = useState({ name: "id", down: false });
  const [from, setFrom] = useState(0);
  const box = useRef(/** @type {HTMLDivElement | null} */ (null));
  const all = /** @type {Told[]} */ (rowsOf(table));
  const rows = useMemo(() => {
    const asked = text.trim().toLowerCase();
    const found = all.filter((r) => {
      if (here && r.surface !== surface.value) return false;
      if (only && !isWanted(table, r, only)) return false;
      return (
        !asked ||
        ["id", "term", "note", "wall_stone", "stone_type", "treatment", "cause", "surveyor"].some(
          (n) =>
            String(r[n] ?? "")
              .toLowerCase()
              .includes(asked),
        )
      );
    });
    const { name, down } = sort;
    return found.sort((a, b) => {
      const [x, y] = [a[name], b[name]];
      const order =
        x === y
          ? 0
          : x === null || x === undefined
            ? 1
            : y === null || y === undefined
              ? -1
              : typeof x === "number" && typeof y === "number"
                ? x - y
                : inOrder.compare(String(x), String(y));
      return down ? -order : order;
    });
  }, [all, text, only, here, sort, table]);
  const columns = COLUMNS[table];
  const height = box.current?.clientHeight ?? 600;
  const first = Math.max(0, Math.floor(from / ROW_PX) - 6);
  const last = Math.min(rows.length, first + Math.ceil(height / ROW_PX) + 14);
  return (
    <div class="list">
      <div class="filters">
        <select
          aria-label={t("table")}
          value={table}
          onChange={(e) => {
            setTable(/** @type {Listed} */ (e.currentTarget.value));
            setOnly("");
          }}
        >
          {tables.map((n) => (
            <option key={n} value={n}>
              {t(`many.${n}`)}
            </option>
          ))}
        </select>
        <input
          type="search"
          aria-label={t("find")}
          placeholder={t("find")}
          value={text}
          onInput={(e) => setText(e.currentTarget.value)}
          onKeyDown={(e) => e.stopPropagation()}
        />
        {table === "conditions" && (
          <select
            aria-label={t("filter")}
            value={only}
            onChange={(e) => setOnly(e.currentTarget.value)}
          >
            <option value="">{t("all")}</option>
            {schema.value?.families.map((f) => (
              <option key={f.id} value={f.id}>
                {f.id} {f.name}
              </option>
            ))}
            {["cc", "uc", "rc"].flatMap((c) =>
              [3, 2, 1, 0].map((n) => (
                <option key={c + n} value={c + n}>
                  {c.toUpperCase()} {n}
                </option>
              )),
            )}
            <option value={UNCONFIRMED}>{t("filter.unconfirmed")}</option>
          </select>
        )}
        {table === "repairs" && (
          <select
            aria-label={t("filter")}
            value={only}
            onChange={(e) => setOnly(e.currentTarget.value)}
          >
            <option value="">{t("all")}</option>
            {[...new Set(all.flatMap((r) => [r.stage, r.treatment]))].map((n) => (
              <option key={n} value={n}>
                {n}
              </option>
            ))}
            <option value={HELD}>{t("field.held_back")}</option>
          </select>
        )}
        {rowsOf("surfaces").length > 1 && (
          <label class="check">
            <input
              type="checkbox"
              checked={here}
              onChange={(e) => setHere(e.currentTarget.checked)}
            />{" "}
            {t("here.only")}
          </label>
        )}
      </div>
      <p class="aside count" aria-live="polite">
        {t("of", { n: rows.length, all: all.length })}
        {table === "conditions" && ` · ${area(rows.reduce((s, r) => s + (r.area_m2 ?? 0), 0))}`}
        {rows.length > 0 && rows.length <= 2000 && (
          <button
            type="button"
            class="quiet"
            onClick={() => {
              select(
                table,
                rows.map((r) => r.id),
              );
              panel.value = "record";
            }}
          >
            {t("select.these")}
          </button>
        )}
      </p>
      <div
        class="scroll"
        ref={box}
        onScroll={(e) => setFrom(e.currentTarget.scrollTop)}
        tabIndex={0}
        role="region"
        aria-label={t("rows.of", { table: t(`many.${table}`) })}
      >
        <table>
          <thead>
            <tr>
              {columns.map((n) => (
                <th
                  key={n}
                  scope="col"
                  aria-sort={sort.name === n ? (sort.down ? "descending" : "ascending") : "none"}
                >
                  <button
                    type="button"
                    onClick={() => setSort({ name: n, down: sort.name === n && !sort.down })}
                  >
                    {n.length === 2 ? n.toUpperCase() : labelOf(n)}
                  </button>
                </th>
              ))}
            </tr>
          </thead>
          <tbody>
            {first > 0 && (
              <tr aria-hidden="true">
                <td colSpan={columns.length} style={{ height: `${first * ROW_PX}px` }} />
              </tr>
            )}
            {rows.slice(first, last).map((r) => (
              <tr
                key={r.id}
                class={isSelected(table, r.id) ? "on" : ""}
                onClick={(e) => {
                  pick(table, r.id, e.shiftKey);
                }}
              >
                {columns.map((n) => (
                  <td key={n} class={n === "cc" || n === "uc" || n === "rc" ? `level${r[n]}` : ""}>
                    {n === "id" ? (
                      <button
                        type="button"
                        class="link"
                        onClick={(e) => {
                          e.stopPropagation();
                          pick(table, r.id, e.shiftKey);
                        }}
                      >
                        {shown(r.id)}
                      </button>
                    ) : n === "term" ? (
                      <>
                        <Swatch term={r.term} small /> {r.term}
                      </>
                    ) : (
                      cell(table, n, r[n])
                    )}
                  </td>
                ))}
              </tr>
            ))}
            {last < rows.length && (
              <tr aria-hidden="true">
                <td
                  colSpan={columns.length}
                  style={{ height: `${(rows.length - last) * ROW_PX}px` }}
                />
              </tr>
            )}
          </tbody>
        </table>
        {!rows.length && <p class="aside pad">{t(all.length ? "none.found" : "none.drawn")}</p>}
      </div>
    </div>
  );
}

/**
 * @param {Listed} table
 * @param {string} id
 * @param {boolean} more Beside what is selected.
 */
function pick(table, id, more) {
  if (more && selection.value[0]?.table === table)
    selection.value = isSelected(table, id)
      ? selection.value.filter((s) => s.id !== id)
      : [...selection.value, { table, id }];
  else {
    select(table, id);
    goTo(table, id);
  }
}
