// How a piece is set: its rods and its way in, gone through on the server before anything is kept.
import { useEffect, useState } from "preact/hooks";
import { ask, q, refusalIn } from "../data/api.js";
import { loadTable, tickOf } from "../data/data.js";
import { notice } from "../data/edits.js";
import { may } from "../data/reviewer.js";
import { length, who } from "../data/settings.js";
import { parseNumber } from "../geometry/measures.js";
import { t } from "../words/texts.js";

const TRY_AFTER_MS = 350;
/**
 * How a piece is set.
 * @typedef {{ fixing: string, down_deg: number, right_deg: number }} Way
 * What going through a setting showed: what is in the way, or the room that is left.
 * @typedef {{
 *   passed: boolean, faults: { about: string, problem: string, remedy: string }[],
 *   way_clear_m: number | null, rod_clear_m: number | null, cover_m: number | null,
 * }} Tried
 * @typedef {Way & Tried & {
 *   words: string, open: boolean,
 *   choices: { name: string, title: string, rules: string[], cautions: string[] }[],
 * }} FixingTold
 */

const told = (/** @type {unknown} */ error) => refusalIn(error) || t("needs.server");
const slope = (/** @type {string} */ text) => (text.trim() ? parseNumber(text) : 0);
const PARTS = /** @type {const} */ (["fixing", "down_deg", "right_deg"]);

/** @param {{ row: Repair }} props */
export function Fixing({ row }) {
  const [state, setState] = useState(/** @type {FixingTold | null} */ (null));
  const version = tickOf("repairs").value;
  useEffect(() => {
    let gone = false;
    ask(`/api/way?repair=${q(row.id)}`).then(
      (found) => !gone && setState(found),
      () => !gone && setState(null),
    );
    return () => {
      gone = true;
    };
  }, [row.id, version]);
  if (!state) return null;
  return (
    <details class="fixing">
      <summary>
        {t("fixing")} <span class="aside">{state.words}</span>
      </summary>
      <Choice
        row={row}
        state={state}
        key={`${state.fixing} ${state.down_deg} ${state.right_deg}`}
      />
    </details>
  );
}

/**
 * The choice as it stands in the form; what it would do is told before it can be kept.
 * @param {{ row: Repair, state: FixingTold }} props
 */
function Choice({ row, state }) {
  const [fixing, setFixing] = useState(state.fixing);
  const [down, setDown] = useState(String(state.down_deg));
  const [right, setRight] = useState(String(state.right_deg));
  const [found, setFound] = useState(/** @type {Tried | { refused: string } | null} */ (null));
  const wanted = { fixing, down_deg: slope(down), right_deg: slope(right) };
  const readable = [wanted.down_deg, wanted.right_deg].every(Number.isFinite);
  const same = PARTS.every((k) => wanted[k] === state[k]);
  const open = state.open && may("design");
  useEffect(() => {
    setFound(null);
    if (same || !readable) return undefined;
    let gone = false;
    const later = setTimeout(() => {
      ask("/api/way", { method: "POST", body: { repair: row.id, ...wanted } }).then(
        (answer) => !gone && setFound(answer),
        (error) => !gone && setFound({ refused: told(error) }),
      );
    }, TRY_AFTER_MS);
    return () => {
      gone = true;
      clearTimeout(later);
    };
  }, [fixing, down, right, same]);
  const keep = async () => {
    try {
      await ask("/api/way", {
        method: "POST",
        body: { repair: row.id, ...wanted, keep: true, who: who.value },
      });
      await loadTable("repairs").catch(() => {});
      notice.value = { text: t("fixing.kept", { id: row.id }) };
    } catch (error) {
      notice.value = { text: told(error), bad: true };
    }
  };
  const choice = state.choices.find((c) => c.name === fixing);
  const passes = found !== null && "passed" in found && found.passed;
  return (
    <>
      {/* who reviews reads the way in the line above; fields that cannot be used are none */}
      {may("design") && (
        <fieldset class="plain-set" disabled={!open}>
          <label class="field">
            {t("fixing.rods")}
            <select value={fixing} onChange={(e) => setFixing(e.currentTarget.value)}>
              {state.choices.map((c) => (
                <option key={c.name} value={c.name}>
                  {c.title}
                </option>
              ))}
            </select>
          </label>
          <Slope text={t("fixing.down")} value={down} onChange={setDown} />
          <Slope text={t("fixing.right")} value={right} onChange={setRight} />
        </fieldset>
      )}
      {!state.open && <p class="aside">{t("cutout.settled", { id: row.id, stage: row.stage })}</p>}
      <ul class="aside">
        {choice?.rules.map((r) => (
          <li key={r}>{r}</li>
        ))}
      </ul>
      {choice?.cautions.map((c) => (
        <p class="warn" key={c}>
          {c}
        </p>
      ))}
      {!readable && <p class="warn">{t("fixing.degrees")}</p>}
      <Answer found={same ? state : found} />
      {open && !same && (
        <p class="acts">
          <button type="button" class="main" disabled={!passes} onClick={keep}>
            {t("fixing.keep")}
          </button>
        </p>
      )}
    </>
  );
}

/** @param {{ text: string, value: string, onChange: (text: string) => void }} props */
function Slope({ text, value, onChange }) {
  return (
    <label class="field">
      {text}
      <input
        inputMode="decimal"
        value={value}
        onInput={(e) => onChange(e.currentTarget.value)}
        onKeyDown={(e) => e.stopPropagation()}
      />
    </label>
  );
}

/**
 * What going through the setting showed.
 * @param {{ found: Tried | { refused: string } | null }} props
 */
function Answer({ found }) {
  if (!found) return null;
  if ("refused" in found) return <p class="warn">{found.refused}</p>;
  if (!found.passed)
    return (
      <ul class="warn answer">
        {found.faults.map((f) => (
          <li key={f.about + f.problem}>
            {f.about}: {f.problem}. {f.remedy}
          </li>
        ))}
      </ul>
    );
  const room = (/** @type {number | null} */ m) => length(m, { digits: 1 });
  return (
    <p class="answer" role="status">
      {t("fixing.passes", {
        way: room(found.way_clear_m),
        rod: room(found.rod_clear_m),
        cover: room(found.cover_m),
      })}
    </p>
  );
}
