// Photos on their way: taken on a phone, kept here, sent in their turn; seen from here until they have arrived.
import { signal } from "@preact/signals";
import { t } from "../words/texts.js";
import { ask, q } from "./api.js";
import { loadTable } from "./data.js";
import { isNew, newId, newKey } from "./keys.js";
import { post, refused, rename, sendKind, waiting } from "./outbox.js";
import { who } from "./settings.js";

/** @type {Map<string, string>} */
const addresses = new Map();
const arrived = signal(/** @type {Record<string, string>} */ ({}));
/** @type {Map<string, ((id: string | null) => void)[]>} */
const waiters = new Map();

/** What a camera is asked for; named one by one, so that a phone hands over JPEG in place of a format of its own. */
export const PICTURES = "image/jpeg,image/png,image/webp,image/tiff";
const PHONE_FORMATS = /^ftyp(hei|hev|mif|msf|avi)/;

/** Why a file cannot be used as a photo, as the key of a text; nothing where it can. Its first bytes tell, not its name. */
export async function readable(/** @type {Blob} */ file) {
  const head = new Uint8Array(
    await file
      .slice(0, 12)
      .arrayBuffer()
      .catch(() => new ArrayBuffer(0)),
  );
  const word = (/** @type {number} */ from, /** @type {number} */ to) =>
    String.fromCharCode(...head.slice(from, to));
  if (PHONE_FORMATS.test(word(4, 12))) return "photo.heic";
  const known =
    (head[0] === 0xff && head[1] === 0xd8) ||
    word(1, 4) === "PNG" ||
    word(8, 12) === "WEBP" ||
    ["II*\0", "MM\0*", "II+\0", "MM\0+"].includes(word(0, 4));
  return known ? "" : "photo.unknown";
}

/**
 * Keep a photo and put it into the line; returns the name it has until it arrives.
 * @param {File} file
 * @param {{subject?: string, name?: string, surface?: string}} [options]
 */
export function takePhoto(file, { subject = "record", name = file.name, surface = "" } = {}) {
  const id = newId();
  void post({
    key: newKey(),
    kind: "photo",
    photo: id,
    what: t("what.photo", { name }),
    who: who.value || "surveyor",
    at: new Date().toISOString(),
    madeAt: Date.now(),
    blob: file,
    type: file.type || "image/jpeg",
    subject,
    name,
    surface,
  });
  return id;
}

sendKind("photo", {
  send: ({ blob, type, subject, name, surface, who: author }) =>
    ask(`/api/photos?subject=${subject}&name=${q(name)}&who=${q(author)}&surface=${q(surface)}`, {
      method: "POST",
      raw: blob,
      type,
    }),
  async settle({ photo }, { id }) {
    arrived.value = { ...arrived.value, [photo]: id };
    await rename(photo, id);
    await loadTable("photos").catch(() => {});
    for (const tell of waiters.get(photo) ?? []) tell(id);
    waiters.delete(photo);
  },
  async refused({ photo }) {
    // what was to show it goes on without it; the photo itself stays in the list of what was refused
    await rename(photo, null);
    for (const tell of waiters.get(photo) ?? []) tell(null);
    waiters.delete(photo);
  },
});

/**
 * Its number in the project, once it has one; null when it was refused.
 * @param {string} id
 * @returns {Promise<string | null>}
 */
export const photoStored = (id) =>
  isNew(id) && !arrived.value[id]
    ? new Promise((tell) => {
        waiters.set(id, [...(waiters.get(id) ?? []), tell]);
      })
    : Promise.resolve(arrived.value[id] ?? id);

/** Where a photo can be seen, also before the server has it. */
export function photoAddress(/** @type {string} */ id, /** @type {number} */ size) {
  if (!isNew(id) || arrived.value[id])
    return `/pictures/photo?id=${q(arrived.value[id] ?? id)}&size=${size}`;
  let address = addresses.get(id);
  if (!address) {
    const item = [...waiting.value, ...refused.value].find(
      (i) => i.kind === "photo" && i.photo === id,
    );
    if (item?.kind !== "photo" || !item.blob) return "";
    address = URL.createObjectURL(item.blob);
    addresses.set(id, address);
  }
  return address;
}
