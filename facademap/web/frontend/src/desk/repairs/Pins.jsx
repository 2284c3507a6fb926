import { edit } from "../data/edits.js";
import { may } from "../data/reviewer.js";
import { length, units } from "../data/settings.js";
import { tool } from "../data/view.js";
import { addPin, canBeShaped, movePins } from "../drawing/cutout.js";
import { cornersOf } from "../geometry/shapes.js";
import { Entry, fromMetres, lengthFault, toMetres } from "../parts/fields.jsx";
import { t } from "../words/texts.js";

/** The rule of a cut-out that a person drew; planning leaves it as it is. */
const BY_HAND = "drawn by hand";
const WIDEST_JOINT_M = 0.06;
/** A small length as it is typed; millimetres with one place always. */
const jointFault = (/** @type {string} */ text) => {
  const m = toMetres(text);
  if (m === undefined || m === null) return t("refuse.length");
  return m >= 0 && m <= WIDEST_JOINT_M ? "" : t("refuse.most", { n: length(WIDEST_JOINT_M) });
};
const typed = (/** @type {number} */ m) =>
  units.value === "mm" ? (m * 1000).toFixed(1) : fromMetres(m);

const AXES = /** @type {const} */ (["u_m", "v_m"]);

/** @param {{ row: Repair, piece: Piece | null }} props */
export function Pins({ row, piece }) {
  const edges = row.edges ?? [];
  const kinds = row.edge_kinds ?? [];
  const pins = row.pins ?? [];
  if (!edges.length && !pins.length) return null;
  const open = canBeShaped(row) && may("design");
  const unit = t(`units.${units.value}`);
  const setJoint = (/** @type {number} */ i, /** @type {string} */ text) => {
    const m = toMetres(text);
    if (typeof m !== "number" || !(m >= 0 && m <= WIDEST_JOINT_M)) return;
    edit(t("what.joint", { id: row.id }), [
      {
        op: "update",
        table: "repairs",
        id: row.id,
        values: { edges: edges.map((e, k) => (k === i ? m : e)) },
      },
    ]);
  };
  const corners = piece?.geometry ? cornersOf(piece.geometry).map((c) => c.at) : [[0, 0]];
  const corner = [0, 1].map((k) => Math.min(...corners.map((at) => at[k])));
  /** @type {(i: number, axis: typeof AXES[number], text: string) => void} */
  const place = (i, axis, text) => {
    const m = toMetres(text);
    if (typeof m === "number")
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
                      check={jointFault}
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
                {AXES.map((axis, k) => (
                  <td key={axis}>
                    {open ? (
                      <Entry
                        aria-label={t(k ? "pin.up.of" : "pin.right.of", { n: i + 1, unit })}
                        inputMode="decimal"
                        value={typed(p[axis] - corner[k])}
                        check={lengthFault}
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
