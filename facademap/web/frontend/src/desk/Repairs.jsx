// One repair: what is decided, the cut-out with joints and pins, and the stone for it.
import { Fragment } from "preact";
import { useEffect, useState } from "preact/hooks";
import { ask, q } from "./api.js";
import { Closer, Score, hasPicture, inWall } from "./Closer.jsx";
import { entryOf, rowsOf, tickOf } from "./data.js";
import { edit } from "./edits.js";
import { addPin, canBeShaped, movePins } from "./cutout.js";
import { Entry, Facts, Field, fromMetres, toMetres } from "./fields.jsx";
import { job, startJob, stopJob } from "./jobs.js";
import { Papers, Ticket } from "./Papers.jsx";
import { Plans } from "./Plans.jsx";
import { FORMS, shown, useChange } from "./Record.jsx";
import { AllReviews, Reviews, isReviewer } from "./Review.jsx";
import { area, fromWall, leastSizes, length, matchSeconds, sizes, units } from "./settings.js";
import { t } from "./texts.js";
import { dialog, select, selection, tool } from "./view.js";
import { goTo } from "./wall.js";

export function Cautions({ list, open }) {
  if (!list?.length) return null;
  return (
    <details class="cautions" open={open}>
      <summary>{t("cautions", { n: list.length })}</summary>
      <ul>
        {list.map((c) => (
          <li key={c}>{c}</li>
        ))}
      </ul>
    </details>
  );
}

export function JobBar({ kinds = ["plan", "match"] }) {
  if (isReviewer()) return null;
  const now = job.value;
  if (now?.state === "running") {
    return (
      <div class="job" role="status">
        <span>
          {t(`job.name.${now.kind}`)} … {Math.round(now.fraction * 100)} %
        </span>
        <progress
          max="1"
          value={now.fraction || undefined}
          aria-label={t(`job.name.${now.kind}`)}
        />
        <button type="button" onClick={stopJob}>
          {t("job.stop")}
        </button>
      </div>
    );
  }
  const inTheWall = rowsOf("blocks").some((b) => b.state === "future" && b.after_repair);
  const time = { time_limit_s: matchSeconds.value, donors: inTheWall && fromWall.value };
  const planned = rowsOf("plans").some((p) => p.current);
  return (
    <div class="job">
      {kinds.map((kind) =>
        kind !== "match" ? (
          <button type="button" key={kind} onClick={() => startJob(kind)}>
            {t(`job.do.${kind}`)}
          </button>
        ) : (
          <Fragment key={kind}>
            <button type="button" onClick={() => startJob(kind, time)}>
              {t("job.do.match")}
            </button>
            {planned && (
              <button
                type="button"
                title={t("job.about.again")}
                onClick={() => startJob(kind, { ...time, again: true })}
              >
                {t("job.do.again")}
              </button>
            )}
            <select
              class="seconds"
              aria-label={t("match.seconds")}
              title={t("match.seconds")}
              value={matchSeconds.value}
              onChange={(e) => {
                matchSeconds.value = Number(e.currentTarget.value);
              }}
            >
              {[...new Set([10, 20, 60, 300, matchSeconds.value])]
                .sort((x, y) => x - y)
                .map((n) => (
                  <option key={n} value={n}>
                    {t("match.upto", {
                      time: n < 60 ? t("seconds", { n }) : t("minutes", { n: n / 60 }),
                    })}
                  </option>
                ))}
            </select>
            {inTheWall && (
              <label class="check" title={t("match.about.wall")}>
                <input
                  type="checkbox"
                  checked={fromWall.value}
                  onChange={(e) => {
                    fromWall.value = e.currentTarget.checked;
                  }}
                />{" "}
                {t("match.wall")}
              </label>
            )}
          </Fragment>
        ),
      )}
    </div>
  );
}

function chosenRepair() {
  const [first] = selection.value;
  if (!first) return null;
  if (first.table === "repairs") return entryOf("repairs", first.id)?.row ?? null;
  if (first.table === "pieces")
    return entryOf("repairs", entryOf("pieces", first.id)?.row.repair)?.row ?? null;
  if (first.table === "conditions")
    return rowsOf("repairs").find((r) => (r.conditions ?? []).includes(first.id)) ?? null;
  return rowsOf("repairs").find((r) => r.wall_stone === first.id) ?? null;
}

export function RepairSheet() {
  void tickOf("repairs").value;
  const row = chosenRepair();
  if (!row) return <Overview />;
  return <Repair row={row} key={row.id} />;
}

function Overview() {
  const repairs = rowsOf("repairs");
  const placed = new Set(rowsOf("placements").map((p) => p.repair));
  const pieces = rowsOf("pieces");
  const without = pieces.filter((p) => !placed.has(p.repair));
  const counts = {};
  for (const r of repairs) counts[r.treatment] = (counts[r.treatment] ?? 0) + 1;
  return (
    <div class="overview">
      <h2>{t("many.repairs")}</h2>
      <p class="aside">{t(repairs.length ? "repairs.choose" : "repairs.none")}</p>
      <JobBar kinds={["plan", "match", "papers"]} />
      {repairs.length > 0 && (
        <table class="plain">
          <caption class="visually-hidden">{t("treatments")}</caption>
          <tbody>
            {Object.entries(counts)
              .sort((a, b) => b[1] - a[1])
              .map(([n, c]) => (
                <tr key={n}>
                  <th scope="row">{n}</th>
                  <td>{c}</td>
                </tr>
              ))}
            <tr>
              <th scope="row">{t("removed")}</th>
              <td>{area(repairs.reduce((s, r) => s + (r.removed_area_m2 ?? 0), 0))}</td>
            </tr>
            <tr>
              <th scope="row">{t("pieces.placed")}</th>
              <td>{t("of", { n: pieces.length - without.length, all: pieces.length })}</td>
            </tr>
          </tbody>
        </table>
      )}
      {without.length > 0 && (
        <>
          <h3>{t("pieces.without")}</h3>
          <ul class="rows wanted">
            {without.map((p) => (
              <li key={p.id}>
                <button
                  type="button"
                  class="link"
                  onClick={() => {
                    select("repairs", p.repair);
                    goTo("repairs", p.repair);
                  }}
                >
                  {p.repair}
                </button>{" "}
                <span class="aside">
                  {p.unmatched_reason ? t(`reason.${p.unmatched_reason}`) : t("match.notyet")}
                  {p.source_size && (
                    <>
                      <br />
                      {t("look.for", { size: leastSizes(p.source_size) })}
                    </>
                  )}
                </span>
              </li>
            ))}
          </ul>
        </>
      )}
      <Plans />
      <AllReviews />
      <Papers />
    </div>
  );
}

function Repair({ row }) {
  const change = useChange();
  const piece = rowsOf("pieces").find((p) => p.repair === row.id) ?? null;
  const place = rowsOf("placements").find((p) => p.repair === row.id) ?? null;
  useEffect(() => {
    if (selection.value[0]?.table !== "repairs") select("repairs", row.id);
  }, [row.id]);
  return (
    <div class="repair">
      <header class="head">
        <h2>
          {t("one.repairs")} <span class="id">{shown(row.id)}</span>
        </h2>
        <div class="figures">
          <button type="button" class="quiet" onClick={() => goTo("repairs", row.id)}>
            {t("show")}
          </button>
          <span>{row.treatment}</span>
          <span class="stage">{row.stage}</span>
          <button
            type="button"
            class="quiet"
            onClick={() => {
              dialog.value = { kind: "history", table: "repairs", id: row.id };
            }}
          >
            {t("panel.history")}
          </button>
          <button
            type="button"
            class="quiet"
            onClick={() => {
              selection.value = [];
            }}
          >
            {t("repairs.all")}
          </button>
        </div>
      </header>
      {row.held_back && <p class="warn">{t("repair.waits", { why: row.held_back })}</p>}
      <Cautions list={row.cautions} />
      {(row.conditions ?? []).length > 0 && (
        <p>
          {t("repair.answers")}{" "}
          {row.conditions.map((c) => (
            <button
              type="button"
              class="link"
              key={c}
              onClick={() => {
                select("conditions", c);
                goTo("conditions", c);
              }}
            >
              {c} {entryOf("conditions", c)?.row.term ?? ""}
            </button>
          ))}
        </p>
      )}
      {row.note && <p class="said">{row.note}</p>}
      {piece && <Sketch row={row} piece={piece} />}
      {piece && <Stones row={row} piece={piece} place={place} />}
      <details open={!piece}>
        <summary>{t("decision")}</summary>
        <p class="aside">
          {t("rule.of", {
            rule: row.rule ?? "–",
            status: [row.rule_status ?? "–", row.rule_source].filter(Boolean).join(", "),
          })}
        </p>
        {isReviewer() ? (
          <Facts table="repairs" row={row} names={FORMS.repairs} />
        ) : (
          <div class="form">
            {FORMS.repairs
              .filter((n) => n !== "stage")
              .map((n) => (
                <Field
                  key={n}
                  table="repairs"
                  name={n}
                  value={row[n]}
                  onChange={(v) => change(n, v)}
                />
              ))}
          </div>
        )}
      </details>
      {piece && (
        <details>
          <summary>{t("one.pieces")}</summary>
          {isReviewer() ? (
            <Facts table="pieces" row={piece} names={FORMS.pieces} />
          ) : (
            <div class="form">
              {FORMS.pieces.map((n) => (
                <Field
                  key={n}
                  table="pieces"
                  name={n}
                  value={piece[n]}
                  readOnly={n === "unmatched_reason"}
                  onChange={(v) =>
                    edit(t("what.piece", { id: row.id }), [
                      { op: "update", table: "pieces", id: piece.id, values: { [n]: v } },
                    ])
                  }
                />
              ))}
            </div>
          )}
        </details>
      )}
      <Pins row={row} piece={piece} />
      {piece && !String(row.id).startsWith("new:") && <Ticket repair={row.id} />}
      <Reviews table="repairs" id={row.id} />
    </div>
  );
}

/** The cut-out as drawn: sides with their joints, pins, bed. */
function Sketch({ row, piece }) {
  const ring = row.geometry?.coordinates?.[0];
  if (!ring || row.geometry.type !== "Polygon") return null;
  const us = ring.map((p) => p[0]);
  const vs = ring.map((p) => p[1]);
  const [u0, u1, v0, v1] = [Math.min(...us), Math.max(...us), Math.min(...vs), Math.max(...vs)];
  const scale = Math.min(232 / (u1 - u0), 150 / (v1 - v0));
  const at = ([u, v]) => [54 + (u - u0) * scale, 16 + (v1 - v) * scale];
  const path = (r) =>
    r
      .map(
        (p, i) =>
          `${i ? "L" : "M"}${at(p)
            .map((x) => x.toFixed(1))
            .join(" ")}`,
      )
      .join("") + "Z";
  const inner = piece.geometry?.coordinates?.[0];
  const [w, h] = [(u1 - u0) * scale, (v1 - v0) * scale];
  return (
    <figure class="sketch">
      <svg
        viewBox={`0 0 340 ${h + 46}`}
        role="img"
        aria-label={t("cutout.size", {
          w: length(u1 - u0),
          h: length(v1 - v0),
          d: length(row.depth_m),
        })}
      >
        <path d={path(ring)} class="cut" />
        {inner && <path d={path(inner)} class="piece" />}
        {(row.pins ?? []).map((p, i) => {
          const [x, y] = at([p.u_m, p.v_m]);
          return (
            <g key={i}>
              <circle cx={x} cy={y} r="4" class="pin" />
              <path d={`M${x - 7} ${y}h14M${x} ${y - 7}v14`} class="pin" />
            </g>
          );
        })}
        {piece.bed !== "any" && (
          <path
            d={
              piece.bed === "edge"
                ? `M${54 + w / 2 + 12} ${16 + h * 0.75}v${-h * 0.5}`
                : `M${54 + w * 0.25} ${16 + h / 2 + 12}h${w * 0.5}`
            }
            class="bed"
          />
        )}
        <text x={54 + w / 2} y={h + 36} text-anchor="middle">
          {length(u1 - u0, { both: true })}
        </text>
        <text x={54 + w + 8} y={16 + h / 2}>
          {length(v1 - v0)}
        </text>
        <text x="0" y={16 + h / 2}>
          {length(row.depth_m)}
        </text>
        <text x="0" y={30 + h / 2} class="small">
          {t("deep")}
        </text>
      </svg>
      <figcaption class="aside">
        {t("one.pieces")} {sizes([piece.width_m, piece.height_m, piece.depth_m], 1)}
        {piece.weight_kg ? ` · ${piece.weight_kg.toFixed(1)} kg` : ""} ·{" "}
        {t("bed.of", { bed: piece.bed })}
        {piece.provisional ? ` · ${t("provisional")}` : ""}
      </figcaption>
    </figure>
  );
}

/** The rule of a cut-out that a person drew; planning leaves it as it is. */
const BY_HAND = "drawn by hand";
const WIDEST_JOINT_M = 0.06;
/** A small length as it is typed; millimetres with one place always. */
const typed = (m) => (units.value === "mm" ? (m * 1000).toFixed(1) : fromMetres(m));

function Pins({ row, piece }) {
  const edges = row.edges ?? [];
  const kinds = row.edge_kinds ?? [];
  const pins = row.pins ?? [];
  if (!edges.length && !pins.length) return null;
  const open = canBeShaped(row) && !isReviewer();
  const unit = t(`units.${units.value}`);
  const setJoint = (i, text) => {
    const m = toMetres(text);
    if (!(m >= 0 && m <= WIDEST_JOINT_M)) return;
    edit(t("what.joint", { id: row.id }), [
      {
        op: "update",
        table: "repairs",
        id: row.id,
        values: { edges: edges.map((e, k) => (k === i ? m : e)) },
      },
    ]);
  };
  const corner = piece?.geometry
    ? [
        Math.min(...piece.geometry.coordinates[0].map((c) => c[0])),
        Math.min(...piece.geometry.coordinates[0].map((c) => c[1])),
      ]
    : [0, 0];
  const place = (i, axis, text) => {
    const m = toMetres(text);
    if (Number.isFinite(m))
      movePins(
        row,
        pins.map((p, k) => (k === i ? { ...p, [axis]: corner[axis === "u_m" ? 0 : 1] + m } : p)),
      );
  };
  const faults = row.materials?.pins?.faults ?? [];
  return (
    <details open={tool.value === "modify"}>
      <summary>{t("pins")}</summary>
      {open ? (
        <p class="aside">{t("pins.hint")}</p>
      ) : (
        <p class="aside">{t("cutout.settled", { id: row.id, stage: row.stage })}</p>
      )}
      {edges.length > 0 && (
        <table class="plain">
          <thead>
            <tr>
              <th scope="col">{t("side")}</th>
              <th scope="col">{t("side.kind")}</th>
              <th scope="col">{t("side.joint", { unit: units.value })}</th>
            </tr>
          </thead>
          <tbody>
            {edges.map((e, i) => (
              <tr key={i}>
                <th scope="row">{i + 1}</th>
                <td>{kinds[i] ? t(`edge.${kinds[i]}`) : "–"}</td>
                <td>
                  {open ? (
                    <Entry
                      aria-label={t("side.joint.of", { n: i + 1, unit })}
                      inputMode="decimal"
                      value={typed(e)}
                      onCommit={(v) => setJoint(i, v)}
                    />
                  ) : (
                    typed(e)
                  )}
                </td>
              </tr>
            ))}
          </tbody>
        </table>
      )}
      {pins.length > 0 && (
        <table class="plain">
          <thead>
            <tr>
              <th scope="col">{t("pin")}</th>
              <th scope="col">{t("pin.right", { unit: units.value })}</th>
              <th scope="col">{t("pin.up", { unit: units.value })}</th>
              <th scope="col">
                <span class="visually-hidden">{t("pin.out")}</span>
              </th>
            </tr>
          </thead>
          <tbody>
            {pins.map((p, i) => (
              <tr key={i}>
                <th scope="row">
                  {i + 1}{" "}
                  <span class="aside">
                    {t("pin.text", {
                      rod: (p.rod_m * 1000).toFixed(0),
                      grade: p.grade ?? "",
                      deep: (p.embedment_m * 1000).toFixed(0),
                      angle: p.angle_deg,
                    })}
                  </span>
                </th>
                {["u_m", "v_m"].map((axis, k) => (
                  <td key={axis}>
                    {open ? (
                      <Entry
                        aria-label={t(k ? "pin.up.of" : "pin.right.of", { n: i + 1, unit })}
                        inputMode="decimal"
                        value={typed(p[axis] - corner[k])}
                        onCommit={(v) => place(i, axis, v)}
                      />
                    ) : (
                      typed(p[axis] - corner[k])
                    )}
                  </td>
                ))}
                <td>
                  {open && (
                    <button
                      type="button"
                      class="quiet"
                      aria-label={t("pin.out.of", { n: i + 1 })}
                      onClick={() =>
                        movePins(
                          row,
                          pins.filter((_, k) => k !== i),
                        )
                      }
                    >
                      ×
                    </button>
                  )}
                </td>
              </tr>
            ))}
          </tbody>
        </table>
      )}
      {faults.map((f) => (
        <p class="warn" key={f}>
          {f}
        </p>
      ))}
      {open && piece && (
        <p class="acts">
          <button type="button" onClick={() => addPin(row, piece)}>
            {t("pin.add")}
          </button>
          {row.rule === BY_HAND && (
            <button
              type="button"
              onClick={() =>
                edit(t("what.byrule", { id: row.id }), [
                  { op: "update", table: "repairs", id: row.id, values: { rule: null } },
                ])
              }
            >
              {t("cutout.byrule")}
            </button>
          )}
        </p>
      )}
    </details>
  );
}

const signed = (value, digits) => {
  const size = Math.abs(value).toFixed(digits);
  return `${Number(size) === 0 ? "±" : value > 0 ? "+" : "−"}${size}`;
};

/** What the whole plan becomes with the piece from another block; nothing is stored. */
function WhatIf({ repair, block }) {
  const [found, setFound] = useState(null);
  const [problem, setProblem] = useState("");
  useEffect(() => {
    let gone = false;
    ask(`/api/ranking/insist?repair=${q(repair)}&block=${q(block)}`).then(
      (a) => !gone && setFound(a),
      (e) => !gone && setProblem(e.problem ? `${e.problem}. ${e.remedy}` : t("needs.server")),
    );
    return () => {
      gone = true;
    };
  }, [repair, block]);
  if (problem)
    return (
      <p class="warn" role="alert">
        {problem}
      </p>
    );
  if (!found)
    return (
      <p class="aside" role="status">
        {t("whatif.wait")}
      </p>
    );
  const others = found.changes.filter((c) => c.repair !== repair);
  return (
    <div class="whatif" role="status">
      <p>
        {t("whatif.found", {
          looks: signed(found.more_looks, 1),
          opened: signed(found.more_opened_dm3, 0),
          placed: signed(found.placed[1] - found.placed[0], 0),
        })}
      </p>
      {others.length ? (
        <ul>
          {others.map((c) => (
            <li key={c.repair}>
              {c.repair}: {c.first ?? t("none")} → {c.second ?? t("none")}
            </li>
          ))}
        </ul>
      ) : (
        <p class="aside">{t("whatif.alone")}</p>
      )}
    </div>
  );
}

const labColour = (lab) => {
  if (!lab) return "transparent";
  // CIELAB (D50) is a colour of the style sheet language as it stands
  return `lab(${lab[0]}% ${lab[1]} ${lab[2]})`;
};
export { labColour };

/** The repair with which a block comes out of the wall, while it is still in it. */
const inWallStill = (id) => {
  const block = entryOf("blocks", id)?.row;
  return block?.state === "future" ? block.after_repair : null;
};

function Stones({ row, piece, place }) {
  const [ranking, setRanking] = useState(null);
  const [problem, setProblem] = useState("");
  const [all, setAll] = useState(false);
  const [asked, setAsked] = useState("");
  const [closer, setCloser] = useState("");
  void tickOf("placements").value;
  useEffect(() => {
    let gone = false;
    ask(`/api/ranking?repair=${q(row.id)}`).then(
      (a) => !gone && setRanking(a),
      (e) => !gone && setProblem(e.problem ? `${e.problem}. ${e.remedy}` : t("ranking.offline")),
    );
    return () => {
      gone = true;
    };
  }, [
    row.id,
    piece.lock_block,
    JSON.stringify(piece.forbid_blocks),
    tickOf("placements").value,
    tickOf("blocks").value,
  ]);
  const set = (what, values) =>
    edit(what, [{ op: "update", table: "pieces", id: piece.id, values }]);
  const forbidden = piece.forbid_blocks ?? [];
  const planned = rowsOf("plans").some((p) => p.current);
  const assign = (f) =>
    set(t("what.assign", { block: f.block, id: row.id }), { lock_block: f.block });
  const faces =
    ranking?.faces.filter(
      (f) => all || f.fits || f.block === place?.block || f.block === piece.lock_block,
    ) ?? [];
  return (
    <section class="stones" aria-label={t("stone.for")}>
      <h3>
        {t("place.stone")}{" "}
        {place ? (
          <span class="count">{place.block}</span>
        ) : (
          <span class="aside">{t("none.yet")}</span>
        )}
      </h3>
      {piece.unmatched_reason && !place && (
        <p class="warn">
          {t("stone.without")} {t(`reason.${piece.unmatched_reason}`)}
        </p>
      )}
      {place && inWallStill(place.block) && (
        <p class="warn">{t("stone.inwall", { id: inWallStill(place.block) })}</p>
      )}
      <JobBar kinds={["match"]} />
      {problem && <p class="aside">{problem}</p>}
      {ranking && !faces.length && <p class="aside">{t("ranking.none")}</p>}
      <ol class="ranked">
        {faces.slice(0, 12).map((f) => {
          const chosen = place?.face === f.face;
          return (
            <li key={f.face} class={`${chosen ? "on" : ""} ${f.fits ? "" : "unfit"}`}>
              <button type="button" class="seen" onClick={() => setCloser(f.face)}>
                {hasPicture(f.face) ? (
                  <img
                    src={inWall(row.id, f, place)}
                    alt={t("block.seen", { block: f.block })}
                    loading="lazy"
                  />
                ) : (
                  <em class="no-picture">{t("no.picture")}</em>
                )}
                <span>{t("closer")}</span>
              </button>
              <div>
                <p>
                  <strong>{f.block}</strong> {chosen && <em>{place.state}</em>}{" "}
                  {piece.lock_block === f.block && <em>{t("locked")}</em>}{" "}
                  {forbidden.includes(f.block) && <em>{t("forbidden")}</em>}
                </p>
                <Score face={f} />
                {f.reasons.length > 0 && <p class="bad">{f.reasons.join("; ")}</p>}
                {f.used_by.length > 0 && (
                  <p class="aside">{t("used.by", { ids: f.used_by.join(", ") })}</p>
                )}
                {!isReviewer() && (
                  <p class="acts">
                    <button
                      type="button"
                      aria-pressed={piece.lock_block === f.block}
                      onClick={() =>
                        piece.lock_block === f.block
                          ? set(t("what.unlock", { block: f.block, id: row.id }), {
                              lock_block: null,
                            })
                          : assign(f)
                      }
                    >
                      {t(piece.lock_block === f.block ? "unlock" : "assign")}
                    </button>
                    <button
                      type="button"
                      aria-pressed={forbidden.includes(f.block)}
                      onClick={() =>
                        set(
                          t(forbidden.includes(f.block) ? "what.allow" : "what.forbid", {
                            block: f.block,
                            id: row.id,
                          }),
                          {
                            forbid_blocks: forbidden.includes(f.block)
                              ? forbidden.filter((b) => b !== f.block)
                              : [...forbidden, f.block],
                          },
                        )
                      }
                    >
                      {t(forbidden.includes(f.block) ? "allow" : "forbid")}
                    </button>
                    {planned && !chosen && f.fits && !piece.lock_block && (
                      <button
                        type="button"
                        aria-expanded={asked === f.face}
                        onClick={() => setAsked(asked === f.face ? "" : f.face)}
                      >
                        {t("whatif")}
                      </button>
                    )}
                    {chosen && place.state === "proposed" && (
                      <button
                        type="button"
                        onClick={() =>
                          edit(t("what.approve", { block: f.block, id: row.id }), [
                            {
                              op: "update",
                              table: "placements",
                              id: place.id,
                              values: { state: "approved" },
                            },
                          ])
                        }
                      >
                        {t("approve")}
                      </button>
                    )}
                    {chosen && place.state === "approved" && (
                      <button
                        type="button"
                        onClick={() =>
                          edit(t("what.open", { id: row.id }), [
                            {
                              op: "update",
                              table: "placements",
                              id: place.id,
                              values: { state: "proposed" },
                            },
                          ])
                        }
                      >
                        {t("open.again")}
                      </button>
                    )}
                  </p>
                )}
                {asked === f.face && <WhatIf repair={row.id} block={f.block} />}
              </div>
            </li>
          );
        })}
      </ol>
      {ranking && (
        <p>
          <button type="button" class="quiet" onClick={() => setAll(!all)}>
            {all ? t("ranking.fits") : t("ranking.all", { n: ranking.faces.length })}
          </button>
          {!isReviewer() && (
            <button
              type="button"
              class="quiet"
              onClick={() =>
                set(t("what.leave", { id: row.id }), {
                  lock_block: piece.lock_block === "-" ? null : "-",
                })
              }
            >
              {t(piece.lock_block === "-" ? "match.again" : "leave.without")}
            </button>
          )}
        </p>
      )}
      {closer && (
        <Closer
          repair={row.id}
          faces={ranking.faces}
          first={closer}
          place={place}
          locked={piece.lock_block}
          onAssign={assign}
          onClose={() => setCloser("")}
        />
      )}
      {piece.lock_block && piece.lock_block !== place?.block && (
        <p class="aside">{t("assign.later")}</p>
      )}
    </section>
  );
}
