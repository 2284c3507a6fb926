// Papers that were made, and the cut ticket of one repair as it would be issued now.
import { useEffect, useState } from "preact/hooks";
import { ask, q, refusalIn } from "../data/api.js";
import { seq } from "../data/data.js";
import { notice } from "../data/edits.js";
import { job, startJob } from "../data/jobs.js";
import { may } from "../data/reviewer.js";
import { when, who } from "../data/settings.js";
import { t } from "../words/texts.js";
import { SheetAsked } from "./SheetAsked.jsx";

const REST_MS = 1500;
/**
 * A file of a paper.
 * @typedef {{ name: string, bytes: number, made_at: string, state?: string }} PaperFile
 * A paper that was made, and whether it still holds.
 * @typedef {{
 *   name: string, title: string, number?: string | null, state?: string, reasons?: string[], more?: number,
 *   files: PaperFile[],
 * }} PaperTold
 * A paper that was handed out.
 * @typedef {{
 *   number: string, title: string, made_at: string, state: string, why?: string,
 *   parts?: Record<string, unknown>, sheets_recalled?: Record<string, { why: string }>,
 * }} Registered
 * @typedef {{ papers: PaperTold[], stale?: number, register: Registered[] }} PapersTold
 */

const sized = (/** @type {number} */ bytes) =>
  bytes >= 1e6 ? `${(bytes / 1e6).toFixed(1)} MB` : `${Math.max(1, Math.round(bytes / 1e3))} kB`;
const address = (/** @type {string} */ name) => `/papers/${name.split("/").map(q).join("/")}`;

/**
 * Whether a paper still says what the project says; and why not.
 * @param {{ paper: PaperTold }} props
 */
function Standing({ paper }) {
  if (!paper.state || paper.state === "current") return null;
  return (
    <div class="standing">
      <span class="stale-mark">{t(`paper.${paper.state}`)}</span>
      {paper.reasons && paper.reasons.length > 0 && (
        <ul class="rows aside">
          {paper.reasons.map((r) => (
            <li key={r}>{r}</li>
          ))}
          {(paper.more ?? 0) > 0 && <li>{t("and.more", { n: paper.more })}</li>}
        </ul>
      )}
    </div>
  );
}

/** @param {{ paper: PaperTold }} props */
function Paper({ paper: p }) {
  const name = (
    <>
      {p.title} {p.number && <span class="aside">{p.number}</span>}{" "}
      {p.files.length > 4 && <span class="count">{p.files.length}</span>}
    </>
  );
  if (p.files.length > 4)
    return (
      <details open={p.state === "stale"}>
        <summary>{name}</summary>
        <Standing paper={p} />
        <Files files={p.files} />
      </details>
    );
  return (
    <div class="paper">
      <strong>{name}</strong>
      <Standing paper={p} />
      <Files files={p.files} />
    </div>
  );
}

/**
 * Every paper that was handed out, by its number; one that must not be used any more is recalled.
 * @param {{ list?: Registered[], load: () => void }} props
 */
function Register({ list, load }) {
  const [number, setNumber] = useState("");
  const [why, setWhy] = useState("");
  const [part, setPart] = useState("");
  const parts = Object.keys(list?.find((r) => r.number === number)?.parts ?? {});
  if (!list?.length) return null;
  const recall = async (/** @type {Event} */ event) => {
    event.preventDefault();
    try {
      const named = part ? `${number} ${part}` : number;
      const body = { number: named, why, who: who.value };
      await ask("/api/papers/recall", { method: "POST", body });
      setNumber("");
      setPart("");
      setWhy("");
    } catch (error) {
      notice.value = {
        text: refusalIn(error) || t("needs.server"),
        bad: true,
      };
    }
    load();
  };
  return (
    <details class="register">
      <summary>
        {t("papers.register")} <span class="count">{list.length}</span>
      </summary>
      <ul class="rows">
        {list.map((r) => (
          <li key={r.number}>
            <strong>{r.number}</strong> {r.title}{" "}
            <span class="aside">
              {when(r.made_at)} · {t(`paper.${r.state}`)}
              {r.why ? `: ${r.why}` : ""}
              {Object.entries(r.sheets_recalled ?? {}).map(([id, told]) => (
                <span key={id}>
                  {" "}
                  · {id} {t("paper.recalled")}: {told.why}
                </span>
              ))}
            </span>
            {r.state !== "recalled" && may("design") && (
              <button
                type="button"
                class="quiet"
                onClick={() => {
                  setNumber(r.number);
                  setPart("");
                }}
              >
                {t("papers.recall")}
              </button>
            )}
          </li>
        ))}
      </ul>
      {number && (
        <form class="inline" onSubmit={recall}>
          {parts.length > 0 && (
            <label class="field">
              {t("papers.recall.what")}{" "}
              <select value={part} onChange={(e) => setPart(e.currentTarget.value)}>
                <option value="">{t("papers.recall.whole")}</option>
                {parts.map((id) => (
                  <option key={id}>{id}</option>
                ))}
              </select>
            </label>
          )}
          <label class="field">
            {t("papers.recall.why", { number })}{" "}
            <input value={why} onInput={(e) => setWhy(e.currentTarget.value)} />
          </label>
          <button type="submit" class="danger" disabled={!why.trim()}>
            {t("papers.recall")}
          </button>
        </form>
      )}
    </details>
  );
}

export function Papers() {
  const [told, setTold] = useState(/** @type {PapersTold | null} */ (null));
  const last = job.value?.kind === "papers" ? job.value : null;
  const result = last?.state === "done" ? last.result : null;
  const load = () =>
    ask("/api/papers").then(setTold, () => {
      // without the server no paper is shown
    });
  useEffect(() => {
    const timer = setTimeout(() => void load(), told ? REST_MS : 0);
    return () => clearTimeout(timer);
  }, [last?.state, seq.value]);
  /** @type {Partial<PapersTold>} */
  const { papers, stale = 0, register } = told ?? {};
  return (
    <section class="papers" aria-label={t("papers")}>
      <h3>{t("papers")}</h3>
      <SheetAsked />
      {result &&
        Object.entries(result.failed ?? {}).map(([name, [problem, remedy]]) => (
          <p class="warn" key={name}>
            {name}: {problem}. {remedy}
          </p>
        ))}
      {result?.warnings && result.warnings.length > 0 && (
        <details class="cautions">
          <summary>{t("papers.notes", { n: result.warnings.length })}</summary>
          <ul>
            {result.warnings.map((w) => (
              <li key={w}>{w}</li>
            ))}
          </ul>
        </details>
      )}
      {papers && !papers.length && <p class="aside">{t("papers.none")}</p>}
      {stale > 0 && (
        <p class="warn" role="status">
          {t("papers.stale", { n: stale })}{" "}
          {may("design") && (
            <button type="button" onClick={() => void startJob("papers")}>
              {t("papers.again")}
            </button>
          )}
        </p>
      )}
      {papers?.map((p) => (
        <Paper paper={p} key={p.name} />
      ))}
      <Register list={register} load={load} />
    </section>
  );
}

/** @param {{ files: PaperFile[] }} props */
function Files({ files }) {
  return (
    <ul class="rows">
      {files.map((f) => (
        <li key={f.name}>
          <a href={address(f.name)} download={f.name.split("/").at(-1)}>
            {f.name}
          </a>{" "}
          <span class="aside">
            {sized(f.bytes)} · {when(f.made_at)}
          </span>{" "}
          {f.state && f.state !== "current" && (
            <span class="stale-mark">{t(`paper.${f.state}`)}</span>
          )}
        </li>
      ))}
    </ul>
  );
}

/**
 * The ticket is drawn when it is asked for, and again after every change.
 * @param {{ repair: string }} props
 */
export function Ticket({ repair }) {
  const [open, setOpen] = useState(false);
  const [state, setState] = useState("");
  const src = `/pictures/ticket?repair=${q(repair)}&at=${seq.value}`;
  useEffect(() => setState(""), [src]);
  return (
    <details open={open} onToggle={(e) => setOpen(e.currentTarget.open)}>
      <summary>{t("ticket")}</summary>
      {open && (
        <figure class="ticket-page">
          {state === "bad" ? (
            <p class="aside">{t("ticket.none")}</p>
          ) : (
            <a href={src} target="_blank" rel="noreferrer" title={t("ticket.large")}>
              <img
                src={src}
                alt={t("ticket.alt", { id: repair })}
                onLoad={() => setState("seen")}
                onError={() => setState("bad")}
              />
            </a>
          )}
          <figcaption>
            <a href={src} download={`ticket-${repair}.svg`}>
              {t("ticket.keep")}
            </a>{" "}
            <span class="aside">{t("ticket.note")}</span>
          </figcaption>
        </figure>
      )}
    </details>
  );
}
