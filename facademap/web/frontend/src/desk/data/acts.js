// Entries of the record: a stage, a check, the cut-out as measured. They go through the one line of what is on its way,
// and the page shows them at once as waiting.
import { computed, signal } from "@preact/signals";
import { t } from "../words/texts.js";
import { ask, q } from "./api.js";
import { entryOf, loadTable, putRow, rowsOf } from "./data.js";
import { newKey } from "./keys.js";
import { applyLocally, online, post, rename, sendKind, waiting } from "./outbox.js";
import { who } from "./settings.js";

/** @type {PhotoSlots} */
const NO_SLOTS = { slots: [], note: "photo: ", by_check: {}, by_stage: {} };
/**
 * Stages, checks and criteria of all repairs, learnt at the start so that they are at hand without a connection.
 * @type {Signal<Overview>}
 */
export const overview = signal({ criteria: {}, next: {}, states: {}, photos: NO_SLOTS });
const waitingActs = computed(() => waiting.value.filter((item) => item.kind === "work"));

export async function learnOverview() {
  try {
    overview.value = await ask("/api/work/all");
  } catch {
    // without a connection the last one that was kept is shown
  }
}

const learn = (/** @type {WorkPage} */ page) => {
  const { repair, stage, treatment, held_back, consents, checks } = page;
  /** @type {WorkKnown} */
  const state = {
    stage,
    treatment,
    held_back,
    consents,
    checks: checks.map((c) => [c.criterion, c.result, c.entry]),
  };
  overview.value = {
    ...overview.value,
    next: {
      ...overview.value.next,
      [treatment]: { ...overview.value.next[treatment], [stage]: page.next },
    },
    states: { ...overview.value.states, [repair]: state },
  };
};

export async function lookAt(/** @type {string} */ repair) {
  learn(await ask(`/api/work?repair=${q(repair)}`));
}

/** Where the work on a repair stands, with what waits here on top. */
export function workState(/** @type {string} */ repair) {
  const { criteria, next, states } = overview.value;
  const known = states[repair];
  if (!known) return null;
  const acts = waitingActs.value.filter((item) => item.repair === repair);
  const stage = acts.findLast((a) => a.act === "stage")?.body.stage ?? known.stage;
  const checks = known.checks.map(([criterion, result, entry]) => {
    const mine = acts.findLast((a) => a.act === "check" && a.body.criterion === criterion);
    return {
      criterion,
      ...criteria[criterion],
      result: mine ? "waiting" : result,
      entry: mine ? `new:${mine.key}` : entry,
    };
  });
  /** @type {EntryShown[]} */
  const stored = rowsOf("work_log").filter((e) => e.repair === repair);
  /** @type {EntryShown[]} */
  const mine = acts
    .filter((a) => a.act !== "cut-out")
    .map((a) => ({
      id: `new:${a.key}`,
      at: a.at,
      stage: a.body.stage ?? null,
      check: a.body.criterion ?? null,
      result: a.body.result ?? null,
      measured: a.body.measured ?? null,
      mason: a.mason,
      photo: a.photo,
      reason: a.reason,
      slot: a.body.slot,
      waits: true,
    }));
  return {
    stage,
    next: next[known.treatment]?.[stage] ?? [],
    checks,
    entries: [...stored, ...mine],
    waits: acts.length,
    consents: known.consents ?? [],
  };
}

/** @type {Record<ActName, (body: ActBody) => string | undefined>} */
const NAMES = {
  stage: (b) => b.stage,
  check: (b) => b.criterion,
  "cut-out": () => t("work.cutout.measured"),
  photo: (b) => t("slots.photo", { slot: b.slot }),
};

/** Entries with a photo under the slot that it fills; what was corrected does not count. */
export function photosBySlot(/** @type {EntryShown[]} */ entries) {
  const { slots, note, by_check, by_stage } = overview.value.photos ?? NO_SLOTS;
  const corrected = new Set(entries.map((e) => e.corrects).filter(Boolean));
  /** @type {Map<string, EntryShown[]>} */
  const found = new Map(slots.map(({ name }) => [name, []]));
  for (const entry of entries) {
    if (!entry.photo || corrected.has(entry.id)) continue;
    const said = entry.note?.startsWith(note) ? entry.note.slice(note.length) : "";
    const filled = by_check[entry.check ?? ""] || by_stage[entry.stage ?? ""];
    found.get(entry.slot || said || filled)?.push(entry);
  }
  return found;
}

/**
 * What was seen of a thing before something is entered about it; a repair that nothing is known of was seen by nobody.
 * @param {string} repair
 * @param {ActName} act
 * @param {ActBody} body
 * @returns {Act["seen"]}
 */
function seenOf(repair, act, body) {
  if (act === "photo") return {};
  if (act === "cut-out") return { measured: entryOf("repairs", repair)?.row.measured ?? null };
  const state = workState(repair);
  if (!state) return {};
  if (act === "stage") return { stage: state.stage };
  return { entry: state.checks.find((c) => c.criterion === body.criterion)?.entry ?? null };
}

/**
 * Enter one thing; it is kept here first and sent in its turn.
 * @param {string} repair
 * @param {ActName} act
 * @param {ActBody} body
 * @param {{photo?: string | null, reason?: string}} [options]
 */
export function enterAct(repair, act, body, { photo = null, reason = "" } = {}) {
  const seen = seenOf(repair, act, body);
  /** @type {Act} */
  const item = {
    key: newKey(),
    kind: "work",
    repair,
    act,
    body,
    seen,
    photo,
    reason,
    mason: who.value,
    who: who.value || "surveyor",
    what: `${repair}: ${NAMES[act](body)}`,
    at: new Date().toISOString(),
    madeAt: Date.now(),
  };
  show(item);
  return post(item);
}

/**
 * Show an entry of the record before it arrives.
 * @param {Act} item
 * @param {Set<TableName>} [tables]
 */
function show({ repair, act, body }, tables) {
  if (tables && !tables.has("repairs")) return;
  if (act === "stage")
    applyLocally({ op: "update", table: "repairs", id: repair, values: { stage: body.stage } });
  else if (act === "cut-out")
    applyLocally({
      op: "update",
      table: "repairs",
      id: repair,
      values: { measured: body.values },
    });
}

/** @type {import("./outbox.js").SendKind<Act, WorkPage & {entry: string | null}>} */
const kind = {
  send: ({ key, repair, act, body, seen, photo, reason, mason, who: author, madeAt }) =>
    ask(`/api/work/${act}`, {
      method: "POST",
      // the server dates an entry by its own clock, less the time that it waited here
      body: {
        ...body,
        key,
        repair,
        seen,
        photo,
        reason,
        mason,
        who: author,
        waited_s: Math.max(0, (Date.now() - madeAt) / 1000),
      },
    }),
  show,
  async settle(item, page) {
    learn(page);
    if (page.entry) await rename(`new:${item.key}`, page.entry);
    for (const entry of page.entries)
      if (!entryOf("work_log", entry.id)) putRow("work_log", entry.id, 1, entry);
  },
  tables: ({ act }) =>
    act === "check" || act === "photo" ? ["work_log"] : ["repairs", "pieces", "work_log"],
  async refused({ repair }) {
    if (online.value) await lookAt(repair).catch(() => {});
  },
};
sendKind("work", kind);

sendKind("review", {
  send: ({ key, body, who: author }) =>
    ask("/api/reviews", { method: "POST", body: { ...body, key, reviewer: author } }),
  settle: () => loadTable("reviews").catch(() => {}),
});

/** What a reviewer says, kept and sent like everything else. */
export function enterReview(/** @type {ReviewSent["body"]} */ body) {
  return post({
    key: newKey(),
    kind: "review",
    body,
    who: who.value || "reviewer",
    what: t("what.review", { id: body.about }),
    at: new Date().toISOString(),
    madeAt: Date.now(),
  });
}
