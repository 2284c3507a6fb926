// The depth that the relief has measured beside the one of the record, for a person to confirm.
import { edit } from "../data/edits.js";
import { may } from "../data/reviewer.js";
import { length } from "../data/settings.js";
import { t } from "../words/texts.js";

/** @typedef {NonNullable<Condition["measured_depth"]>} Depth */
/** @typedef {Condition & { measured_depth: Depth }} Measured */

const proposed = (/** @type {Condition} */ row) => row.measured_depth?.depth_m ?? null;
const taken = (/** @type {Condition} */ row) =>
  row.depth_from === "measured" && row.depth_m === proposed(row);

/**
 * @param {Condition} row
 * @returns {row is Measured}
 */
const isMeasured = (row) => Boolean(row.measured_depth);

/** @param {Condition[]} rows */
function confirm(rows) {
  edit(
    t("what.depth.measured"),
    rows.map((row) => ({
      op: "update",
      table: "conditions",
      id: row.id,
      values: { depth_m: proposed(row), depth_from: "measured" },
    })),
  );
}

/**
 * What one measurement says: mean with plus or minus, deepest place, how much of the place is known.
 * @param {{ told: Depth }} props
 */
function Told({ told }) {
  const digits = { digits: 1 };
  return (
    <span>
      {t("measured.told", {
        mean: length(told.mean_m, digits),
        more: length(told.plus_minus_95_m, digits),
        deep: length(told.deepest_m, digits),
        known: Math.round(100 * told.known_share),
      })}
    </span>
  );
}

/** @param {{ rows: Condition[] }} props */
export function MeasuredDepth({ rows }) {
  const told = rows.filter(isMeasured);
  if (!told.length) return null;
  const open = told.filter((row) => proposed(row) !== null && !taken(row));
  const [row] = told;
  return (
    <div class={open.length ? "warn" : "aside"}>
      <p>
        <strong>{t("measured.title")}</strong>{" "}
        {rows.length === 1 ? (
          <Told told={row.measured_depth} />
        ) : (
          t("measured.many", { n: told.length, open: open.length })
        )}
      </p>
      {Boolean(row.measured_depth.note) && (
        <p>{t("relief.note", { note: row.measured_depth.note })}</p>
      )}
      {rows.length === 1 && proposed(row) === null && <p>{t("measured.nothing")}</p>}
      {rows.length === 1 && taken(row) && (
        <p>{t("measured.taken", { who: row.depth_confirmed_by ?? "" })}</p>
      )}
      {open.length > 0 && may("survey") && (
        <button type="button" onClick={() => confirm(open)}>
          {rows.length === 1
            ? t("measured.confirm", { depth: length(proposed(row)) })
            : t("measured.confirm.many", { n: open.length })}
        </button>
      )}
    </div>
  );
}
