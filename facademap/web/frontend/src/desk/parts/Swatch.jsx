// A small field of hatch, the same as on the wall.
import { useEffect, useRef } from "preact/hooks";
import { hatchPattern, signOf } from "../wall/signs.js";

/** @param {{term?: string | null, family?: string, small?: boolean}} props */
export function Swatch({ term, family, small }) {
  const canvas = useRef(/** @type {HTMLCanvasElement | null} */ (null));
  const sign = signOf(term ?? "", family);
  const [w, h] = small ? [18, 14] : [38, 38];
  useEffect(() => {
    const ratio = globalThis.devicePixelRatio || 1;
    const box = canvas.current;
    const pen = box?.getContext("2d");
    if (!box || !pen) return;
    box.width = w * ratio;
    box.height = h * ratio;
    if (!sign) return;
    pen.fillStyle = "#efe9dc";
    pen.fillRect(0, 0, w * ratio, h * ratio);
    const hatch = sign.hatch && hatchPattern(sign.hatch, sign.colour);
    if (hatch) pen.fillStyle = hatch;
    if (hatch) pen.fillRect(0, 0, w * ratio, h * ratio);
    pen.strokeStyle = sign.colour;
    pen.lineWidth = 2 * ratio;
    pen.strokeRect(0, 0, w * ratio, h * ratio);
  }, [term, family, w, h]);
  return <canvas ref={canvas} class={small ? "swatch small" : "swatch"} aria-hidden="true" />;
}
