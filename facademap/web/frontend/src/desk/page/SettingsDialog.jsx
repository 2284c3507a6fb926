// Settings of this person on this machine: name, light, units, language; and who else may read.
import { useEffect } from "preact/hooks";
import { project } from "../data/data.js";
import { languages, learnLanguages, speak } from "../data/languages.js";
import { isReviewer, may } from "../data/reviewer.js";
import { language, ownUnits, theme, units, who } from "../data/settings.js";
import { dialog } from "../data/view.js";
import { Dialog } from "../parts/Dialogs.jsx";
import { ReviewerLinks } from "../parts/Review.jsx";
import { t } from "../words/texts.js";

/** A language is offered by its own name. */
const ENGLISH = "English";

export function SettingsDialog() {
  useEffect(() => {
    void learnLanguages();
  }, []);
  return (
    <Dialog
      title={t("settings")}
      onClose={() => {
        dialog.value = null;
      }}
      wide
    >
      <div class="form two">
        <div class="field">
          <label for="h-theme">{t("theme")}</label>
          <select
            id="h-theme"
            value={theme.value}
            onChange={(e) => {
              theme.value = e.currentTarget.value;
            }}
          >
            {["day", "sun", "dark"].map((n) => (
              <option key={n} value={n}>
                {t(`theme.${n}`)}
              </option>
            ))}
          </select>
        </div>
        <div class="field">
          <label for="h-units">{t("units")}</label>
          <select
            id="h-units"
            value={units.value}
            onChange={(e) => {
              ownUnits.value = e.currentTarget.value;
            }}
          >
            {["mm", "in"].map((n) => (
              <option key={n} value={n}>
                {t(`units.${n}`)}
              </option>
            ))}
          </select>
        </div>
        {languages.value.languages.length > 0 && (
          <div class="field">
            <label for="h-language">{t("language")}</label>
            <select
              id="h-language"
              value={language.value}
              onChange={(e) => speak(e.currentTarget.value)}
            >
              <option value="en" lang="en">
                {ENGLISH}
              </option>
              {languages.value.languages.map((l) => (
                <option key={l.tag} value={l.tag} lang={l.tag}>
                  {l.language}
                </option>
              ))}
            </select>
          </div>
        )}
        {!isReviewer() && (
          <label class="field">
            {t("name.label")}{" "}
            <input
              maxLength={60}
              value={who.value}
              readOnly={Boolean(project.value?.signed_in_as)}
              onInput={(e) => {
                who.value = e.currentTarget.value;
              }}
            />
          </label>
        )}
        {project.value?.signed_in_as && (
          <p class="field-act">
            <a href="/sign-ins">{t("sessions.show")}</a>
          </p>
        )}
      </div>
      {!isReviewer() &&
        languages.value.problems.map((p) => (
          <p class="warn" key={p}>
            {p}
          </p>
        ))}
      {may("administer") && !project.value?.role && <ReviewerLinks />}
    </Dialog>
  );
}
