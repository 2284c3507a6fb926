// The script of the desk lies in rooms by use: a room takes from those before it, never from those after.
import { readdirSync, readFileSync } from "node:fs";
import path from "node:path";
import { fileURLToPath } from "node:url";
import { expect, test } from "vitest";

const DESK = path.join(path.dirname(fileURLToPath(import.meta.url)), "..", "src", "desk");
const ROOMS = [
  ...["words", "geometry", "data", "wall", "drawing", "parts"],
  ...["survey", "control", "repairs", "yard", "work", "page"],
];
const LONGEST = 800;

const files = readdirSync(DESK, { recursive: true })
  .map(String)
  .filter((name) => /\.(jsx?|css)$/.test(name));
const text = (name) => readFileSync(path.join(DESK, name), "utf8");

test("every room is known, and only the entry stands outside", () => {
  const rooms = new Set(files.filter((f) => f.includes("/")).map((f) => f.split("/")[0]));
  expect([...rooms].sort()).toEqual([...ROOMS, "look"].sort());
  expect(files.filter((f) => !f.includes("/"))).toEqual(["main.jsx"]);
});

test("a room takes only from itself and those before it", () => {
  const wrong = [];
  for (const file of files.filter((f) => f.includes("/") && !f.endsWith(".css"))) {
    const room = file.split("/")[0];
    for (const [, other] of text(file).matchAll(/(?:from|import) "\.\.\/(\w+)\//g))
      if (ROOMS.indexOf(other) >= ROOMS.indexOf(room)) wrong.push(`${file} takes from ${other}`);
  }
  expect(wrong).toEqual([]);
});

test("no file is longer than a Python module may be", () => {
  const long = files.filter((f) => text(f).split("\n").length > LONGEST);
  expect(long).toEqual([]);
});
