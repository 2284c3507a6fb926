// What is missing before the wall can be planned, and what the check of the project finds; each line leads to its place.
import { signal } from "@preact/signals";
import { useEffect } from "preact/hooks";
import { ask, refusalIn } from "../data/api.js";
import { aside, putBack, setAside } from "../data/aside.js";
import { entryOf, rowsOf, seq } from "../data/data.js";
import { notice } from "../data/edits.js";
import { shown } from "../data/names.js";
import { online, waitingEdits } from "../data/outbox.js";
import { may } from "../data/reviewer.js";
import { missingOf, requiredFields } from "../data/shared.js";
import { dialog, panel, select } from "../data/view.js";
import { openRow } from "../drawing/opening.js";
import { Glyph } from "../parts/Glyph.jsx";
import { AllReviews } from "../parts/Review.jsx";
import { goTo } from "../wall/wall.js";
import { t } from "../words/texts.js";

const MOST = 60;
const REST_MS = 1200;

/**
 * What the check of the project found at one place.
 * @typedef {{
 *   table: TableName, row: string, field: string | null, about: string, problem: string, remedy: string,
 *   level: "fault" | "warning", kind: string, can_set_aside?: boolean,
 * }} Finding
 */

/** What the check found last, and at which state of the project. */
const checked = signal(/** @type {{findings: Finding[], seq: number} | null} */ (null));
const checking = signal(false);

async function check(/** @type {boolean} */ fast) {
  if (checking.value) return;
  checking.value = true;
  try {
    checked.value = await ask(`/api/check${fast ? "?fast=1" : ""}`);
  } catch (error) {
    if (!fast)
      notice.value = {
        text: refusalIn(error) || t("needs.server"),
        bad: true,
      };
  } finally {
    checking.value = false;
  }
}

/**
 * Set a damaged row aside, or put the last one back; then look again.
 * @param {Promise<void>} change
 */
async function mend(change) {
  try {
    await change;
    await check(false);
  } catch (error) {
    notice.value = {
      text: refusalIn(error) || t("needs.server"),
      bad: true,
    };
  }
}

/** Looked at again once the edits rest. */
function useCheck() {
  const state = waitingEdits.value ? -1 : seq.value;
  useEffect(() => {
    if (!online.value || state < 0 || checked.value?.seq === state) return undefined;
    const timer = setTimeout(() => void check(true), checked.value ? REST_MS : 0);
    return () => clearTimeout(timer);
  }, [state]);
}

// the check writes for terminals, where 2 and 3 stand in line
const raised = (/** @type {string} */ text) =>
  text.replace(
    /(\d (?:m|cm|mm))([23])\b/g,
    (/** @type {string} */ _, /** @type {string} */ unit, /** @type {string} */ power) =>
      unit + (power === "2" ? "²" : "³"),
  );

/** @param {{ finding: Finding }} props */
function OneFinding({ finding }) {
  const { table, row, field, about, problem, remedy } = finding;
  const there = table && row && (entryOf(table, row) || ["plans", "surfaces"].includes(table));
  return (
    <li>
      {there ? (
        <button type="button" class="link place" onClick={() => openRow(table, row, field)}>
          {about}
        </button>
      ) : (
        <strong>{about}</strong>
      )}
      <span>{raised(problem)}</span>
      {remedy && <span class="aside">{remedy}</span>}
      {finding.can_set_aside && may("administer") && (
        <button
          type="button"
          class="quiet"
          title={t("check.set.aside.what")}
          onClick={() => void mend(setAside(table, row))}
        >
          {t("check.set.aside")}
        </button>
      )}
    </li>
  );
}

/**
 * Things by what they have in common, in the order in which they come.
 * @template T
 * @param {T[]} things
 * @param {(thing: T) => string} nameOf
 */
function grouped(things, nameOf) {
  /** @type {Map<string, T[]>} */
  const groups = new Map();
  for (const thing of things) {
    const group = groups.get(nameOf(thing));
    if (group) group.push(thing);
    else groups.set(nameOf(thing), [thing]);
  }
  return groups;
}

const KINDS_HERE = new Set(["missing"]);

/**
 * Findings of one level, by kind; what is required and missing stands above already.
 * @param {{ list: Finding[], level: Finding["level"] }} props
 */
function Findings({ list, level }) {
  const groups = grouped(
    list.filter((f) => f.level === level && !KINDS_HERE.has(f.kind)),
    (f) => f.kind,
  );
  return [...groups].map(([kind, found]) => (
    <details key={kind} open={level === "fault" || found.length < 4}>
      <summary>
        {t(`check.kind.${kind}`) === `check.kind.${kind}` ? kind : t(`check.kind.${kind}`)}{" "}
        <span class="count">{found.length}</span>
      </summary>
      <ul class="findings">
        {found.slice(0, MOST).map((f, i) => (
          <OneFinding finding={f} key={`${f.about}${i}`} />
        ))}
      </ul>
      {found.length > MOST && <p class="aside">{t("and.more", { n: found.length - MOST })}</p>}
    </details>
  ));
}

function Check() {
  useCheck();
  const now = checked.value;
  const faults = now?.findings.filter((f) => f.level === "fault" && !KINDS_HERE.has(f.kind)) ?? [];
  const others = now?.findings.filter((f) => f.level !== "fault" && !KINDS_HERE.has(f.kind)) ?? [];
  return (
    <section class="check-list" aria-label={t("check.title")}>
      <h3>
        {t("check.title")}
        <button
          type="button"
          class="quiet"
          disabled={checking.value}
          onClick={() => void check(false)}
        >
          {t(checking.value ? "check.looking" : "check.again")}
        </button>
      </h3>
      {aside.value && (
        <p role="status">
          {t("check.is.aside")}{" "}
          <button type="button" class="quiet" onClick={() => void mend(putBack())}>
            {t("check.put.back")}
          </button>
        </p>
      )}
      {!now && <p class="aside">{t(checking.value ? "check.looking" : "check.later")}</p>}
      {now && (
        <p role="status">
          {faults.length || others.length
            ? t("check.found", { faults: faults.length, warnings: others.length })
            : t("check.none")}
        </p>
      )}
      {now && <Findings list={now.findings} level="fault" />}
      {now && <Findings list={now.findings} level="warning" />}
    </section>
  );
}

/** @param {{ name: string, ids: string[] }} props */
function Group({ name, ids }) {
  return (
    <section>
      <h3>
        {t(`missing.${name}`)} <span class="count">{ids.length}</span>
        <button
          type="button"
          class="quiet"
          onClick={() => {
            select("conditions", ids);
            panel.value = "record";
          }}
        >
          {t("select.all")}
        </button>
      </h3>
      <ul class="ids">
        {ids.slice(0, MOST).map((id) => (
          <li key={id}>
            <button
              type="button"
              class="link"
              onClick={() => {
                select("conditions", id);
                goTo("conditions", id);
                panel.value = "record";
              }}
            >
              {shown(id)}
            </button>
          </li>
        ))}
      </ul>
      {ids.length > MOST && <p class="aside">{t("and.more", { n: ids.length - MOST })}</p>}
    </section>
  );
}

export function Missing() {
  const required = requiredFields();
  const lacking = rowsOf("conditions").flatMap((row) =>
    missingOf(row, required).map((name) => ({ name, id: row.id })),
  );
  const groups = grouped(lacking, (one) => one.name);
  return (
    <div class="missing">
      <p class="aside">
        {t("missing.required", {
          names: required.map((n) => t(`missing.${n}`).toLowerCase()).join(", ") || t("none"),
        })}{" "}
        {may("design") && (
          <button
            type="button"
            class="quiet"
            onClick={() => {
              dialog.value = { kind: "required" };
            }}
          >
            {t("missing.change")}
          </button>
        )}
      </p>
      {!groups.size && (
        <p class="all-well">
          <Glyph name="done" /> {t("missing.none")}
        </p>
      )}
      {[...groups]
        .sort((a, b) => b[1].length - a[1].length)
        .map(([name, found]) => (
          <Group name={name} ids={found.map((one) => one.id)} key={name} />
        ))}
      <Check />
      <AllReviews />
    </div>
  );
}
