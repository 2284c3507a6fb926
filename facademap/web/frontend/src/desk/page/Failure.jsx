// The page when there is no desk to show.
import { t } from "../words/texts.js";

export function Failure({ error }) {
  return (
    <div class="failure">
      <h1>{t("fail.title")}</h1>
      <p>{error.problem || t("fail.problem")}</p>
      <p>{error.remedy || t("fail.remedy")}</p>
      <button type="button" onClick={() => location.reload()}>
        {t("fail.again")}
      </button>
    </div>
  );
}
