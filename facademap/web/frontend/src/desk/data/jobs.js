// Long work on the server: started, followed, stopped from here.
import { signal } from "@preact/signals";
import { t } from "../words/texts.js";
import { ask, refusalIn } from "./api.js";
import { notice } from "./edits.js";
import { who } from "./settings.js";

export const job = signal(/** @type {Job | null} */ (null));

/**
 * Start long work and follow it to its end.
 * @template {JobKind} K
 * @param {K} kind
 * @param {Values} [options]
 * @returns {Promise<JobOf<K> | null>} Null where it could not be started.
 */
export async function startJob(kind, options = {}) {
  /** @type {Job} */
  let begun;
  try {
    begun = await ask("/api/jobs", { method: "POST", body: { kind, options, who: who.value } });
  } catch (error) {
    notice.value = {
      text: refusalIn(error) || t("needs.server"),
      bad: true,
    };
    return null;
  }
  job.value = begun;
  return /** @type {JobOf<K>} */ (await follow(begun.id));
}

/** What a job found, in a few words. */
function outcome(/** @type {Job & {state: "done"}} */ done) {
  if (done.kind === "match") {
    const { result } = done;
    return [
      t("job.match", { n: result.matched, without: result.unmatched.length }),
      result.changed ? t("job.again", { n: result.changed.length, kept: result.kept }) : "",
      Object.keys(result.waits).length
        ? t("job.waits", { n: Object.keys(result.waits).length })
        : "",
      ...result.let_go.map((u) => t("job.letgo", { repair: u.repair, donor: u.with })),
      ...result.wall_faults.map(([repair, problem]) => `; ${repair}: ${problem}`),
    ].join("");
  }
  if (done.kind === "papers") {
    const { result } = done;
    return (
      t("job.papers", { made: result.made.length, same: result.unchanged.length }) +
      (Object.keys(result.failed).length
        ? t("job.failed", { n: Object.keys(result.failed).length })
        : "")
    );
  }
  if (done.kind === "plan" && done.result.unconfirmed)
    return t("job.unconfirmed", { n: done.result.unconfirmed });
  return "";
}

async function follow(/** @type {string} */ id) {
  for (;;) {
    await new Promise((resolve) => setTimeout(resolve, 350));
    /** @type {Job} */
    let now;
    try {
      now = await ask(`/api/jobs/${id}`);
    } catch {
      continue;
    }
    job.value = now;
    if (now.state === "running") continue;
    const name = t(`job.name.${now.kind}`);
    if (now.state === "done") notice.value = { text: t("job.done", { name }) + outcome(now) };
    else if (now.state === "stopped") notice.value = { text: t("job.stopped", { name }) };
    else if (now.error)
      notice.value = { text: `${now.error.problem}. ${now.error.remedy}`, bad: true };
    return now;
  }
}

export async function stopJob() {
  if (job.value) job.value = await ask(`/api/jobs/${job.value.id}/stop`, { method: "POST" });
}

/** Content of a file as a job takes it. */
export async function base64Of(/** @type {File} */ file) {
  const bytes = new Uint8Array(await file.arrayBuffer());
  let text = "";
  for (let i = 0; i < bytes.length; i += 0x8000)
    text += String.fromCharCode(...bytes.subarray(i, i + 0x8000));
  return btoa(text);
}
