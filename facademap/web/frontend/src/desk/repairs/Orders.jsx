// Stone that no block of the yard can serve: asked for, sampled, tested, decided on, ordered.
import { rowsOf } from "../data/data.js";

import { who } from "../data/settings.js";
import { t } from "../words/texts.js";
import {
  Ask,
  contentOf,
  Decide,
  Enclose,
  Form,
  textIn,
  today,
  WhoAndWhen,
} from "./CampaignForm.jsx";

const LITRES = 1000;

const RESULTS = { approved: "lead.stone.approved", refused: "lead.stone.refused" };

/**
 * @typedef {import("./CampaignForm.jsx").Filled} Filled
 * @typedef {import("./CampaignForm.jsx").Run} Run
 * @typedef {Order & { colour_difference: number | null }} OrderTold
 */

/** The step that comes next. @param {{ row: OrderTold, run: Run }} props */
function Next({ row, run }) {
  const begin = { on: today(), by: who.value };
  const send = (/** @type {string} */ step, more = {}) => {
    return (/** @type {Filled} */ form) => run(step, { ...form, id: row.id, ...more });
  };
  if (row.state === "asked" || row.state === "refused")
    return (
      <Form
        title={t("lead.stone.sample")}
        begin={{ on: today() }}
        send={(form) =>
          run("stone-sample", {
            id: row.id,
            on: form.on,
            photo: form.sample_photo,
            colour_dry: form.colour_lab
              ? textIn(form.colour_lab)
                  .split(/[\s;]+/)
                  .map(Number)
              : undefined,
          })
        }
      >
        {(form, set) => (
          <>
            <Ask name="on" form={form} set={set} type="date" wanted />
            <Ask
              name="sample_photo"
              form={form}
              set={set}
              choices={rowsOf("photos").map((p) => p.id)}
            />
            <Ask name="colour_lab" form={form} set={set} />
          </>
        )}
      </Form>
    );
  if (row.state === "sample here")
    return (
      <>
        <Form title={t("lead.stone.test")} begin={begin} send={send("stone-test")}>
          {(form, set) => (
            <>
              <Ask name="test" form={form} set={set} wanted />
              <Ask name="value" form={form} set={set} wanted />
              <Ask name="tested" form={form} set={set} choices={["open", "pass", "fail"]} />
              <WhoAndWhen form={form} set={set} />
            </>
          )}
        </Form>
        <Decide
          titles={RESULTS}
          why="finding"
          send={(form, result) => send("stone-decide", { result })(form)}
        />
      </>
    );
  if (row.state === "approved")
    return (
      <Form
        title={t("lead.stone.order")}
        begin={begin}
        send={(form) =>
          run("stone-order", { ...form, id: row.id, volume_m3: Number(form.litres) / LITRES })
        }
      >
        {(form, set) => (
          <>
            <Ask name="litres" form={form} set={set} type="number" wanted />
            <Ask name="price" form={form} set={set} />
            <Ask name="due" form={form} set={set} type="date" />
            <WhoAndWhen form={form} set={set} />
          </>
        )}
      </Form>
    );
  if (row.state === "ordered")
    return (
      <Form
        title={t("lead.stone.delivered")}
        begin={{ on: today() }}
        send={async ({ on, delivery }) =>
          run("stone-delivery", {
            id: row.id,
            on,
            file: delivery instanceof File ? delivery.name : "",
            content: await contentOf(delivery),
          })
        }
      >
        {(form, set) => (
          <>
            <p class="aside">{t("lead.stone.delivery")}</p>
            <Enclose name="delivery" form={form} set={set} />
            <Ask name="on" form={form} set={set} type="date" wanted />
          </>
        )}
      </Form>
    );
  return null;
}

/** @param {{ orders: OrderTold[], run: Run }} props */
export function Orders({ orders, run }) {
  const stones = [...new Set(rowsOf("pieces").flatMap((p) => p.stone_type || []))];
  return (
    <details>
      <summary>
        {t("lead.orders")} <span class="count">{orders.length}</span>
      </summary>
      <ul class="rows">
        {orders.map((o) => (
          <li key={o.id}>
            <strong>{o.stone_type}</strong>, {o.supplier} <span class="aside">{o.id}</span>
            <p class="aside">
              {o.state}
              {o.colour_difference == null
                ? ""
                : ` · ${t("lead.colour", { n: o.colour_difference.toFixed(1) })}`}
              {o.blocks.length ? ` · ${o.blocks.join(", ")}` : ""}
            </p>
            <Next row={o} run={run} />
          </li>
        ))}
      </ul>
      <Form
        title={t("lead.stone.ask")}
        begin={{ on: today() }}
        send={(form) => run("stone-ask", form)}
      >
        {(form, set) => (
          <>
            <Ask name="stone_type" form={form} set={set} choices={stones} wanted />
            <Ask name="supplier" form={form} set={set} wanted />
            <Ask name="on" form={form} set={set} type="date" wanted />
          </>
        )}
      </Form>
    </details>
  );
}
