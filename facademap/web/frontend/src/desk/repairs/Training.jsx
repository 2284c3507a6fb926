// The training of this wall, by labels: programme, attendance, what was sealed; certificates are verified here.
import { useEffect, useState } from "preact/hooks";
import { ask } from "../data/api.js";
import { may } from "../data/reviewer.js";
import { t } from "../words/texts.js";
import { Assessing, percent } from "./Assessing.jsx";
import { Ask, act, Form, Several, today } from "./CampaignForm.jsx";

/**
 * @typedef {{ id: string, what: string, where: string, why: string }} Exercise
 * @typedef {{ questions: string[], exercises: Exercise[], spare: Exercise[], kinds: string[] }} ProgrammeTold
 * A test that was sealed; only its fault where it cannot be read.
 * @typedef {{
 *   name: string, fault?: string | null, sealed_on?: string, sealed_by: string, seal: string, pass_share: number,
 *   questions: string[], attempts: number, wait_days: number, standard: string | null,
 * }} TestTold
 * @typedef {{
 *   programme: ProgrammeTold, tests: TestTold[], standards: string[], asks_key: boolean,
 *   people: { role: string, label: string }[],
 *   sessions: { on: string, kind: string, title: string, hours: number, present: string[] }[],
 * }} TrainingTold
 * Whether a certificate holds that somebody shows.
 * @typedef {{ holds: boolean, genuine: boolean, scope: string, valid_until: string, why: string }} Verified
 */

/** @param {{ programme: ProgrammeTold }} props */
function Programme({ programme }) {
  return (
    <>
      <h4>{t("lead.programme")}</h4>
      <p>{t("lead.programme.questions", { n: programme.questions.length })}</p>
      <ul class="plain-list">
        {[...programme.exercises, ...programme.spare].map((e) => (
          <li key={e.id + e.what}>
            <strong>{e.id}</strong> {e.what}, {e.where}: <span class="aside">{e.why}</span>
          </li>
        ))}
      </ul>
    </>
  );
}

/** What was sealed. @param {{ test: TestTold }} props */
function Test({ test }) {
  if (!test.sealed_on) return <p class="warn bad">{test.fault}</p>;
  return (
    <>
      <h4>
        {t("lead.test.of", {
          name: test.name,
          on: test.sealed_on,
          share: percent(test.pass_share),
        })}
      </h4>
      <p class="aside">
        {t("lead.asked", {
          n: test.questions.length,
          attempts: test.attempts,
          wait: test.wait_days,
          by: test.sealed_by,
          seal: test.seal,
        })}
        {test.standard && `; ${t("lead.asked.work", { standard: test.standard })}`}
      </p>
      {test.fault && <p class="warn bad">{test.fault}</p>}
    </>
  );
}

/** Whether a certificate that somebody shows holds. @param {{ run: import("./Assessing.jsx").Run }} props */
function Verify({ run }) {
  const [said, say] = useState(/** @type {Verified | null} */ (null));
  return (
    <>
      <Form
        title={t("lead.verify")}
        send={async (form) => {
          say(null);
          const done = await run("verify", form);
          if (done) say(/** @type {Verified} */ (done.row));
          return Boolean(done);
        }}
      >
        {(form, set) => (
          <>
            <Ask name="number" form={form} set={set} wanted />
            <Ask name="code" form={form} set={set} wanted />
          </>
        )}
      </Form>
      {said && (
        <p role="status" class={said.holds ? "all-well" : "warn"}>
          {said.holds
            ? t("lead.genuine", { scope: said.scope, until: said.valid_until })
            : said.genuine
              ? t("lead.genuine.not", { why: said.why })
              : t("lead.genuine.none")}
        </p>
      )}
    </>
  );
}

export function Training() {
  const [told, setTold] = useState(/** @type {TrainingTold | null} */ (null));
  const load = () =>
    ask("/api/training").then(
      (answer) => setTold(answer.training),
      () => {
        // without the server nothing of it is shown
      },
    );
  useEffect(() => void (!may("learn") || load()), []);
  if (!told || !may("learn")) return null;
  /** @type {import("./Assessing.jsx").Run} */
  const run = async (step, body) => {
    const done = await act(step, body, "/api/training");
    if (done) await load();
    return done;
  };
  const of = (/** @type {string} */ role) =>
    told.people.filter((p) => p.role === role).map((p) => p.label);
  const labels = of("trainee");
  return (
    <details>
      <summary>
        {t("lead.training")} <span class="count">{labels.length}</span>
      </summary>
      <p class="aside">{t("lead.training.labels")}</p>
      <Programme programme={told.programme} />
      <h4>{t("lead.sessions")}</h4>
      <ul class="plain-list">
        {told.sessions.map((s, n) => (
          <li key={n}>
            {s.on}, {s.kind}: {s.title} ({t("lead.hours.n", { n: s.hours })}):{" "}
            {s.present.join(", ") || "–"}
          </li>
        ))}
      </ul>
      {told.tests.map((test) => (
        <Test key={test.name} test={test} />
      ))}
      <Form
        title={t("lead.person.new")}
        begin={{ role: "trainee" }}
        send={(form) => run("person", { role: form.role })}
      >
        {(form, set) => (
          <>
            <p>{t("lead.person.label")}</p>
            {!told.asks_key && (
              <Ask name="role" form={form} set={set} choices={["trainee", "assessor"]} />
            )}
          </>
        )}
      </Form>
      <Form
        title={t("lead.session.new")}
        begin={{ on: today() }}
        send={(form) => run("session", { ...form, kind: form.session, hours: Number(form.hours) })}
      >
        {(form, set) => (
          <>
            <Ask name="title" form={form} set={set} wanted />
            <Ask name="session" form={form} set={set} choices={told.programme.kinds} wanted />
            <Ask name="on" form={form} set={set} type="date" wanted />
            <Ask name="hours" form={form} set={set} type="number" wanted />
            {labels.length > 0 && <Several name="present" form={form} set={set} choices={labels} />}
          </>
        )}
      </Form>
      <Verify run={run} />
      <Assessing told={told} assessors={of("assessor")} trainees={labels} reload={load} />
    </details>
  );
}
