// Names as people read them.
import { isNew } from "./keys.js";
import { t } from "./texts.js";

/** The id of a row, or that it has none yet. */
export const shown = (id) => (isNew(id) ? t("new") : id);
export const title = (table) => t(`one.${table}`);
