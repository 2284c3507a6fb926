// Gauges with their state against their limits and a plot of what they showed; looks at repairs over the years.
import { useEffect } from "preact/hooks";
import { column, entryOf, rowsOf, seq, surface } from "../data/data.js";
import { length, units, who } from "../data/settings.js";
import { selection } from "../data/view.js";
import { askForWatched, STATES, watched } from "../wall/gauges.js";
import { featureOf, fit, map } from "../wall/wall.js";
import { t } from "../words/texts.js";
import { Ask, act, Form, today } from "./CampaignForm.jsx";

const REST_MS = 800;
const NEAR_M = 0.5;
const inch = () => units.value === "in";
const metres = () => (inch() ? 0.0254 : 0.001);
const unit = () => (inch() ? "in" : "mm");
/**
 * @typedef {import("./CampaignForm.jsx").Filled} Filled
 * @typedef {import("./CampaignForm.jsx").SetForm} SetForm
 * @typedef {import("./CampaignForm.jsx").Run} Run
 * A gauge with what it showed, against the limits that hold for it.
 * @typedef {{
 *   id: string, surface: string, kind: string, condition: string | null, place_m: Point | null,
 *   verdict: string, why: string, own: string[], readings: { read_on: string, value_m: number }[],
 *   limits: { limit_m: number, rate_m_a_year: number }, change_m: number, change_plus_minus_95_m: number,
 *   rate_m_a_year: number | null, rate_plus_minus_95_m: number,
 * }} WatchedGauge
 * A thing that is looked at over the years, and how it changes.
 * @typedef {Omit<Look, "id" | "about_table" | "about">} LookTold
 * @typedef {{
 *   table: Look["about_table"], id: string, looks: LookTold[], hollow_a_year: number | null,
 *   open_joint_m_a_year: number | null, colour_a_year: number | null,
 * }} LookedAt
 */

/**
 * Hundredths of a millimetre, thousandths of an inch.
 * @param {number} m
 * @param {boolean} [sign]
 */
const small = (m, sign = false) =>
  `${sign && m > 0 ? "+" : ""}${(m / metres()).toFixed(inch() ? 4 : 2)}`;
/**
 * A number that was typed, in metres; nothing where the field is empty.
 * @param {Filled[string]} text
 */
const inMetres = (text) => (text ? Number(text) * metres() : undefined);
const number = (/** @type {Filled[string]} */ text) => (text ? Number(text) : undefined);

/** The middle of what is selected on this wall, else of the view. */
function middle() {
  const [first] = selection.value;
  const box = first && featureOf(first)?.getGeometry()?.getExtent();
  const [u, v] = box
    ? [(box[0] + box[2]) / 2, (box[1] + box[3]) / 2]
    : (map.getView().getCenter() ?? [0, 0]);
  const watched = first?.table === "conditions" ? { condition: first.id } : {};
  return { u: u.toFixed(3), v: v.toFixed(3), ...watched };
}

const sent = (/** @type {Filled} */ form) => ({
  u_m: number(form.u),
  v_m: number(form.v),
  limit_m: inMetres(form[`limit.${unit()}`]),
  rate_m_a_year: inMetres(form[`rate.${unit()}`]),
  reading_m: inMetres(form[`precision.${unit()}`]),
  every_months: number(form.every_months),
  condition: form.condition || undefined,
});

/** Fields of a gauge that both forms have. @param {{ form: Filled, set: SetForm }} props */
const Limits = ({ form, set }) => (
  <>
    <button type="button" class="quiet" onClick={() => set({ ...form, ...middle() })}>
      {t("lead.gauge.here")}
    </button>
    <Ask name="u" form={form} set={set} type="number" />
    <Ask name="v" form={form} set={set} type="number" />
    <Ask name="condition" form={form} set={set} />
    <Ask name={`limit.${unit()}`} form={form} set={set} type="number" />
    <Ask name={`rate.${unit()}`} form={form} set={set} type="number" />
    <Ask name={`precision.${unit()}`} form={form} set={set} type="number" />
    <Ask name="every_months" form={form} set={set} type="number" />
  </>
);

const WIDE = 320;
const HIGH = 110;
const EDGE = { left: 46, right: 8, top: 8, foot: 18 };
const DAY_MS = 86_400_000;

/** Readings over time, between the limits about the first. @param {{ gauge: WatchedGauge }} props */
function Plot({ gauge }) {
  const { readings, limits } = gauge;
  if (!readings.length) return null;
  const day = (/** @type {typeof readings[number]} */ r) => Date.parse(r.read_on) / DAY_MS;
  const [first, last] = [readings[0], readings[readings.length - 1]];
  const values = readings.map((r) => r.value_m / metres());
  const ends = [-1, 1].map((s) => values[0] + (s * limits.limit_m) / metres());
  const [low, high] = [Math.min(...values, ends[0]), Math.max(...values, ends[1])];
  const room = 0.1 * (high - low);
  const span = Math.max(1, day(last) - day(first));
  const x = (/** @type {number} */ d) =>
    EDGE.left + ((d - day(first)) / span) * (WIDE - EDGE.left - EDGE.right);
  const y = (/** @type {number} */ v) =>
    EDGE.top + ((high + room - v) / (high - low + 2 * room)) * (HIGH - EDGE.top - EDGE.foot);
  const said = t("lead.gauge.plot", {
    id: gauge.id,
    from: first.read_on,
    to: last.read_on,
    first: small(first.value_m),
    last: small(last.value_m),
    unit: unit(),
  });
  return (
    <svg class="gauge-plot" viewBox={`0 0 ${WIDE} ${HIGH}`} role="img" aria-label={said}>
      {ends.map((v) => (
        <g key={v}>
          <line class="limit" x1={EDGE.left} x2={WIDE - EDGE.right} y1={y(v)} y2={y(v)} />
          <text x={EDGE.left - 4} y={y(v) + 4} text-anchor="end">
            {v.toFixed(inch() ? 3 : 2)}
          </text>
        </g>
      ))}
      <polyline
        points={readings
          .map((r, i) => `${x(day(r)).toFixed(1)},${y(values[i]).toFixed(1)}`)
          .join(" ")}
      />
      {readings.map((r, i) => (
        <circle key={r.read_on} cx={x(day(r))} cy={y(values[i])} r="2.6" />
      ))}
      <text x={EDGE.left} y={HIGH - 4}>
        {first.read_on}
      </text>
      {last !== first && (
        <text x={WIDE - EDGE.right} y={HIGH - 4} text-anchor="end">
          {last.read_on} · {unit()}
        </text>
      )}
    </svg>
  );
}

/** @param {{ gauge: WatchedGauge }} props */
function Against({ gauge }) {
  const usual = (/** @type {string} */ name) =>
    gauge.own.includes(name) ? "" : t("lead.gauge.usual");
  if (!gauge.readings.length) return null;
  return (
    <p class="aside">
      {t("lead.gauge.changed", {
        change: small(gauge.change_m, true),
        more: small(gauge.change_plus_minus_95_m),
        unit: unit(),
        limit: small(gauge.limits.limit_m),
        usual: usual("limit_m"),
      })}
      {gauge.rate_m_a_year != null && (
        <>
          ;{" "}
          {t("lead.gauge.rate", {
            rate: small(gauge.rate_m_a_year, true),
            more: small(gauge.rate_plus_minus_95_m),
            unit: unit(),
            limit: small(gauge.limits.rate_m_a_year),
            usual: usual("rate_m_a_year"),
          })}
        </>
      )}
    </p>
  );
}

/** @param {{ gauge: WatchedGauge, run: Run }} props */
function OneGauge({ gauge, run }) {
  const [colour, sign, word] = STATES[gauge.verdict];
  const look = (/** @type {Point} */ [u, v]) => {
    surface.value = gauge.surface;
    fit([u - NEAR_M, v - NEAR_M, u + NEAR_M, v + NEAR_M]);
  };
  const { place_m: at } = gauge;
  return (
    <li>
      <strong>
        <span class="gauge-state" style={{ background: colour }} aria-hidden="true">
          {sign}
        </span>{" "}
        {at ? (
          <button type="button" class="link" onClick={() => look(at)}>
            {gauge.id}
          </button>
        ) : (
          gauge.id
        )}
      </strong>{" "}
      {gauge.kind}
      {gauge.condition ? `, ${gauge.condition}` : ""}: {t(`gauge.${word}`)}{" "}
      <span class="aside">
        {gauge.why}
        {at ? "" : `; ${t("lead.gauge.unplaced")}`}
      </span>
      <Against gauge={gauge} />
      <Plot gauge={gauge} />
      <Form
        title={t("lead.gauge.reading")}
        begin={{ on: today(), by: who.value }}
        send={(form) =>
          run("reading", {
            id: gauge.id,
            value_m: inMetres(form[`value.${unit()}`]),
            on: form.on,
            by: form.by,
            temperature_degc: number(form.warmth),
          })
        }
      >
        {(form, set) => (
          <>
            <Ask name={`value.${unit()}`} form={form} set={set} type="number" wanted />
            <Ask name="on" form={form} set={set} type="date" wanted />
            <Ask name="warmth" form={form} set={set} type="number" />
            <Ask name="by" form={form} set={set} />
          </>
        )}
      </Form>
      <Form
        title={t("lead.gauge.limits")}
        send={(form) => run("limits", { ...sent(form), id: gauge.id })}
      >
        {(form, set) => <Limits form={form} set={set} />}
      </Form>
    </li>
  );
}

/** @param {{ gauges: WatchedGauge[], run: Run }} props */
function Gauges({ gauges, run }) {
  const pressing = gauges.filter((g) => ["beyond the limit", "moving"].includes(g.verdict));
  return (
    <details open={pressing.length > 0}>
      <summary>
        {t("lead.gauges")} <span class="count">{gauges.length}</span>
        {pressing.length > 0 && (
          <em class="stale-mark">{t("lead.gauges.pressing", { n: pressing.length })}</em>
        )}
      </summary>
      {!gauges.length && <p class="aside">{t("lead.gauges.none")}</p>}
      {gauges.length > 0 && <p class="warn">{t("lead.gauges.engineer")}</p>}
      <ul class="rows">
        {gauges.map((g) => (
          <OneGauge key={g.id} gauge={g} run={run} />
        ))}
      </ul>
      <Form
        title={t("lead.gauge.new")}
        begin={{ "gauge.kind": column("gauges", "kind")?.choices[0] }}
        send={(form) =>
          run("gauge", {
            ...sent(form),
            id: form["gauge.name"],
            kind: form["gauge.kind"],
            surface: surface.value,
          })
        }
      >
        {(form, set) => (
          <>
            <Ask name="gauge.name" form={form} set={set} />
            <Ask
              name="gauge.kind"
              form={form}
              set={set}
              choices={column("gauges", "kind")?.choices ?? []}
              wanted
            />
            <Limits form={form} set={set} />
          </>
        )}
      </Form>
    </details>
  );
}

const SHARE = 100;
const LOOKED_AT = ["repairs", "conditions", "surfaces"];

function year(/** @type {LookedAt} */ one) {
  const told = [];
  if (one.hollow_a_year != null)
    told.push(t("lead.look.hollow", { n: (one.hollow_a_year * SHARE).toFixed(1) }));
  if (one.open_joint_m_a_year != null)
    told.push(t("lead.look.open", { n: length(one.open_joint_m_a_year) }));
  if (one.colour_a_year != null)
    told.push(t("lead.look.colour", { n: one.colour_a_year.toFixed(1) }));
  return told.join(", ");
}

const lookWords = (/** @type {LookTold} */ look) =>
  [
    look.looked_on,
    look.finding,
    look.hollow_share != null &&
      t("lead.look.hollow", { n: Math.round(look.hollow_share * SHARE) }),
    look.open_joint_m != null && t("lead.look.open", { n: length(look.open_joint_m) }),
    look.colour_difference != null &&
      t("lead.look.colour", { n: look.colour_difference.toFixed(1) }),
    look.by,
    look.note,
  ]
    .filter(Boolean)
    .join(", ");

const treatmentOf = (/** @type {LookedAt} */ { table, id }) =>
  (table === "repairs" && entryOf(table, id)?.row.treatment) || "";

/** @param {{ looks: LookedAt[], run: Run }} props */
function Looks({ looks, run }) {
  const [first] = selection.value;
  const chosen = first && LOOKED_AT.includes(first.table) ? first.id : "";
  return (
    <details>
      <summary>
        {t("lead.looks")} <span class="count">{looks.length}</span>
      </summary>
      {!looks.length && <p class="aside">{t("lead.looks.none")}</p>}
      <ul class="rows">
        {looks.map((one) => (
          <li key={`${one.table} ${one.id}`}>
            <strong>{one.id}</strong> <span class="aside">{treatmentOf(one)}</span>
            {one.looks.map((look) => (
              <p key={lookWords(look)}>{lookWords(look)}</p>
            ))}
            {year(one) && <p class="aside">{t("lead.look.year", { told: year(one) })}</p>}
          </li>
        ))}
      </ul>
      <Form
        key={chosen}
        title={t("lead.look.new")}
        begin={{ about: chosen, on: today(), by: who.value }}
        send={(form) =>
          run("look", {
            id: form.about,
            finding: form["look.finding"],
            on: form.on,
            by: form.by,
            hollow_share: form.hollow ? Number(form.hollow) / SHARE : undefined,
            open_joint_m: inMetres(form[`open.${unit()}`]),
            colour_difference: number(form.colour_difference),
            photo: form["look.photo"],
            note: form["look.note"],
          })
        }
      >
        {(form, set) => (
          <>
            <Ask name="about" form={form} set={set} wanted />
            <Ask
              name="look.finding"
              form={form}
              set={set}
              choices={column("looks", "finding")?.choices ?? []}
              wanted
            />
            <Ask name="on" form={form} set={set} type="date" wanted />
            <Ask name="by" form={form} set={set} wanted />
            <Ask name="hollow" form={form} set={set} type="number" />
            <Ask name={`open.${unit()}`} form={form} set={set} type="number" />
            <Ask name="colour_difference" form={form} set={set} type="number" />
            <Ask
              name="look.photo"
              form={form}
              set={set}
              choices={rowsOf("photos").map((p) => p.id)}
            />
            <Ask name="look.note" form={form} set={set} type="long" />
          </>
        )}
      </Form>
    </details>
  );
}

/** Gauges and looks, beside the repairs. */
export function Watch() {
  const load = () =>
    askForWatched().catch(() => {
      // without the server nothing of it is shown
    });
  useEffect(() => {
    const timer = setTimeout(() => void load(), watched.peek() ? REST_MS : 0);
    return () => clearTimeout(timer);
  }, [seq.value]);
  if (!watched.value) return null;
  /** @type {Run} */
  const run = async (step, body) => {
    const done = await act(step, body, "/api/watch");
    if (done) await load();
    return done;
  };
  return (
    <section class="papers watch" aria-label={t("lead.watch")}>
      <h3>{t("lead.watch")}</h3>
      <Gauges gauges={watched.value.gauges} run={run} />
      <Looks looks={watched.value.looks} run={run} />
    </section>
  );
}
