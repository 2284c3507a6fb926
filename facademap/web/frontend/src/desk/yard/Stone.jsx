// The yard: every salvaged block with its picture, colour, state and saw plan.
import { useState } from "preact/hooks";
import { entryOf, faceAddress, rowsOf } from "../data/data.js";
import { edit, newId, notice } from "../data/edits.js";
import { isNew } from "../data/keys.js";
import { shown } from "../data/names.js";
import { online } from "../data/outbox.js";
import { photoStored, takePhoto } from "../data/photos.js";
import { may } from "../data/reviewer.js";
import { length, sizes } from "../data/settings.js";
import { select, selection } from "../data/view.js";
import { enter } from "../drawing/places.js";
import { Facts, Field } from "../parts/fields.jsx";
import { JobBar } from "../parts/JobBar.jsx";
import { PhotoButton } from "../parts/PhotoButton.jsx";
import { goTo } from "../wall/wall.js";
import { t } from "../words/texts.js";
import { labColour } from "./colours.js";
import { MeasureFace } from "./MeasureFace.jsx";

/** Width of a letter as a share of its height, about. */
const LETTER = 0.68;
const facesOf = (/** @type {string} */ block) => rowsOf("faces").filter((f) => f.block === block);
const BLOCK_FORM = /** @type {const} */ ([
  "stone_type",
  "kind",
  "provenance",
  "location",
  "length_m",
  "height_m",
  "depth_m",
  "weight_kg",
  "state",
  "acceptance",
  "note",
]);
const FACE_FORM = /** @type {const} */ ([
  "usable_depth_m",
  "bed",
  "finish",
  "weathered",
  "wetness",
  "note",
]);

export function Blocks() {
  const [text, setText] = useState("");
  const [only, setOnly] = useState("");
  const chosen =
    selection.value[0]?.table === "blocks" ? entryOf("blocks", selection.value[0].id)?.row : null;
  const blocks = rowsOf("blocks");
  const places = rowsOf("placements");
  const asked = text.trim().toLowerCase();
  const shownBlocks = blocks.filter(
    (b) =>
      (!only || b.state === only || b.acceptance === only || b.stone_type === only) &&
      (!asked ||
        [b.id, b.stone_type, b.provenance, b.location, b.note].some((v) =>
          String(v ?? "")
            .toLowerCase()
            .includes(asked),
        )),
  );
  const add = () => {
    const id = newId();
    edit(t("what.block.new"), [
      {
        op: "insert",
        table: "blocks",
        id,
        values: {
          stone_type: blocks[0]?.stone_type ?? "stone",
          kind: "unknown",
          state: "available",
          acceptance: "to test",
          weight_status: "from density",
        },
      },
    ]);
    select("blocks", id);
  };
  return (
    <div class={`yard ${chosen ? "with-block" : ""}`}>
      <div class="yard-list">
        <header class="yard-head">
          <h2>
            {t("yard")}{" "}
            <span class="aside">{t("of", { n: shownBlocks.length, all: blocks.length })}</span>
          </h2>
          <input
            type="search"
            aria-label={t("block.find")}
            placeholder={t("block.find.hint")}
            value={text}
            onInput={(e) => setText(e.currentTarget.value)}
            onKeyDown={(e) => e.stopPropagation()}
          />
          <select
            aria-label={t("block.filter")}
            value={only}
            onChange={(e) => setOnly(e.currentTarget.value)}
          >
            <option value="">{t("all")}</option>
            <optgroup label={t("place.stone")}>
              {[...new Set(blocks.map((b) => b.stone_type))].map((n) => (
                <option key={n} value={n}>
                  {n}
                </option>
              ))}
            </optgroup>
            <optgroup label={t("state")}>
              {[...new Set(blocks.flatMap((b) => [b.state, b.acceptance]))].map((n) => (
                <option key={n} value={n}>
                  {n}
                </option>
              ))}
            </optgroup>
          </select>
          {may("yard") && (
            <button type="button" onClick={add}>
              {t("block.new")}
            </button>
          )}
          <JobBar kinds={["match"]} />
        </header>
        <ul class="cards">
          {shownBlocks.slice(0, 400).map((b) => {
            const faces = facesOf(b.id);
            const used = places.filter((p) => p.block === b.id).length;
            return (
              <li key={b.id}>
                <button
                  type="button"
                  class="card"
                  aria-pressed={chosen?.id === b.id}
                  onClick={() => select("blocks", b.id)}
                >
                  {faces[0]?.photo && !isNew(faces[0].id) ? (
                    <img src={faceAddress(faces[0].id, 240)} alt="" loading="lazy" />
                  ) : (
                    <span class="no-picture">{t("no.picture")}</span>
                  )}
                  <strong>
                    {shown(b.id)}{" "}
                    <i
                      class="colour"
                      style={{ background: labColour(faces[0]?.lab) }}
                      title={
                        faces[0]?.lab
                          ? `CIELAB ${faces[0].lab.map((v) => v.toFixed(1)).join(", ")}`
                          : t("no.colour")
                      }
                    />
                  </strong>
                  <span>{b.stone_type}</span>
                  <span class="aside">{sizes([b.length_m, b.height_m, b.depth_m])}</span>
                  <span class="aside">
                    {b.acceptance === "accepted" ? b.state : b.acceptance}
                    {used ? ` · ${t("pieces.n", { n: used })}` : ""}
                  </span>
                </button>
              </li>
            );
          })}
        </ul>
        {!shownBlocks.length && (
          <p class="aside">{t(blocks.length ? "none.found" : "yard.none")}</p>
        )}
      </div>
      {chosen && <OneBlock row={chosen} key={chosen.id} />}
    </div>
  );
}

/** @param {{ row: Block }} props */
function OneBlock({ row }) {
  const faces = facesOf(row.id);
  const [measured, setMeasured] = useState("");
  const photo = measured ? entryOf("photos", measured)?.row : null;
  const spare = rowsOf("photos").filter(
    (p) => p.subject === "block" && !rowsOf("faces").some((f) => f.photo === p.id),
  );
  const set = (/** @type {keyof Block} */ name, /** @type {unknown} */ value) =>
    edit(t("what.block", { id: row.id }), [
      { op: "update", table: "blocks", id: row.id, values: { [name]: value } },
    ]);
  const upload = async (/** @type {File} */ picture) => {
    const taken = takePhoto(picture, { subject: "block", name: `${row.id} ${picture.name}` });
    if (!online.value) notice.value = { text: t("face.kept") };
    const id = await photoStored(taken);
    if (id) setMeasured(id);
  };
  return (
    <aside class="block" aria-label={`${t("one.blocks")} ${row.id}`}>
      <header class="head">
        <h2>
          {t("one.blocks")} <span class="id">{shown(row.id)}</span>
        </h2>
        <button
          type="button"
          class="close icon"
          aria-label={t("close")}
          onClick={() => {
            selection.value = [];
          }}
        >
          ×
        </button>
      </header>
      {row.acceptance !== "accepted" && (
        <p class="warn">{t(row.acceptance === "rejected" ? "block.rejected" : "block.untested")}</p>
      )}
      {faces.map((f) => (
        <SawPlan face={f} key={f.id} />
      ))}
      {!faces.length && <p class="aside">{t("faces.none")}</p>}
      {may("yard") && (
        <p class="acts">
          <PhotoButton text={t("face.photograph")} onPhoto={upload} />
          {spare.length > 0 && (
            <select
              aria-label={t("face.from")}
              value=""
              onChange={(e) => setMeasured(e.currentTarget.value)}
            >
              <option value="">{t("face.from")}</option>
              {spare.map((p) => (
                <option key={p.id} value={p.id}>
                  {p.id}
                </option>
              ))}
            </select>
          )}
        </p>
      )}
      {photo && <MeasureFace block={row} photo={photo} onClose={() => setMeasured("")} />}
      {!may("yard") ? (
        <Facts table="blocks" row={row} names={BLOCK_FORM} />
      ) : (
        <div class="form">
          {BLOCK_FORM.map((n) => (
            <Field key={n} table="blocks" name={n} value={row[n]} onChange={(v) => set(n, v)} />
          ))}
        </div>
      )}
    </aside>
  );
}

/**
 * A face with its outline, flaws and what is to be cut from it: the saw plan.
 * @param {{ face: Face }} props
 */
function SawPlan({ face }) {
  const ring = face.outline ?? [];
  const xs = ring.map((p) => p[0]);
  const ys = ring.map((p) => p[1]);
  const [x0, x1, y0, y1] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)];
  const [w, h] = [x1 - x0, y1 - y0];
  const k = 1000;
  const path = (/** @type {Point[]} */ r) =>
    `${r
      .map(
        (p, i) => `${i ? "L" : "M"}${((p[0] - x0) * k).toFixed(1)} ${((y1 - p[1]) * k).toFixed(1)}`,
      )
      .join("")}Z`;
  const all = rowsOf("placements").filter((p) => p.face === face.id);
  const slabs = all[0]?.slab_thicknesses ?? [];
  const [slab, setSlab] = useState(0);
  const several = slabs.length > 1 && new Set(all.map((p) => p.slab)).size > 1;
  // one slab lies behind the other: each is drawn for itself
  const places = several ? all.filter((p) => (p.slab ?? 0) === slab) : all;
  const shown = several ? slab : (all[0]?.slab ?? 0);
  const front = slabs.slice(0, shown).reduce((sum, m) => sum + m, 0);
  const reaching = (face.flaws ?? []).filter(
    (f) =>
      (f.depth_m == null || f.depth_m > front) &&
      (!slabs.length || (f.from_m ?? 0) < front + (slabs[shown] ?? Infinity)),
  );
  const size = Math.max(w, h) * k;
  return (
    <figure class="face-plan">
      <svg
        viewBox={`${-size * 0.03} ${-size * 0.03} ${w * k + size * 0.06} ${h * k + size * 0.06}`}
        role="img"
        aria-label={t("face.about", { id: face.id, n: all.length })}
      >
        {face.photo && !isNew(face.id) && (
          <image
            href={faceAddress(face.id, 960)}
            x="0"
            y="0"
            width={w * k}
            height={h * k}
            preserveAspectRatio="none"
          />
        )}
        <path d={path(ring)} class="outline" stroke-width={size / 160} />
        {reaching.map((f, i) => (
          <path key={i} d={path(f.ring)} class="flaw" stroke-width={size / 200} />
        ))}
        {places.map((p) => {
          const blank = p.blank ?? [];
          const cx = blank.reduce((s, q2) => s + q2[0], 0) / (blank.length || 1);
          const cy = blank.reduce((s, q2) => s + q2[1], 0) / (blank.length || 1);
          return (
            <g key={p.id}>
              <path
                d={path(blank)}
                class={`blank ${p.state}`}
                stroke-width={size / 130}
                stroke-dasharray={p.slab ? `${size / 40} ${size / 70}` : undefined}
              />
              <text
                x={(cx - x0) * k}
                y={(y1 - cy) * k}
                text-anchor="middle"
                style={{
                  fontSize: `${Math.min(size / 19, ((Math.max(...blank.map((c) => c[0])) - Math.min(...blank.map((c) => c[0]))) * k) / (p.piece.length * LETTER))}px`,
                }}
                class="blank-name"
              >
                {p.piece}
              </text>
            </g>
          );
        })}
      </svg>
      {several && (
        <div class="slabs" role="group" aria-label={t("slabs.of", { id: face.id })}>
          {slabs.map((m, i) => (
            <button type="button" key={i} aria-pressed={slab === i} onClick={() => setSlab(i)}>
              {t("slab", { n: i + 1 })} <span class="thick">{length(m)}</span>
            </button>
          ))}
        </div>
      )}
      {shown > 0 && <p class="unseen">{t("slab.unseen", { n: shown + 1 })}</p>}
      <figcaption>
        <strong>{face.id}</strong>{" "}
        <span class="aside">
          {length(w)} × {length(h)} · {t("bed.of", { bed: face.bed === "x" ? "→" : face.bed })} ·{" "}
          {t("usable", { depth: length(face.usable_depth_m) })}
          {slabs.length > 1
            ? ` · ${t("slabs", { list: slabs.map((m) => length(m)).join(" + ") })}`
            : ""}
        </span>
        <span
          class="colour"
          style={{ background: labColour(face.lab) }}
          title={
            face.lab ? `CIELAB ${face.lab.map((v) => v.toFixed(1)).join(", ")}` : t("no.colour")
          }
        />
        {all.map((p) => (
          <button
            type="button"
            class="link"
            key={p.id}
            onClick={() => {
              enter("repairs");
              select("repairs", p.repair);
              goTo("repairs", p.repair);
            }}
          >
            {p.repair}
            {several ? ` (${t("slab", { n: (p.slab ?? 0) + 1 })})` : ""}
          </button>
        ))}
      </figcaption>
      <details>
        <summary>{t("one.faces")}</summary>
        {!may("yard") ? (
          <Facts table="faces" row={face} names={FACE_FORM} />
        ) : (
          <div class="form">
            {FACE_FORM.map((n) => (
              <Field
                key={n}
                table="faces"
                name={n}
                value={face[n]}
                onChange={(v) =>
                  edit(t("what.face", { id: face.id }), [
                    { op: "update", table: "faces", id: face.id, values: { [n]: v } },
                  ])
                }
              />
            ))}
          </div>
        )}
      </details>
    </figure>
  );
}
