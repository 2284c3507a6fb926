// Small drawings for places and tools, made for this desk: strokes on a 20 x 20 field.
/** @type {Record<string, string>} */
const PATHS = {
  survey: "M3 5h14M3 11h14M3 17h14M8 5v6M13 11v6",
  repairs: "M3 4h14v12H3zM7 8h6v5H7z",
  stone: "M3 14l4-8 7-2 3 6-3 6H6z",
  record: "M5 3h10v14H5zM8 8l1.6 1.6L13 6.4M8 13h4",
  control: "M10 3v14M3 10h14M10 6.5a3.5 3.5 0 1 0 0 7 3.5 3.5 0 0 0 0-7",
  select: "M5 3l10 6-4.4 1.2L8 15z",
  box: "M3 5h2M8 5h4M15 5h2v2M17 10v3M17 16h-2M12 16H8M5 16H3v-3M3 10V7",
  lasso: "M9 4c5 0 8 2 8 5s-3 5-7 5c-5 0-7-2-7-5s2-5 6-5M7 14c-2 1-2 3 0 3s3-1 2-3",
  move: "M10 2v16M2 10h16M7.5 4.5L10 2l2.5 2.5M7.5 15.5L10 18l2.5-2.5M4.5 7.5L2 10l2.5 2.5M15.5 7.5L18 10l-2.5 2.5",
  plus: "M10 4v12M4 10h12",
  minus: "M4 10h12",
  whole: "M3 7V3h4M13 3h4v4M17 13v4h-4M7 17H3v-4",
  commands: "M3 6h9M3 10h6M3 14h9M13 8.5l4 3-4 3",
  settings: "M3 6h8M15 6h2M3 14h2M9 14h8M13 4.2v3.6M7 12.2v3.6",
  polygon: "M4 13L7 4l9 3-2 9z",
  rectangle: "M3 6h14v8H3z",
  freehand: "M4 12c0-6 5-8 8-7s4 4 2 6-2 5-5 5-5-1-5-4z",
  line: "M3 15l4-6 4 2 6-8",
  point: "M10 6l4 4-4 4-4-4z",
  modify: "M4 14L14 4l2 2L6 16H4zM12 6l2 2",
  split: "M4 5h12v10H4zM10 2v16",
  hole: "M3 4h14v12H3zM8 8h4v4H8z",
  cut: "M3 5h9v10H3zM12 8h5v4h-5",
  measure: "M3 13L13 3l4 4L7 17zM6.5 9.5l1.6 1.6M9 7l2.4 2.4M11.5 4.5l1.6 1.6",
  outline: "M10 2v3M10 15v3M2 10h3M15 10h3M6.5 7.5l6-1 1.5 5-5 2.5-3-2.5z",
  follow: "M3 16c3-1 2-5 5-6s3 1 5-1 1-4 4-6M15 3h2v2",
  course: "M2 5h16M2 15h16M7 5v10M13 5v10M3.5 10h1M9.5 10h1M15.5 10h1",
  undo: "M4 8h8a4 4 0 0 1 0 8H8M4 8l3-3M4 8l3 3",
  redo: "M16 8H8a4 4 0 0 0 0 8h4M16 8l-3-3M16 8l-3 3",
  help: "M7 7.5a3 3 0 1 1 4 2.8c-.8.4-1 .9-1 2M10 15v.6",
  grow: "M10 3v14M6 7l4-4 4 4M6 13l4 4 4-4",
  shrink: "M10 2v6M10 12v6M6 5l4 4 4-4M6 15l4-4 4 4",
  done: "M4 10.5l4 4 8-9",
  down: "M4 8l6 5 6-5",
  up: "M4 12l6-5 6 5",
};
/** @param {{ name: string }} props */
export const Glyph = ({ name }) => (
  <svg
    viewBox="0 0 20 20"
    width="20"
    height="20"
    fill="none"
    stroke="currentColor"
    stroke-width="1.6"
    stroke-linecap="round"
    stroke-linejoin="round"
    aria-hidden="true"
  >
    <path d={PATHS[name] ?? ""} />
  </svg>
);
