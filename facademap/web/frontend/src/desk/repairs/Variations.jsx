// Variations of the contract: raised with a reason, agreed or refused by name and day.
import { column, rowsOf } from "../data/data.js";
import { t } from "../words/texts.js";
import { Ask, Decide, Decided, Form, today } from "./CampaignForm.jsx";

/**
 * @typedef {{ name: string, title: string, unit: string }} Measure
 * @typedef {import("./CampaignForm.jsx").Filled} Filled
 * @typedef {import("./CampaignForm.jsx").Run} Run
 * @typedef {{
 *   id: string, what: string, reason: string, repair: string | null, elevation: string | null, result: string,
 *   treatment: string | null, size: string, agreed_by: string | null, agreed_on: string | null, note: string | null,
 * }} VariationTold
 */

const RESULTS = { agreed: "lead.agree", refused: "lead.refuse" };
const NUMBERS = ["quantity", "rate", "amount"];

/**
 * What was filled in of the fields that are shown, numbers as numbers.
 * @param {Filled} form
 */
function toldOf(form) {
  const left = form.size === "amount" ? ["quantity", "rate", "measure"] : ["amount"];
  return Object.fromEntries(
    Object.entries(form)
      .filter(([name, value]) => value && name !== "size" && !left.includes(name))
      .map(([name, value]) => [name, NUMBERS.includes(name) ? Number(value) : value]),
  );
}

/**
 * The form by which one is raised.
 * @param {{ measures: Measure[], run: Run }} props
 */
function Raise({ measures, run }) {
  const ids = (/** @type {"repairs" | "elevations"} */ table) => rowsOf(table).map((r) => r.id);
  const called = measures.map((m) => [m.name, `${m.title}, ${m.unit}`]);
  return (
    <Form
      title={t("lead.variation.new")}
      begin={{ size: "quantity", on: today() }}
      send={(form) => run("variation", toldOf(form))}
    >
      {(form, set) => {
        const fixed = form.size === "amount";
        const priced = fixed || Boolean(form.rate);
        return (
          <>
            <Ask name="what" form={form} set={set} type="long" wanted />
            <Ask name="reason" form={form} set={set} type="long" wanted />
            <Ask name="repair" form={form} set={set} choices={ids("repairs")} />
            <Ask name="elevation" form={form} set={set} choices={ids("elevations")} />
            <Ask
              name="treatment"
              form={form}
              set={set}
              choices={column("variations", "treatment")?.choices ?? []}
              wanted={!fixed}
            />
            <Ask
              name="size"
              form={form}
              set={set}
              choices={[
                ["quantity", t("lead.size.quantity")],
                ["amount", t("lead.size.amount")],
              ]}
              wanted
            />
            {fixed ? (
              <Ask name="amount" form={form} set={set} type="number" wanted />
            ) : (
              <>
                <Ask name="measure" form={form} set={set} choices={called} wanted />
                <Ask name="quantity" form={form} set={set} type="number" wanted />
                <Ask name="rate" form={form} set={set} type="number" />
              </>
            )}
            {priced && <Ask name="currency" form={form} set={set} wanted />}
            <Ask name="on" form={form} set={set} type="date" wanted />
          </>
        );
      }}
    </Form>
  );
}

/**
 * All variations, by number.
 * @param {{ variations: VariationTold[], measures: Measure[], run: Run }} props
 */
export function Variations({ variations, measures, run }) {
  const open = variations.filter((v) => v.result === "open");
  /** @type {(row: VariationTold, result: string, form?: Filled) => Promise<boolean>} */
  const decide = (row, result, form = {}) =>
    run("variation-decide", { ...form, id: row.id, result });
  return (
    <details>
      <summary>
        {t("lead.variations")} <span class="count">{variations.length}</span>
        {open.length > 0 && <em class="stale-mark">{t("lead.open", { n: open.length })}</em>}
      </summary>
      <p class="aside">{t(variations.length ? "lead.variations.sum" : "lead.variations.none")}</p>
      <ul class="rows">
        {variations.map((v) => (
          <li key={v.id}>
            <strong>{v.what}</strong> <span class="aside">{v.id}</span>
            <p>{v.reason}</p>
            <p class="aside">
              {[v.size, v.treatment, v.repair ?? v.elevation].filter(Boolean).join(" · ")}
            </p>
            {v.result === "open" ? (
              <Decide
                titles={RESULTS}
                why="note"
                send={(form, result) => decide(v, result, form)}
              />
            ) : (
              <Decided good={v.result === "agreed"} back={() => decide(v, "open")}>
                {v.result}, {v.agreed_by}, {v.agreed_on}
                {v.note ? `: ${v.note}` : ""}
              </Decided>
            )}
          </li>
        ))}
      </ul>
      <Raise measures={measures} run={run} />
    </details>
  );
}
