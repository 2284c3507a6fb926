// Stones of a course that the machine proposes: stored as proposals, each with its place in the course, until a person confirms them.

import { surface } from "../data/data.js";
import { edit, newId, notice } from "../data/edits.js";
import { panel, select } from "../data/view.js";
import { faultOf } from "../geometry/shapes.js";
import { stoneAt } from "../wall/wall.js";
import { t } from "../words/texts.js";
import { beginConfirming } from "./confirming.js";

/** Why things were left out, each reason once with how often it holds. */
function reasons(/** @type {{why: string}[]} */ leftOut) {
  const times = new Map();
  for (const { why } of leftOut) times.set(why, (times.get(why) ?? 0) + 1);
  return [...times].map(([why, n]) => (n > 1 ? `${why} (${n})` : why)).join("; ");
}

/**
 * Proposed stones of a course as one edit; a stone that is drawn already is left as it is.
 * @param {Awaited<ReturnType<typeof import("./assist.js").findCourse>>} course
 */
export function addCourse({ proposals, leftOut }) {
  const fresh = proposals.filter(({ geometry }) => !faultOf(geometry) && !stoneAt(geometry));
  const why = leftOut.length
    ? ` ${t("course.left", { n: leftOut.length, why: reasons(leftOut) })}`
    : "";
  if (!fresh.length) {
    if (proposals.length || leftOut.length)
      notice.value = {
        text: (proposals.length ? t("course.drawn") : t("course.none")) + why,
        bad: true,
      };
    return;
  }
  const ids = fresh.map(() => newId());
  edit(
    t("what.course", { n: ids.length }),
    fresh.map(({ geometry, course = null, number = null, doubts = [] }, i) => ({
      op: "insert",
      table: "wall_stones",
      id: ids[i],
      values: {
        surface: surface.value,
        geometry,
        origin: "assisted",
        ...(course === null ? {} : { course, number }),
        ...(doubts.length ? { note: doubts.join("; ") } : {}),
      },
    })),
  );
  select("wall_stones", ids);
  panel.value = "record";
  notice.value = {
    text: t("course.found", { n: ids.length }) + why,
    act: t("confirm.go"),
    onAct: () => beginConfirming("wall_stones"),
  };
}
