// Two pictures of the wall beside each other: as it is, or with one block or another in the cut-out.
import { useState } from "preact/hooks";
import { q } from "../data/api.js";
import { entryOf, revOf } from "../data/data.js";
import { may } from "../data/reviewer.js";
import { t } from "../words/texts.js";
import { Dialog } from "./Dialogs.jsx";

/**
 * A face of a block as it was judged for a repair.
 * @typedef {{
 *   block: string, face: string, fits: boolean, de00: number | null, cost: number, reasons: string[],
 *   parts: Record<string, number>, spare_mm: number[], turn_deg: number, used_by: string[], seen: string,
 * }} RankedFace
 */

/**
 * The wall round a repair with a face in the cut-out; where it will be cut, once that is known.
 * @param {string} repair
 * @param {RankedFace} face
 * @param {Placement | null | undefined} place
 */
export const inWall = (repair, face, place) =>
  `/pictures/in-wall?repair=${q(repair)}&face=${q(face.face)}&at=${revOf("repairs", repair) ?? 0}-${revOf("faces", face.face) ?? 0}${place?.face === face.face ? `&x=${place.x_m}&y=${place.y_m}&turn=${place.rotation_deg}&slab=${place.slab ?? 0}` : `&turn=${face.turn_deg}`}`;
/**
 * Whether a face can be shown in the wall: one that nobody photographed cannot.
 * @param {string} id
 */
export const hasPicture = (id) => Boolean(entryOf("faces", id)?.row.photo_matrix);
const NOW = "";

/** @param {{ face: RankedFace }} props */
export function Score({ face }) {
  const parts = ["colour", "spread", "distribution", "grain", "finish"].filter(
    (name) => name in face.parts,
  );
  return (
    <dl class="parts" title={t("part.about")}>
      <div class="whole">
        <dt>{t("part.whole")}</dt>
        <dd>{face.cost.toFixed(1)}</dd>
      </div>
      {parts.map((name) => (
        <div key={name}>
          <dt>{t(`part.${name}`)}</dt>
          <dd>{name === "colour" && face.de00 === null ? "–" : face.parts[name].toFixed(1)}</dd>
        </div>
      ))}
      <div class="spare">
        <dt>{t("part.spare")}</dt>
        <dd>{face.spare_mm.map((m) => Math.round(m)).join(" · ")} mm</dd>
      </div>
    </dl>
  );
}

/**
 * @param {{
 *   repair: string, faces: RankedFace[], first: string, place?: Placement | null, locked?: string | null,
 *   onAssign: (face: RankedFace) => void, onClose: () => void,
 * }} props
 */
export function Closer({ repair, faces, first, place, locked, onAssign, onClose }) {
  const [pair, setPair] = useState([NOW, first]);
  const holds = new Set(faces.filter((f) => f.fits).map((f) => f.block));
  const side = (/** @type {0 | 1} */ i) => {
    const face = faces.find((f) => f.face === pair[i]);
    const shown = face ? hasPicture(face.face) && face : faces.find((f) => hasPicture(f.face));
    return (
      <figure key={i}>
        <select
          aria-label={t(i ? "closer.right" : "closer.left")}
          value={pair[i]}
          onChange={(e) =>
            setPair(i ? [pair[0], e.currentTarget.value] : [e.currentTarget.value, pair[1]])
          }
        >
          <option value={NOW}>{t("closer.now")}</option>
          {faces.map((f) => (
            <option key={f.face} value={f.face}>
              {f.block} · {f.face}
              {f.fits ? "" : ` (${t("closer.unfit")})`}
            </option>
          ))}
        </select>
        {shown ? (
          <img
            src={face ? inWall(repair, face, place) : `${inWall(repair, shown, place)}&now=1`}
            alt={face ? t("block.seen", { block: face.block }) : t("closer.now")}
          />
        ) : (
          <p class="no-picture">{t("no.picture")}</p>
        )}
        {face && (
          <figcaption>
            <Score face={face} />
            {face.seen && <p class="unseen">{face.seen}</p>}
            {face.reasons.length > 0 && <p class="bad">{face.reasons.join("; ")}</p>}
            {may("design") && (
              <button
                type="button"
                class="main"
                disabled={locked === face.block || !holds.has(face.block)}
                title={holds.has(face.block) ? undefined : t("assign.cannot")}
                onClick={() => {
                  onAssign(face);
                  onClose();
                }}
              >
                {locked === face.block ? t("locked") : t("closer.assign", { block: face.block })}
              </button>
            )}
          </figcaption>
        )}
      </figure>
    );
  };
  return (
    <Dialog title={t("closer.title", { id: repair })} onClose={onClose} wide="closer">
      <div class="closer-pair">
        {side(0)}
        {side(1)}
      </div>
    </Dialog>
  );
}
