// Plans of the matching: the list, and two of them side by side.
import { useEffect, useState } from "preact/hooks";
import { ask, q } from "./api.js";
import { hasPicture } from "./Closer.jsx";
import { rowsOf } from "./data.js";
import { Reviews } from "./Review.jsx";
import { t } from "./texts.js";
import { select } from "./view.js";
import { goTo } from "./wall.js";

const newestFirst = (plans) =>
  [...plans].sort((a, b) => String(b.made_at).localeCompare(String(a.made_at)));

export function Plans() {
  const plans = newestFirst(rowsOf("plans"));
  const [open, setOpen] = useState(false);
  if (!plans.length) return null;
  return (
    <section aria-label={t("plans")}>
      <h3>{t("plans")}</h3>
      <div class="scroll-x">
        <table class="plain">
          <thead>
            <tr>
              <th scope="col">{t("plan")}</th>
              <th scope="col">{t("plan.matched")}</th>
              <th scope="col">{t("plan.colour")}</th>
              <th scope="col">{t("plan.gap")}</th>
            </tr>
          </thead>
          <tbody>
            {plans.slice(0, 6).map((p) => (
              <tr key={p.id} class={p.current ? "on" : ""}>
                <th scope="row">
                  {p.id}
                  {p.current && ` · ${t("plan.now")}`}
                </th>
                <td>{t("of", { n: p.matched, all: p.matched + p.unmatched })}</td>
                <td>{p.mean_de00 == null ? "–" : p.mean_de00.toFixed(2)}</td>
                <td>
                  {p.status === "optimal"
                    ? t("plan.best")
                    : p.gap == null
                      ? "–"
                      : t("plan.within", { n: (p.gap * 100).toFixed(1) })}
                </td>
              </tr>
            ))}
          </tbody>
        </table>
      </div>
      {plans.length > 1 && (
        <button type="button" aria-expanded={open} onClick={() => setOpen(!open)}>
          {t("plans.compare")}
        </button>
      )}
      {open && plans.length > 1 && <Compare plans={plans} />}
      {plans
        .filter((p) => p.current)
        .map((p) => (
          <Reviews table="plans" id={p.id} key={p.id} />
        ))}
    </section>
  );
}

function Compare({ plans }) {
  const now = plans.find((p) => p.current) ?? plans[0];
  const [pair, setPair] = useState([plans.find((p) => p.id !== now.id).id, now.id]);
  const [found, setFound] = useState(null);
  const [problem, setProblem] = useState("");
  useEffect(() => {
    let gone = false;
    setFound(null);
    setProblem("");
    ask(`/api/plans/compare?first=${q(pair[0])}&second=${q(pair[1])}`).then(
      (a) => !gone && setFound(a),
      (e) => !gone && setProblem(e.problem ? `${e.problem}. ${e.remedy}` : t("needs.server")),
    );
    return () => {
      gone = true;
    };
  }, [pair[0], pair[1], now.id]);
  const choose = (i) => (
    <select
      aria-label={t(i ? "plans.second" : "plans.first")}
      value={pair[i]}
      onChange={(e) =>
        setPair(i ? [pair[0], e.currentTarget.value] : [e.currentTarget.value, pair[1]])
      }
    >
      {plans.map((p) => (
        <option key={p.id} value={p.id}>
          {p.id}
          {p.current ? ` · ${t("plan.now")}` : ""}
        </option>
      ))}
    </select>
  );
  return (
    <div class="plans-compare">
      {problem && (
        <p class="warn" role="alert">
          {problem}
        </p>
      )}
      <table class="plain">
        <thead>
          <tr>
            <th scope="col">
              <span class="visually-hidden">{t("figure")}</span>
            </th>
            <th scope="col">{choose(0)}</th>
            <th scope="col">{choose(1)}</th>
          </tr>
        </thead>
        {found && (
          <tbody>
            <Line name={t("plan.placed")} values={found.placed} better="more" />
            <Line name={t("plan.visual")} values={found.visual} digits={1} />
            <Line name={t("plan.opened")} values={found.opened_dm3} digits={0} unit="dm³" />
            <Line name={t("plan.blocks")} values={found.opened_blocks} />
          </tbody>
        )}
      </table>
      {found && (
        <p class="aside" role="status">
          {found.changes.length
            ? t("plans.changed", { n: found.changes.length, same: found.same })
            : t("plans.same")}
        </p>
      )}
      {found && (
        <ul class="plan-changes">
          {found.changes.map((c) => (
            <Change key={c.repair} change={c} plans={found.plans} />
          ))}
        </ul>
      )}
    </div>
  );
}

/** One figure of both plans; the better one is marked by more than its colour. */
function Line({ name, values, digits = 0, unit = "", better = "less" }) {
  const shown = values.map((v) => v.toFixed(digits));
  const wins = (i) => shown[0] !== shown[1] && (better === "more") === values[i] > values[1 - i];
  return (
    <tr>
      <th scope="row">{name}</th>
      {shown.map((v, i) => (
        <td key={i} class={wins(i) ? "better" : ""}>
          {v}
          {unit && ` ${unit}`}
          {wins(i) && <span class="aside"> {t("better")}</span>}
        </td>
      ))}
    </tr>
  );
}

const picture = (repair, place) =>
  `/pictures/in-wall?repair=${q(repair)}&face=${q(place.face)}&x=${place.x_m}&y=${place.y_m}&turn=${place.turn_deg}&slab=${place.slab}`;

function Change({ change, plans }) {
  const [open, setOpen] = useState(false);
  const sides = [change.first, change.second];
  return (
    <li>
      <p>
        <button
          type="button"
          class="link"
          onClick={() => {
            select("repairs", change.repair);
            goTo("repairs", change.repair);
          }}
        >
          {change.repair}
        </button>{" "}
        {t(`change.${change.what}`)}: {change.first.block ?? t("none")} →{" "}
        {change.second.block ?? t("none")}
        <button type="button" class="quiet" aria-expanded={open} onClick={() => setOpen(!open)}>
          {t(open ? "hide" : "see")}
        </button>
      </p>
      {open && (
        <div class="pair">
          {sides.map((s, i) => (
            <figure key={i}>
              {s.block && hasPicture(s.face) ? (
                <img
                  src={picture(change.repair, s)}
                  alt={t("plan.seen", { block: s.block, plan: plans[i] })}
                />
              ) : (
                <p class="no-picture">{t(s.block ? "no.picture" : `reason.${s.reason}`)}</p>
              )}
              <figcaption>
                {plans[i]}
                {s.block ? ` · ${s.block}` : ""}
              </figcaption>
            </figure>
          ))}
        </div>
      )}
    </li>
  );
}
