// Papers that were made, and the cut ticket of one repair as it would be issued now.
import { useEffect, useState } from "preact/hooks";
import { ask, q } from "./api.js";
import { seq } from "./data.js";
import { job } from "./jobs.js";
import { when } from "./settings.js";
import { t } from "./texts.js";

const sized = (bytes) =>
  bytes >= 1e6 ? `${(bytes / 1e6).toFixed(1)} MB` : `${Math.max(1, Math.round(bytes / 1e3))} kB`;
const address = (name) => `/papers/${name.split("/").map(q).join("/")}`;

export function Papers() {
  const [papers, setPapers] = useState(null);
  const done = job.value?.kind === "papers" ? job.value.state : "";
  useEffect(() => {
    let gone = false;
    ask("/api/papers").then(
      (a) => !gone && setPapers(a.papers),
      () => {},
    );
    return () => {
      gone = true;
    };
  }, [done]);
  const result = done === "done" ? job.value.result : null;
  return (
    <section class="papers" aria-label={t("papers")}>
      <h3>{t("papers")}</h3>
      {result &&
        Object.entries(result.failed ?? {}).map(([name, [problem, remedy]]) => (
          <p class="warn" key={name}>
            {name}: {problem}. {remedy}
          </p>
        ))}
      {result?.warnings?.length > 0 && (
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
      {papers?.map((p) =>
        p.files.length > 4 ? (
          <details key={p.name}>
            <summary>
              {p.title} <span class="count">{p.files.length}</span>
            </summary>
            <Files files={p.files} />
          </details>
        ) : (
          <div key={p.name} class="paper">
            <strong>{p.title}</strong>
            <Files files={p.files} />
          </div>
        ),
      )}
    </section>
  );
}

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
          </span>
        </li>
      ))}
    </ul>
  );
}

/** The ticket is drawn when it is asked for, and again after every change. */
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
