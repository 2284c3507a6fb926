// Before something goes on which other things depend: what goes with it, what stays, what cannot be.

import { shown } from "../data/names.js";
import { dialog } from "../data/view.js";
import { removeAfterAll } from "../drawing/deleting.js";
import { Dialog } from "../parts/Dialogs.jsx";
import { t } from "../words/texts.js";

const MOST = 8;

/** @param {{ list: Consequences["refused"] }} props */
function Refused({ list }) {
  return (
    <>
      <p>{t("delete.refused", { n: list.length })}</p>
      <ul class="plain-list">
        {list.slice(0, MOST).map((r) => (
          <li key={`${r.table}|${r.id}`}>
            <strong>{shown(r.id)}</strong>: {r.problem}. {r.remedy}
          </li>
        ))}
      </ul>
    </>
  );
}

/** @param {{changes: Change[], told: Consequences | null}} props */
export function Deleting({ changes, told }) {
  const close = () => {
    dialog.value = null;
  };
  const refused = told?.refused ?? [];
  return (
    <Dialog
      title={t("delete.title", {
        what: changes.length === 1 ? shown(changes[0].id) : t("many", { n: changes.length }),
      })}
      onClose={close}
    >
      {!told && <p>{t("delete.offline")}</p>}
      {refused.length > 0 && <Refused list={refused} />}
      {told && told.text.length > 0 && !refused.length && (
        <>
          <p>{t("delete.follows")}</p>
          <ul class="plain-list">
            {told.text.map((line) => (
              <li key={line}>{line}</li>
            ))}
          </ul>
        </>
      )}
      <footer class="actions">
        <button type="button" class="main" onClick={close} autofocus>
          {t("delete.keep")}
        </button>
        {!refused.length && (
          <button type="button" class="danger" onClick={() => removeAfterAll({ changes, told })}>
            {t("delete.do")}
          </button>
        )}
      </footer>
    </Dialog>
  );
}
