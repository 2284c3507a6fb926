// A plane seen in a photo: the projective map by least squares, so that residuals show while points are picked.
// Method: normalised direct linear transform (Hartley and Zisserman 2004, section 4.4), h33 fixed in normalised coordinates.

/** @param {Point[]} points */
function normal(points) {
  const n = points.length;
  const [cx, cy] = [0, 1].map((k) => points.reduce((s, p) => s + p[k], 0) / n);
  const d = points.reduce((s, p) => s + Math.hypot(p[0] - cx, p[1] - cy), 0) / n || 1;
  return { cx, cy, s: Math.SQRT2 / d };
}

/**
 * @param {number[][]} a
 * @param {number[]} b
 */
function solve(a, b) {
  const n = b.length;
  const m = a.map((row, i) => [...row, b[i]]);
  for (let i = 0; i < n; i += 1) {
    let best = i;
    for (let r = i + 1; r < n; r += 1) if (Math.abs(m[r][i]) > Math.abs(m[best][i])) best = r;
    if (Math.abs(m[best][i]) < 1e-12) return null;
    [m[i], m[best]] = [m[best], m[i]];
    for (let r = 0; r < n; r += 1) {
      if (r === i) continue;
      const f = m[r][i] / m[i][i];
      for (let c = i; c <= n; c += 1) m[r][c] -= f * m[i][c];
    }
  }
  return m.map((row, i) => row[n] / row[i]);
}

/**
 * Function from pixels to metres of the wall, or null for fewer than four points or a degenerate figure.
 * @param {Point[]} pixels
 * @param {Point[]} metres
 */
export function fitPlane(pixels, metres) {
  if (pixels.length < 4) return null;
  const [p, q] = [normal(pixels), normal(metres)];
  /** @type {number[][]} */
  const ata = Array.from({ length: 8 }, () => new Array(8).fill(0));
  /** @type {number[]} */
  const atb = new Array(8).fill(0);
  pixels.forEach((pixel, i) => {
    const [x, y] = [(pixel[0] - p.cx) * p.s, (pixel[1] - p.cy) * p.s];
    const [u, v] = [(metres[i][0] - q.cx) * q.s, (metres[i][1] - q.cy) * q.s];
    for (const { row, value } of [
      { row: [x, y, 1, 0, 0, 0, -u * x, -u * y], value: u },
      { row: [0, 0, 0, x, y, 1, -v * x, -v * y], value: v },
    ]) {
      row.forEach((a, r) => {
        atb[r] += a * value;
        row.forEach((b, c) => {
          ata[r][c] += a * b;
        });
      });
    }
  });
  const h = solve(ata, atb);
  if (!h) return null;
  return (/** @type {Point} */ [px, py]) => {
    const [x, y] = [(px - p.cx) * p.s, (py - p.cy) * p.s];
    const w = h[6] * x + h[7] * y + 1;
    return [
      (h[0] * x + h[1] * y + h[2]) / w / q.s + q.cx,
      (h[3] * x + h[4] * y + h[5]) / w / q.s + q.cy,
    ];
  };
}

/**
 * Pixel without the lens's distortion (Brown-Conrady, by fixed-point iteration); as it is where no lens is known.
 * @param {Point} pixel
 * @param {Photo["camera"]} [camera]
 * @returns {Point}
 */
export function withoutLens([x, y], camera) {
  if (!camera?.fx) return [x, y];
  const { fx, fy, cx, cy, k1 = 0, k2 = 0, k3 = 0, p1 = 0, p2 = 0 } = camera;
  const [xd, yd] = [(x - cx) / fx, (y - cy) / fy];
  let [a, b] = [xd, yd];
  for (let i = 0; i < 30; i += 1) {
    const r = a * a + b * b;
    const radial = 1 + r * (k1 + r * (k2 + r * k3));
    const [dx, dy] = [2 * p1 * a * b + p2 * (r + 2 * a * a), p1 * (r + 2 * b * b) + 2 * p2 * a * b];
    [a, b] = [(xd - dx) / radial, (yd - dy) / radial];
  }
  return [a * fx + cx, b * fy + cy];
}
