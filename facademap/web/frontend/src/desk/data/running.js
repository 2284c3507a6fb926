// Costly answers that are being made while this page waits: seen after a moment, and stopped from here.
import { effect, signal } from "@preact/signals";
import { ask, asking, q, refusalIn } from "./api.js";
import { notice } from "./edits.js";

const AFTER_MS = 1500;
const EVERY_MS = 1000;

/** What the server makes now, longest first. */
export const running = signal(
  /** @type {{id: string, task: string, title: string, seconds: number}[]} */ ([]),
);
let timer = 0;

async function look() {
  if (!asking.value) {
    timer = 0;
    running.value = [];
    return;
  }
  try {
    running.value = (await ask("/api/running")).running;
  } catch {
    running.value = [];
  }
  timer = setTimeout(look, EVERY_MS);
}

effect(() => {
  if (asking.value && !timer) timer = setTimeout(look, AFTER_MS);
});

/** Stop one; whoever waits for it is told so. */
export async function stopRunning(/** @type {string} */ id) {
  running.value = running.value.filter((r) => r.id !== id);
  try {
    await ask(`/api/running/${q(id)}/stop`, { method: "POST" });
  } catch (error) {
    if (refusalIn(error)) notice.value = { text: refusalIn(error), bad: true };
  }
}
