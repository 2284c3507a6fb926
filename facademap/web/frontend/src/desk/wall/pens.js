// What draws on a canvas.

/**
 * @template {HTMLCanvasElement | OffscreenCanvas} C
 * @param {C} canvas
 * @param {CanvasRenderingContext2DSettings} [settings]
 */
export function penOf(canvas, settings) {
  const pen = canvas.getContext("2d", settings);
  if (!pen) throw new Error("this browser does not draw on a canvas");
  return /** @type {C extends OffscreenCanvas ? OffscreenCanvasRenderingContext2D : CanvasRenderingContext2D} */ (
    pen
  );
}
