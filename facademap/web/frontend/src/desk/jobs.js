// Long work on the server: started, followed, stopped from here.
import { signal } from "@preact/signals";
import { ask } from "./api.js";
import { notice } from "./edits.js";
import { who } from "./settings.js";

export const job = signal(null);

export async function startJob(kind, options = {}) {
  try {
    job.value = await ask("/api/jobs", { method: "POST", body: { kind, options, who: who.value } });
  } catch (error) {
    notice.value = { text: `${error.problem ?? "No answer"}. ${error.remedy ?? "Try again when the server is back."}`, bad: true };
    return null;
  }
  return follow(job.value.id);
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
      const { state, title, error } = job.value;
      notice.value = state === "done" ? { text: `Done: ${title}` } : state === "stopped" ? { text: `Stopped: ${title}; the project is as it was.` } : { text: `${error.problem}. ${error.remedy}`, bad: true };
      return job.value;
    }
  }
}

export async function stopJob() {
  job.value = await ask(`/api/jobs/${job.value.id}/stop`, { method: "POST" });
}
