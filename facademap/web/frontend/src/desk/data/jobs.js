// Long work on the server: started, followed, stopped from here.
import { signal } from "@preact/signals";
import { t } from "../words/texts.js";
import { ask, refusalIn } from "./api.js";
import { notice } from "./edits.js";
import { who } from "./settings.js";

export const job = signal(null);

export async function startJob(kind, options = {}) {
  try {
    job.value = await ask("/api/jobs", { method: "POST", body: { kind, options, who: who.value } });
  } catch (error) {
    notice.value = {
      text: refusalIn(error) || t("needs.server"),
      bad: true,
    };
    return null;
  }
  return follow(job.value.id);
}

/** What a job found, in a few words. */
function outcome({ kind, result }) {
  if (kind === "match")
    return [
      t("job.match", { n: result.matched, without: result.unmatched.length }),
      result.changed ? t("job.again", { n: result.changed.length, kept: result.kept }) : "",
      Object.keys(result.waits).length
        ? t("job.waits", { n: Object.keys(result.waits).length })
        : "",
      ...result.let_go.map((u) => t("job.letgo", { repair: u.repair, donor: u.with })),
      ...result.wall_faults.map(([repair, problem]) => `; ${repair}: ${problem}`),
    ].join("");
  if (kind === "papers")
    return (
      t("job.papers", { made: result.made.length, same: result.unchanged.length }) +
      (Object.keys(result.failed).length
        ? t("job.failed", { n: Object.keys(result.failed).length })
        : "")
    );
  if (kind === "plan" && result.unconfirmed) return t("job.unconfirmed", { n: result.unconfirmed });
  return "";
}

async function follow(id) {
  for (;;) {
    await new Promise((resolve) => setTimeout(resolve, 350));
    try {
      job.value = await ask(`/api/jobs/${id}`);
    } catch {
      continue;
    }
    if (job.value.state !== "running") {
      const { state, kind, error } = job.value;
      notice.value =
        state === "done"
          ? { text: t("job.done", { name: t(`job.name.${kind}`) }) + outcome(job.value) }
          : state === "stopped"
            ? { text: t("job.stopped", { name: t(`job.name.${kind}`) }) }
            : { text: `${error.problem}. ${error.remedy}`, bad: true };
      return job.value;
    }
  }
}

export async function stopJob() {
  job.value = await ask(`/api/jobs/${job.value.id}/stop`, { method: "POST" });
}

/** Content of a file as a job takes it. */
export async function base64Of(/** @type {File} */ file) {
  const bytes = new Uint8Array(await file.arrayBuffer());
  let text = "";
  for (let i = 0; i < bytes.length; i += 0x8000)
    text += String.fromCharCode(...bytes.subarray(i, i + 0x8000));
  return btoa(text);
}
