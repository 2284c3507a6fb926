// All stones of the wall in view: proposed by a job in the background, the sure ones confirmed at once, the rest one by one.

import { confidenceIn, SURE } from "../data/confidence.js";
import { surface } from "../data/data.js";
import { edit, notice } from "../data/edits.js";
import { job, startJob } from "../data/jobs.js";
import { who } from "../data/settings.js";
import { boxOf } from "../geometry/shapes.js";
import { map } from "../wall/wall.js";
import { t } from "../words/texts.js";
import { beginConfirming, confirming, openHere } from "./confirming.js";

export const isProposing = () =>
  job.value?.state === "running" && ["stones", "damage"].includes(job.value.kind);

/** Begin; people go on drawing meanwhile. What is drawn when it ends is kept, and nothing is proposed on it. */
export async function proposeWall() {
  const done = await startJob("stones", { surface: surface.value });
  if (done?.state !== "done") return;
  const { stones, doubtful, kept, notes } = done.result;
  if (!stones) {
    notice.value = { text: notes.join(" ") || t("stones.none"), bad: true };
    return;
  }
  notice.value = {
    text: t("stones.found", { n: stones, doubtful, kept }),
    act: t("confirm.go"),
    onAct: () => beginConfirming("wall_stones"),
  };
}

/** The same for damage with a border; what is drawn already is kept, and nothing is proposed on it. */
export async function proposeDamage() {
  const done = await startJob("damage", { surface: surface.value });
  if (done?.state !== "done") return;
  const { proposed, terms, notes } = done.result;
  if (!proposed) {
    notice.value = { text: notes.join(" ") || t("damage.none"), bad: true };
    return;
  }
  const listed = Object.entries(terms).map(([term, n]) => `${n} ${term}`);
  notice.value = {
    text: [t("damage.found", { n: proposed, terms: listed.join(", ") }), ...notes].join(" "),
    act: t("confirm.go"),
    onAct: () => beginConfirming("conditions"),
  };
}

/**
 * Whether the whole outline lies within the view, so that a person sees what is confirmed.
 * @param {Geometry} outline
 * @param {Box} view
 */
function isWithin(outline, [left, low, right, high]) {
  const box = boxOf(outline);
  return box[0] >= left && box[1] >= low && box[2] <= right && box[3] <= high;
}

/** Proposals that the machine is sure of and that are seen whole. */
export function sureInView() {
  if (confirming.value?.table !== "wall_stones") return [];
  const view = map.getView().calculateExtent(map.getSize());
  return openHere("wall_stones").filter(
    (r) => (confidenceIn(r.note) ?? 0) >= SURE && r.geometry && isWithin(r.geometry, view),
  );
}

/** Confirm the sure ones in view as one edit that undo takes back. */
export function confirmSure() {
  const found = sureInView();
  if (!found.length) {
    notice.value = { text: t("confirm.sure.none") };
    return;
  }
  edit(
    t("what.confirm.sure", { n: found.length }),
    found.map(({ id }) => ({
      op: "update",
      table: "wall_stones",
      id,
      values: { confirmed_by: who.value || "surveyor" },
    })),
  );
  notice.value = { text: t("confirm.sure.done", { n: found.length }), undo: true };
}
