// Control: pick points on a photo under a magnifier, type, read or tape their places, see what that proves, rectify.
import { useEffect, useMemo, useRef, useState } from "preact/hooks";
import { rowsOf, surface } from "../data/data.js";
import { edit, newId, notice } from "../data/edits.js";
import { base64Of, startJob } from "../data/jobs.js";
import { onRename } from "../data/outbox.js";
import { takePhoto } from "../data/photos.js";
import { Entry, lengthIn, metresFault } from "../parts/fields.jsx";
import { JobBar } from "../parts/JobBar.jsx";
import { PhotoButton } from "../parts/PhotoButton.jsx";
import { t } from "../words/texts.js";
import { ARROW_TIMES, PhotoView } from "./PhotoView.jsx";
import { judged } from "./points.js";
import { Rectify, useExtent } from "./Rectify.jsx";
import { Tape } from "./Tape.jsx";

const AXES = /** @type {const} */ (["u_m", "v_m"]);

export function Control() {
  const photos = rowsOf("photos").filter(
    (p) => p.subject === "elevation" && (!p.surface || p.surface === surface.value),
  );
  const [photoId, setPhotoId] = useState(photos[0]?.id ?? "");
  const photo = photos.find((p) => p.id === photoId) ?? photos[0] ?? null;
  const points = rowsOf("control_points").filter((p) => p.surface === surface.value);
  const seen = rowsOf("observations").filter((o) => o.photo === photo?.id);
  const [chosen, setChosen] = useState(points[0]?.id ?? "");
  // a new point gets its number when it arrives
  useEffect(
    () => onRename((from, to) => setChosen((now) => (now === from ? (to ?? "") : now))),
    [],
  );
  const result = useMemo(
    () => judged(points, seen, photo?.camera),
    [photo?.id, JSON.stringify(points), JSON.stringify(seen)],
  );
  const file = useRef(/** @type {HTMLInputElement | null} */ (null));
  const next = (/** @type {string} */ id) => {
    const open = points.filter((p) => !seen.some((o) => o.control_point === p.id) && p.id !== id);
    if (open[0]) setChosen(open[0].id);
  };
  const pick = (/** @type {Point} */ [x, y]) => {
    if (!chosen || !photo) {
      notice.value = { text: t("control.choose"), bad: true };
      return;
    }
    const old = seen.find((o) => o.control_point === chosen);
    const values = {
      x_px: Math.round(x * 100) / 100,
      y_px: Math.round(y * 100) / 100,
      du_m: null,
      dv_m: null,
    };
    if (old)
      edit(t("what.pick", { name: points.find((p) => p.id === chosen)?.name ?? "" }), [
        { op: "update", table: "observations", id: old.id, values },
      ]);
    else {
      edit(t("what.pick", { name: points.find((p) => p.id === chosen)?.name ?? "" }), [
        {
          op: "insert",
          table: "observations",
          id: newId(),
          values: { photo: photo.id, control_point: chosen, ...values },
        },
      ]);
      next(chosen);
    }
  };
  const add = () => {
    const id = newId();
    edit(t("what.point.new"), [
      {
        op: "insert",
        table: "control_points",
        id,
        values: {
          surface: surface.value,
          name: String(points.length + 1),
          role: "control",
          u_m: null,
          v_m: null,
          geometry: null,
        },
      },
    ]);
    setChosen(id);
  };
  const set = (/** @type {ControlPoint} */ p, /** @type {Partial<ControlPoint>} */ values) => {
    const row = { ...p, ...values };
    const geometry =
      row.u_m != null && row.v_m != null
        ? { type: "Point", coordinates: [row.u_m, row.v_m] }
        : null;
    edit(t("what.point", { name: p.name }), [
      { op: "update", table: "control_points", id: p.id, values: { ...values, geometry } },
    ]);
  };
  /** @param {import("preact").TargetedEvent<HTMLInputElement>} event */
  const read = async (event) => {
    const picked = event.currentTarget.files?.[0];
    if (!picked) return;
    const done = await startJob("control", {
      name: picked.name,
      content: await base64Of(picked),
      surface: surface.value,
    });
    if (done?.state === "done") {
      const { control, check, notes } = done.result;
      notice.value = { text: [t("what.points", { n: control + check }), ...notes].join(" · ") };
    } else if (done?.error)
      notice.value = { text: `${done.error.problem}. ${done.error.remedy}`, bad: true };
  };
  const mm = (/** @type {number | null} */ m) => (m === null ? "–" : `${(m * 1000).toFixed(1)} mm`);
  const exact = result.map && result.control === null;
  const area = useExtent(points, result);
  const takeOut = (/** @type {ControlPoint} */ p) => {
    const marks = rowsOf("observations").filter((o) => o.control_point === p.id);
    /** @type {Change[]} */
    const gone = marks.map((o) => ({ op: "delete", table: "observations", id: o.id }));
    edit(t("what.point.delete", { name: p.name }), [
      ...gone,
      { op: "delete", table: "control_points", id: p.id },
    ]);
  };
  const unpick = (/** @type {Observation} */ obs, /** @type {ControlPoint} */ p) =>
    edit(t("what.unpick", { name: p.name }), [{ op: "delete", table: "observations", id: obs.id }]);
  return (
    <div class="control">
      <div class="control-photo">
        {photo ? (
          <PhotoView
            photo={photo}
            result={result}
            chosen={chosen}
            onPick={area.drawing ? area.pick : pick}
            onChoose={area.drawing ? () => {} : setChosen}
            hull={result.hull}
            extent={area.inPhoto}
          />
        ) : (
          <div class="empty pad">
            <h2>{t("control.nophoto")}</h2>
            <p>{t("control.nophoto.hint")}</p>
          </div>
        )}
      </div>
      <aside class="control-list" aria-label={t("layer.control_points")}>
        <header class="head">
          <h2>{t("place.control")}</h2>
          {photos.length > 0 && (
            <select
              aria-label={t("photo")}
              value={photo?.id}
              onChange={(e) => setPhotoId(e.currentTarget.value)}
            >
              {photos.map((p) => (
                <option key={p.id} value={p.id}>
                  {p.id}
                </option>
              ))}
            </select>
          )}
          <p class="acts">
            <PhotoButton
              several
              text={t("control.photo.add")}
              onPhoto={(picture) =>
                takePhoto(picture, {
                  subject: "elevation",
                  name: picture.name,
                  surface: surface.value,
                })
              }
            />
          </p>
        </header>
        <p role="status">
          <strong>
            {t("role.control")} {mm(result.control)}
          </strong>{" "}
          ({result.n}) ·{" "}
          <strong>
            {t("role.check")} {mm(result.check)}
          </strong>
        </p>
        <p class={result.proof.proved ? "proof" : "proof not-proved"}>{result.proof.text}</p>
        <p class="aside">
          {result.n >= 4 &&
            t(photo?.camera ? "control.fit.lens" : "control.fit", { times: ARROW_TIMES })}{" "}
          {t("control.check")} {result.hull && t("control.outside")}
        </p>
        <div class="scroll-x">
          <table class="plain points">
            <thead>
              <tr>
                <th scope="col">{t("control.name")}</th>
                <th scope="col">u, m</th>
                <th scope="col">v, m</th>
                <th scope="col">{t("control.role")}</th>
                <th scope="col">{t("control.misses")}</th>
                <th scope="col" />
              </tr>
            </thead>
            <tbody>
              {result.found.map(({ point: p, obs, du, dv }) => (
                <tr key={p.id} class={chosen === p.id ? "on" : ""} onClick={() => setChosen(p.id)}>
                  <th scope="row">
                    <Entry
                      aria-label={t("control.name.of", { name: p.name })}
                      value={p.name}
                      onCommit={(v) => v.trim() && set(p, { name: v.trim() })}
                    />
                  </th>
                  {AXES.map((n) => (
                    <td key={n}>
                      <Entry
                        aria-label={t("control.axis.of", { axis: n[0], name: p.name })}
                        inputMode="decimal"
                        value={p[n] == null ? "" : String(p[n])}
                        check={metresFault}
                        onCommit={(v) => {
                          const x = lengthIn(v);
                          if (typeof x === "number") set(p, { [n]: x });
                        }}
                      />
                    </td>
                  ))}
                  <td>
                    <select
                      aria-label={t("control.role.of", { name: p.name })}
                      value={p.role}
                      onChange={(e) =>
                        set(p, {
                          role: /** @type {ControlPoint["role"]} */ (e.currentTarget.value),
                        })
                      }
                    >
                      <option value="control">{t("role.control")}</option>
                      <option value="check">{t("role.check")}</option>
                    </select>
                  </td>
                  <td>
                    {exact && obs && p.role !== "check" ? (
                      t("control.exact")
                    ) : du !== undefined && dv !== undefined ? (
                      `${(Math.hypot(du, dv) * 1000).toFixed(1)} mm`
                    ) : obs ? (
                      t("control.picked")
                    ) : (
                      <button type="button" class="link" onClick={() => setChosen(p.id)}>
                        {t("control.pick")}
                      </button>
                    )}
                  </td>
                  <td>
                    {obs && (
                      <button
                        type="button"
                        class="link"
                        aria-label={t("control.unpick.of", { name: p.name })}
                        title={t("control.unpick.of", { name: p.name })}
                        onClick={() => unpick(obs, p)}
                      >
                        ↺
                      </button>
                    )}{" "}
                    <button
                      type="button"
                      class="link"
                      aria-label={t("control.delete.of", { name: p.name })}
                      title={t("control.delete.of", { name: p.name })}
                      onClick={(e) => {
                        e.stopPropagation();
                        takeOut(p);
                      }}
                    >
                      ×
                    </button>
                  </td>
                </tr>
              ))}
            </tbody>
          </table>
        </div>
        <p class="acts">
          <button type="button" onClick={add}>
            {t("control.new")}
          </button>
          <input
            ref={file}
            type="file"
            accept=".csv,.txt,.tsv,.xlsx,.ods,text/csv"
            class="visually-hidden"
            tabIndex={-1}
            aria-hidden="true"
            onChange={read}
          />
          <button type="button" onClick={() => file.current?.click()}>
            {t("control.read")}
          </button>
        </p>
        <Tape points={points} />
        <Rectify
          area={area}
          ready={
            photo !== null && points.filter((p) => p.role !== "check" && p.u_m != null).length >= 4
          }
        />
        <JobBar kinds={[]} />
      </aside>
    </div>
  );
}
