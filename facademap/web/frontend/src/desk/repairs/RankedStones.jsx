import { useEffect, useState } from "preact/hooks";
import { ask, q, refusalIn } from "../data/api.js";
import { entryOf, rowsOf, tickOf } from "../data/data.js";
import { edit } from "../data/edits.js";
import { job, startJob } from "../data/jobs.js";
import { may } from "../data/reviewer.js";
import { matchSeconds } from "../data/settings.js";
import { Closer, hasPicture, inWall, Score } from "../parts/Closer.jsx";
import { JobBar } from "../parts/JobBar.jsx";
import { t } from "../words/texts.js";

/** @typedef {import("../parts/Closer.jsx").RankedFace} RankedFace */
/**
 * What becomes of a plan when a piece is to come from another block.
 * @typedef {{
 *   changes: { repair: string, first: string | null, second: string | null }[],
 *   more_looks: number, more_opened_dm3: number, placed: number[],
 * }} Insisted
 */

/** @type {(value: number, digits: number) => string} */
const signed = (value, digits) => {
  const size = Math.abs(value).toFixed(digits);
  return `${Number(size) === 0 ? "±" : value > 0 ? "+" : "−"}${size}`;
};

/**
 * What the whole plan becomes with the piece from another block; nothing is stored.
 * @param {{ repair: string, block: string }} props
 */
function WhatIf({ repair, block }) {
  const [found, setFound] = useState(/** @type {Insisted | null} */ (null));
  const [problem, setProblem] = useState("");
  useEffect(() => {
    let gone = false;
    ask(`/api/ranking/insist?repair=${q(repair)}&block=${q(block)}`).then(
      (a) => !gone && setFound(a),
      (e) => !gone && setProblem(refusalIn(e) || t("needs.server")),
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

/** So many faces are shown before all of them are asked for. */
const FIRST_FACES = 12;

/**
 * An assignment holds from the next matching on: that is the step to take, and it touches hardly anything else.
 * @param {{ planned: boolean }} props
 */
function MatchAgain({ planned }) {
  if (!may("design")) return <p class="aside">{t("assign.later")}</p>;
  const running = job.value?.state === "running";
  return (
    <div class="warn">
      <p>{t("assign.later")}</p>
      {running ? (
        <JobBar kinds={[]} />
      ) : (
        <button
          type="button"
          title={t("job.about.again")}
          onClick={() =>
            startJob("match", {
              time_limit_s: matchSeconds.value,
              ...(planned ? { again: true } : {}),
            })
          }
        >
          {t(planned ? "job.do.again" : "job.do.match.whole")}
        </button>
      )}
    </div>
  );
}

/** The repair with which a block comes out of the wall, while it is still in it. */
const inWallStill = (/** @type {string} */ id) => {
  const block = entryOf("blocks", id)?.row;
  return block?.state === "future" ? block.after_repair : null;
};

/** @param {{ row: Repair, piece: Piece, place: Placement | null }} props */
export function Stones({ row, piece, place }) {
  const [ranking, setRanking] = useState(/** @type {{ faces: RankedFace[] } | null} */ (null));
  const [problem, setProblem] = useState("");
  const [all, setAll] = useState(false);
  const [asked, setAsked] = useState("");
  const [closer, setCloser] = useState("");
  void tickOf("placements").value;
  useEffect(() => {
    let gone = false;
    ask(`/api/ranking?repair=${q(row.id)}`).then(
      (a) => !gone && setRanking(a),
      (e) => !gone && setProblem(refusalIn(e) || t("ranking.offline")),
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
  const set = (/** @type {string} */ what, /** @type {Partial<Piece>} */ values) =>
    edit(what, [{ op: "update", table: "pieces", id: piece.id, values }]);
  const forbidden = piece.forbid_blocks ?? [];
  const planned = rowsOf("plans").some((p) => p.current);
  const assign = (/** @type {RankedFace} */ f) =>
    set(t("what.assign", { block: f.block, id: row.id }), { lock_block: f.block });
  const faces =
    ranking?.faces.filter(
      (f) => all || f.fits || f.block === place?.block || f.block === piece.lock_block,
    ) ?? [];
  // a lock on a block where the piece cannot lie would only stop the next matching
  const holds = new Set(ranking?.faces.filter((f) => f.fits).map((f) => f.block));
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
      {problem && <p class="aside">{problem}</p>}
      {ranking && !faces.length && <p class="aside">{t("ranking.none")}</p>}
      <ol class="ranked">
        {faces.slice(0, all ? faces.length : FIRST_FACES).map((f) => {
          const chosen = place?.face === f.face ? place : null;
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
                  <strong>{f.block}</strong> {chosen && <em>{chosen.state}</em>}{" "}
                  {piece.lock_block === f.block && <em>{t("locked")}</em>}{" "}
                  {forbidden.includes(f.block) && <em>{t("forbidden")}</em>}
                </p>
                <Score face={f} />
                {f.seen && <p class="unseen">{f.seen}</p>}
                {f.reasons.length > 0 && <p class="bad">{f.reasons.join("; ")}</p>}
                {f.used_by.length > 0 && (
                  <p class="aside">{t("used.by", { ids: f.used_by.join(", ") })}</p>
                )}
                {may("design") && (
                  <p class="acts">
                    <button
                      type="button"
                      aria-pressed={piece.lock_block === f.block}
                      disabled={piece.lock_block !== f.block && !holds.has(f.block)}
                      title={holds.has(f.block) ? undefined : t("assign.cannot")}
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
                    {chosen?.state === "proposed" && (
                      <button
                        type="button"
                        onClick={() =>
                          edit(t("what.approve", { block: f.block, id: row.id }), [
                            {
                              op: "update",
                              table: "placements",
                              id: chosen.id,
                              values: { state: "approved" },
                            },
                          ])
                        }
                      >
                        {t("approve")}
                      </button>
                    )}
                    {chosen?.state === "approved" && (
                      <button
                        type="button"
                        onClick={() =>
                          edit(t("what.open", { id: row.id }), [
                            {
                              op: "update",
                              table: "placements",
                              id: chosen.id,
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
          {may("design") && (
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
      {closer && ranking && (
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
      {piece.lock_block && piece.lock_block !== place?.block && <MatchAgain planned={planned} />}
    </section>
  );
}
