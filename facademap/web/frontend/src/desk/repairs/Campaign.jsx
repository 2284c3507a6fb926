// What a campaign is led by: conditions of consents, trials with who approved them, crews and their hours, variations.
import { useEffect, useState } from "preact/hooks";
import { ask } from "../data/api.js";
import { column, rowsOf, seq, surface } from "../data/data.js";

import { who } from "../data/settings.js";
import { map } from "../wall/wall.js";
import { t } from "../words/texts.js";
import {
  Ask,
  act,
  contentOf,
  DAYS,
  Decide,
  Decided,
  Enclose,
  Form,
  Several,
  textIn,
  today,
  WhoAndWhen,
} from "./CampaignForm.jsx";
import { Orders } from "./Orders.jsx";
import { Training } from "./Training.jsx";
import { Variations } from "./Variations.jsx";

const REST_MS = 800;

/**
 * @typedef {import("./CampaignForm.jsx").Run} Run
 * @typedef {import("./CampaignForm.jsx").Filled} Filled
 * @typedef {Consent & { about: string }} ConsentTold
 * @typedef {Trial & { colour_change: number | null }} TrialTold
 * @typedef {{ name: string, hours_h: number, days: string[], skills: string[] }} Crew
 * @typedef {{ repair: string, hours_h: number, told_h: number | null }} Booked
 * @typedef {{
 *   consents: ConsentTold[], trials: TrialTold[], crews: Crew[], booked: Booked[],
 *   variations: import("./Variations.jsx").VariationTold[], measures: import("./Variations.jsx").Measure[],
 *   orders: import("./Orders.jsx").OrderTold[],
 * }} CampaignTold
 */

/** @param {{ row: ConsentTold, trials: TrialTold[], run: Run }} props */
function Tick({ row, trials, run }) {
  const approved = trials.filter((a) => a.result === "approved").map((a) => a.id);
  const photos = rowsOf("photos").map((p) => p.id);
  return (
    <Form
      title={t("lead.tick")}
      begin={{ on: today(), by: who.value }}
      send={async ({ evidence, ...form }) => {
        const sent =
          evidence instanceof File
            ? { file: evidence.name, content: await contentOf(evidence) }
            : {};
        return run("consent-met", { ...form, ...sent, id: row.id });
      }}
    >
      {(form, set) => (
        <>
          <WhoAndWhen form={form} set={set} />
          {!row.wants_trial && <Ask name="photo" form={form} set={set} choices={photos} />}
          <Enclose name="evidence" form={form} set={set} />
          <Ask
            name="trial"
            form={form}
            set={set}
            choices={approved}
            wanted={Boolean(row.wants_trial)}
          />
        </>
      )}
    </Form>
  );
}

/** The part of the wall that is shown now: left, bottom, right, top in metres. */
const MM = 1000;
const shownArea = () =>
  map
    .getView()
    .calculateExtent(map.getSize())
    .map((m) => Math.round(m * MM) / MM);

/** @param {{ consents: ConsentTold[], trials: TrialTold[], run: Run }} props */
function Consents({ consents, trials, run }) {
  const holding = consents.filter((c) => !c.met && c.before !== "nothing");
  return (
    <details open={holding.length > 0}>
      <summary>
        {t("lead.consents")} <span class="count">{consents.length}</span>
        {holding.length > 0 && (
          <em class="stale-mark">{t("lead.holding", { n: holding.length })}</em>
        )}
      </summary>
      {!consents.length && <p class="aside">{t("lead.consents.none")}</p>}
      <ul class="rows">
        {consents.map((c) => (
          <li key={c.id}>
            <strong>
              {c.reference}
              {c.clause ? `, ${c.clause}` : ""}
            </strong>{" "}
            <span class="aside">{c.id}</span>
            <p>{c.text}</p>
            <p class="aside">
              {c.about} · {c.before}
              {c.wants_trial ? ` · ${t("lead.wants_trial")}: ${c.wants_trial}` : ""}
            </p>
            {c.met ? (
              <Decided good back={() => run("consent-back", { id: c.id })}>
                {t("lead.met", {
                  by: c.met_by,
                  on: c.met_on,
                  proof: c.evidence_trial || c.evidence_photo || c.evidence_file,
                })}
              </Decided>
            ) : (
              <Tick row={c} trials={trials} run={run} />
            )}
          </li>
        ))}
      </ul>
      <Form
        title={t("lead.consent.new")}
        begin={{ before: column("consents", "before")?.choices[0] }}
        send={(form) =>
          run("consent", {
            ...form,
            treatments: form.treatment ? [form.treatment] : [],
            surfaces: form.surface ? [form.surface] : [],
            area_m: form.shown && form.surface === surface.value ? shownArea() : null,
          })
        }
      >
        {(form, set) => (
          <>
            <Ask name="reference" form={form} set={set} wanted />
            <Ask name="clause" form={form} set={set} />
            <Ask name="text" form={form} set={set} type="long" wanted />
            <Ask
              name="treatment"
              form={form}
              set={set}
              choices={column("repairs", "treatment")?.choices ?? []}
            />
            <Ask
              name="surface"
              form={form}
              set={set}
              choices={rowsOf("surfaces").map((s) => s.id)}
            />
            {form.surface && form.surface === surface.value && (
              <div class="field">
                <label>
                  <input
                    type="checkbox"
                    checked={Boolean(form.shown)}
                    onChange={(e) => set({ ...form, shown: e.currentTarget.checked })}
                  />{" "}
                  {t("lead.shown")}
                </label>
              </div>
            )}
            <Ask
              name="before"
              form={form}
              set={set}
              choices={column("consents", "before")?.choices ?? []}
            />
            <Ask
              name="wants_trial"
              form={form}
              set={set}
              choices={column("trials", "kind")?.choices ?? []}
            />
          </>
        )}
      </Form>
    </details>
  );
}

const RESULTS = { approved: "lead.approve", refused: "lead.refuse" };

/** @typedef {(row: TrialTold, result: string, form?: Filled) => Promise<boolean>} DecideTrial */

/** @param {{ row: TrialTold, decide: DecideTrial, run: Run }} props */
function OpenTrial({ row, decide, run }) {
  const photos = rowsOf("photos").map((p) => p.id);
  return (
    <>
      <Decide titles={RESULTS} why="finding" send={(form, result) => decide(row, result, form)} />
      <Form
        title={t("lead.trial.add")}
        send={(form) =>
          run("trial-add", {
            ...Object.fromEntries(Object.entries(form).filter(([, v]) => v)),
            id: row.id,
          })
        }
      >
        {(form, set) => (
          <>
            <Ask name="measured" form={form} set={set} />
            <Ask name="photo_before" form={form} set={set} choices={photos} />
            <Ask name="photo_after" form={form} set={set} choices={photos} />
          </>
        )}
      </Form>
    </>
  );
}

/** @param {{ trials: TrialTold[], run: Run }} props */
function Trials({ trials, run }) {
  const open = trials.filter((r) => r.result === "open");
  /** @type {DecideTrial} */
  const decide = (row, result, form = {}) => run("trial-decide", { ...form, id: row.id, result });
  const stones = [...new Set(rowsOf("wall_stones").flatMap((s) => s.stone_type || []))];
  return (
    <details>
      <summary>
        {t("lead.trials")} <span class="count">{trials.length}</span>
        {open.length > 0 && <em class="stale-mark">{t("lead.open", { n: open.length })}</em>}
      </summary>
      {!trials.length && <p class="aside">{t("lead.trials.none")}</p>}
      <ul class="rows">
        {trials.map((r) => (
          <li key={r.id}>
            <strong>{r.kind}</strong>, {r.treatment}, {r.stone_type}
            {r.soiling ? `, ${r.soiling}` : ""} <span class="aside">{r.id}</span>
            {(r.mix || r.method || r.measured) && (
              <p>{[r.mix, r.method, r.measured].filter(Boolean).join("; ")}</p>
            )}
            {r.colour_change != null && (
              <p class="aside">{t("lead.change", { n: r.colour_change.toFixed(1) })}</p>
            )}
            {r.result === "open" ? (
              <OpenTrial row={r} decide={decide} run={run} />
            ) : (
              <Decided good={r.result === "approved"} back={() => decide(r, "open")}>
                {r.result}, {r.approved_by}, {r.approved_on}
                {r.finding ? `: ${r.finding}` : ""}
              </Decided>
            )}
          </li>
        ))}
      </ul>
      <Form title={t("lead.trial.new")} send={(form) => run("trial", form)}>
        {(form, set) => (
          <>
            <Ask
              name="kind"
              form={form}
              set={set}
              choices={column("trials", "kind")?.choices ?? []}
              wanted
            />
            <Ask
              name="treatment"
              form={form}
              set={set}
              choices={column("trials", "treatment")?.choices ?? []}
              wanted
            />
            <Ask name="stone_type" form={form} set={set} choices={stones} wanted />
            {textIn(form.kind).startsWith("clean") && (
              <Ask
                name="soiling"
                form={form}
                set={set}
                choices={column("trials", "soiling")?.choices ?? []}
                wanted
              />
            )}
            <Ask name="place" form={form} set={set} />
            <Ask name="mix" form={form} set={set} />
            <Ask name="method" form={form} set={set} type="long" />
            <Ask name="made_on" form={form} set={set} type="date" />
          </>
        )}
      </Form>
    </details>
  );
}

/** @param {{ crews: Crew[], booked: Booked[], run: Run }} props */
function Crews({ crews, booked, run }) {
  const names = crews.map((c) => c.name);
  return (
    <details>
      <summary>
        {t("lead.crews")} <span class="count">{crews.length}</span>
      </summary>
      {!crews.length && <p class="aside">{t("lead.crews.none")}</p>}
      <ul class="rows">
        {crews.map((c) => (
          <li key={c.name}>
            <strong>{c.name}</strong>{" "}
            <span class="aside">
              {t("lead.hours.day", { n: c.hours_h })} · {c.days.join(" ")} ·{" "}
              {c.skills.join(", ") || t("lead.all")}
            </span>
          </li>
        ))}
      </ul>
      {booked.length > 0 && (
        <table class="plain">
          <caption class="visually-hidden">{t("lead.booked")}</caption>
          <thead>
            <tr>
              <th scope="col">{t("lead.repair")}</th>
              <th scope="col">{t("lead.hours")}</th>
              <th scope="col">{t("lead.told")}</th>
            </tr>
          </thead>
          <tbody>
            {booked.map((b) => (
              <tr key={b.repair}>
                <th scope="row">{b.repair}</th>
                <td>{b.hours_h.toFixed(1)}</td>
                <td>{b.told_h ? b.told_h.toFixed(1) : "–"}</td>
              </tr>
            ))}
          </tbody>
        </table>
      )}
      <Form
        title={t("lead.crew.new")}
        begin={{ days: DAYS.slice(0, 5) }}
        send={(form) =>
          run("crew", {
            ...form,
            hours: Number(form.day),
            treatments: form.skills ?? [],
          })
        }
      >
        {(form, set) => (
          <>
            <Ask name="crew" form={form} set={set} wanted />
            <Ask name="day" form={form} set={set} type="number" wanted />
            <Several name="days" form={form} set={set} choices={DAYS} />
            <Several
              name="skills"
              form={form}
              set={set}
              choices={column("trials", "treatment")?.choices ?? []}
            />
          </>
        )}
      </Form>
      {names.length > 0 && (
        <Form
          title={t("lead.book")}
          begin={{ on: today(), crew: names[0] }}
          send={(form) => run("hours", { ...form, hours: Number(form.hours) })}
        >
          {(form, set) => (
            <>
              <Ask
                name="repair"
                form={form}
                set={set}
                choices={rowsOf("repairs").map((r) => r.id)}
                wanted
              />
              <Ask name="crew" form={form} set={set} choices={names} wanted />
              <Ask name="hours" form={form} set={set} type="number" wanted />
              <Ask name="on" form={form} set={set} type="date" wanted />
            </>
          )}
        </Form>
      )}
    </details>
  );
}

/** Everything of it that stands beside the repairs. */
export function Campaign() {
  const [told, setTold] = useState(/** @type {CampaignTold | null} */ (null));
  const load = () =>
    ask("/api/campaign").then(setTold, () => {
      // without the server nothing of it is shown
    });
  useEffect(() => {
    const timer = setTimeout(() => void load(), told ? REST_MS : 0);
    return () => clearTimeout(timer);
  }, [seq.value]);
  if (!told) return null;
  /** @type {Run} */
  const run = async (step, body) => {
    const done = await act(step, body);
    if (done) await load();
    return done;
  };
  return (
    <section class="papers campaign" aria-label={t("lead")}>
      <h3>{t("lead")}</h3>
      <Consents consents={told.consents} trials={told.trials} run={run} />
      <Trials trials={told.trials} run={run} />
      <Crews crews={told.crews} booked={told.booked} run={run} />
      <Variations variations={told.variations} measures={told.measures} run={run} />
      <Orders orders={told.orders} run={run} />
      <Training />
    </section>
  );
}
