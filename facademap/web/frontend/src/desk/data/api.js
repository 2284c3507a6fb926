// Talking to the server: one shape of errors, one place for addresses.
import { signal as signalOf } from "@preact/signals";

/** How many answers this page waits for; what waits for news by its nature does not count. */
export const asking = signalOf(0);
const BY_NATURE = /^\/api\/(changes|running)\b/;

export class Refused extends Error {
  /**
   * @param {number} status
   * @param {(Partial<Refusal> & {type?: string, theirs?: Theirs | null}) | null} [body]
   */
  constructor(status, body) {
    super(body?.problem ?? `answer ${status}`);
    this.status = status;
    this.problem = body?.problem ?? "";
    this.remedy = body?.remedy ?? "";
    this.kind = body?.type ?? "";
    /** The row as it is there, where somebody else changed it. */
    this.theirs = body?.theirs ?? null;
    /** What depends on what was to be deleted. */
    this.consequences = body?.consequences ?? null;
  }
}

/**
 * What the server said to refuse, in words; empty where it could not be asked at all.
 * @param {unknown} error
 */
export const refusalIn = (error) =>
  error instanceof Refused && error.problem ? `${error.problem}. ${error.remedy}` : "";

/**
 * Ask the server.
 * @param {string} address
 * @param {object} [options]
 * @param {string} [options.method]
 * @param {unknown} [options.body] Sent as JSON.
 * @param {BodyInit} [options.raw] Sent as it is, with its type.
 * @param {string} [options.type]
 * @param {AbortSignal} [options.signal]
 * @returns {Promise<any>}
 */
export async function ask(address, options = {}) {
  if (BY_NATURE.test(address)) return answerOf(address, options);
  asking.value += 1;
  try {
    return await answerOf(address, options);
  } finally {
    asking.value -= 1;
  }
}

/**
 * @param {string} address
 * @param {{method?: string, body?: unknown, raw?: BodyInit, type?: string, signal?: AbortSignal}} options
 * @returns {Promise<any>}
 */
async function answerOf(address, { method = "GET", body, raw, type, signal }) {
  /** @type {Record<string, string>} */
  const headers = { accept: "application/json" };
  if (raw) headers["content-type"] = type ?? "application/octet-stream";
  else if (method !== "GET") headers["content-type"] = "application/json";
  const answer = await fetch(address, {
    method,
    headers,
    signal,
    credentials: "same-origin",
    body: raw ?? (method === "GET" ? undefined : JSON.stringify(body ?? {})),
  });
  const text = await answer.text();
  let value = null;
  try {
    value = text ? JSON.parse(text) : null;
  } catch {
    throw new Refused(answer.status, { problem: "" });
  }
  if (!answer.ok) throw new Refused(answer.status, value?.error);
  return value;
}

export const q = encodeURIComponent;
