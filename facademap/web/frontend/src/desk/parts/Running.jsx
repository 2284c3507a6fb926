// What the server works on while this page waits, with a way to stop it: the longest in one line, the others on demand, so
// that little of the wall lies under it.
import { isReviewer } from "../data/reviewer.js";
import { running, stopRunning } from "../data/running.js";
import { tool } from "../data/view.js";
import { t } from "../words/texts.js";

const STILL = new Set(["select", "box", "lasso", "pan"]);

/** @param {{ work: typeof running.value[number] }} props */
function Line({ work }) {
  return (
    <li>
      <span>
        {t(`running.${work.task}`)} … {t("seconds", { n: Math.round(work.seconds) })}
      </span>
      <button type="button" onClick={() => void stopRunning(work.id)}>
        {t("job.stop")}
      </button>
    </li>
  );
}

export function Running() {
  // whoever draws would meet the button with a corner meant for the wall
  if (!running.value.length || isReviewer() || !STILL.has(tool.value)) return null;
  const [first, ...others] = running.value;
  return (
    <div class="running" role="group" aria-label={t("running")}>
      <ul>
        <Line key={first.id} work={first} />
      </ul>
      {others.length > 0 && (
        <details>
          <summary>{t("running.more", { n: others.length })}</summary>
          <ul>
            {others.map((work) => (
              <Line key={work.id} work={work} />
            ))}
          </ul>
        </details>
      )}
    </div>
  );
}
