import { expect, it, vi } from "vitest";

it("brings a row back without the photo that the server refused meanwhile", async () => {
  vi.resetModules();
  globalThis.fetch = vi.fn(async () => {
    throw new TypeError("no network");
  });
  const outbox = await import("../src/desk/data/outbox.js");
  const edits = await import("../src/desk/data/edits.js");
  const inverse = [
    {
      op: "restore",
      table: "conditions",
      id: "C-7",
      rev: 3,
      values: { id: "C-7", photo: "new:1" },
    },
  ];
  edits.undoable.value = [{ key: "a", what: "take out C-7", inverse, sent: [] }];
  outbox.rename("new:1", null);
  expect(edits.undoable.value[0].inverse[0]).toMatchObject({
    id: "C-7",
    values: { photo: null },
  });
});
