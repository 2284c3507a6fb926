// What waits here for a connection, and what the server would not take: seen at any time, nothing hidden.

import { isNew } from "../data/keys.js";
import { forgetRefused, keeps, online, refused, tryAgain, waiting } from "../data/outbox.js";
import { photoAddress } from "../data/photos.js";
import { when } from "../data/settings.js";
import { dialog } from "../data/view.js";
import { Dialog } from "../parts/Dialogs.jsx";
import { t } from "../words/texts.js";

const placesOf = (item) =>
  [...new Set((item.changes ?? []).map((c) => (isNew(c.id) ? t("new") : c.id)))]
    .slice(0, 6)
    .join(", ");
const textOf = ({ blob, kind, changes, body, ...rest }) =>
  JSON.stringify(kind === "edit" || changes ? changes : { ...rest, body });

function Item({ item, children = null }) {
  return (
    <li class="waits">
      {item.blob ? (
        <img src={photoAddress(item.photo, 96)} alt={t("waits.photo")} />
      ) : (
        <span class="waits-kind" aria-hidden="true">
          {t(`waits.kind.${item.kind ?? "edit"}`)}
        </span>
      )}
      <div>
        <p>
          <strong>{item.what}</strong> {placesOf(item)}
        </p>
        <p class="aside">
          {item.who} · {when(item.at)}
        </p>
        {children}
      </div>
    </li>
  );
}

export function Waiting() {
  const items = waiting.value;
  const out = refused.value;
  return (
    <Dialog
      title={t("waits.title")}
      onClose={() => {
        dialog.value = null;
      }}
      wide
    >
      <p>
        {!items.length
          ? t("waits.none")
          : online.value
            ? t("waits.sending", { n: items.length })
            : t("waits.offline", { n: items.length })}
        {!keeps.value && <strong> {t("waits.unkept")}</strong>}
      </p>
      {items.length > 0 && (
        <ol class="history">
          {items.slice(0, 200).map((item) => (
            <Item item={item} key={item.key} />
          ))}
        </ol>
      )}
      {out.length > 0 && (
        <>
          <h3>{t("refused.title", { n: out.length })}</h3>
          <ul class="history">
            {out.map((item) => (
              <Item item={item} key={item.key}>
                <p class="warn bad">
                  {item.refusal.problem}. {item.refusal.remedy}
                </p>
                {item.refusal.consequences?.text.length > 0 && (
                  <ul class="plain-list">
                    {item.refusal.consequences.text.map((line) => (
                      <li key={line}>{line}</li>
                    ))}
                  </ul>
                )}
                <p class="acts">
                  {item.refusal.consequences ? (
                    <button
                      type="button"
                      onClick={() => tryAgain(item.key, item.refusal.consequences.seal)}
                    >
                      {t("delete.do")}
                    </button>
                  ) : (
                    <button type="button" onClick={() => tryAgain(item.key)}>
                      {t("refused.again")}
                    </button>
                  )}
                  <button
                    type="button"
                    onClick={() => navigator.clipboard?.writeText(textOf(item))}
                  >
                    {t("refused.copy")}
                  </button>
                  <button type="button" class="danger" onClick={() => forgetRefused(item.key)}>
                    {t("refused.forget")}
                  </button>
                </p>
              </Item>
            ))}
          </ul>
        </>
      )}
    </Dialog>
  );
}
