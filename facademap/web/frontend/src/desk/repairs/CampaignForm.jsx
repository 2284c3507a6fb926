// The forms by which a campaign is led: fields, opening, sending.
import { useId, useState } from "preact/hooks";
import { ask, refusalIn } from "../data/api.js";
import { notice } from "../data/edits.js";
import { base64Of } from "../data/jobs.js";
import { isReviewer } from "../data/reviewer.js";
import { who } from "../data/settings.js";
import { t } from "../words/texts.js";

const DAY = 10;
export const today = () => new Date().toISOString().slice(0, DAY);

/**
 * What was filled in so far: texts, boxes that were ticked, files.
 * @typedef {Record<string, string | boolean | string[] | File | null | undefined>} Filled
 * @typedef {(form: Filled) => void} SetForm
 * Take a step of which only matters whether it was done.
 * @typedef {(step: string, body: Values) => Promise<boolean>} Run
 */

/**
 * A text that was filled in; an empty one where it was left out.
 * @param {Filled[string]} value
 */
export const textIn = (value) => (typeof value === "string" ? value : "");

/**
 * A file that was enclosed, as it is sent.
 * @param {Filled[string]} value
 */
export const contentOf = async (value) => (value instanceof File ? base64Of(value) : "");

/**
 * Send an act; what came of it, and why not where it was not done.
 * @param {string} step
 * @param {Values} body
 * @returns {Promise<any>}
 */
export async function act(step, body, root = "/api/campaign") {
  try {
    return await ask(`${root}/${step}`, { method: "POST", body: { ...body, who: who.value } });
  } catch (error) {
    const text = refusalIn(error) || t("needs.server");
    notice.value = { text, bad: true };
    return false;
  }
}

/** @type {Record<string, import("preact").InputHTMLAttributes>} */
const INPUTS = {
  text: { type: "text" },
  number: { type: "number", step: "any" },
  date: { type: "date" },
  password: { type: "password" },
};

/**
 * One field of a form: a text, a choice (a word, or a word and how it is called) or a day.
 * @param {{
 *   name: string, form: Filled, set: SetForm, choices?: (string | string[])[] | null,
 *   type?: "text" | "long" | "number" | "date" | "password", wanted?: boolean,
 * }} props
 */
export function Ask({ name, form, set, choices = null, type = "text", wanted = false }) {
  const id = useId();
  const props = {
    id,
    value: textIn(form[name]),
    required: wanted,
    onKeyDown: (/** @type {KeyboardEvent} */ e) => e.stopPropagation(),
  };
  const pairs = (choices ?? []).map((c) => (Array.isArray(c) ? c : [c, c]));
  /** @typedef {HTMLInputElement | HTMLTextAreaElement | HTMLSelectElement} FormBox */
  const take = (/** @type {import("preact").TargetedEvent<FormBox>} */ e) =>
    set({ ...form, [name]: e.currentTarget.value });
  return (
    <div class="field">
      <label htmlFor={id}>{t(`lead.${name}`)}</label>{" "}
      {choices ? (
        <select {...props} onChange={take}>
          {!pairs.some(([value]) => value === form[name]) && <option value="">–</option>}
          {pairs.map(([value, called]) => (
            <option key={value} value={value}>
              {called}
            </option>
          ))}
        </select>
      ) : type === "long" ? (
        <textarea rows={3} {...props} onInput={take} />
      ) : (
        <input {...INPUTS[type]} {...props} onInput={take} />
      )}
    </div>
  );
}

/**
 * A form that is opened, filled in and sent.
 * @param {{
 *   title: string, open?: boolean, begin?: Filled, send: (form: Filled) => Promise<unknown>,
 *   children: (form: Filled, set: SetForm) => import("preact").ComponentChildren,
 * }} props
 */
export function Form({ title, open = false, begin = {}, send, children }) {
  const [form, set] = useState(begin);
  const [shown, show] = useState(open);
  if (isReviewer()) return null;
  const submit = async (/** @type {Event} */ event) => {
    event.preventDefault();
    if (!(await send(form))) return;
    set(begin);
    show(open);
  };
  if (!shown)
    return (
      <button type="button" class="quiet" onClick={() => show(true)}>
        {title}
      </button>
    );
  return (
    <form class="lead" onSubmit={submit} aria-label={title}>
      {children(form, set)}
      <p class="acts">
        <button type="submit" class="main">
          {title}
        </button>
        <button type="button" class="quiet" onClick={() => show(false)}>
          {t("close")}
        </button>
      </p>
    </form>
  );
}

/** Days of the week as the server writes them. */
export const DAYS = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"];

/**
 * Several of a few, each with a box to tick.
 * @param {{ name: string, form: Filled, set: SetForm, choices: string[] }} props
 */
export function Several({ name, form, set, choices }) {
  const found = form[name];
  const chosen = Array.isArray(found) ? found : [];
  return (
    <fieldset class="field several">
      <legend>{t(`lead.${name}`)}</legend>
      {choices.map((c) => (
        <label key={c}>
          <input
            type="checkbox"
            checked={chosen.includes(c)}
            onChange={(e) =>
              set({
                ...form,
                [name]: choices.filter((o) =>
                  o === c ? e.currentTarget.checked : chosen.includes(o),
                ),
              })
            }
          />{" "}
          {c}
        </label>
      ))}
    </fieldset>
  );
}

/**
 * A file that is sent with a form.
 * @param {{ name: string, form: Filled, set: SetForm }} props
 */
export function Enclose({ name, form, set }) {
  const id = useId();
  return (
    <div class="field">
      <label htmlFor={id}>{t(`lead.${name}`)}</label>{" "}
      <input
        id={id}
        type="file"
        onChange={(e) => set({ ...form, [name]: e.currentTarget.files?.[0] ?? null })}
      />
    </div>
  );
}

/** By whom, and on which day. @param {{ form: Filled, set: SetForm }} props */
export const WhoAndWhen = ({ form, set }) => (
  <>
    <Ask name="by" form={form} set={set} wanted />
    <Ask name="on" form={form} set={set} type="date" wanted />
  </>
);

/**
 * Agreeing to something and refusing it, each by name and day; a refusal says why.
 * @param {{ titles: Record<string, string>, why: string, send: (form: Filled, result: string) => Promise<boolean> }} props
 */
export const Decide = ({ titles, why, send }) => (
  <>
    {Object.entries(titles).map(([result, title]) => (
      <Form
        key={result}
        title={t(title)}
        begin={{ on: today(), by: who.value }}
        send={(form) => send(form, result)}
      >
        {(form, set) => (
          <>
            <WhoAndWhen form={form} set={set} />
            <Ask name={why} form={form} set={set} type="long" wanted={result === "refused"} />
          </>
        )}
      </Form>
    ))}
  </>
);

/**
 * What was decided, and the way back.
 * @param {{ good: boolean, back: () => Promise<boolean>, children: import("preact").ComponentChildren }} props
 */
export const Decided = ({ good, back, children }) => (
  <p class={good ? "all-well" : "warn"}>
    {children}{" "}
    {!isReviewer() && (
      <button type="button" class="quiet" onClick={() => void back()}>
        {t("lead.back")}
      </button>
    )}
  </p>
);
