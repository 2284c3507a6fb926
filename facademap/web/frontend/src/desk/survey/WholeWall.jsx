// Where nothing is selected: have all stones or the damage of the wall in view proposed, and follow how far that is.
import { rowOf, surface } from "../data/data.js";
import { job, stopJob } from "../data/jobs.js";
import { lacksNetworks } from "../drawing/assist.js";
import { isProposing, proposeDamage, proposeWall } from "../drawing/wholeWall.js";
import { t } from "../words/texts.js";

export function WholeWall() {
  if (isProposing())
    return (
      <p role="status">
        {t(`job.name.${job.value.kind}`)} … {Math.round(100 * job.value.fraction)} %{" "}
        <button type="button" onClick={() => void stopJob()}>
          {t("job.stop")}
        </button>
      </p>
    );
  if (!rowOf("surfaces", surface.value)?.picture || job.value?.state === "running") return null;
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
