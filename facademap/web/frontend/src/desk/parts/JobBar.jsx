// Long work for the whole project: started, followed, stopped.
import { Fragment } from "preact";
import { rowsOf } from "../data/data.js";
import { job, startJob, stopJob } from "../data/jobs.js";
import { isReviewer, may } from "../data/reviewer.js";
import { fromWall, matchSeconds } from "../data/settings.js";
import { t } from "../words/texts.js";

/** @param {{ kinds?: JobKind[] }} props */
export function JobBar({ kinds: wanted = ["plan", "match"] }) {
  if (isReviewer()) return null;
  const now = job.value;
  if (now?.state === "running") {
    return (
      <div class="job" role="status">
        <span>
          {t(`job.name.${now.kind}`)} … {Math.round((now.fraction ?? 0) * 100)} %
        </span>
        <progress
          max="1"
          value={now.fraction || undefined}
          aria-label={t(`job.name.${now.kind}`)}
        />
        <button type="button" onClick={stopJob}>
          {t("job.stop")}
        </button>
      </div>
    );
  }
  const kinds = may("design") ? wanted : [];
  const inTheWall = rowsOf("blocks").some((b) => b.state === "future" && b.after_repair);
  const time = { time_limit_s: matchSeconds.value, donors: inTheWall && fromWall.value };
  const planned = rowsOf("plans").some((p) => p.current);
  return (
    <div class="job">
      {kinds.map((kind) =>
        kind !== "match" ? (
          <button type="button" key={kind} onClick={() => startJob(kind)}>
            {t(`job.do.${kind}`)}
          </button>
        ) : (
          <Fragment key={kind}>
            <button type="button" onClick={() => startJob(kind, time)}>
              {t("job.do.match")}
            </button>
            {planned && (
              <button
                type="button"
                title={t("job.about.again")}
                onClick={() => startJob(kind, { ...time, again: true })}
              >
                {t("job.do.again")}
              </button>
            )}
            <select
              class="seconds"
              aria-label={t("match.seconds")}
              title={t("match.seconds")}
              value={matchSeconds.value}
              onChange={(e) => {
                matchSeconds.value = Number(e.currentTarget.value);
              }}
            >
              {[...new Set([10, 20, 60, 300, matchSeconds.value])]
                .sort((x, y) => x - y)
                .map((n) => (
                  <option key={n} value={n}>
                    {t("match.upto", {
                      time: n < 60 ? t("seconds", { n }) : t("minutes", { n: n / 60 }),
                    })}
                  </option>
                ))}
            </select>
            {inTheWall && (
              <label class="check" title={t("match.about.wall")}>
                <input
                  type="checkbox"
                  checked={fromWall.value}
                  onChange={(e) => {
                    fromWall.value = e.currentTarget.checked;
                  }}
                />{" "}
                {t("match.wall")}
              </label>
            )}
          </Fragment>
        ),
      )}
    </div>
  );
}
