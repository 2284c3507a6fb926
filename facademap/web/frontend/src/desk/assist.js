// Outlines and lines proposed by the server from the picture; hidden where the server cannot.
import { signal } from "@preact/signals";
import { ask } from "./api.js";
import { surface } from "./data.js";
import { notice } from "./edits.js";
import { roundAll } from "./shapes.js";
import { t } from "./texts.js";
import { map } from "./wall.js";

export const assistance = signal({ outline: false, line: false, course: false });
export const thinking = signal(false);

export async function learnAssistance() {
  try {
    assistance.value = await ask("/api/assist");
  } catch {
    assistance.value = { outline: false, line: false, course: false };
  }
}

async function propose(kind, points) {
  const box = map.getView().calculateExtent(map.getSize());
  thinking.value = true;
  try {
    const { geometries } = await ask(`/api/assist/${kind}`, {
      method: "POST",
      body: { surface: surface.value, box, points },
    });
    return geometries.map((geometry) => ({
      ...geometry,
      coordinates: roundAll(geometry.coordinates),
    }));
  } catch (error) {
    notice.value = {
      text: error.problem ? `${error.problem}. ${error.remedy}` : t("assist.offline"),
      bad: true,
    };
    return [];
  } finally {
    thinking.value = false;
  }
}

export const outlineAt = async (point) => (await propose("outline", [point]))[0];
export const followLine = async (points) => (await propose("line", points))[0];
/** Outlines of the stones of a course along a stroke, from its beginning to its end. */
export const findCourse = (points) => propose("course", points);
