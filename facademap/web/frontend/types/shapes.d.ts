// Shapes that all rooms of the pages' script share: geometry on the wall, rows, edits, what the server tells at the start.
// They need no import: `@param {Condition} row` reads as it is.

type Signal<T> = import("@preact/signals").Signal<T>;

// -- geometry, in metres of the wall ----------------------------------------------------------------------------

/** `[u_m, v_m]`, right and up on the wall; or `[x_px, y_px]` of a picture where that is said. */
type Point = number[];
type Line = Point[];
/** A closed line, its last corner the first again. */
type Ring = Point[];
/** `[left, low, right, high]`. */
type Box = number[];
interface PointGeometry {
  type: "Point";
  coordinates: Point;
}
interface LineString {
  type: "LineString";
  coordinates: Line;
}
interface MultiLineString {
  type: "MultiLineString";
  coordinates: Line[];
}
interface Polygon {
  type: "Polygon";
  coordinates: Ring[];
}
interface MultiPolygon {
  type: "MultiPolygon";
  coordinates: Ring[][];
}
type Area = Polygon | MultiPolygon;
type Lines = LineString | MultiLineString;
type Geometry = PointGeometry | Lines | Area;

// -- rows ---------------------------------------------------------------------------------------------------------

type TableName = keyof Rows;
type Row<T extends TableName = TableName> = Rows[T];
/** A row of whichever table, by the columns that most of them have. */
interface AnyRow {
  id: string;
  surface?: string | null;
  geometry?: Geometry | null;
  [column: string]: unknown;
}
/** A row as it is kept here, with the revision that the server gave it. */
interface Entry<R = AnyRow> {
  rev: number;
  row: R;
}
type Elevation = Rows["elevations"];
type Surface = Rows["surfaces"];
type Photo = Rows["photos"];
type ControlPoint = Rows["control_points"];
type Observation = Rows["observations"];
type WallStone = Rows["wall_stones"];
type Opening = Rows["openings"];
type Condition = Rows["conditions"];
type Repair = Rows["repairs"];
type Piece = Rows["pieces"];
type Block = Rows["blocks"];
type Face = Rows["faces"];
type Flaw = Face["flaws"][number];
type Pin = NonNullable<Repair["pins"]>[number];
type Plan = Rows["plans"];
type Placement = Rows["placements"];
type WorkEntry = Rows["work_log"];
type ReviewEntry = Rows["reviews"];
type Setting = Rows["settings"];
type Trial = Rows["trials"];
type Variation = Rows["variations"];
type Consent = Rows["consents"];
type Order = Rows["orders"];
type Gauge = Rows["gauges"];
type GaugeReading = Rows["gauge_readings"];
type Look = Rows["looks"];

/** Which row: what is selected, what something hangs on. */
interface RowPlace {
  table: TableName;
  id: string;
}

// -- edits --------------------------------------------------------------------------------------------------------

/** Values of columns, by name. */
type Values = Record<string, unknown>;
interface Change {
  op: "insert" | "update" | "delete" | "restore";
  table: TableName;
  id: string;
  /** Revision that the change is made on. */
  rev?: number | null;
  values?: Values;
  /** Of an inverse: what the row must still say for it to be turned back. */
  expect?: Values;
}
/** An edit that was made on this page and can be undone. */
interface Made {
  key: string;
  what: string;
  inverse: Change[];
}
/** What is told for a moment at the foot of the page. */
interface NoticeTold {
  text: string;
  bad?: boolean;
  undo?: boolean;
  act?: string;
  onAct?: () => void;
}
/** What would follow from deleting rows, as the server says it. */
interface Consequences {
  /** Whether nothing depends on any of it. */
  free: boolean;
  refused: (RowPlace & Refusal)[];
  taken_out: (RowPlace & { because: RowPlace })[];
  unlinked: (RowPlace & { column: string; because: RowPlace })[];
  kept: (RowPlace & { because: RowPlace })[];
  counts: { what: "taken_out" | "unlinked" | "kept"; table: TableName; n: number }[];
  /** In words. */
  text: string[];
  /** A word for exactly these consequences, to confirm them by. */
  seal: string;
}
/** Why the server refused something. */
interface Refusal {
  problem: string;
  remedy: string;
  consequences?: Consequences | null;
}
/** A row as the server has it now, where somebody else changed it meanwhile. */
interface Theirs {
  table: TableName;
  id: string;
  rev: number | null;
  row: AnyRow | null;
  who: string | null;
  at: string | null;
}
/** One thing on its way to the server; what it holds beside these depends on its kind. */
interface Item {
  key: string;
  kind: "edit" | "work" | "photo" | "review";
  what: string;
  who: string;
  at: string;
  /** Its place in the line. */
  number?: number;
  madeAt?: number;
  refusal?: Refusal;
  // an edit
  inverse?: Change[];
  undoes?: string | null;
  confirmed?: string | boolean;
  changes?: Change[];
  // an entry of the record, or a review
  repair?: string;
  act?: string;
  body?: Values;
  seen?: Values;
  photo?: string | null;
  reason?: string;
  mason?: string;
  // a photo
  blob?: Blob;
  type?: string;
  subject?: string;
  name?: string;
  surface?: string;
}

// -- what the server tells at the start -----------------------------------------------------------------------

interface Project {
  id: string;
  name: string;
  folder: string;
  seq: number;
  settings: Record<string, unknown>;
  inches: boolean;
  version: string;
  pass: string;
  reviewer: string;
  signed_in_as: string;
  role: string;
  may: string[];
  elevations: string[] | null;
}
interface SchemaColumn {
  name: string;
  kind: "text" | "int" | "float" | "bool" | "date" | "time" | "json";
  unit: string;
  meaning: string;
  required: boolean;
  choices: string[];
  minimum: number | null;
  maximum: number | null;
  refers: TableName | "";
  many: boolean;
  by_record: boolean;
  default: unknown;
}
interface SchemaTable {
  title: string;
  meaning: string;
  geometry: "polygon" | "line" | "point" | "any" | null;
  columns: SchemaColumn[];
}
interface Family {
  id: string;
  name: string;
  layer: Condition["layer"];
  colour: string;
  meaning: string;
}
interface Term {
  name: string;
  family: string;
  abbreviation: string;
  meaning: string;
  shape: "polygon" | "line" | "point";
  parent: string | null;
}
/** A field that a project may ask for in every condition. */
interface Requirable {
  column: string;
  title: string;
  families: string;
  layers_without: string[];
  shapes: ("area" | "line" | "point")[];
  origin: string;
}
interface Hatch {
  angles: number[];
  spacing_mm: number;
  dash_mm: number[];
  dots: boolean;
  cell: {
    width_mm: number;
    height_mm: number;
    strokes_mm: number[][];
    dots_mm: number[][];
  };
}
interface Sign {
  colour: string;
  hatch: Hatch | null;
  weight_mm: number;
  fill: number;
  letter: string;
}
/** The book of signs, the same as on paper. */
interface Signs {
  version: number;
  hatch: { line_mm: number; dot_radius_mm: number; fill: number };
  lines: { extra_mm: number };
  points: { mark: string; size_mm: number };
  other: Sign;
  families: Record<string, { name: string; colour: string; hatch: Hatch }>;
  terms: Record<
    string,
    {
      family: string;
      letter: string;
      colour: string;
      hatch: Hatch;
      shape: string;
      dash_mm: number[];
    }
  >;
  classes: {
    cc: Record<string, { weight_mm: number }>;
    uc: Record<string, { mark: string }>;
  };
  treatments: Record<string, Sign>;
  things: Record<string, Sign>;
  states: Record<string, { dash_mm?: number[]; colour?: string }>;
}
interface Schema {
  tables: Record<string, SchemaTable>;
  families: Family[];
  terms: Term[];
  classes: Record<"cc" | "uc" | "rc", string[]>;
  signs: Signs;
  required: { may_be: Requirable[]; default: string[] };
}
/** Place and size of the picture of a surface, and the version that its tiles carry. */
interface Picture {
  version: string;
  left_m: number;
  top_m: number;
  gsd_m: number;
  width_px: number;
  height_px: number;
  levels: number;
  tile_px: number;
}
/** Long work on the server. */
interface Job {
  id: string;
  kind: string;
  title: string;
  state: "running" | "done" | "stopped" | "failed";
  fraction: number | null;
  // what a job found depends on its kind
  result: Record<string, unknown> | null;
  error: Refusal | null;
  seconds: number;
}

// -- words --------------------------------------------------------------------------------------------------------

/** A catalogue of the texts of the desk: `{names}` in a text are filled in. */
type Catalogue = Record<string, string>;
/** What fills in the `{names}` of a text. */
type Filling = Record<string, unknown>;
