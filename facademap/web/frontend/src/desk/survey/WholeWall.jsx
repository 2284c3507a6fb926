// Where nothing is selected: have all stones or the damage of the wall in view proposed, and follow how far that is.
import { rowOf, surface } from "../data/data.js";
import { job, stopJob } from "../data/jobs.js";
import { lacksNetworks } from "../drawing/assist.js";
import { isProposing, proposeDamage, proposeWall } from "../drawing/wholeWall.js";
import { t } from "../words/texts.js";

export function WholeWall() {
  const now = job.value;
  if (now && isProposing())
    return (
      <p role="status">
        {t(`job.name.${now.kind}`)} … {Math.round(100 * (now.fraction ?? 0))} %{" "}
        <button type="button" onClick={() => void stopJob()}>
          {t("job.stop")}
        </button>
      </p>
    );
  if (!rowOf("surfaces", surface.value)?.picture || now?.state === "running") return null;
  if (lacksNetworks()) return <p class="quiet">{t("networks.none")}</p>;
  return (
    <p>
      <button type="button" title={t("stones.about")} onClick={() => void proposeWall()}>
        {t("job.do.stones")}
      </button>{" "}
      <button type="button" title={t("damage.about")} onClick={() => void proposeDamage()}>
        {t("job.do.damage")}
      </button>
    </p>
  );
}
