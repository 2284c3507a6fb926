// The edges of the drawing are rules: metres and feet, with the pointer's place on them.

import { effect } from "@preact/signals";
import { useEffect, useRef } from "preact/hooks";
import { grid, theme, units } from "../data/settings.js";
import { pointer } from "../data/view.js";
import { penOf } from "./pens.js";
import { map } from "./wall.js";

const METRIC = [0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50];
const INCH = [1 / 16, 1 / 8, 1 / 4, 1 / 2, 1, 2, 3, 6, 12, 24, 60, 120, 240, 600].map(
  (i) => i * 0.0254,
);
/**
 * The first step of a list that is so many pixels wide at least.
 * @param {number[]} list
 * @param {number} resolution
 * @param {number} px
 */
const step = (list, resolution, px) =>
  list.find((s) => s / resolution >= px) ?? list[list.length - 1];
const metricLabel = (/** @type {number} */ v, /** @type {number} */ s) =>
  s >= 0.1 ? `${v.toFixed(s >= 1 ? 0 : 1)} m` : s >= 0.01 ? v.toFixed(2) : v.toFixed(3);
const inchLabel = (/** @type {number} */ v, /** @type {number} */ s) => {
  const inches = v / 0.0254;
  if (s >= 0.3) return `${Math.round(inches / 12)}′`;
  const feet = Math.floor(inches / 12 + 1e-9);
  const rest = inches - feet * 12;
  return `${feet}′${rest < 0.01 ? "" : ` ${Number(rest.toFixed(2))}″`}`;
};

function paint(/** @type {HTMLCanvasElement | null} */ canvas) {
  const size = map.getSize();
  if (!size || !canvas) return;
  const ratio = globalThis.devicePixelRatio || 1;
  const css = getComputedStyle(document.documentElement);
  const [paper, ink, faint] = ["--rule", "--rule-ink", "--rule-faint"].map((n) =>
    css.getPropertyValue(n).trim(),
  );
  const [w, h] = size;
  const pen = penOf(canvas);
  if (canvas.width !== w * ratio || canvas.height !== h * ratio) {
    canvas.width = w * ratio;
    canvas.height = h * ratio;
  }
  pen.setTransform(ratio, 0, 0, ratio, 0, 0);
  pen.clearRect(0, 0, w, h);
  const view = map.getView();
  const resolution = view.getResolution() ?? 1;
  const [left, bottom, right, top] = view.calculateExtent(size);
  const x = (/** @type {number} */ u) => (u - left) / resolution;
  const y = (/** @type {number} */ v) => (top - v) / resolution;
  const small = w < 700;
  const deep = small ? 20 : 38;
  const wide = small ? 0 : 24;
  const metre = step(METRIC, resolution, 64);
  if (grid.value) {
    pen.strokeStyle = "rgba(255,255,255,.55)";
    for (const { width, colour } of [
      { width: 2.4, colour: "rgba(255,255,255,.45)" },
      { width: 0.9, colour: "rgba(20,21,22,.7)" },
    ]) {
      pen.lineWidth = width;
      pen.strokeStyle = colour;
      pen.beginPath();
      for (let u = Math.ceil(left / metre) * metre; u < right; u += metre) {
        pen.moveTo(x(u), 0);
        pen.lineTo(x(u), h);
      }
      for (let v = Math.ceil(bottom / metre) * metre; v < top; v += metre) {
        pen.moveTo(0, y(v));
        pen.lineTo(w, y(v));
      }
      pen.stroke();
    }
  }
  pen.fillStyle = paper;
  pen.fillRect(0, h - deep, w, deep);
  if (wide) pen.fillRect(0, 0, wide, h);
  pen.strokeStyle = pen.fillStyle = ink;
  pen.lineWidth = 1;
  pen.font = "11px 'Atkinson Hyperlegible', sans-serif";
  /**
   * @param {number[]} list
   * @param {number} px
   * @param {number} y0
   * @param {number} y1
   * @param {typeof metricLabel} label
   * @param {number} text
   */
  const bar = (list, px, y0, y1, label, text) => {
    const s = step(list, resolution, px);
    const fine = s / (list === METRIC ? 10 : 4);
    pen.beginPath();
    for (let i = Math.ceil(left / fine); i * fine < right; i += 1) {
      const at = Math.round(x(i * fine)) + 0.5;
      if (at < wide) continue;
      const big = Math.abs((i * fine) / s - Math.round((i * fine) / s)) < 1e-6;
      if (!big && fine / resolution < 4) continue;
      pen.moveTo(at, y0);
      pen.lineTo(at, big ? y1 : y0 + (y1 - y0) * 0.45);
      if (big) pen.fillText(label(i * fine, s), at + 3, text);
    }
    pen.stroke();
  };
  const both = !small;
  if (both || units.value !== "in")
    bar(
      METRIC,
      64,
      h - deep,
      h - deep + (both ? 12 : 10),
      metricLabel,
      h - deep + (both ? 16 : 15),
    );
  if (both || units.value === "in")
    bar(
      INCH,
      64,
      both ? h - 1 : h - deep,
      both ? h - 12 : h - deep + 10,
      inchLabel,
      both ? h - 7 : h - deep + 15,
    );
  if (wide) {
    const fine = metre / 10;
    pen.beginPath();
    for (let i = Math.ceil(bottom / fine); i * fine < top; i += 1) {
      const at = Math.round(y(i * fine)) + 0.5;
      if (at > h - deep) continue;
      const big = Math.abs((i * fine) / metre - Math.round((i * fine) / metre)) < 1e-6;
      if (!big && fine / resolution < 4) continue;
      pen.moveTo(wide, at);
      pen.lineTo(wide - (big ? 11 : 5), at);
      if (big) {
        pen.save();
        pen.translate(10, at - 3);
        pen.rotate(-Math.PI / 2);
        pen.fillText(metricLabel(i * fine, metre), 0, 0);
        pen.restore();
      }
    }
    pen.stroke();
    pen.fillStyle = paper;
    pen.fillRect(0, h - deep, wide, deep);
  }
  pen.strokeStyle = faint;
  pen.beginPath();
  pen.moveTo(wide, h - deep + 0.5);
  pen.lineTo(w, h - deep + 0.5);
  if (wide) {
    pen.moveTo(wide - 0.5, 0);
    pen.lineTo(wide - 0.5, h - deep);
  }
  pen.stroke();
}

export function Rulers() {
  const canvas = useRef(/** @type {HTMLCanvasElement | null} */ (null));
  const along = useRef(/** @type {HTMLElement | null} */ (null));
  const up = useRef(/** @type {HTMLElement | null} */ (null));
  useEffect(
    () =>
      effect(() => {
        // the marks move by themselves; the rules are painted again only when the wall moves
        const at = pointer.value && map.getPixelFromCoordinate(pointer.value);
        const [across, beside] = [along.current, up.current];
        if (!across || !beside) return;
        for (const mark of [across, beside]) mark.hidden = !at;
        if (!at) return;
        across.style.transform = `translateX(${at[0]}px)`;
        beside.style.transform = `translateY(${at[1]}px)`;
      }),
    [],
  );
  useEffect(() => {
    let asked = false;
    const draw = () => {
      if (asked) return;
      asked = true;
      requestAnimationFrame(() => {
        asked = false;
        paint(canvas.current);
      });
    };
    map.on("postrender", draw);
    const stop = effect(() => {
      void grid.value;
      void theme.value;
      void units.value;
      draw();
    });
    return () => {
      map.un("postrender", draw);
      stop();
    };
  }, []);
  return (
    <div aria-hidden="true">
      <canvas ref={canvas} class="rulers" />
      <i class="mark along" ref={along} hidden />
      <i class="mark up" ref={up} hidden />
    </div>
  );
}
