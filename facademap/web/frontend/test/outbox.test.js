import { beforeEach, describe, expect, it, vi } from "vitest";

/** A server that answers as it is told, and remembers what it was sent. */
function server(answers) {
  const sent = [];
  globalThis.fetch = vi.fn(async (address, { body }) => {
    sent.push({ address, body: JSON.parse(body) });
    const answer = answers.shift();
    if (answer instanceof Error) throw answer;
    const { status = 200, ...value } = answer ?? { ids: {}, rows: [] };
    return { ok: status < 400, status, text: async () => JSON.stringify(value) };
  });
  return sent;
}
const post = (outbox, key, changes) =>
  outbox.post({ key, kind: "edit", who: "M. Reed", what: "draw", changes });
const settled = () => new Promise((resolve) => setTimeout(resolve, 5));
const drawn = (id, values = {}) => ({ op: "insert", table: "conditions", id, values });

describe("what is on its way", () => {
  let outbox;
  let data;
  beforeEach(async () => {
    vi.resetModules();
    outbox = await import("../src/desk/data/outbox.js");
    data = await import("../src/desk/data/data.js");
  });

  it("leaves in the order it was made, and calls things by the numbers they got", async () => {
    const row = { id: "C-7", note: null };
    const sent = server([
      { ids: { "new:1": "C-7" }, rows: [{ table: "conditions", id: "C-7", rev: 1, row, was: 1 }] },
      {
        ids: {},
        rows: [{ table: "conditions", id: "C-7", rev: 2, row: { ...row, note: "wet" }, was: 2 }],
      },
    ]);
    outbox.applyLocally(drawn("new:1"));
    await post(outbox, "a", [drawn("new:1")]);
    await post(outbox, "b", [
      { op: "update", table: "conditions", id: "new:1", rev: 1, values: { note: "wet" } },
    ]);
    await settled();
    expect(sent.map((s) => s.body.key)).toEqual(["a", "b"]);
    expect(sent[1].body.changes[0].id).toBe("C-7");
    expect(outbox.waiting.value).toEqual([]);
    expect(data.entryOf("conditions", "C-7").row.note).toBe("wet");
  });

  it("waits through a lost connection and sends each thing once with effect", async () => {
    const sent = server([new TypeError("no network"), { ids: {}, rows: [] }]);
    await post(outbox, "a", [drawn("new:2")]);
    await settled();
    expect(outbox.online.value).toBe(false);
    expect(outbox.waitingEdits.value).toBe(1);
    await outbox.send();
    await settled();
    expect(outbox.waitingEdits.value).toBe(0);
    expect(new Set(sent.map((s) => s.body.key))).toEqual(new Set(["a"]));
  });

  it("keeps what the server will never take, with its reason, and goes on with the rest", async () => {
    server([
      { status: 400, error: { problem: "no such stone", remedy: "Choose another" } },
      { tables: [] },
      { ids: {}, rows: [] },
    ]);
    await post(outbox, "a", []);
    await settled();
    expect(outbox.refused.value.map((i) => [i.key, i.refusal.problem])).toEqual([
      ["a", "no such stone"],
    ]);
    expect(outbox.waitingEdits.value).toBe(0);
  });

  it("asks nobody about a row that both have deleted, and sends the rest", async () => {
    const theirs = { table: "conditions", id: "C-7", rev: null, row: null };
    const sent = server([
      { status: 409, error: { type: "ConflictError", problem: "gone", remedy: "See", theirs } },
      { ids: {}, rows: [] },
    ]);
    await post(outbox, "a", [{ op: "delete", table: "conditions", id: "C-7", rev: 1 }]);
    await post(outbox, "b", [drawn("new:3")]);
    await settled();
    expect(outbox.conflict.value).toBeNull();
    expect(sent.map((s) => s.body.key)).toEqual(["a", "b"]);
    expect(outbox.waiting.value).toEqual([]);
  });

  it("neither asks about a deletion that was taken back before it was sent, nor writes over others with it", async () => {
    const row = { id: "C-7", cc: 3, note: null, depth_m: 0.01 };
    const theirs = { table: "conditions", id: "C-7", rev: 5, row };
    const told = { type: "ConflictError", problem: "changed", remedy: "See", theirs };
    const sent = server(
      [{ status: 409, error: told }, {}, {}].map((a) => ({ ids: {}, rows: [], ...a })),
    );
    const of = (op, rev, values) => ({ op, table: "conditions", id: "C-7", rev, values });
    data.putRow("conditions", "C-7", 1, { ...row, cc: 0 });
    const here = { ...row, cc: 0, depth_m: 0.08 };
    const edits = [
      of("update", 1, { depth_m: 0.08 }),
      of("delete", 2),
      of("restore", 2, here),
      of("update", 4, { note: "wet" }),
    ];
    for (const change of edits) outbox.applyLocally(change);
    for (const [i, change] of edits.entries()) void post(outbox, `e${i}`, [change]);
    await settled();
    expect(outbox.conflict.value.theirs.rev).toBe(5);
    expect(outbox.mineOf("conditions", "C-7")).toEqual({ depth_m: 0.08, note: "wet" });
    await outbox.resolveConflict([]);
    await settled();
    expect(sent.slice(1).map((s) => s.body.changes[0])).toEqual([
      of("update", 5, { depth_m: 0.08 }),
      of("update", 6, { note: "wet" }),
    ]);
    expect(outbox.conflict.value).toBeNull();
  });

  it("numbers what follows a deletion taken back as the server does", async () => {
    const row = { id: "C-7", cc: 3 };
    const of = (op, rev, values) => ({ op, table: "conditions", id: "C-7", rev, values });
    const stored = (rev, was) => ({
      ids: {},
      rows: [{ table: "conditions", id: "C-7", rev, row, was }],
    });
    const gone = { ids: {}, rows: [{ table: "conditions", id: "C-7", rev: null, row: null }] };
    const sent = server([stored(3, 2), gone, stored(4, 0), stored(5, 4)]);
    data.putRow("conditions", "C-7", 2, row);
    const edits = [
      of("update", 2, { cc: 3 }),
      of("delete", 3),
      of("restore", 3, row),
      of("update", 4, { cc: 1 }),
    ];
    for (const [i, change] of edits.entries()) void post(outbox, `e${i}`, [change]);
    await settled();
    expect(sent.at(-1).body.changes[0].rev).toBe(4);
  });

  it("shows theirs where nothing of mine is left but a deletion taken back", async () => {
    const theirs = { table: "conditions", id: "C-7", rev: 5, row: { id: "C-7", cc: 3 } };
    const told = { type: "ConflictError", problem: "changed", remedy: "See", theirs };
    const sent = server([{ status: 409, error: told }]);
    data.putRow("conditions", "C-7", 3, { id: "C-7", cc: 0 });
    const place = { table: "conditions", id: "C-7" };
    void post(outbox, "a", [{ op: "delete", ...place, rev: 1 }]);
    void post(outbox, "b", [{ op: "restore", ...place, rev: 1, values: { id: "C-7", cc: 0 } }]);
    await settled();
    expect(sent.length).toBe(1);
    expect(outbox.conflict.value).toBeNull();
    expect(outbox.waiting.value).toEqual([]);
    expect(data.entryOf("conditions", "C-7")).toEqual({ rev: 5, row: theirs.row });
  });

  it("keeps whole what waits for a row that is gone by consequence, so that it can be brought back", async () => {
    const gone = { table: "placements", id: "P-1", rev: null, row: null };
    const told = { type: "ConflictError", problem: "was deleted", remedy: "See", theirs: gone };
    const sent = server([
      { ids: {}, rows: [gone] },
      { status: 409, error: told },
    ]);
    const whole = { id: "P-1", repair: "R-1", block: "B-1", state: "proposed" };
    data.putRow("placements", "P-1", 8, { ...whole, state: "approved" });
    void post(outbox, "a", [{ op: "delete", table: "repairs", id: "R-1", rev: 2 }]);
    void post(outbox, "b", [
      { op: "update", table: "placements", id: "P-1", rev: 7, values: { state: "approved" } },
    ]);
    await settled();
    expect(sent[1].body.changes[0].rev).toBe(7);
    expect(data.entryOf("placements", "P-1").row).toEqual({ ...whole, state: "approved" });
  });

  it("sends the seal of consequences that a person has seen", async () => {
    const consequences = { seal: "9f2c", text: ["4 conditions lose their wall stone"] };
    const sent = server([
      {
        status: 409,
        error: { type: "InUseError", problem: "in use", remedy: "See", consequences },
      },
      { ids: {}, rows: [] },
    ]);
    await post(outbox, "a", []);
    await settled();
    expect(outbox.refused.value[0].refusal.consequences.seal).toBe("9f2c");
    await outbox.tryAgain("a", "9f2c");
    await settled();
    expect(sent.at(-1).body.confirmed).toBe("9f2c");
    expect(outbox.refused.value).toEqual([]);
  });
});
