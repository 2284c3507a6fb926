// What the server works on while this page waits, with a way to stop it.
import { isReviewer } from "../data/reviewer.js";
import { running, stopRunning } from "../data/running.js";
import { t } from "../words/texts.js";

export function Running() {
  if (!running.value.length || isReviewer()) return null;
  return (
    <ul class="running" aria-label={t("running")}>
      {running.value.map((r) => (
        <li key={r.id}>
          <span>
            {t(`running.${r.task}`)} … {t("seconds", { n: Math.round(r.seconds) })}
          </span>
          <button type="button" onClick={() => void stopRunning(r.id)}>
            {t("job.stop")}
          </button>
        </li>
      ))}
    </ul>
  );
}
