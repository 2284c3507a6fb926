// What is selected, and its classing.
import { useEffect, useState } from "preact/hooks";
import { column, entryOf, family, rowsOf, schema, term, tickOf } from "../data/data.js";
import { edit } from "../data/edits.js";
import { isNew } from "../data/keys.js";
import { shown, title } from "../data/names.js";
import { photoAddress, takePhoto } from "../data/photos.js";
import { isReviewer, may, readsTable } from "../data/reviewer.js";
import { area, length, who } from "../data/settings.js";
import { missingOf } from "../data/shared.js";
import { dialog, drawTable, firstName, select, selection, template, tool } from "../data/view.js";
import { beginConfirming, proposals } from "../drawing/confirming.js";
import { removeChosen } from "../drawing/deleting.js";
import { copy, copyOn, explode, merge } from "../drawing/operations.js";
import { enter } from "../drawing/places.js";
import { nameThem, offered, unnamed } from "../drawing/rows.js";
import { areaOf, lengthOf } from "../geometry/shapes.js";
import { classify } from "../parts/classify.js";
import { Facts, Field } from "../parts/fields.jsx";
import { PhotoButton } from "../parts/PhotoButton.jsx";
import { Reviews, Welcome } from "../parts/Review.jsx";
import { Swatch } from "../parts/Swatch.jsx";
import { stageColour } from "../wall/signs.js";
import { goTo } from "../wall/wall.js";
import { t } from "../words/texts.js";
import { MeasuredDepth } from "./MeasuredDepth.jsx";
import { Templates } from "./Templates.jsx";
import { WholeWall } from "./WholeWall.jsx";

/**
 * Search the glossary by name, abbreviation or meaning, or open a family; what is chosen closes it again.
 * @param {{ value?: string | null, onChange: (term: string) => void, fresh?: boolean }} props
 */
export function TermPicker({ value, onChange, fresh = false }) {
  const [text, setText] = useState("");
  const [open, setOpen] = useState("");
  const all = schema.value?.terms ?? [];
  const asked = text.trim().toLowerCase();
  const shown = asked
    ? all.filter(
        (x) =>
          x.name.includes(asked) ||
          x.abbreviation.toLowerCase() === asked ||
          x.meaning.toLowerCase().includes(asked),
      )
    : all.filter((x) => x.family === open);
  const now = term(value);
  // never made anew while something is typed beside it: that would take the keys from the form
  useEffect(() => {
    setText("");
    setOpen("");
  }, [value]);
  const choose = (/** @type {string} */ name) => {
    onChange(name);
    setText("");
    setOpen("");
  };
  return (
    <div class="picker">
      {!fresh && (
        <div class="now">
          <Swatch term={value} />
          <div>
            <strong>{value ?? t("differs")}</strong>
            {now && (
              <small>
                {" "}
                {now.abbreviation} · {family(now.family)?.name}
              </small>
            )}
            <p class="meaning">{now?.meaning}</p>
          </div>
        </div>
      )}
      <div class="chips" role="group" aria-label={t("families")}>
        {schema.value?.families.map((f) => (
          <button
            type="button"
            key={f.id}
            class="chip"
            aria-pressed={(open || now?.family) === f.id}
            aria-expanded={open === f.id}
            title={`${f.name}: ${f.meaning}`}
            onClick={() => {
              setOpen(open === f.id ? "" : f.id);
              setText("");
            }}
          >
            <Swatch family={f.id} small /> {f.id}
          </button>
        ))}
      </div>
      <input
        type="search"
        aria-label={t("term.find")}
        placeholder={t("term.find.hint")}
        value={text}
        onInput={(e) => setText(e.currentTarget.value)}
        onKeyDown={(e) => {
          e.stopPropagation();
          if (e.key === "Enter" && asked && shown[0]) choose(shown[0].name);
        }}
      />
      {(open || asked) && (
        <div class="terms">
          {open && !asked && (
            <p class="aside">
              {family(open)?.name}: {family(open)?.meaning}
            </p>
          )}
          <ul aria-label={t("terms")}>
            {shown.map((x) => (
              <li key={x.name}>
                <button
                  type="button"
                  aria-pressed={x.name === value}
                  onClick={() => choose(x.name)}
                  class={x.parent && !asked ? "child" : ""}
                >
                  <Swatch term={x.name} small />{" "}
                  <span>
                    {x.name} <abbr>{x.abbreviation}</abbr>
                    <small>{x.meaning}</small>
                  </span>
                </button>
              </li>
            ))}
            {!shown.length && <li class="aside">{t("none.found")}</li>}
          </ul>
        </div>
      )}
    </div>
  );
}

/** @type {(rows: AnyRow[], name: string) => boolean} */
const same = (rows, name) =>
  rows.length < READ_MOST && rows.every((r) => (r[name] ?? null) === (rows[0][name] ?? null));

/** @type {Record<string, string[]>} */
export const FORMS = {
  conditions: [
    "cc",
    "uc",
    "rc",
    "depth_m",
    "width_m",
    "activity",
    "cause",
    "cause_settled",
    "wall_stone",
    "note",
    "surveyor",
    "observed_on",
    "survey",
  ],
  wall_stones: [
    "course",
    "number",
    "stone_type",
    "kind",
    "bed",
    "finish",
    "depth_m",
    "part",
    "exposed",
    "cc",
    "uc",
    "rc",
    "note",
  ],
  openings: ["kind", "depth_m", "note"],
  repairs: [
    "treatment",
    "priority",
    "depth_m",
    "wall_stone",
    "held_back",
    "reason",
    "overruled_by",
    "lift",
    "bay",
    "consent_reference",
    "note",
  ],
  pieces: [
    "width_m",
    "height_m",
    "depth_m",
    "bed",
    "stone_type",
    "finish",
    "weathered",
    "turn_180",
    "lock_block",
    "unmatched_reason",
  ],
  control_points: ["name", "role", "u_m", "v_m", "w_m", "east_m", "north_m", "height_m", "sigma_m"],
};
/** @typedef {import("../parts/fields.jsx").Value} Value */

/** @type {(table: TableName, id: string, values: Values) => Change} */
const updateOf = (table, id, values) => ({ op: "update", table, id, values });

const READ_ONLY = new Set(["unmatched_reason"]);

/** @typedef {(name: string, value: unknown) => void} SetColumn */

export function useChange() {
  /** @type {SetColumn} */
  const set = (name, value) => {
    const chosen = selection.value;
    const named = name === "term" ? term(String(value)) : null;
    const extra =
      name === "term"
        ? { family: named?.family ?? null, layer: family(named?.family)?.layer ?? "stone" }
        : {};
    const isOther = (/** @type {RowPlace} */ { table, id }) => {
      /** @type {AnyRow | undefined} */
      const row = entryOf(table, id)?.row;
      return (row?.[name] ?? null) !== value;
    };
    const changes = chosen
      .filter(isOther)
      .map(({ table, id }) => updateOf(table, id, { [name]: value, ...extra }));
    if (changes.length)
      edit(
        t("what.class", {
          n: changes.length > 1 ? t("together", { n: changes.length }) : shown(chosen[0].id),
        }),
        changes,
      );
    if (name === "term")
      template.value = {
        ...template.value,
        term: String(value),
        [named?.shape ?? "polygon"]: value,
      };
  };
  return set;
}

/**
 * Area net of openings, and what the outline itself covers where that is more.
 * @param {{ rows: Condition[], line: boolean }} props
 */
function Figures({ rows, line }) {
  if (line) return <span>{length(sum(rows, (r) => r.length_m ?? lengthOf(r.geometry)))}</span>;
  const net = sum(rows, (r) => r.area_m2 ?? areaOf(r.geometry));
  const whole = sum(rows, (r) => areaOf(r.geometry));
  return (
    <>
      <span>{area(net)}</span>
      {whole - net > LEAST_M2 && (
        <span class="aside">{net ? t("area.net", { area: area(whole) }) : t("in.opening")}</span>
      )}
    </>
  );
}
const LEAST_M2 = 1e-6;

/**
 * What is selected: rows of one table; `conditions` where that is theirs.
 * @typedef {{ table: TableName, rows: AnyRow[], conditions: Condition[], line: boolean }} Selected
 */

/** @param {Selected & { total: number }} props */
function RecordHead({ table, rows, conditions, line, total }) {
  const [row] = rows;
  const many = total > 1;
  return (
    <header class="head">
      <h2>
        {many ? (
          t("many", { n: total })
        ) : (
          <>
            {title(table)} <span class="id">{shown(row.id)}</span>
          </>
        )}
      </h2>
      <div class="figures">
        {!many && row.geometry && (
          <button type="button" class="quiet" onClick={() => goTo(table, row.id)}>
            {t("show")}
          </button>
        )}
        {conditions.length > 0 && total === rows.length && (
          <Figures rows={conditions} line={line} />
        )}
        {!many && (
          <button
            type="button"
            class="quiet"
            onClick={() => {
              dialog.value = { kind: "history", table, id: row.id };
            }}
          >
            {t("panel.history")}
          </button>
        )}
      </div>
      {many && <p class="aside">{t("many.hint")}</p>}
    </header>
  );
}

/**
 * A stage is told here and changed in the record, where its checks are.
 * @param {{ row: Repair }} props
 */
function Stage({ row }) {
  return (
    <p class="stage-line">
      <span class="dot" style={{ background: stageColour(row.stage) }} /> {t("field.stage")}{" "}
      <strong>{row.stage}</strong>{" "}
      <button
        type="button"
        class="quiet"
        onClick={() => {
          enter("record");
          select("repairs", row.id);
        }}
      >
        {t("stage.record")}
      </button>
    </p>
  );
}

/** @param {{ rows: AnyRow[], table: TableName, change: SetColumn }} props */
function Proposal({ rows, table, change }) {
  const open = rows.filter((r) => r.origin === "assisted" && !r.confirmed_by);
  if (!open.length || open.length < rows.length) return null;
  return (
    <p class="warn">
      {t("proposed")}{" "}
      <button type="button" onClick={() => change("confirmed_by", who.value || "surveyor")}>
        {t("confirm")}
      </button>{" "}
      <button type="button" onClick={() => beginConfirming(table)}>
        {t("confirm.go")}
      </button>
    </p>
  );
}

/** @param {Selected} props */
function Acts({ table, rows, conditions, line }) {
  const [row] = rows;
  const many = rows.length > 1;
  const goOn = (/** @type {Condition} */ like) => {
    template.value = { ...like, [term(like.term)?.shape ?? "polygon"]: like.term, sticky: true };
    tool.value = line ? "line" : "polygon";
  };
  return (
    <footer class="actions">
      {conditions.length === 1 && (
        <button type="button" onClick={() => goOn(conditions[0])}>
          {t("template.use")}
        </button>
      )}
      {many && (
        <button type="button" onClick={merge}>
          {t("tool.merge")}
        </button>
      )}
      {row.geometry?.type?.startsWith("Multi") && (
        <button type="button" onClick={explode}>
          {t("separate")}
        </button>
      )}
      <button type="button" onClick={copy}>
        {t("tool.copy")}
      </button>
      {table !== "repairs" && (
        <button type="button" onClick={copyOn}>
          {t("tool.copy.on")}
        </button>
      )}
      <button type="button" class="danger" onClick={() => void removeChosen()}>
        {t("tool.delete")}
      </button>
    </footer>
  );
}

/**
 * The fields of what is selected; a column that only the record changes is not among them.
 * @param {Omit<Selected, "line"> & { names: string[], lacking: string[], change: SetColumn }} props
 */
function Form({ table, rows, conditions, names, lacking, change }) {
  const [row] = rows;
  return (
    <>
      {conditions.length > 0 && (
        <TermPicker
          value={same(rows, "term") ? conditions[0].term : null}
          onChange={(v) => change("term", v)}
        />
      )}
      <div class="form">
        {names.map((name) => (
          <Field
            key={name}
            table={table}
            name={name}
            value={same(rows, name) ? /** @type {Value} */ (row[name]) : null}
            mixed={!same(rows, name)}
            readOnly={READ_ONLY.has(name)}
            lacking={lacking.includes(name)}
            onChange={(v) => change(name, v)}
          />
        ))}
      </div>
    </>
  );
}

function Nothing() {
  if (isReviewer()) return <Welcome />;
  return (
    <div class="empty">
      <h2>{t("nothing")}</h2>
      <p>{t("nothing.hint")}</p>
      <Waiting />
      <WholeWall />
      {drawTable.value === "conditions" && <Template />}
    </div>
  );
}

/** Proposals that nobody has looked at yet: the next step where nothing is selected. */
function Waiting() {
  const n = Object.values(proposals.value).reduce((s, k) => s + k, 0);
  if (!n) return null;
  return (
    <p class="warn">
      {t("confirm.waiting", { n })}{" "}
      <button type="button" onClick={() => beginConfirming()}>
        {t("confirm.go")}
      </button>
    </p>
  );
}

/** What was drawn and has no term: a person says what it is; a guess or the last term is offered, never taken by itself. */
function Naming() {
  const names = offered();
  const isGuess = unnamed.value.some((u) => u.guess);
  /** @param {string | null} [v] */
  const choose = (v = null) => {
    nameThem(v);
    classify();
  };
  return (
    <div class="naming">
      <h2>{t("unnamed.title", { n: unnamed.value.length })}</h2>
      <p class="aside">{t("unnamed.hint")}</p>
      <button type="button" class="offer" onClick={() => choose()}>
        <Swatch term={names.at(-1)} small /> <strong>{names.join(", ")}</strong>{" "}
        <small>{t(isGuess ? "unnamed.guessed" : "unnamed.last")}</small>{" "}
        <kbd>{t("keyname.enter")}</kbd>
      </button>
      <Templates onUse={choose} />
      <TermPicker value={null} onChange={choose} fresh />
    </div>
  );
}

/** Beyond so many, a form reads only the first ones to see whether all are alike. */
const READ_MOST = 2000;

export function Record() {
  const chosen = selection.value;
  const change = useChange();
  if (unnamed.value.length) return <Naming />;
  if (chosen.length) void tickOf(chosen[0].table).value;
  /** @type {AnyRow[]} */
  const rows = chosen.slice(0, READ_MOST).flatMap(({ table, id }) => entryOf(table, id)?.row ?? []);
  if (!rows.length) return <Nothing />;
  const { table } = chosen[0];
  const [row] = rows;
  const many = rows.length > 1;
  const line = row.geometry?.type.includes("Line") ?? false;
  const conditions = table === "conditions" ? /** @type {Condition[]} */ (rows) : [];
  const lacking = conditions.length === 1 ? missingOf(conditions[0]) : [];
  const names = (FORMS[table] ?? []).filter(
    (n) =>
      !column(table, n)?.by_record &&
      !(table === "conditions" && n === "width_m" && !line && !many),
  );
  return (
    <div class="record">
      <RecordHead {...{ table, rows, conditions, line }} total={chosen.length} />
      {table === "repairs" && !many && <Stage row={/** @type {Repair} */ (row)} />}
      {!readsTable(table) && <Proposal rows={rows} table={table} change={change} />}
      {conditions.length > 0 && <MeasuredDepth rows={conditions} />}
      {readsTable(table) ? (
        !many && <Read table={table} row={row} names={names} />
      ) : (
        <Form
          key={`${table} ${firstName(rows[0].id)} ${chosen.length}`}
          table={table}
          rows={rows}
          conditions={conditions}
          names={names}
          lacking={lacking}
          change={change}
        />
      )}
      {conditions.length > 0 && <PhotoOf rows={conditions} />}
      {conditions.length > 0 && <Templates row={many ? null : conditions[0]} />}
      {conditions.length === 1 && <Links row={conditions[0]} />}
      {!many && ["conditions", "repairs"].includes(table) && <Reviews table={table} id={row.id} />}
      {!readsTable(table) && <Acts {...{ table, rows, conditions, line }} />}
    </div>
  );
}

/** @param {{ table: TableName, row: AnyRow, names: string[] }} props */
function Read({ table, row, names }) {
  const now = table === "conditions" ? term(String(row.term)) : null;
  return (
    <>
      {now && (
        <div class="now">
          <Swatch term={now.name} />
          <div>
            <strong>{now.name}</strong>{" "}
            <small>
              {now.abbreviation} · {family(now.family)?.name}
            </small>
            <p class="meaning">{now.meaning}</p>
          </div>
        </div>
      )}
      <Facts table={table} row={row} names={names} />
    </>
  );
}

/** @type {(rows: Condition[], measure: (row: Condition) => number) => number} */
const sum = (rows, measure) => rows.reduce((s, r) => s + measure(r), 0);

function Template() {
  const now = template.value;
  return (
    <section class="template">
      <h3>{t("template.next")}</h3>
      <p>
        <Swatch term={now.term} small /> {t("template.on", { term: now.term })}
        {now.sticky && (
          <>
            {" "}
            <button
              type="button"
              class="quiet"
              onClick={() => {
                template.value = { term: now.term };
              }}
            >
              {t("template.plain")}
            </button>
          </>
        )}
      </p>
      <Templates />
      <TermPicker
        value={now.term}
        onChange={(v) => {
          template.value = { ...now, term: v, [term(v)?.shape ?? "polygon"]: v };
        }}
      />
    </section>
  );
}

/**
 * The photo that shows a condition, taken on the spot; kept here until there is a connection.
 * @param {{ rows: Condition[] }} props
 */
function PhotoOf({ rows }) {
  const [row] = rows;
  const photo = rows.every((r) => r.photo === row.photo) ? row.photo : null;
  const set = (/** @type {string | null} */ id) =>
    edit(
      t("what.photo.set", {
        n: rows.length > 1 ? t("together", { n: rows.length }) : shown(row.id),
      }),
      rows.map((r) => updateOf("conditions", r.id, { photo: id })),
    );
  const take = (/** @type {File} */ picture) =>
    set(
      takePhoto(picture, {
        subject: "condition",
        name: `${shown(row.id)} ${picture.name}`,
        surface: row.surface,
      }),
    );
  if (!may("photo") && !photo) return null;
  return (
    <figure class="photo-of">
      {photo && (
        <img
          src={photoAddress(photo, 480)}
          alt={t("photo.of", { id: shown(row.id) })}
          loading="lazy"
        />
      )}
      {may("photo") && (
        <figcaption>
          <PhotoButton text={t(photo ? "photo.another" : "photo.take")} onPhoto={take} />
          {photo && (
            <button type="button" class="quiet" onClick={() => set(null)}>
              {t("photo.without")}
            </button>
          )}
          {photo && isNew(photo) && <span class="waits-mark">{t("waits.here")}</span>}
        </figcaption>
      )}
    </figure>
  );
}

/** @param {{ row: Condition }} props */
function Links({ row }) {
  const repairs = rowsOf("repairs").filter((r) => (r.conditions ?? []).includes(row.id));
  return (
    <section class="links">
      {repairs.length > 0 && (
        <p>
          {t("one.repairs")}:{" "}
          {repairs.map((r) => (
            <button
              type="button"
              class="link"
              key={r.id}
              onClick={() => {
                select("repairs", r.id);
                goTo("repairs", r.id);
              }}
            >
              {r.id} {r.treatment}
            </button>
          ))}
        </p>
      )}
    </section>
  );
}
