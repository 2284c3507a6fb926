// What waits, kept in the browser's own database, so that neither a closed page nor a flat battery loses it.
let database = null;

function open(name) {
  return new Promise((resolve, reject) => {
    const request = indexedDB.open(name, 1);
    request.onupgradeneeded = () => request.result.createObjectStore("outbox", { keyPath: "key" });
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

function act(mode, work) {
  return new Promise((resolve, reject) => {
    if (!database) {
      resolve(null);
      return;
    }
    const transaction = database.transaction("outbox", mode, { durability: "strict" });
    const request = work(transaction.objectStore("outbox"));
    transaction.oncomplete = () => resolve(request?.result ?? null);
    transaction.onerror = () => reject(transaction.error);
    transaction.onabort = () => reject(transaction.error);
  });
}

/** Open the database of a project; false where this browser keeps nothing. */
export async function openKept(project) {
  try {
    database = await open(`facademap ${project}`);
    return true;
  } catch {
    database = null;
    return false;
  }
}

export const keptItems = async () =>
  ((await act("readonly", (s) => s.getAll())) ?? []).sort((a, b) => a.number - b.number);
export const keep = (item) => act("readwrite", (s) => s.put(item));
export const letGo = (key) => act("readwrite", (s) => s.delete(key));

/** Ask the browser not to clear this when the device runs short of room. */
export const holdFast = () => navigator.storage?.persist?.().catch(() => false);
