// What waits here for a connection, and what the server would not take: seen at any time, nothing hidden.

import { isNew } from "../data/keys.js";
import { forgetRefused, keeps, online, refused, tryAgain, waiting } from "../data/outbox.js";
import { photoAddress } from "../data/photos.js";
import { when } from "../data/settings.js";
import { dialog } from "../data/view.js";
import { Dialog } from "../parts/Dialogs.jsx";
import { t } from "../words/texts.js";

const changesOf = (/** @type {Item} */ item) => ("changes" in item ? item.changes : []);
const placesOf = (/** @type {Item} */ item) =>
  [...new Set(changesOf(item).map((c) => (isNew(c.id) ? t("new") : c.id)))].slice(0, 6).join(", ");
/** What was refused, to be kept elsewhere; of a photo all but the picture. */
const textOf = (/** @type {Item} */ item) =>
  JSON.stringify("changes" in item ? item.changes : { ...item, blob: undefined, kind: undefined });

/** @param {{ item: Item, children?: import("preact").ComponentChildren }} props */
function OneItem({ item, children = null }) {
  return (
    <li class="waits">
      {"blob" in item ? (
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

/** @param {{ item: Item }} props */
function RefusedItem({ item }) {
  const { problem, remedy, consequences } = item.refusal ?? { problem: "", remedy: "" };
  return (
    <OneItem item={item}>
      <p class="warn bad">
        {problem}. {remedy}
      </p>
      {consequences && consequences.text.length > 0 && (
        <ul class="plain-list">
          {consequences.text.map((line) => (
            <li key={line}>{line}</li>
          ))}
        </ul>
      )}
      <p class="acts">
        {consequences ? (
          <button type="button" onClick={() => tryAgain(item.key, consequences.seal)}>
            {t("delete.do")}
          </button>
        ) : (
          <button type="button" onClick={() => tryAgain(item.key)}>
            {t("refused.again")}
          </button>
        )}
        <button type="button" onClick={() => navigator.clipboard?.writeText(textOf(item))}>
          {t("refused.copy")}
        </button>
        <button type="button" class="danger" onClick={() => forgetRefused(item.key)}>
          {t("refused.forget")}
        </button>
      </p>
    </OneItem>
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
            <OneItem item={item} key={item.key} />
          ))}
        </ol>
      )}
      {out.length > 0 && (
        <>
          <h3>{t("refused.title", { n: out.length })}</h3>
          <ul class="history">
            {out.map((item) => (
              <RefusedItem item={item} key={item.key} />
            ))}
          </ul>
        </>
      )}
    </Dialog>
  );
}
