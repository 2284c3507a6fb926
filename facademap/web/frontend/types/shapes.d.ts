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
/** Coordinates of any geometry. */
type Coordinates = Point | Line | Ring[] | Ring[][];
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
/** A row that is drawn on the wall. */
type DrawnRow<G extends Geometry = Geometry> = AnyRow & { geometry: G };
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
/** The same for an entry of the record. */
interface WorkTheirs {
  table: "work";
  id: string;
  stage: string;
  measured: Repair["measured"];
  who: string | null;
  at: string | null;
  entry: WorkEntry | null;
}

// -- on the way to the server ---------------------------------------------------------------------------------

interface Waiting {
  key: string;
  what: string;
  who: string;
  at: string;
  /** Its place in the line. */
  number?: number;
  madeAt?: number;
  /** Why the server will never take it. */
  refusal?: Refusal;
}
interface Edit extends Waiting {
  kind: "edit";
  changes: Change[];
  inverse?: Change[];
  undoes?: string | null;
  /** The seal of the consequences that a person has seen. */
  confirmed?: string | boolean;
}
type ActName = "stage" | "check" | "cut-out" | "photo";
/** What an entry of the record says; what of it is there depends on the act. */
interface ActBody {
  stage?: string;
  criterion?: string;
  result?: WorkEntry["result"];
  measured?: WorkEntry["measured"];
  slot?: string;
  /** Measures of the cut-out. */
  values?: NonNullable<Repair["measured"]>;
}
/** An entry of the record. */
interface Act extends Waiting {
  kind: "work";
  repair: string;
  act: ActName;
  body: ActBody;
  /** What was seen of the thing when it was entered. */
  seen: { stage?: string; entry?: string | null; measured?: Repair["measured"] };
  photo: string | null;
  reason: string;
  mason: string;
  madeAt: number;
}
interface PhotoSent extends Waiting {
  kind: "photo";
  /** The name that it has here until it arrives. */
  photo: string;
  blob: Blob;
  type: string;
  subject: string;
  name: string;
  surface: string;
}
interface ReviewSent extends Waiting {
  kind: "review";
  body: { about: string; [name: string]: unknown };
}
type Item = Edit | Act | PhotoSent | ReviewSent;

/** A row as it is told: null where it is gone. */
interface RowTold {
  table: TableName;
  id: string;
  rev: number | null;
  row: AnyRow | null;
  /** Revision before the first change of the edit. */
  was?: number;
}
interface EditTold {
  txn: number;
  at: string;
  who: string;
  what: string;
  table: TableName;
  id: string;
  op: Change["op"];
}
interface News {
  seq: number;
  edits: EditTold[];
  rows: RowTold[];
}
/** What the server says of an edit that has arrived. */
interface Settled {
  txn: number;
  seq: number;
  /** Numbers of what was new. */
  ids: Record<string, string>;
  rows: RowTold[];
  repeated: boolean;
  /** What turns it back, where more followed than was sent. */
  inverse: Change[] | null;
  /** What was planned on a stone that was moved. */
  told: (Refusal & { repair: string })[];
}

// -- the record of the work -----------------------------------------------------------------------------------


/** What must be so before a stage, in words. */
interface Criterion {
  before: string;
  text: string;
  kind: string;
  measured: string | null;
  limit: number | null;
  source: string;
  status: string;
}
interface Check extends Criterion {
  criterion: string;
  /** `waiting` where it is on its way from here. */
  result: string | null;
  entry: string | null;
}
/** Where the work on a repair stands, as the server says it. */
interface WorkKnown {
  stage: string;
  treatment: string;
  held_back: string | null;
  consents?: string[];
  checks: [criterion: string, result: string | null, entry: string | null][];
}
interface PhotoSlots {
  slots: { name: string; before: string }[];
  /** How the note of an entry begins that names its slot. */
  note: string;
  by_check: Record<string, string>;
  by_stage: Record<string, string>;
}
interface Overview {
  criteria: Record<string, Criterion>;
  /** Stages that may follow, by treatment and stage. */
  next: Record<string, Record<string, string[]>>;
  states: Record<string, WorkKnown>;
  photos: PhotoSlots;
}
/** The record of one repair. */
interface WorkPage extends Omit<WorkKnown, "checks"> {
  repair: string;
  next: string[];
  checks: Check[];
  entries: WorkEntry[];
}
/** An entry of the record as it is shown, also before it arrives. */
interface EntryShown extends Omit<Partial<WorkEntry>, "stage" | "id"> {
  id: string;
  stage?: string | null;
  slot?: string;
  waits?: boolean;
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
/** What long work on the server finds, by its kind. */
interface Found {
  plan: { unconfirmed?: number; [more: string]: unknown };
  match: {
    matched: number;
    unmatched: unknown[];
    changed?: unknown[];
    kept: number;
    waits: Record<string, unknown>;
    let_go: { repair: string; with: string }[];
    wall_faults: [repair: string, problem: string][];
  };
  papers: {
    made: unknown[];
    unchanged: unknown[];
    failed: Record<string, [problem: string, remedy: string]>;
    warnings?: string[];
  };
  rectify: Record<string, unknown>;
  tape: { points: string[]; redundancy: number; largest_sigma_m: number; warnings: string[] };
  outlines: {
    /** How the file was understood, in words. */
    understood: string;
    doubts: Refusal[];
    notes: string[];
    shapes: Geometry[];
    added: number;
  };
  control: { control: number; check: number; notes: string[] };
  stones: { stones: number; doubtful: number; kept: number; notes: string[] };
  damage: { proposed: number; terms: Record<string, number>; notes: string[] };
  relief: Record<string, unknown>;
}
type JobKind = keyof Found;
interface JobBegun<K extends JobKind> {
  id: string;
  kind: K;
  title: string;
  fraction: number | null;
  seconds: number;
}
/** Long work on the server. */
type JobOf<K extends JobKind> = JobBegun<K> &
  (
    | { state: "done"; result: Found[K]; error: null }
    | { state: "running" | "stopped" | "failed"; result: null; error: Refusal | null }
  );
type Job = { [K in JobKind]: JobOf<K> }[JobKind];

// -- drawing ------------------------------------------------------------------------------------------------------

/** Figures of what is being drawn, changed or measured; metres. */
interface Live {
  area?: number;
  length?: number;
  width?: number;
  height?: number;
  /** The side that was drawn last. */
  last?: number;
  /** Whether the outline crosses itself. */
  crosses?: boolean;
  measured?: boolean;
  line?: Line;
  /** Half-width of the 95 % interval of the length; null where that is not known. */
  pm?: number | null;
  du?: number;
  dv?: number;
  /** Place of a pin from the lower left corner of its cut-out. */
  pin?: Point;
}
/** A sketch that is not ended yet, kept in this browser. */
interface Draft {
  key: string;
  /** Tool that drew it. */
  tool: string;
  /** What it was to become. */
  table: TableName;
  /** Workplace. */
  place: string;
  surface: string;
  corners: Line;
  /** What was selected. */
  selection: RowPlace[];
  /** The whole of it, where it is drawn and only wants its term. */
  geometry?: Geometry;
  /** Values that go with it. */
  extra?: Values;
  /** What the machine took it for. */
  guess?: string | null;
  /** The page that drew it. */
  tab: string;
  at: number;
}
/** Something that can be done on the desk. */
interface Action {
  id: string;
  /** As it is shown; empty where it has none. */
  key: string;
  group: string;
  name: () => string;
  run: () => void;
  /** Whether it can be done now. */
  when?: () => boolean;
}

// -- what is asked ------------------------------------------------------------------------------------------------

/** A dialog that is about the whole desk. */
type PlainDialog = "name" | "help" | "settings" | "commands" | "waiting" | "required" | "tour";
/** Which dialog is open, and what it is about. */
type Asked =
  | { kind: PlainDialog; step?: number }
  | ({ kind: "history" } & RowPlace)
  | { kind: "template"; row: Condition }
  | { kind: "leave"; n: number }
  | { kind: "delete"; changes: Change[]; told: Consequences | null };
/** Values of the next condition. */
interface Offered {
  term: string;
  /** The template that they were taken from. */
  name?: string;
  /** Whether all of them are as a person chose them before; else only the term is offered. */
  sticky?: boolean;
  [column: string]: unknown;
}

// -- what is watched over the years ------------------------------------------------------------------------------

/** A monitoring point with what it showed, against the limits that hold for it. */
interface WatchedGauge {
  id: string;
  surface: string;
  kind: Gauge["kind"];
  condition: string | null;
  place_m: Point | null;
  /** Its state, in one of the words of `STATES`. */
  verdict: string;
  why: string;
  /** Limits of its own, by name. */
  own: string[];
  readings: { read_on: string; value_m: number }[];
  limits: { limit_m: number; rate_m_a_year: number };
  change_m: number;
  change_plus_minus_95_m: number;
  rate_m_a_year: number | null;
  rate_plus_minus_95_m: number;
}
/** A thing that is looked at over the years, and how it changes. */
interface LookedAt {
  table: Look["about_table"];
  id: string;
  looks: Omit<Look, "id" | "about_table" | "about">[];
  hollow_a_year: number | null;
  open_joint_m_a_year: number | null;
  colour_a_year: number | null;
}

// -- comparing ----------------------------------------------------------------------------------------------------

/** What is compared across an edge on the wall. */
interface Compared {
  /** Where the edge stands, 0 to 1. */
  at: number;
  /** Another surface with a picture of the same wall. */
  with?: string;
  /** Two surveys. */
  surveys?: string[];
  /** The picture against its relief. */
  relief?: boolean;
}

// -- words --------------------------------------------------------------------------------------------------------

/** A catalogue of the texts of the desk: `{names}` in a text are filled in. */
type Catalogue = Record<string, string>;
/** What fills in the `{names}` of a text. */
type Filling = Record<string, unknown>;
