// Rows of every table as the server sends them, made from the contracts in `facademap/tables`:
// `python -m docs.row_types > facademap/web/frontend/types/rows.d.ts`. Not to be changed by hand.
interface Rows {
  /** Settings. */
  settings: {
    id: string;
    value: string | null;
  };
  /** Elevations. */
  elevations: {
    id: string;
    name: string;
    building: string | null;
    facing_deg: number | null;
    sort: number;
    note: string | null;
  };
  /** Surfaces. */
  surfaces: {
    id: string;
    elevation: string;
    name: string;
    kind: "plane" | "cylinder";
    radius_m: number | null;
    frame_wkt: string | null;
    world: { matrix: number[][]; epsg?: number | null; names?: string[]; residual_m?: ((number | null)[])[]; out_of_plane_m?: (number | null)[]; used?: boolean[]; rmse_m?: number | null; flags?: string[]; [name: string]: unknown } | null;
    fold: { host: string; edge?: "left" | "right" | "top" | "bottom"; reveal?: "left" | "right" | "top" | "bottom"; opening?: number[]; offset_m?: number; set_back_m?: number; depth_m?: number; [name: string]: unknown } | null;
    picture: string | null;
    gsd_m: number | null;
    control_rmse_m: number | null;
    control_n: number | null;
    check_rmse_m: number | null;
    check_n: number | null;
    colour_state: "uncalibrated" | "grey card" | "chart";
    report: { photos?: ({ photo: string; lens?: string; control_n?: number; check_n?: number; control_rmse_m?: number | null; check_rmse_m?: number | null; camera?: { [name: string]: unknown } | null; joined?: boolean; left_out?: string[]; statement?: { [name: string]: unknown } | null; [name: string]: unknown })[]; warnings?: string[]; extent_m?: number[]; control_hull_m?: number[][] | null; proved?: boolean; proof?: string; supports_scale?: number | null; scale?: number | null; outside_share?: number | null; scale_error_m?: number | null; colour?: { [name: string]: unknown } | null; gsd_m?: number | null; control_rmse_m?: number | null; check_rmse_m?: number | null; control_n?: number | null; check_n?: number | null; check_observations?: number | null; [name: string]: unknown } | null;
    reliefs: ({ path: string; survey: string; source: string; sha256: string; cell_m: number; taken_on?: string | null; check_rmse_w_m?: number | null; check_n?: number | null; known_share?: number; sigma_median_m?: number; photos?: string[]; warnings?: string[]; note?: string; [name: string]: unknown })[] | null;
    sections: { name: string; line_m: number[] }[] | null;
    geometry: Area | null;
  };
  /** Photos. */
  photos: {
    id: string;
    path: string;
    sha256: string;
    width_px: number;
    height_px: number;
    exif_orientation: number | null;
    subject: "elevation" | "condition" | "block" | "record" | "chart";
    surface: string | null;
    camera: { width: number; height: number; fx: number; fy: number; cx: number; cy: number; k1?: number; k2?: number; k3?: number; p1?: number; p2?: number } | null;
    taken_at: string | null;
    note: string | null;
  };
  /** Control and check points. */
  control_points: {
    id: string;
    surface: string;
    name: string;
    role: "control" | "check";
    u_m: number | null;
    v_m: number | null;
    w_m: number | null;
    east_m: number | null;
    north_m: number | null;
    height_m: number | null;
    sigma_m: number | null;
    geometry: PointGeometry | null;
  };
  /** Control seen in photos. */
  observations: {
    id: string;
    photo: string;
    control_point: string;
    x_px: number;
    y_px: number;
    du_m: number | null;
    dv_m: number | null;
  };
  /** Wall stones. */
  wall_stones: {
    id: string;
    surface: string;
    course: number | null;
    number: number | null;
    stone_type: string | null;
    kind: "sedimentary" | "igneous" | "metamorphic" | "unknown";
    bed: "horizontal" | "edge" | "parallel" | "unknown";
    finish: string | null;
    depth_m: number | null;
    exposed: string;
    part: "walling" | "quoin" | "lintel" | "sill" | "jamb" | "string course" | "cornice" | "coping" | "plinth" | "voussoir" | "other";
    cc: number | null;
    uc: number | null;
    rc: number | null;
    note: string | null;
    origin: "drawn" | "assisted" | "imported";
    confirmed_by: string | null;
    measured_face: { stand_out_m: number; plus_minus_95_m: number; lean_out_m_m: number; turn_m_m: number; planarity_m: number; known_share: number; outline: string; relief: string; [name: string]: unknown } | null;
    geometry: Area;
  };
  /** Architectural openings. */
  openings: {
    id: string;
    surface: string;
    kind: "window" | "door" | "hatch" | "vent" | "downpipe" | "sign" | "other";
    depth_m: number | null;
    note: string | null;
    geometry: Area;
  };
  /** Conditions. */
  conditions: {
    id: string;
    surface: string;
    term: string;
    layer: "stone" | "joint" | "structural" | "earlier repair";
    family: string | null;
    depth_m: number | null;
    width_m: number | null;
    cc: number | null;
    uc: number | null;
    rc: number | null;
    activity: "active" | "stable" | "unknown";
    cause: string | null;
    cause_settled: boolean;
    wall_stone: string | null;
    photo: string | null;
    note: string | null;
    surveyor: string | null;
    observed_on: string | null;
    survey: string;
    origin: "drawn" | "assisted" | "imported";
    confirmed_by: string | null;
    area_m2: number | null;
    length_m: number | null;
    depth_from: "typed" | "measured" | null;
    depth_confirmed_by: string | null;
    measured_depth: { mean_m: number; deepest_m: number; plus_minus_95_m: number; volume_m3: number; known_share: number; area_m2: number; depth_m: number | null; outline: string; relief: string; [name: string]: unknown } | null;
    geometry: Geometry;
  };
  /** Repairs. */
  repairs: {
    id: string;
    surface: string;
    treatment: "leave" | "clean" | "repoint" | "crack repair" | "mortar repair" | "inset" | "whole stone" | "consolidate" | "make safe" | "re-fix" | "metal" | "shelter" | "undecided";
    conditions: string[];
    wall_stone: string | null;
    priority: number;
    stage: "proposed" | "approved" | "on hold" | "cut out" | "cut-out measured" | "piece sawn" | "dry-fitted" | "bedded" | "sounded" | "pointed" | "curing" | "accepted" | "redo";
    depth_m: number | null;
    edges: number[] | null;
    edge_kinds: ("inset" | "joint" | "exposed")[] | null;
    pins: ({ u_m: number; v_m: number; hole_m: number; rod_m: number; embedment_m: number; into_piece_m: number; angle_deg?: number | null; turn_deg?: number | null; hole_wall_m?: number | null; hole_piece_m?: number | null; rod_length_m?: number | null; gap_m?: number | null; bore_piece_m?: number | null; grade?: string | null; fixing?: string | null; [name: string]: unknown })[] | null;
    materials: { mortar?: { inputs?: { [name: string]: unknown }[]; [name: string]: unknown }; moulding?: { projection_m?: number | null; [name: string]: unknown }; pins?: { faults?: string[]; notes?: string[]; [name: string]: unknown }; cut?: { tools?: string[]; notes?: string[]; [name: string]: unknown }; hours?: number | { [name: string]: number }; hours_range?: { [name: string]: number }; edges?: { [name: string]: unknown }[]; mix_faults?: string[]; hold_points?: string[]; proud_m?: number; batch?: { [name: string]: unknown }; bond_side?: { [name: string]: unknown }; covers?: { [name: string]: unknown }; drilling_template?: { [name: string]: unknown }; dust?: { [name: string]: unknown }; fixing?: { [name: string]: unknown }; handling?: { [name: string]: unknown }; spacers?: { [name: string]: unknown }; times?: { [name: string]: unknown }; [name: string]: unknown } | null;
    removed_area_m2: number | null;
    removed_volume_m3: number | null;
    rule: string | null;
    rule_source: string | null;
    rule_status: string | null;
    overruled_by: string | null;
    reason: string | null;
    held_back: string | null;
    asks: string[];
    cautions: string[];
    consent_reference: string | null;
    consent_conditions: string | null;
    lift: number | null;
    bay: number | null;
    measured: { widths_m?: number[]; heights_m?: number[]; depths_m?: number[]; diagonals_m?: number[]; sides_m?: { [name: string]: number }; joints_m?: { [name: string]: number } } | null;
    note: string | null;
    geometry: Geometry;
  };
  /** Pieces. */
  pieces: {
    id: string;
    surface: string;
    repair: string;
    width_m: number;
    height_m: number;
    depth_m: number;
    bed: "horizontal" | "edge" | "any";
    stone_type: string | null;
    accept: string[];
    finish: string | null;
    weathered: boolean;
    exposed: string;
    turn_180: boolean;
    lab: number[] | null;
    appearance: { version: number; lab: number[]; covariance: number[][]; n: number; spread: number; quantiles: number[][]; pattern: string; direction_deg: number; anisotropy: number; scale_px: number; pattern_n: number; grain_scale_m: number | null; wetness: "dry" | "damp" | "wet"; weathered: boolean | null; finish: string; calibrated: boolean; source_gsd_m?: number | null } | null;
    de_tolerance: number | null;
    weight_kg: number | null;
    weight_saturated_kg: number | null;
    provisional: boolean;
    lock_block: string | null;
    forbid_blocks: string[];
    unmatched_reason: string | null;
    source_size: number[] | null;
    geometry: Area;
  };
  /** Blocks. */
  blocks: {
    id: string;
    stone_type: string;
    kind: "sedimentary" | "igneous" | "metamorphic" | "unknown";
    provenance: string | null;
    location: string | null;
    length_m: number | null;
    height_m: number | null;
    depth_m: number | null;
    weight_kg: number | null;
    weight_status: "measured" | "from density";
    state: "available" | "reserved" | "sawn" | "used" | "rejected" | "future";
    acceptance: "accepted" | "to test" | "rejected";
    acceptance_checks: { [name: string]: string } | null;
    after_repair: string | null;
    parent: string | null;
    note: string | null;
  };
  /** Faces of blocks. */
  faces: {
    id: string;
    block: string;
    outline: number[][];
    usable_depth_m: number;
    bed: "x" | "none" | "parallel" | "unknown";
    flaws: ({ ring: number[][]; kind?: string; depth_m?: number | null; from_m?: number | null; [name: string]: unknown })[];
    finish: string | null;
    weathered: boolean;
    wetness: "dry" | "damp" | "wet";
    calibrated: boolean;
    lab: number[] | null;
    lab_covariance: number[][] | null;
    lab_n: number | null;
    spread: number | null;
    appearance: { version: number; lab: number[]; covariance: number[][]; n: number; spread: number; quantiles: number[][]; pattern: string; direction_deg: number; anisotropy: number; scale_px: number; pattern_n: number; grain_scale_m: number | null; wetness: "dry" | "damp" | "wet"; weathered: boolean | null; finish: string; calibrated: boolean; source_gsd_m?: number | null } | null;
    photo: string | null;
    photo_matrix: number[][] | null;
    width_m: number | null;
    height_m: number | null;
    size_pm95_m: number | null;
    note: string | null;
  };
  /** Plans. */
  plans: {
    id: string;
    name: string | null;
    kept: boolean;
    note: string | null;
    made_at: string;
    status: "optimal" | "feasible";
    objective: number;
    bound: number;
    gap: number | null;
    matched: number | null;
    unmatched: number | null;
    mean_de00: number | null;
    seed: number | null;
    seconds: number | null;
    current: boolean;
    solution: { status?: string; ended_by?: string; objective?: number; bound?: number; gap?: number; seconds?: number; seed?: number; placements?: { repair: string; block: string; face: string; x: number; y: number; rot: number; slab?: number }[]; unmatched?: { repair: string; reason: string; source: number[] }[]; slabs?: { [name: string]: { face: string; thickness: number[] } }; meta?: unknown } | null;
    premises: { digest: string; locks: { [name: string]: { [name: string]: unknown } }; forbid: { [name: string]: string[] } } | null;
  };
  /** Placements. */
  placements: {
    id: string;
    plan: string | null;
    repair: string;
    piece: string;
    block: string;
    face: string;
    slab: number;
    slab_thicknesses: number[] | null;
    x_m: number;
    y_m: number;
    rotation_deg: number;
    de00: number | null;
    visual: number | null;
    state: "proposed" | "approved" | "reserved" | "sawn";
    blank: number[][] | null;
  };
  /** Work record. */
  work_log: {
    id: string;
    repair: string;
    at: string;
    stage: "proposed" | "approved" | "on hold" | "cut out" | "cut-out measured" | "piece sawn" | "dry-fitted" | "bedded" | "sounded" | "pointed" | "curing" | "accepted" | "redo" | null;
    check: string | null;
    result: "pass" | "redo" | "not applicable" | null;
    measured: { [name: string]: number | string | boolean | number[] | unknown } | null;
    mason: string | null;
    photo: string | null;
    reason: string | null;
    corrects: string | null;
    note: string | null;
  };
  /** Reviews. */
  reviews: {
    id: string;
    at: string;
    reviewer: string;
    about_table: "repairs" | "conditions" | "plans";
    about: string;
    decision: "comment" | "approve" | "return";
    text: string | null;
    source: string | null;
  };
  /** Trials and samples. */
  trials: {
    id: string;
    kind: "cleaning panel" | "consolidation panel" | "mortar sample" | "mock-up" | "other";
    treatment: "leave" | "clean" | "repoint" | "crack repair" | "mortar repair" | "inset" | "whole stone" | "consolidate" | "make safe" | "re-fix" | "metal" | "shelter";
    stone_type: string | null;
    soiling: "crust" | "soiling" | "salts" | "growth" | "plant" | "graffiti" | null;
    wall_stone: string | null;
    place: string | null;
    method: string | null;
    mix: string | null;
    made_on: string | null;
    photo_before: string | null;
    photo_after: string | null;
    colour_before: number[] | null;
    colour_dry: number[] | null;
    colour_wet: number[] | null;
    uptake_m3_per_m2: number | null;
    measured: string | null;
    result: "open" | "approved" | "refused";
    finding: string | null;
    approved_by: string | null;
    approved_on: string | null;
    note: string | null;
  };
  /** Variations. */
  variations: {
    id: string;
    what: string;
    reason: string;
    repair: string | null;
    elevation: string | null;
    treatment: "leave" | "clean" | "repoint" | "crack repair" | "mortar repair" | "inset" | "whole stone" | "consolidate" | "make safe" | "re-fix" | "metal" | "shelter" | null;
    measure: "count" | "area_net_m2" | "length_m" | "removed_area_m2" | "removed_volume_m3" | "cut_length_m" | "rake_length_m" | "pins" | "drill_length_m" | "mortar_l" | "hours" | null;
    quantity: number | null;
    rate: number | null;
    amount: number | null;
    currency: string | null;
    raised_on: string | null;
    result: "open" | "agreed" | "refused";
    agreed_by: string | null;
    agreed_on: string | null;
    note: string | null;
  };
  /** Consent conditions. */
  consents: {
    id: string;
    reference: string;
    clause: string | null;
    text: string;
    given_by: string | null;
    given_on: string | null;
    before: "work begins" | "work is accepted" | "nothing";
    treatments: string[];
    repairs: string[];
    surfaces: string[];
    area_m: number[] | null;
    wants_trial: "cleaning panel" | "consolidation panel" | "mortar sample" | "mock-up" | "other" | null;
    met: boolean;
    met_by: string | null;
    met_on: string | null;
    evidence_file: string | null;
    evidence_sha256: string | null;
    evidence_photo: string | null;
    evidence_trial: string | null;
    note: string | null;
  };
  /** Stone asked for. */
  orders: {
    id: string;
    stone_type: string;
    supplier: string;
    pieces: string[];
    state: "asked" | "sample here" | "approved" | "refused" | "ordered" | "delivered";
    asked_on: string | null;
    sample_on: string | null;
    sample_photo: string | null;
    lab_wanted: number[] | null;
    lab_sample: number[] | null;
    tests: ({ name: string; value: string; by?: string; on?: string; result?: "pass" | "fail" | "open" })[];
    decided_by: string | null;
    decided_on: string | null;
    finding: string | null;
    ordered_on: string | null;
    ordered_by: string | null;
    volume_m3: number | null;
    price: string | null;
    due_on: string | null;
    delivered_on: string | null;
    blocks: string[];
    note: string | null;
  };
  /** Monitoring points. */
  gauges: {
    id: string;
    surface: string;
    kind: "crack" | "tell-tale" | "plumb line" | "tilt" | "level" | "other";
    condition: string | null;
    limit_m: number | null;
    rate_m_a_year: number | null;
    reading_m: number | null;
    every_months: number | null;
    note: string | null;
    geometry: PointGeometry | null;
  };
  /** Readings of monitoring points. */
  gauge_readings: {
    id: string;
    gauge: string;
    read_on: string;
    value_m: number;
    temperature_degc: number | null;
    by: string | null;
    note: string | null;
  };
  /** Looks. */
  looks: {
    id: string;
    about_table: "conditions" | "repairs" | "surfaces";
    about: string;
    looked_on: string;
    by: string | null;
    finding: "sound" | "as before" | "worse" | "failed" | "not reached";
    hollow_share: number | null;
    open_joint_m: number | null;
    colour_difference: number | null;
    photo: string | null;
    note: string | null;
  };
}
