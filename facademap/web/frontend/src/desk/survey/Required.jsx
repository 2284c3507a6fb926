// What this project requires of its conditions.

import { requirable, requiredFields, requireFields } from "../data/shared.js";
import { dialog } from "../data/view.js";
import { Dialog } from "../parts/Dialogs.jsx";
import { t } from "../words/texts.js";

export function Required() {
  const required = requiredFields();
  const set = (/** @type {string} */ column, /** @type {boolean} */ on) =>
    requireFields(
      requirable()
        .map((f) => f.column)
        .filter((c) => (c === column ? on : required.includes(c))),
    );
  return (
    <Dialog
      title={t("required.title")}
      onClose={() => {
        dialog.value = null;
      }}
    >
      <p class="aside">{t("required.text")}</p>
      <div>
        {requirable().map((f) => (
          <label class="check" key={f.column}>
            <input
              type="checkbox"
              checked={required.includes(f.column)}
              onChange={(e) => set(f.column, e.currentTarget.checked)}
            />{" "}
            {t(`missing.${f.column}`)}
            {t(`required.of.${f.column}`) !== `required.of.${f.column}` && (
              <span class="aside"> {t(`required.of.${f.column}`)}</span>
            )}
          </label>
        ))}
      </div>
    </Dialog>
  );
}
