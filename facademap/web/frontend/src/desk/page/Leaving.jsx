// Before a sketch of many corners is left.

import { dialog, tool } from "../data/view.js";
import { throwAway } from "../drawing/sketch.js";
import { Dialog } from "../parts/Dialogs.jsx";
import { t } from "../words/texts.js";

/** @param {{n: number}} props Corners that are drawn. */
export function Leaving({ n }) {
  const close = () => {
    dialog.value = null;
  };
  return (
    <Dialog title={t("leave.title", { n })} onClose={close}>
      <p>{t("leave.text")}</p>
      <footer class="actions">
        <button type="button" class="main" autofocus onClick={close}>
          {t("leave.stay")}
        </button>
        <button
          type="button"
          onClick={() => {
            close();
            tool.value = "select";
          }}
        >
          {t("leave.aside")}
        </button>
        <button
          type="button"
          class="danger"
          onClick={() => {
            close();
            throwAway();
          }}
        >
          {t("leave.do")}
        </button>
      </footer>
    </Dialog>
  );
}
