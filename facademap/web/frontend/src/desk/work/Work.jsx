// The record, made for a phone on the scaffold: stage, checks, measures, photo. Works on without a connection.
import { useEffect, useState } from "preact/hooks";
import { enterAct, lookAt, workState } from "../data/acts.js";
import { column, entryOf, rowsOf, tickOf } from "../data/data.js";
import { notice } from "../data/edits.js";
import { shown } from "../data/names.js";
import { online } from "../data/outbox.js";
import { photoAddress, takePhoto } from "../data/photos.js";
import { may } from "../data/reviewer.js";
import { sizes, units, when } from "../data/settings.js";
import { select, selection } from "../data/view.js";
import { edgeName } from "../drawing/cutout.js";
import { enter } from "../drawing/places.js";
import { figuresIn, parseNumber } from "../geometry/measures.js";
import { Cautions } from "../parts/Cautions.jsx";
import { fromMetres, lengthFault, toMetres } from "../parts/fields.jsx";
import { Numbers } from "../parts/Numbers.jsx";
import { PhotoButton } from "../parts/PhotoButton.jsx";
import { Ticket } from "../repairs/Papers.jsx";
import { stageColour } from "../wall/signs.js";
import { goTo } from "../wall/wall.js";
import { t } from "../words/texts.js";
import { PhotoSlots } from "./PhotoSlots.jsx";

export function WorkRecord() {
  void tickOf("repairs").value;
  const [first] = selection.value;
  const row =
    first?.table === "repairs"
      ? entryOf("repairs", first.id)?.row
      : first?.table === "conditions"
        ? rowsOf("repairs").find((r) => (r.conditions ?? []).includes(first.id))
        : null;
  return row ? <Work row={row} key={row.id} /> : <Stages />;
}

/** All repairs by stage; found by the number on the ticket, or by the lift of the scaffold. */
function Stages() {
  const [text, setText] = useState("");
  const [lift, setLift] = useState("");
  const repairs = rowsOf("repairs").filter((r) => !["leave"].includes(r.treatment));
  const lifts = [...new Set(repairs.flatMap((r) => r.lift ?? []))].sort((a, b) => a - b);
  const asked = text.trim().toLowerCase();
  const found = repairs.filter(
    (r) =>
      (!lift || String(r.lift) === lift) &&
      (!asked ||
        [r.id, r.wall_stone, r.treatment].some((v) =>
          String(v ?? "")
            .toLowerCase()
            .includes(asked),
        )),
  );
  /** @type {Map<string, Repair[]>} */
  const groups = new Map();
  for (const r of found) groups.set(r.stage, [...(groups.get(r.stage) ?? []), r]);
  const order = column("repairs", "stage")?.choices ?? [];
  return (
    <div class="stages">
      <h2>{t("work")}</h2>
      {repairs.length > 0 && <p class="aside">{t("work.choose")}</p>}
      {repairs.length > 0 && (
        <div class={lifts.length > 1 ? "filters" : "filters alone"}>
          <input
            type="search"
            aria-label={t("work.find")}
            placeholder={t("work.find")}
            value={text}
            onInput={(e) => setText(e.currentTarget.value)}
            onKeyDown={(e) => e.stopPropagation()}
          />
          {lifts.length > 1 && (
            <select
              aria-label={t("field.lift")}
              value={lift}
              onChange={(e) => setLift(e.currentTarget.value)}
            >
              <option value="">{t("lifts.all")}</option>
              {lifts.map((n) => (
                <option key={n} value={String(n)}>
                  {t("lift", { n })}
                </option>
              ))}
            </select>
          )}
        </div>
      )}
      {[...groups]
        .sort((a, b) => order.indexOf(a[0]) - order.indexOf(b[0]))
        .map(([stage, rows]) => (
          <details key={stage} open={Boolean(asked) || rows.length < 16 || groups.size < 3}>
            <summary>
              <span class="dot" style={{ background: stageColour(stage) }} /> {stage}{" "}
              <span class="count">{rows.length}</span>
            </summary>
            <ul class="rows">
              {rows.map((r) => (
                <li key={r.id}>
                  <button
                    type="button"
                    class="wide"
                    onClick={() => {
                      select("repairs", r.id);
                      goTo("repairs", r.id);
                    }}
                  >
                    <strong>{shown(r.id)}</strong> {r.treatment}{" "}
                    <span class="aside">
                      {r.wall_stone ?? ""}
                      {r.lift ? ` · ${t("lift", { n: r.lift })}` : ""}
                    </span>
                  </button>
                </li>
              ))}
            </ul>
          </details>
        ))}
      {!repairs.length && (
        <div class="empty">
          <p class="aside">{t("work.none")}</p>
          <button type="button" class="main" onClick={() => enter("repairs")}>
            {t("work.none.go")}
          </button>
        </div>
      )}
      {repairs.length > 0 && !found.length && <p class="aside">{t("none.found")}</p>}
    </div>
  );
}

const BACK = ["redo", "on hold", "proposed"];

/**
 * @typedef {import("./PhotoSlots.jsx").WorkState} WorkState
 * @typedef {(kind: ActName, body: ActBody, words?: string) => void} Enter
 * @typedef {(body: ActBody, words?: string) => void} Save
 */

/** Where a block lies in the yard, in brackets. */
const lyingAt = (/** @type {string} */ block) => {
  const location = entryOf("blocks", block)?.row.location;
  return location ? ` (${location})` : "";
};

/** @param {{ row: Repair }} props */
function Work({ row }) {
  const [photo, setPhoto] = useState(/** @type {string | null} */ (null));
  const [reason, setReason] = useState("");
  useEffect(() => {
    if (online.value) void lookAt(row.id).catch(() => {});
  }, [row.id, tickOf("work_log").value]);
  const state = workState(row.id);
  /** @type {Enter} */
  const act = (kind, body, words = reason) => {
    enterAct(row.id, kind, body, { photo, reason: words });
    setReason("");
    setPhoto(null);
    if (!online.value) notice.value = { text: t("work.kept") };
  };
  const move = (/** @type {WorkState} */ state, /** @type {string} */ stage) => {
    if (BACK.includes(stage) && state.stage !== "on hold" && !reason.trim()) {
      notice.value = { text: t("work.reason.needed", { stage }), bad: true };
      document.getElementById("work-reason")?.focus();
      return;
    }
    const first =
      BACK.includes(stage) || state.stage === "redo"
        ? []
        : sortedChecks(state).due.filter((c) => c.result !== "waiting");
    if (first.length) {
      notice.value = {
        text: t("work.checks.first", { stage, names: first.map((c) => c.criterion).join(", ") }),
        bad: true,
      };
      document.querySelector(".work .check-item")?.scrollIntoView({ block: "center" });
      return;
    }
    act("stage", { stage });
  };
  const shoot = (/** @type {File} */ picture) =>
    setPhoto(
      takePhoto(picture, {
        subject: "record",
        name: `${row.id} ${picture.name}`,
        surface: row.surface,
      }),
    );
  const piece = rowsOf("pieces").find((p) => p.repair === row.id);
  const place = rowsOf("placements").find((p) => p.repair === row.id);
  return (
    <div class="work">
      <header class="head">
        <h2>
          {shown(row.id)} <span class="id">{row.treatment}</span>
        </h2>
        <div class="figures">
          <span>
            <span class="dot" style={{ background: stageColour(row.stage) }} /> {row.stage}
          </span>
          {state && state.waits > 0 && (
            <span class="waits-mark">{t("work.waits", { n: state.waits })}</span>
          )}
          <button
            type="button"
            class="quiet"
            onClick={() => {
              selection.value = [];
            }}
          >
            {t("work.all")}
          </button>
        </div>
      </header>
      {[row.held_back, ...(state?.consents ?? [])].filter(Boolean).map((why) => (
        <p class="warn" key={why}>
          {t("repair.waits", { why })}
        </p>
      ))}
      {piece && !place && ["proposed", "approved"].includes(row.stage) && (
        <p class="warn">{t("work.no.stone")}</p>
      )}
      <Cautions list={row.cautions} open={row.stage === "proposed" || row.stage === "approved"} />
      {piece && (
        <p class="ticket">
          <strong>{sizes([piece.width_m, piece.height_m, piece.depth_m], 1)}</strong>{" "}
          {place ? (
            <>
              {t("work.from")} <strong>{place.block}</strong>
              {lyingAt(place.block)}
            </>
          ) : (
            t("work.from.none")
          )}{" "}
          · {t("bed.of", { bed: piece.bed })}
          {piece.weight_kg ? ` · ${piece.weight_kg.toFixed(0)} kg` : ""}
        </p>
      )}
      {!state && <p class="aside">{t("work.unknown")}</p>}
      {state && (
        <fieldset class="plain-set" disabled={!may("work")}>
          {["cut out", "cut-out measured", "redo"].includes(state.stage) && (
            <CutOut onSave={(values) => act("cut-out", { values })} row={row} />
          )}
          <Checks state={state} row={row} act={act} />
          <PhotoSlots
            row={row}
            piece={piece}
            state={state}
            onPhoto={(slot, taken) => {
              enterAct(row.id, "photo", { slot }, { photo: taken });
              if (!online.value) notice.value = { text: t("work.kept") };
            }}
          />
          {state.entries.length > 0 && <Entries list={state.entries} />}
        </fieldset>
      )}
      {piece && <Ticket repair={row.id} />}
      {state && may("work") && (
        <footer class="work-foot">
          <h3 class="visually-hidden">{t("work.next")}</h3>
          <p class="shot">
            <input
              id="work-reason"
              aria-label={t("work.reason")}
              placeholder={t("work.reason")}
              value={reason}
              onInput={(e) => setReason(e.currentTarget.value)}
              onKeyDown={(e) => e.stopPropagation()}
            />
            {photo && (
              <img src={photoAddress(photo, 96)} alt={t("photo.taken")} title={t("photo.next")} />
            )}
            <PhotoButton text={t(photo ? "photo.another" : "photo.take")} onPhoto={shoot} />
          </p>
          <div class="nexts">
            {state.next.map((n) => (
              <button
                type="button"
                key={n}
                class={BACK.includes(n) ? "" : "main"}
                onClick={() => move(state, n)}
              >
                {n}
              </button>
            ))}
          </div>
        </footer>
      )}
    </div>
  );
}

/** @type {(string | null)[]} */
const DONE = ["pass", "not applicable"];

/**
 * What has to be done before a stage comes first; what was done and what comes later is folded.
 * @param {WorkState} state
 */
function sortedChecks({ checks, next, stage }) {
  const order = column("repairs", "stage")?.choices ?? [];
  const forward = next.filter((n) => !BACK.includes(n)).map((n) => order.indexOf(n));
  // from a redo one may go on at several stages: the nearest one counts
  const till = forward.length ? Math.min(...forward) : order.indexOf(stage);
  const open = checks.filter((c) => !DONE.includes(c.result));
  return {
    due: open.filter((c) => order.indexOf(c.before) <= till),
    later: open.filter((c) => order.indexOf(c.before) > till),
    done: checks.filter((c) => DONE.includes(c.result)),
  };
}

/** @param {{ state: WorkState, row: Repair, act: Enter }} props */
function Checks({ state, row, act }) {
  const { due, later: rest, done } = sortedChecks(state);
  // with nothing due, what the stage after next asks for can be done already
  const soon =
    due.length || ["proposed", "approved", "on hold"].includes(state.stage)
      ? []
      : rest.filter((c) => c.before === rest[0].before);
  const later = rest.filter((c) => !soon.includes(c));
  // one reading answers every check of the same thing
  /** @type {(check: Check) => Save} */
  const save = (check) => (body, words) => {
    const same = body.measured
      ? [...due, ...rest].filter(
          (c) =>
            c.criterion !== check.criterion &&
            c.measured === check.measured &&
            c.before === check.before,
        )
      : [];
    for (const c of [check, ...same]) act("check", { criterion: c.criterion, ...body }, words);
  };
  const list = (/** @type {Check[]} */ checks) => (
    <ul class="checks">
      {checks.map((c) => (
        <OneCheck key={c.criterion} check={c} row={row} onSave={save(c)} />
      ))}
    </ul>
  );
  return (
    <>
      <h3>
        {t("work.checks")} {due.length > 0 && <span class="count">{due.length}</span>}
      </h3>
      {!state.checks.length && <p class="aside">{t("work.checks.none")}</p>}
      {state.checks.length > 0 && !due.length && <p class="aside">{t("work.checks.done")}</p>}
      {list([...due, ...soon])}
      {later.length > 0 && (
        <details key="later">
          <summary>{t("work.checks.later", { n: later.length })}</summary>
          {list(later)}
        </details>
      )}
      {done.length > 0 && (
        <details key="done">
          <summary>{t("work.checks.passed", { n: done.length })}</summary>
          {list(done)}
        </details>
      )}
    </>
  );
}

/** @param {{ list: WorkState["entries"] }} props */
function Entries({ list }) {
  return (
    <details open={list.some((e) => e.waits)}>
      <summary>{t("work.entries", { n: list.length })}</summary>
      <ol class="history">
        {[...list].reverse().map((e) => (
          <li key={e.id}>
            <p>
              <strong>{e.stage ?? e.check ?? e.slot ?? e.note}</strong> {e.result ?? ""}{" "}
              <span class="aside">
                {e.mason ?? ""} · {when(e.at)}
              </span>{" "}
              {e.waits && <span class="waits-mark">{t("waits.here")}</span>}
            </p>
            {e.measured && (
              <p class="aside">
                {Object.entries(e.measured)
                  .map(([n, v]) => `${n} ${figuresIn(v).join(", ")}`)
                  .join(" · ")}
              </p>
            )}
            {e.reason && <p>{e.reason}</p>}
            {e.photo && <img src={photoAddress(e.photo, 240)} alt={t("photo.taken")} />}
          </li>
        ))}
      </ol>
    </details>
  );
}

/**
 * How a measure is typed, read and shown again.
 * @typedef {{
 *   unit: () => string, read: (text: string) => number | null | undefined, check: (text: string) => string,
 *   show: (value: number) => string,
 * }} Kind
 */

/** @type {Kind} */
const METRES = {
  unit: () => units.value,
  read: toMetres,
  check: lengthFault,
  show: (m) => fromMetres(m, true),
};
/** @type {(unit: string, factor: number) => Kind} */
const scaled = (unit, factor) => {
  const read = (/** @type {string} */ text) => {
    const v = parseNumber(text, unit);
    return v ? v * factor : v;
  };
  const check = (/** @type {string} */ text) =>
    read(text) === undefined ? t("refuse.number") : "";
  return { unit: () => unit, read, check, show: (v) => String(v / factor) };
};
/** @type {Record<string, Kind>} */
const KINDS = { m: METRES, c: scaled("°C", 1), h: scaled("h", 1), share: scaled("%", 0.01) };
const kindOf = (/** @type {string} */ name) =>
  KINDS[name.match(/_(m|c|h|share)$/)?.[1] ?? ""] ?? scaled("", 1);
/** The edges of a piece in the order of its ticket. */
const edgesOf = (/** @type {Repair} */ row) =>
  /** @type {{ name: string, kind: string }[]} */ (row.materials?.edges ?? []);
/** Those of them that have a joint. */
const jointed = (/** @type {Repair} */ row) => edgesOf(row).filter((e) => e.kind !== "exposed");
/**
 * Joints are asked for by the names of their edges.
 * @param {Check} check
 * @param {Repair} row
 */
const asked = (check, row) =>
  check.measured === "joints_m" ? jointed(row).map((e) => edgeName(e.name)) : [];
/**
 * How many are measured, where that is known.
 * @param {Check} check
 * @param {Repair} row
 */
function fixed(check, row) {
  if (check.measured === "diagonals_m") return 2;
  if (check.measured === "depths_m") return 4;
  return check.measured === "joints_m" ? asked(check, row).length || row.edges?.length || 0 : 0;
}
/**
 * What was measured on the cut-out under a name, or at a check.
 * @param {Repair} row
 * @param {string} name
 */
const measuredOf = (row, name) =>
  /** @type {Record<string, number[] | Record<string, number>> | null} */ (row.measured)?.[name];

/** @param {{ check: Check, row: Repair, onSave: Save }} props */
function OneCheck({ check, row, onSave }) {
  const kind = kindOf(check.measured ?? "");
  const several = ["spread", "near"].includes(check.kind) || (check.measured ?? "").endsWith("s_m");
  const count = fixed(check, row);
  const start = () => {
    // what was read on the cut-out as cut is not asked again
    const known = measuredOf(row, check.measured ?? "");
    if (Array.isArray(known)) return known.map(kind.show);
    if (known && jointed(row).length)
      return jointed(row).map(({ name }) => (name in known ? kind.show(known[name]) : ""));
    return Array.from({ length: several ? count || 2 : 1 }, () => "");
  };
  const [texts, setTexts] = useState(start);
  useEffect(() => {
    if (texts.every((x) => !x.trim())) setTexts(start());
  }, [JSON.stringify(measuredOf(row, check.measured ?? ""))]);
  const [wrong, setWrong] = useState("");
  const [says, setSays] = useState(/** @type {"" | "redo" | "not applicable"} */ (""));
  const [again, setAgain] = useState(false);
  const done = DONE.includes(check.result);
  const waits = check.result === "waiting";
  const open = (!done || again) && !waits && may("work");
  const result = check.result ?? "missing";
  /** @type {Save} */
  const store = (body, words) => {
    onSave(body, words);
    setSays("");
    setWrong("");
    setAgain(false);
  };
  const save = (/** @type {Event} */ event) => {
    event.preventDefault();
    const values = texts.filter((x) => x.trim()).map(kind.read);
    if (!values.length || !values.every(Number.isFinite)) {
      notice.value = { text: t("work.number.needed", { name: check.criterion }), bad: true };
      return;
    }
    store({ measured: { [check.measured ?? ""]: several ? values : values[0] } });
    setTexts(start());
  };
  const tell = (/** @type {Event} */ event) => {
    event.preventDefault();
    if (says && wrong.trim()) store({ result: says }, wrong.trim());
    else notice.value = { text: t("work.wrong.needed"), bad: true };
  };
  return (
    <li class={`check-item ${result}`}>
      <p>
        <span class="tick" aria-hidden="true">
          {done ? "✓" : check.result === "redo" ? "!" : waits ? "…" : ""}
        </span>{" "}
        <strong>{check.criterion}</strong>{" "}
        <span class="aside">{t("work.before", { stage: check.before })}</span>
        <span class="visually-hidden"> {t(`result.${result}`)}</span>
      </p>
      <p class="aside">{check.text}</p>
      {waits && <p class="waits-mark">{t("work.judged.later")}</p>}
      {done && !again && may("work") && (
        <p class="acts">
          <button type="button" class="quiet" onClick={() => setAgain(true)}>
            {t("work.again")}
          </button>
        </p>
      )}
      {open &&
        (check.measured ? (
          <form onSubmit={save}>
            <Numbers
              name={t("work.measured", { name: check.criterion })}
              texts={texts}
              labels={asked(check, row)}
              unit={kind.unit()}
              check={kind.check}
              grow={several && !count}
              onChange={setTexts}
            />
            <button type="submit">{t("store")}</button>
          </form>
        ) : (
          <p class="acts">
            <button type="button" onClick={() => store({ result: "pass" })}>
              {t("work.good")}
            </button>
            <button
              type="button"
              aria-expanded={says === "redo"}
              onClick={() => setSays(says === "redo" ? "" : "redo")}
            >
              {t("work.redo")}
            </button>
          </p>
        ))}
      {open && !says && (
        <p>
          <button type="button" class="quiet" onClick={() => setSays("not applicable")}>
            {t("work.na")}
          </button>
        </p>
      )}
      {says && (
        <form onSubmit={tell}>
          <input
            autofocus
            aria-label={t(says === "redo" ? "work.wrong" : "work.na.why", {
              name: check.criterion,
            })}
            placeholder={t(says === "redo" ? "work.wrong.hint" : "work.na.hint")}
            value={wrong}
            onInput={(e) => setWrong(e.currentTarget.value)}
            onKeyDown={(e) => e.stopPropagation()}
          />
          <button type="submit">{t("store")}</button>
        </form>
      )}
    </li>
  );
}

/**
 * What is measured on a cut-out, with the names of its sides as they stand on the ticket.
 * @param {Repair} row
 * @returns {[string, string[]][]}
 */
function measuresOf(row) {
  const sides = edgesOf(row).map((edge) => edge.name);
  /** @type {[string, string[]][]} */
  const square = [
    ["widths_m", ["", ""]],
    ["heights_m", ["", ""]],
  ];
  return [
    ["sides_m", sides],
    ...(sides.length === 4 ? [] : square),
    ["diagonals_m", ["", ""]],
    ["depths_m", ["", "", "", ""]],
  ];
}

/** @param {{ onSave: (values: Values) => void, row: Repair }} props */
function CutOut({ onSave, row }) {
  const measures = measuresOf(row);
  const before = (
    /** @type {string} */ name,
    /** @type {string} */ label,
    /** @type {number} */ i,
  ) => {
    const known = measuredOf(row, name);
    return Array.isArray(known) ? known[i] : known?.[label];
  };
  const [texts, setTexts] = useState(() =>
    Object.fromEntries(
      measures.map(([n, labels]) => [
        n,
        labels.map((label, i) => fromMetres(before(n, label, i), true)),
      ]),
    ),
  );
  // what is measured may change with the ticket while the form is open
  const typedFor = (/** @type {string} */ name, /** @type {string[]} */ labels) =>
    texts[name] ?? labels.map(() => "");
  const save = (/** @type {Event} */ e) => {
    e.preventDefault();
    const typed = measures.map(([n, labels]) => {
      const figures = typedFor(n, labels)
        .filter((x) => x.trim())
        .map(toMetres);
      return { n, labels, figures, bySide: n === "sides_m" && figures.length === labels.length };
    });
    if (typed.some(({ figures }) => figures.includes(undefined))) {
      notice.value = { text: t("work.number.needed", { name: t("work.cutout") }), bad: true };
      return;
    }
    onSave(
      Object.fromEntries(
        typed.map(({ n, labels, figures, bySide }) => [
          n,
          bySide ? Object.fromEntries(labels.map((name, i) => [name, figures[i]])) : figures,
        ]),
      ),
    );
  };
  return (
    <details class="cut-out" open={!row.measured}>
      <summary>{t("work.cutout")}</summary>
      <form onSubmit={save}>
        {measures.map(([n, labels]) => (
          <div class="field" key={n}>
            <span class="aside" aria-hidden="true">
              {t(`work.${n}`)}
            </span>
            <Numbers
              name={t(`work.${n}`)}
              texts={typedFor(n, labels)}
              labels={labels}
              unit={units.value}
              check={lengthFault}
              onChange={(list) => setTexts({ ...texts, [n]: list })}
            />
          </div>
        ))}
        <button type="submit" class="wide">
          {t("work.store.measures")}
        </button>
      </form>
    </details>
  );
}
