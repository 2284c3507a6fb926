// Outlines and lines proposed by the server from the picture; hidden where the server cannot.
import { signal } from "@preact/signals";
import { ask } from "./api.js";
import { surface } from "./data.js";
import { notice } from "./edits.js";
import { roundAll } from "./shapes.js";
import { t } from "./texts.js";
import { map } from "./wall.js";

export const assistance = signal({ outline: false, line: false });
export const thinking = signal(false);

export async function learnAssistance() {
  try {
    assistance.value = await ask("/api/assist");
  } catch {
    assistance.value = { outline: false, line: false };
  }
}

async function propose(kind, points) {
  const box = map.getView().calculateExtent(map.getSize());
  thinking.value = true;
  try {
    const { geometry } = await ask(`/api/assist/${kind}`, { method: "POST", body: { surface: surface.value, box, points } });
    return { ...geometry, coordinates: roundAll(geometry.coordinates) };
  } catch (error) {
    notice.value = { text: error.problem ? `${error.problem}. ${error.remedy}` : t("assist.offline"), bad: true };
    return null;
  } finally {
    thinking.value = false;
  }
}

export const outlineAt = (point) => propose("outline", [point]);
export const followLine = (points) => propose("line", points);
