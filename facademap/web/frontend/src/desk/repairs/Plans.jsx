// Plans of the matching: the list, and two of them side by side.
import { useEffect, useState } from "preact/hooks";
import { ask, q, refusalIn } from "../data/api.js";
import { loadTable, rowsOf, tickOf } from "../data/data.js";
import { notice } from "../data/edits.js";
import { may } from "../data/reviewer.js";
import { when, who } from "../data/settings.js";
import { select } from "../data/view.js";
import { hasPicture } from "../parts/Closer.jsx";
import { Entry } from "../parts/fields.jsx";
import { Reviews } from "../parts/Review.jsx";
import { goTo } from "../wall/wall.js";
import { t } from "../words/texts.js";

/**
 * A plan as the server judges it.
 * @typedef {{ id: string, can_be_chosen: boolean, why_not: string | null, undo?: boolean }} Judged
 * Where a piece lies in one of two plans, or why it lies nowhere.
 * @typedef {{
 *   block: string | null, face: string, x_m: number, y_m: number, turn_deg: number, slab: number, reason?: string,
 * }} Lies
 * @typedef {{ repair: string, what: string, first: Lies, second: Lies }} Difference
 * @typedef {{ key: string, values: (number | null)[], better: number | null }} FigureOfBoth
 * @typedef {{
 *   plans: string[], same: number, changes: Difference[], verdict?: { text: string } | null, lines?: FigureOfBoth[],
 *   placed: number[], visual: number[], opened_dm3: number[], opened_blocks: number[],
 * }} Compared
 */

const newestFirst = (/** @type {Plan[]} */ plans) =>
  [...plans].sort((a, b) => String(b.made_at).localeCompare(String(a.made_at)));

/**
 * Plans as the server judges them: which can be chosen again, and whether the last step can be taken back.
 * @param {boolean} wanted
 * @returns {[Map<string, Judged>, () => void]}
 */
function useJudged(wanted) {
  const [judged, setJudged] = useState(() => /** @type {Map<string, Judged>} */ (new Map()));
  const load = () =>
    ask("/api/plans").then(
      (/** @type {{ plans: Judged[] }} */ a) => setJudged(new Map(a.plans.map((p) => [p.id, p]))),
      () => {},
    );
  const state = tickOf("plans").value + tickOf("placements").value;
  useEffect(() => {
    if (wanted) void load();
  }, [state, wanted]);
  return [judged, () => void load()];
}

const MOVED = /** @type {const} */ (["plans", "placements", "pieces"]);

/**
 * Take a step with a plan; whether it was done.
 * @param {string} step
 * @param {Values} body
 * @param {string} [told] What is said of it.
 */
async function act(step, body, told) {
  try {
    await ask(`/api/plans/${step}`, { method: "POST", body: { ...body, who: who.value } });
    for (const table of MOVED) await loadTable(table).catch(() => {});
    if (told) notice.value = { text: told };
    return true;
  } catch (error) {
    notice.value = {
      text: refusalIn(error) || t("needs.server"),
      bad: true,
    };
    return false;
  }
}

const proofOf = (/** @type {Plan} */ p) =>
  p.status === "optimal"
    ? t("plan.best")
    : p.gap == null
      ? "–"
      : t("plan.within", { n: (p.gap * 100).toFixed(1) });

/**
 * What is done with a plan as a whole.
 * @param {{ plan: Plan, judged?: Judged, load: () => void }} props
 */
function PlanActs({ plan, judged, load }) {
  const { id } = plan;
  /** @type {(step: string, body: Values, told?: string) => Promise<void>} */
  const run = async (step, body, told) => {
    if (await act(step, body, told)) load();
  };
  if (!may("design") || !judged) return null;
  return (
    <p class="acts">
      {!plan.current && (
        <button
          type="button"
          disabled={!judged.can_be_chosen}
          title={judged.why_not ?? undefined}
          onClick={() =>
            void run("choose", { plan: id }, t("plan.chosen", { id: plan.name || id }))
          }
        >
          {t("plan.choose")}
        </button>
      )}
      {plan.current && judged.undo && (
        <button type="button" onClick={() => void run("undo", {}, t("plan.undone"))}>
          {t("plan.undo")}
        </button>
      )}
      <button
        type="button"
        aria-pressed={Boolean(plan.kept)}
        onClick={() => void run("keep", { plan: id, kept: !plan.kept })}
      >
        {t(plan.kept ? "plan.kept" : "plan.keep")}
      </button>
      {!plan.current && !plan.kept && (
        <button type="button" class="danger" onClick={() => void run("drop", { plan: id })}>
          {t("plan.drop")}
        </button>
      )}
    </p>
  );
}

/** @param {{ plan: Plan, judged?: Judged, load: () => void, onOpen: () => void }} props */
function PlanCard({ plan: p, judged, load, onOpen }) {
  return (
    <li class={`plan-card ${p.current ? "on" : ""}`}>
      <p>
        <strong>{p.name || p.id}</strong> {p.name && <span class="aside">{p.id}</span>}{" "}
        {p.current && <em class="stage">{t("plan.now")}</em>}{" "}
        <span class="aside">{when(p.made_at)}</span>
      </p>
      <p class="aside">
        {t("plan.matched")} {t("of", { n: p.matched, all: (p.matched ?? 0) + (p.unmatched ?? 0) })}{" "}
        · {t("plan.colour")} {p.mean_de00 == null ? "–" : p.mean_de00.toFixed(2)} · {t("plan.gap")}{" "}
        {proofOf(p)}
      </p>
      <details onToggle={(e) => e.currentTarget.open && onOpen()}>
        <summary>{t("plan.whole")}</summary>
        {judged?.why_not && !p.current && <p class="aside">{judged.why_not}</p>}
        {judged && may("design") && (
          <div class="field">
            <span class="aside">{t("plan.name")}</span>
            <Entry
              aria-label={t("plan.name.of", { id: p.id })}
              value={p.name ?? ""}
              maxLength={80}
              onCommit={async (name) => {
                if (await act("name", { plan: p.id, name: name.trim() })) load();
              }}
            />
          </div>
        )}
        <PlanActs plan={p} judged={judged} load={load} />
      </details>
    </li>
  );
}

const FIRST_PLANS = 4;

export function Plans() {
  const plans = newestFirst(rowsOf("plans"));
  const [open, setOpen] = useState(false);
  const [all, setAll] = useState(false);
  const [wanted, setWanted] = useState(false);
  const [judged, load] = useJudged(wanted);
  if (!plans.length) return null;
  const first = plans.filter((p, i) => all || i < FIRST_PLANS || p.current || p.kept);
  return (
    <section class="plans" aria-label={t("plans")}>
      <h3>
        {t("plans")} <span class="count">{plans.length}</span>
      </h3>
      <ul>
        {first.map((p) => (
          <PlanCard
            plan={p}
            judged={judged.get(p.id)}
            load={load}
            onOpen={() => setWanted(true)}
            key={p.id}
          />
        ))}
      </ul>
      <p class="acts">
        {first.length < plans.length && (
          <button type="button" onClick={() => setAll(true)}>
            {t("plans.all", { n: plans.length })}
          </button>
        )}
        {plans.length > 1 && (
          <button type="button" aria-expanded={open} onClick={() => setOpen(!open)}>
            {t("plans.compare")}
          </button>
        )}
      </p>
      {open && plans.length > 1 && <Compare plans={plans} />}
      {plans
        .filter((p) => p.current)
        .map((p) => (
          <Reviews table="plans" id={p.id} key={p.id} />
        ))}
    </section>
  );
}

/** @param {{ plans: Plan[] }} props */
function Compare({ plans }) {
  const now = plans.find((p) => p.current) ?? plans[0];
  const [pair, setPair] = useState([(plans.find((p) => p.id !== now.id) ?? now).id, now.id]);
  const [found, setFound] = useState(/** @type {Compared | null} */ (null));
  const [problem, setProblem] = useState("");
  useEffect(() => {
    let gone = false;
    setFound(null);
    setProblem("");
    ask(`/api/plans/compare?first=${q(pair[0])}&second=${q(pair[1])}`).then(
      (a) => !gone && setFound(a),
      (e) => !gone && setProblem(refusalIn(e) || t("needs.server")),
    );
    return () => {
      gone = true;
    };
  }, [pair[0], pair[1], now.id]);
  const choose = (/** @type {0 | 1} */ i) => (
    <select
      aria-label={t(i ? "plans.second" : "plans.first")}
      value={pair[i]}
      onChange={(e) =>
        setPair(i ? [pair[0], e.currentTarget.value] : [e.currentTarget.value, pair[1]])
      }
    >
      {plans.map((p) => (
        <option key={p.id} value={p.id}>
          {p.name || p.id}
          {p.current ? ` · ${t("plan.now")}` : ""}
        </option>
      ))}
    </select>
  );
  return (
    <div class="plans-compare">
      {problem && (
        <p class="warn" role="alert">
          {problem}
        </p>
      )}
      <table class="plain">
        <thead>
          <tr>
            <th scope="col">
              <span class="visually-hidden">{t("figure")}</span>
            </th>
            <th scope="col">{choose(0)}</th>
            <th scope="col">{choose(1)}</th>
          </tr>
        </thead>
        {found && (
          <tbody>
            {linesOf(found).map((line) => (
              <FigureLine key={line.key} line={line} />
            ))}
          </tbody>
        )}
      </table>
      {found?.verdict && (
        <p class="verdict" role="status">
          {found.verdict.text}
        </p>
      )}
      {found && (
        <p class="aside" role="status">
          {found.changes.length
            ? t("plans.changed", { n: found.changes.length, same: found.same })
            : t("plans.same")}
        </p>
      )}
      {found && (
        <ul class="plan-changes">
          {found.changes.map((c) => (
            <Changed key={c.repair} change={c} plans={found.plans} />
          ))}
        </ul>
      )}
    </div>
  );
}

/** @type {Record<string, { name: string, digits: number, unit: string }>} */
const SHOWN = {
  placed: { name: "plan.placed", digits: 0, unit: "" },
  looks_shared: { name: "plan.visual", digits: 1, unit: "" },
  opened_dm3: { name: "plan.opened", digits: 0, unit: "dm³" },
  opened_blocks: { name: "plan.blocks", digits: 0, unit: "" },
};
/**
 * Figures of both plans. Which one is better is the server's word: a plan that serves fewer repairs is never called so.
 * @type {(found: Compared) => FigureOfBoth[]}
 */
const linesOf = ({ lines, placed, visual, opened_dm3, opened_blocks }) =>
  lines ?? [
    { key: "placed", values: placed, better: null },
    { key: "looks_shared", values: visual, better: null },
    { key: "opened_dm3", values: opened_dm3, better: null },
    { key: "opened_blocks", values: opened_blocks, better: null },
  ];

/**
 * One figure of both plans; the better one is marked by more than its colour.
 * @param {{ line: FigureOfBoth }} props
 */
function FigureLine({ line }) {
  const { name, digits, unit } = SHOWN[line.key] ?? { name: "figure", digits: 1, unit: "" };
  return (
    <tr>
      <th scope="row">{t(name)}</th>
      {line.values.map((v, i) => (
        <td key={i} class={line.better === i ? "better" : ""}>
          {v == null ? "–" : v.toFixed(digits)}
          {unit && ` ${unit}`}
          {line.better === i && <span class="aside"> {t("better")}</span>}
        </td>
      ))}
    </tr>
  );
}

/** @type {(repair: string, place: Lies) => string} */
const picture = (repair, place) =>
  `/pictures/in-wall?repair=${q(repair)}&face=${q(place.face)}&x=${place.x_m}&y=${place.y_m}&turn=${place.turn_deg}&slab=${place.slab}`;

/** @param {{ change: Difference, plans: string[] }} props */
function Changed({ change, plans }) {
  const [open, setOpen] = useState(false);
  const sides = [change.first, change.second];
  return (
    <li>
      <p>
        <button
          type="button"
          class="link"
          onClick={() => {
            select("repairs", change.repair);
            goTo("repairs", change.repair);
          }}
        >
          {change.repair}
        </button>{" "}
        {t(`change.${change.what}`)}: {change.first.block ?? t("none")} →{" "}
        {change.second.block ?? t("none")}
        <button type="button" class="quiet" aria-expanded={open} onClick={() => setOpen(!open)}>
          {t(open ? "hide" : "see")}
        </button>
      </p>
      {open && (
        <div class="pair">
          {sides.map((s, i) => (
            <figure key={i}>
              {s.block && hasPicture(s.face) ? (
                <img
                  src={picture(change.repair, s)}
                  alt={t("plan.seen", { block: s.block, plan: plans[i] })}
                />
              ) : (
                <p class="no-picture">{t(s.block ? "no.picture" : `reason.${s.reason}`)}</p>
              )}
              <figcaption>
                {plans[i]}
                {s.block ? ` · ${s.block}` : ""}
              </figcaption>
            </figure>
          ))}
        </div>
      )}
    </li>
  );
}
