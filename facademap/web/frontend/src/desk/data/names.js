// Names as people read them.

import { t } from "../words/texts.js";
import { isNew } from "./keys.js";

/** The id of a row, or that it has none yet. */
export const shown = (/** @type {string} */ id) => (isNew(id) ? t("new") : id);
export const title = (/** @type {TableName} */ table) => t(`one.${table}`);
