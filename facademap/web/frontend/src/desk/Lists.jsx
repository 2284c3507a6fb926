// Lists beside the wall: everything, what is missing, layers, history.
import { useMemo, useRef, useState } from "preact/hooks";
import { column, entryOf, family, pictures, rowsOf, schema, surface, term } from "./data.js";
import { Entry, labelOf } from "./fields.jsx";
import { shown } from "./Record.jsx";
import { AllReviews, isReviewer } from "./Review.jsx";
import { area, hiddenFamilies, layers, length, shownSurvey, survey, units } from "./settings.js";
import { missingOf, requiredFields } from "./shared.js";
import { Swatch } from "./Swatch.jsx";
import { t } from "./texts.js";
import { dialog, isSelected, panel, select, selection, swipe } from "./view.js";
import { goTo } from "./wall.js";

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

const cell = (table, name, value) => {
  if (value === null || value === undefined || value === "") return "–";
  const col = column(table, name);
  if (col?.unit === "m2") return area(value);
  if (col?.unit === "m") return length(value);
  return shown(value);
};

/** Whether a row is what the filter asks for: a family, a class such as cc3, a stage or a treatment, or something to be settled. */
function isWanted(table, row, only) {
  if (only === UNCONFIRMED) return row.origin === "assisted" && !row.confirmed_by;
  if (table === "repairs")
    return only === HELD ? Boolean(row.held_back) : row.stage === only || row.treatment === only;
  const [, column, level] = only.match(/^([cur]c)(\d)$/) ?? [];
  return column ? row[column] === Number(level) : row.family === only;
}

export function List({ tables = ["conditions", "wall_stones", "openings"] }) {
  const [table, setTable] = useState(tables[0]);
  const [text, setText] = useState("");
  const [only, setOnly] = useState("");
  const [here, setHere] = useState(false);
  const [sort, setSort] = useState({ name: "id", down: false });
  const [from, setFrom] = useState(0);
  const box = useRef(null);
  const all = rowsOf(table);
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
            setTable(e.currentTarget.value);
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
            {schema.value.families.map((f) => (
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
                <td colSpan={columns.length} height={first * ROW_PX} />
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
                <td colSpan={columns.length} height={(rows.length - last) * ROW_PX} />
              </tr>
            )}
          </tbody>
        </table>
        {!rows.length && <p class="aside pad">{t(all.length ? "none.found" : "none.drawn")}</p>}
      </div>
    </div>
  );
}

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

export function Missing() {
  const groups = new Map();
  const required = requiredFields();
  for (const row of rowsOf("conditions"))
    for (const name of missingOf(row, required))
      groups
        .set(name, groups.get(name) ?? [])
        .get(name)
        .push(row.id);
  return (
    <div class="missing">
      <p class="aside">
        {t("missing.required", {
          names: required.map((n) => t(`missing.${n}`).toLowerCase()).join(", ") || t("none"),
        })}{" "}
        {!isReviewer() && (
          <button
            type="button"
            class="quiet"
            onClick={() => {
              dialog.value = { kind: "required" };
            }}
          >
            {t("missing.change")}
          </button>
        )}
      </p>
      {!groups.size && (
        <div class="empty">
          <h2>{t("missing.none")}</h2>
        </div>
      )}
      {[...groups]
        .sort((a, b) => b[1].length - a[1].length)
        .map(([name, ids]) => (
          <section key={name}>
            <h3>
              {t(`missing.${name}`)} <span class="count">{ids.length}</span>
              <button
                type="button"
                class="quiet"
                onClick={() => {
                  select("conditions", ids);
                  panel.value = "record";
                }}
              >
                {t("select.all")}
              </button>
            </h3>
            <ul class="ids">
              {ids.slice(0, 60).map((id) => (
                <li key={id}>
                  <button
                    type="button"
                    class="link"
                    onClick={() => {
                      select("conditions", id);
                      goTo("conditions", id);
                      panel.value = "record";
                    }}
                  >
                    {shown(id)}
                  </button>
                </li>
              ))}
            </ul>
            {ids.length > 60 && <p class="aside">{t("and.more", { n: ids.length - 60 })}</p>}
          </section>
        ))}
      <AllReviews />
    </div>
  );
}

const LAYERS = [
  "picture",
  "wall_stones",
  "openings",
  "conditions",
  "repairs",
  "pieces",
  "control_points",
];
export function Layers() {
  const counts = new Map();
  for (const r of rowsOf("conditions")) {
    const now = counts.get(r.family) ?? [0, 0];
    counts.set(r.family, [now[0] + 1, now[1] + (r.area_m2 ?? 0)]);
  }
  const surfaces = rowsOf("surfaces");
  const surveys = [
    ...new Set(
      rowsOf("conditions")
        .map((r) => r.survey)
        .filter(Boolean),
    ),
  ].sort();
  const hidden = hiddenFamilies.value;
  return (
    <div class="layers">
      <h3>{t("wall")}</h3>
      <ul class="surfaces">
        {surfaces.map((s) => (
          <li key={s.id}>
            <button
              type="button"
              aria-pressed={surface.value === s.id}
              onClick={() => {
                surface.value = s.id;
              }}
            >
              <strong>{entryOf("elevations", s.elevation)?.row.name ?? s.elevation}</strong>{" "}
              {s.name}
              <small>
                {pictures.value[s.id]
                  ? t("picture.gsd", { mm: (pictures.value[s.id].gsd_m * 1000).toFixed(2) })
                  : t("picture.none")}
                {s.check_rmse_m
                  ? ` · ${t("rmse.check", { mm: (s.check_rmse_m * 1000).toFixed(1), n: s.check_n })}`
                  : s.control_rmse_m
                    ? ` · ${t("rmse.control", { mm: (s.control_rmse_m * 1000).toFixed(1) })}`
                    : ""}
              </small>
            </button>
          </li>
        ))}
      </ul>
      {surfaces.length > 1 && (
        <div class="field">
          <label for="swipe-with">{t("compare.with")}</label>
          <select
            id="swipe-with"
            value={swipe.value?.with ?? ""}
            onChange={(e) => {
              compare({ with: e.currentTarget.value });
            }}
          >
            <option value="">{t("compare.nothing")}</option>
            {surfaces
              .filter((s) => s.id !== surface.value && pictures.value[s.id])
              .map((s) => (
                <option key={s.id} value={s.id}>
                  {s.name}
                </option>
              ))}
          </select>
        </div>
      )}
      <h3>{t("shown")}</h3>
      {LAYERS.map((name) => (
        <label class="check" key={name}>
          <input
            type="checkbox"
            checked={layers.value[name] !== false}
            onChange={(e) => {
              layers.value = { ...layers.value, [name]: e.currentTarget.checked };
            }}
          />{" "}
          {t(`layer.${name}`)}
        </label>
      ))}
      {surveys.length > 1 && (
        <div class="field">
          <label for="survey-shown">{t("survey.shown")}</label>
          <select
            id="survey-shown"
            value={shownSurvey.value}
            onChange={(e) => {
              shownSurvey.value = e.currentTarget.value;
            }}
          >
            <option value="">{t("all")}</option>
            {surveys.map((n) => (
              <option key={n} value={n}>
                {n}
              </option>
            ))}
          </select>
        </div>
      )}
      {surveys.length > 1 && <SurveySwipe surveys={surveys} />}
      <div class="field">
        <label for="survey-now">{t("survey.now")}</label>
        <Entry
          id="survey-now"
          value={survey.value}
          onCommit={(v) => {
            survey.value = v.trim() || "1";
          }}
        />
      </div>
      <h3>{t("families")}</h3>
      {schema.value.families.map((f) => (
        <label class="check" key={f.id}>
          <input
            type="checkbox"
            checked={!hidden.includes(f.id)}
            onChange={(e) => {
              hiddenFamilies.value = e.currentTarget.checked
                ? hidden.filter((x) => x !== f.id)
                : [...hidden, f.id];
            }}
          />
          <Swatch family={f.id} small /> {f.name}{" "}
          <span class="aside">
            {counts.get(f.id) ? `${counts.get(f.id)[0]} · ${area(counts.get(f.id)[1])}` : "–"}
          </span>
        </label>
      ))}
    </div>
  );
}
/** Pictures, surveys, or both on the two sides of one edge. */
function compare(what) {
  const next = { at: 0.5, ...swipe.value, ...what };
  swipe.value = next.with || next.surveys ? next : null;
}

function SurveySwipe({ surveys }) {
  const pair = swipe.value?.surveys;
  const choose = (i) => (
    <div class="field">
      <label for={`swipe-survey-${i}`}>{t(i ? "survey.right" : "survey.left")}</label>
      <select
        id={`swipe-survey-${i}`}
        value={pair[i]}
        onChange={(e) =>
          compare({
            surveys: i ? [pair[0], e.currentTarget.value] : [e.currentTarget.value, pair[1]],
          })
        }
      >
        {surveys.map((n) => (
          <option key={n} value={n}>
            {n}
          </option>
        ))}
      </select>
    </div>
  );
  return (
    <>
      <label class="check">
        <input
          type="checkbox"
          checked={Boolean(pair)}
          onChange={(e) => compare({ surveys: e.currentTarget.checked ? surveys.slice(-2) : null })}
        />{" "}
        {t("survey.compare")}
      </label>
      {pair && (
        <div class="form">
          {choose(0)}
          {choose(1)}
        </div>
      )}
    </>
  );
}
export { family, term, units };
