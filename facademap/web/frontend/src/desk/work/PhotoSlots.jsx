// The photo sequence of a repair: what was taken, what is missing, and a photo for the place that is chosen.
import { useState } from "preact/hooks";
import { overview, photosBySlot } from "../data/acts.js";
import { column, rowsOf } from "../data/data.js";
import { photoAddress, takePhoto } from "../data/photos.js";
import { may } from "../data/reviewer.js";
import { PhotoButton } from "../parts/PhotoButton.jsx";
import { t } from "../words/texts.js";

/** Places that make sense where nothing is cut out. */
const SURFACE = ["before", "after"];

/** @typedef {NonNullable<ReturnType<typeof import("../data/acts.js").workState>>} WorkState */
/** @typedef {WorkState["entries"][number]} Entered */

/**
 * `onPhoto(slot, photo)` enters a photo; one that is under way has its number on this device.
 * @param {{
 *   row: Repair, piece?: Piece, state: WorkState, onPhoto: (slot: string, photo: string) => void,
 * }} props
 */
export function PhotoSlots({ row, piece, state, onPhoto }) {
  const taken = photosBySlot(state.entries);
  const takenFor = (/** @type {string} */ name) => taken.get(name) ?? [];
  const slots = (overview.value.photos?.slots ?? []).filter(
    ({ name }) => piece || SURFACE.includes(name) || takenFor(name).length,
  );
  const [chosen, choose] = useState("");
  if (!slots.length) return null;
  const order = column("repairs", "stage")?.choices ?? [];
  const stage = order.indexOf(state.stage);
  const missed = (/** @type {typeof slots[number]} */ { name, before }) =>
    !takenFor(name).length && stage >= order.indexOf(before) && !(state.stage in WAITS);
  const filled = slots.filter(({ name }) => takenFor(name).length).length;
  const open = slots.find(({ name }) => !takenFor(name).length) ?? slots[slots.length - 1];
  const slot = chosen || open.name;
  const shoot = (/** @type {File} */ picture) => {
    const photo = takePhoto(picture, {
      subject: "record",
      name: `${row.id} ${slot} ${picture.name}`,
      surface: row.surface,
    });
    onPhoto(slot, photo);
    choose("");
  };
  return (
    <section class="slots">
      <h3>
        {t("slots")} <span class="count">{t("slots.of", { n: filled, all: slots.length })}</span>
      </h3>
      <ul>
        {slots.map((s) => (
          <li key={s.name}>
            <Slot
              name={s.name}
              photos={takenFor(s.name)}
              missed={missed(s)}
              chosen={s.name === slot}
              onChoose={() => choose(s.name)}
            />
          </li>
        ))}
      </ul>
      {may("work") && (
        <div class="slot-acts" role="group" aria-label={t("slots.photo", { slot })}>
          <strong>{slot}</strong>
          <PhotoButton text={t("photo.take")} onPhoto={shoot} />
          <Stored
            row={row}
            label={t("slots.stored.for", { slot })}
            onChoose={(photo) => {
              onPhoto(slot, photo);
              choose("");
            }}
          />
        </div>
      )}
    </section>
  );
}

/** Stages that stand at the end of the list without being far on. */
const WAITS = { "on hold": 1, redo: 1 };

/** @param {{ name: string, photos: Entered[], missed: boolean, chosen: boolean, onChoose: () => void }} props */
function Slot({ name, photos, missed, chosen, onChoose }) {
  const last = photos.at(-1);
  const told = last
    ? photos.length > 1
      ? t("slots.several", { n: photos.length })
      : ""
    : t(missed ? "slots.missing" : "slots.none");
  return (
    <button
      type="button"
      class={`slot${last ? "" : " open"}${missed ? " missed" : ""}`}
      aria-pressed={chosen}
      onClick={onChoose}
    >
      {last?.photo ? (
        <img src={photoAddress(last.photo, 240)} alt={t("slots.shown", { slot: name })} />
      ) : (
        <span class="gap">{told}</span>
      )}
      <span>
        {name}
        {last && told && <small> {told}</small>}
        {last?.waits && <small class="waits-mark"> {t("waits.here")}</small>}
      </span>
    </button>
  );
}

/**
 * A photo that the project has already.
 * @param {{ row: Repair, label: string, onChoose: (photo: string) => void }} props
 */
function Stored({ row, label, onChoose }) {
  const photos = rowsOf("photos").filter(
    (p) => p.subject === "record" && (!p.surface || p.surface === row.surface),
  );
  if (!photos.length) return null;
  return (
    <select
      aria-label={label}
      value=""
      onChange={(e) => {
        const photo = e.currentTarget.value;
        e.currentTarget.value = "";
        if (photo) onChoose(photo);
      }}
    >
      <option value="">{t("slots.stored")}</option>
      {photos.map((p) => (
        <option key={p.id} value={p.id}>
          {p.id} {p.path?.split("/").at(-1)}
        </option>
      ))}
    </select>
  );
}
