// What people reached, by labels, and what an assessor does: standards and tests sealed, answers, work, appeals, certificates.
import { useState } from "preact/hooks";

import { may } from "../data/reviewer.js";
import { t } from "../words/texts.js";
import { Ask, act, contentOf, Enclose, Form, Several, textIn, today } from "./CampaignForm.jsx";

export const percent = (/** @type {number} */ share) => `${Math.round(share * 100)} %`;

const HUNDRED = 100;
const COUNTS = ["exercises", "attempts", "wait_days", "appeal_days", "validity_months"];
const SHARES = ["pass_share", "attendance_share"];

/**
 * @typedef {import("./CampaignForm.jsx").Filled} Filled
 * @typedef {import("./CampaignForm.jsx").SetForm} SetForm
 * @typedef {import("./Training.jsx").TrainingTold} TrainingTold
 * Take a step; what came of it, nothing where it was not done.
 * @typedef {(step: string, body: Values) => Promise<{ row: Values } | null>} Run
 * @typedef {{ number: number, share: number, on: string, missed: string[], void: boolean }} Sitting
 * @typedef {{
 *   person: string, sittings: Sitting[], passed: boolean, wanting: string[], may_sit: boolean, why_not: string,
 * }} Standing
 * How everybody stands in a test; only its fault where it cannot be read.
 * @typedef {{ name: string, fault?: string | null, standings: Standing[] }} Result
 * @typedef {{
 *   number: number, person: string, test: string, on: string, ground: string, outcome: string | null,
 * }} Appeal
 * @typedef {{ number: string, person: string, test: string, state: string, valid_until: string }} Certificate
 * @typedef {{ tests: Result[], appeals: Appeal[], certificates: Certificate[] }} Results
 */

/** What was filled in; figures as numbers, shares of one. @param {Filled} form */
function filled(form) {
  const given = Object.entries(form).filter(([, v]) => v !== "" && v != null);
  return Object.fromEntries(
    given.map(([name, value]) => {
      if (SHARES.includes(name)) return [name, Number(value) / HUNDRED];
      return [name, COUNTS.includes(name) ? Number(value) : value];
    }),
  );
}

/** Standard and test, fixed and dated before anybody is assessed. @param {{ told: TrainingTold, run: Run }} props */
function Sealing({ told, run }) {
  return (
    <>
      <Form
        title={t("lead.standard.fix")}
        send={async (form) => run("standard", { content: await contentOf(form["standard.file"]) })}
      >
        {(form, set) => (
          <>
            <p class="aside">{t("lead.standard.packaged")}</p>
            <Enclose name="standard.file" form={form} set={set} />
          </>
        )}
      </Form>
      <Form title={t("lead.seal")} send={(form) => run("seal", filled(form))}>
        {(form, set) => (
          <>
            <p class="aside">{t("lead.seal.says")}</p>
            <Ask name="name" form={form} set={set} />
            <Ask name="scope" form={form} set={set} />
            <Ask name="standard" form={form} set={set} choices={told.standards} />
            {[...SHARES, ...COUNTS].map((name) => (
              <Ask key={name} name={name} form={form} set={set} type="number" />
            ))}
            <Several name="questions" form={form} set={set} choices={told.programme.questions} />
          </>
        )}
      </Form>
    </>
  );
}

/** Where each stands in a test. @param {{ test: Result }} props */
function Standings({ test }) {
  if (test.fault) return <p class="warn bad">{test.fault}</p>;
  if (!test.standings.length) return null;
  return (
    <table class="plain told">
      <caption>{test.name}</caption>
      <thead>
        <tr>
          <th scope="col">{t("lead.person")}</th>
          <th scope="col">{t("lead.attempts")}</th>
          <th scope="col">{t("lead.stands")}</th>
        </tr>
      </thead>
      <tbody>
        {test.standings.map((s) => (
          <tr key={s.person}>
            <th scope="row">{s.person}</th>
            <td>
              {s.sittings.map((a) => (
                <p key={a.number}>
                  {t("lead.entry", { n: a.number })}: {percent(a.share)}, {a.on}
                  {a.missed.length > 0 && `; ${t("lead.missed", { what: a.missed.join(", ") })}`}
                  {a.void && `; ${t("lead.void")}`}
                </p>
              ))}
              {!s.sittings.length && "–"}
            </td>
            <td>
              {s.passed ? t("lead.reached") : s.wanting.join("; ")}
              <p class="aside">{s.may_sit ? t("lead.may") : s.why_not}</p>
            </td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}

/** Answers, exercises, work. @param {{ told: TrainingTold, tests: Result[], trainees: string[], run: Run }} props */
function Assess({ told, tests, trainees, run }) {
  const names = tests.map((s) => s.name);
  const begin = { on: today(), test: names[0] };
  const ids = [...told.programme.exercises, ...told.programme.spare].map((e) => [
    e.id,
    `${e.id} ${e.what}`,
  ]);
  const of = (/** @type {string} */ name) =>
    told.tests.find((s) => s.name === name)?.questions?.length ?? 0;
  /** @param {Filled} form @param {SetForm} set */
  const whoAndWhich = (form, set) => (
    <>
      <Ask name="test" form={form} set={set} choices={names.map((n) => [n, n])} wanted />
      <Ask name="person" form={form} set={set} choices={trainees} wanted />
    </>
  );
  return (
    <>
      <Form title={t("lead.sit")} begin={begin} send={(form) => run("sit", form)}>
        {(form, set) => (
          <>
            {whoAndWhich(form, set)}
            <p class="aside">{t("lead.sit.says", { n: of(textIn(form.test)) })}</p>
            <Ask name="answers" form={form} set={set} wanted />
            <Ask name="on" form={form} set={set} type="date" wanted />
          </>
        )}
      </Form>
      <Form
        title={t("lead.exercise.enter")}
        begin={{ on: today() }}
        send={({ practise, ...form }) => run("exercise", { ...form, finding: practise ?? "" })}
      >
        {(form, set) => (
          <>
            <Ask name="person" form={form} set={set} choices={trainees} wanted />
            <Ask name="exercise" form={form} set={set} choices={ids} wanted />
            <Ask name="result" form={form} set={set} choices={["pass", "redo"]} wanted />
            <Ask name="practise" form={form} set={set} wanted={form.result === "redo"} />
            <Ask name="on" form={form} set={set} type="date" wanted />
          </>
        )}
      </Form>
      {told.tests.some((s) => s.standard) && (
        <Form
          title={t("lead.work.assess")}
          begin={begin}
          send={(form) =>
            run("work", {
              ...form,
              repairs: textIn(form.repairs)
                .split(/[\s,;]+/)
                .filter(Boolean),
            })
          }
        >
          {(form, set) => (
            <>
              {whoAndWhich(form, set)}
              <Ask name="repairs" form={form} set={set} wanted />
              <Ask name="mason" form={form} set={set} />
            </>
          )}
        </Form>
      )}
      <Form title={t("lead.certify")} begin={begin} send={(form) => run("certify", form)}>
        {(form, set) => (
          <>
            {whoAndWhich(form, set)}
            <Ask name="on" form={form} set={set} type="date" wanted />
          </>
        )}
      </Form>
    </>
  );
}

/** @param {{ appeals: Appeal[], tests: Result[], told: TrainingTold, run: Run }} props */
function Appeals({ appeals, tests, told, run }) {
  const entries = tests
    .flatMap((s) => s.standings)
    .flatMap((s) => s.sittings.map((a) => [String(a.number), `${a.number}, ${s.person}`]));
  return (
    <>
      {appeals.length > 0 && <h4>{t("lead.appeals")}</h4>}
      <ul class="plain-list">
        {appeals.map((a) => (
          <li key={a.number}>
            <strong>{a.number}</strong> {a.person}, {a.on}: {a.ground} ·{" "}
            {a.outcome || t("lead.undecided")}
            {!a.outcome && (
              <Form
                title={t("lead.decide")}
                send={(form) => run("decide", { ...form, appeal: a.number })}
              >
                {(form, set) => (
                  <>
                    <Ask
                      name="outcome"
                      form={form}
                      set={set}
                      choices={["dismiss", "void", "strike"]}
                      wanted
                    />
                    {form.outcome === "strike" && (
                      <Ask
                        name="question"
                        form={form}
                        set={set}
                        choices={told.tests.find((s) => s.name === a.test)?.questions ?? []}
                        wanted
                      />
                    )}
                    <Ask name="reason" form={form} set={set} type="long" wanted />
                  </>
                )}
              </Form>
            )}
          </li>
        ))}
      </ul>
      {entries.length > 0 && (
        <Form
          title={t("lead.appeal")}
          begin={{ on: today() }}
          send={(form) => run("appeal", { ...form, sitting: Number(form.sitting) })}
        >
          {(form, set) => (
            <>
              <Ask name="sitting" form={form} set={set} choices={entries} wanted />
              <Ask name="ground" form={form} set={set} type="long" wanted />
              <Ask name="on" form={form} set={set} type="date" wanted />
            </>
          )}
        </Form>
      )}
    </>
  );
}

/** Hand a file to the browser's own way of keeping files. @param {string} name @param {string} content base64 */
function handOver(name, content) {
  const bytes = Uint8Array.from(atob(content), (c) => c.charCodeAt(0));
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([bytes], { type: "application/pdf" }));
  link.download = name;
  link.click();
  URL.revokeObjectURL(link.href);
}

/** @param {{ certificates: Certificate[], run: Run }} props */
function Certificates({ certificates, run }) {
  const print = async (/** @type {string} */ number) => {
    const done = await run("certificate", { number });
    if (done) handOver(String(done.row.file), String(done.row.content));
  };
  return (
    <>
      {certificates.length > 0 && <h4>{t("lead.certificates")}</h4>}
      <ul class="plain-list">
        {certificates.map((c) => (
          <li key={c.number}>
            <strong>{c.number}</strong> {c.person}, {c.test}: {c.state}, {c.valid_until}{" "}
            {c.state !== "withdrawn" && (
              <>
                <button type="button" class="quiet" onClick={() => void print(c.number)}>
                  {t("lead.print")}
                </button>
                <Form
                  title={t("lead.withdraw")}
                  send={(form) => run("withdraw", { ...form, number: c.number })}
                >
                  {(form, set) => <Ask name="reason" form={form} set={set} type="long" wanted />}
                </Form>
              </>
            )}
          </li>
        ))}
      </ul>
    </>
  );
}

/** @param {{ told: TrainingTold, assessors: string[], trainees: string[], reload: () => Promise<unknown> }} props */
export function Assessing({ told, assessors, trainees, reload }) {
  const [as, setAs] = useState(/** @type {Values | null} */ (null));
  const [results, setResults] = useState(/** @type {Results | null} */ (null));
  const [given, setGiven] = useState("");
  if (!may("learn")) return null;
  const show = async (/** @type {Values} */ by) => {
    const done = await act("results", by, "/api/training");
    if (!done) return false;
    setAs(by);
    setResults(done.results);
    return true;
  };
  /** @type {Run} */
  const run = async (step, body) => {
    const done = await act(step, { ...body, ...as }, "/api/training");
    if (!done) return null;
    setGiven(
      step === "certify"
        ? t("lead.certified", {
            number: done.row.number,
            code: done.row.code,
            until: done.row.valid_until,
          })
        : "",
    );
    await Promise.all([reload(), show(as ?? {})]);
    return done;
  };
  return (
    <section aria-label={t("lead.assessing")}>
      <h4>{t("lead.assessing")}</h4>
      <p class="aside">
        {t("lead.assessing.who")} {told.asks_key && t("lead.assessing.key")}
      </p>
      {!assessors.length && <p class="aside">{t("lead.assessing.none")}</p>}
      {!as && assessors.length > 0 && (
        <Form
          title={t("lead.assessing.open")}
          begin={{ assessor: assessors[0] }}
          send={(form) => show({ by: form.assessor, ...(told.asks_key && { key: form.key }) })}
        >
          {(form, set) => (
            <>
              <Ask name="assessor" form={form} set={set} choices={assessors} wanted />
              {told.asks_key && <Ask name="key" form={form} set={set} type="password" wanted />}
            </>
          )}
        </Form>
      )}
      {as && results && (
        <>
          <button
            type="button"
            class="quiet"
            onClick={() => {
              setAs(null);
              setResults(null);
              setGiven("");
            }}
          >
            {t("lead.assessing.close")}
          </button>
          {results.tests.map((test) => (
            <Standings key={test.name} test={test} />
          ))}
          <Sealing told={told} run={run} />
          {results.tests.length > 0 && (
            <Assess told={told} tests={results.tests} trainees={trainees} run={run} />
          )}
          {given && (
            <p class="all-well" role="status">
              {given}
            </p>
          )}
          <Appeals appeals={results.appeals} tests={results.tests} told={told} run={run} />
          <Certificates certificates={results.certificates} run={run} />
        </>
      )}
    </section>
  );
}
