// The page when there is no desk to show; rows that cannot be read can be set aside from here.
import { useEffect, useState } from "preact/hooks";
import { ask, refusalIn } from "../data/api.js";
import { setAside } from "../data/aside.js";
import { t } from "../words/texts.js";

const MOST = 20;

/** Rows that the check of the project offers to set aside; nobody else can read the project until then. */
function Damaged() {
  const [rows, show] = useState(/** @type {any[]} */ ([]));
  const [refused, say] = useState("");
  const look = async () => {
    const found = await ask("/api/check?fast=1");
    const damaged = found.findings.filter((f) => f.can_set_aside);
    show(damaged);
    return damaged.length;
  };
  useEffect(() => {
    void look().catch(() => {});
  }, []);
  const act = async ({ table, row }) => {
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

export function Failure({ error }) {
  return (
    <div class="failure">
      <h1>{t("fail.title")}</h1>
      <p>{error.problem || t("fail.problem")}</p>
      <p>{error.remedy || t("fail.remedy")}</p>
      <button type="button" onClick={() => location.reload()}>
        {t("fail.again")}
      </button>
      {error.kind === "ProjectError" && <Damaged />}
    </div>
  );
}
