// Other languages: catalogues that lie in the project, taken before the page is drawn.
import { signal } from "@preact/signals";
import { useCatalogue } from "../words/texts.js";
import { ask, q } from "./api.js";
import { language } from "./settings.js";

/** Languages beside English, and what is wrong with files that hold none. */
export const languages = signal(
  /** @type {{languages: {tag: string, language: string}[], problems: string[]}} */ ({
    languages: [],
    problems: [],
  }),
);

/** Take the language that this person chose; without it, or without its file, the desk speaks English. */
export async function takeLanguage() {
  if (language.value === "en") return;
  try {
    const { tag, texts } = await ask(`/api/languages/${q(language.value)}`);
    useCatalogue(texts);
    document.documentElement.lang = tag;
  } catch {
    document.documentElement.lang = "en";
  }
}

export const learnLanguages = () =>
  ask("/api/languages").then(
    (a) => {
      languages.value = a;
    },
    () => {},
  );

/** Every word on the page changes, so the page is opened again; nothing that waits is lost by that. */
export function speak(/** @type {string} */ tag) {
  language.value = tag;
  location.reload();
}
