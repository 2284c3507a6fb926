// The page when there is no desk to show; rows that cannot be read can be set aside from here.
import { useEffect, useState } from "preact/hooks";
import { ask, Refused, refusalIn } from "../data/api.js";
import { setAside } from "../data/aside.js";
import { t } from "../words/texts.js";

const MOST = 20;

/** @typedef {{ table: TableName, row: string, about: string, problem: string, can_set_aside?: boolean }} Finding */

/** Rows that the check of the project offers to set aside; nobody else can read the project until then. */
function Damaged() {
  const [rows, show] = useState(/** @type {Finding[]} */ ([]));
  const [refused, say] = useState("");
  const look = async () => {
    /** @type {{ findings: Finding[] }} */
    const found = await ask("/api/check?fast=1");
    const damaged = found.findings.filter((f) => f.can_set_aside);
    show(damaged);
    return damaged.length;
  };
  useEffect(() => {
    void look().catch(() => {});
  }, []);
  const act = async (/** @type {Finding} */ { table, row }) => {
    try {
      await setAside(table, row);
      if (!(await look())) location.reload();
    } catch (error) {
      say(refusalIn(error) || t("needs.server"));
    }
  };
  if (!rows.length) return null;
  return (
    <section>
      <h2>{t("fail.damaged", { n: rows.length })}</h2>
      <p>{t("check.set.aside.what")}.</p>
      {refused && (
        <p class="warn bad" role="alert">
          {refused}
        </p>
      )}
      <ul class="findings">
        {rows.slice(0, MOST).map((f) => (
          <li key={f.table + f.row}>
            <strong>{f.about}</strong>
            <span>{f.problem}</span>
            <button type="button" onClick={() => void act(f)}>
              {t("check.set.aside")}
            </button>
          </li>
        ))}
      </ul>
    </section>
  );
}

/** @param {{ error: unknown }} props What was thrown; only the server says a problem and a remedy. */
export function Failure({ error }) {
  const { problem = "", remedy = "", kind = "" } = error instanceof Refused ? error : {};
  return (
    <div class="failure">
      <h1>{t("fail.title")}</h1>
      <p>{problem || t("fail.problem")}</p>
      <p>{remedy || t("fail.remedy")}</p>
      <button type="button" onClick={() => location.reload()}>
        {t("fail.again")}
      </button>
      {kind === "ProjectError" && <Damaged />}
    </div>
  );
}
