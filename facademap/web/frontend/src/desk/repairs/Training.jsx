// The training of this wall, by labels: programme, attendance, who may be assessed, results, certificates.
import { useEffect, useState } from "preact/hooks";
import { ask } from "../data/api.js";
import { isReviewer } from "../data/reviewer.js";
import { t } from "../words/texts.js";
import { Ask, act, Form, Several, today } from "./CampaignForm.jsx";

const percent = (/** @type {number} */ share) => `${Math.round(share * 100)} %`;

/** @param {{ programme: any }} props */
function Programme({ programme }) {
  return (
    <>
      <h4>{t("lead.programme")}</h4>
      <p>{t("lead.programme.questions", { n: programme.questions })}</p>
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

/** @param {{ test: any }} props */
function Test({ test }) {
  return (
    <>
      <h4>
        {t("lead.test.of", {
          name: test.name,
          on: test.sealed_on,
          share: percent(test.pass_share),
        })}
      </h4>
      {test.fault && <p class="warn bad">{test.fault}</p>}
      {test.standings.length > 0 && (
        <table class="plain">
          <caption class="visually-hidden">{test.name}</caption>
          <thead>
            <tr>
              <th scope="col">{t("lead.person")}</th>
              <th scope="col">{t("lead.attempts")}</th>
              <th scope="col">{t("lead.stands")}</th>
            </tr>
          </thead>
          <tbody>
            {test.standings.map((/** @type {any} */ s) => (
              <tr key={s.person}>
                <th scope="row">{s.person}</th>
                <td>
                  {s.sittings.map((/** @type {any} */ a) => percent(a.share)).join(", ") || "–"}
                </td>
                <td>
                  {s.passed ? t("lead.reached") : s.wanting.join("; ")}
                  <p class="aside">{s.may_sit ? t("lead.may") : s.why_not}</p>
                </td>
              </tr>
            ))}
          </tbody>
        </table>
      )}
    </>
  );
}

export function Training() {
  const [told, setTold] = useState(/** @type {any} */ (null));
  const load = () =>
    ask("/api/training").then(
      (answer) => setTold(answer.training),
      () => {
        // without the server nothing of it is shown
      },
    );
  useEffect(() => void (isReviewer() || load()), []);
  if (!told || isReviewer()) return null;
  const run = async (/** @type {string} */ step, /** @type {any} */ body) => {
    const done = await act(step, body, "/api/training");
    if (done) await load();
    return done;
  };
  const labels = told.people
    .filter((/** @type {any} */ p) => p.role === "trainee")
    .map((/** @type {any} */ p) => p.label);
  return (
    <details>
      <summary>
        {t("lead.training")} <span class="count">{labels.length}</span>
      </summary>
      <p class="aside">{t("lead.training.labels")}</p>
      <Programme programme={told.programme} />
      <h4>{t("lead.sessions")}</h4>
      <ul class="plain-list">
        {told.sessions.map((/** @type {any} */ s, /** @type {number} */ n) => (
          <li key={n}>
            {s.on}, {s.kind}: {s.title} ({t("lead.hours.n", { n: s.hours })}):{" "}
            {s.present.join(", ") || "–"}
          </li>
        ))}
      </ul>
      {told.tests.map((/** @type {any} */ test) => (
        <Test key={test.name} test={test} />
      ))}
      {told.certificates.length > 0 && <h4>{t("lead.certificates")}</h4>}
      <ul class="plain-list">
        {told.certificates.map((/** @type {any} */ c) => (
          <li key={c.number}>
            <strong>{c.number}</strong> {c.person}, {c.test}: {c.state}, {c.valid_until}
          </li>
        ))}
      </ul>
      <Form title={t("lead.person.new")} send={() => run("person", {})}>
        {() => <p>{t("lead.person.label")}</p>}
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
    </details>
  );
}
