// What waits, kept in the browser's own database, so that neither a closed page nor a flat battery loses it.
/** @type {IDBDatabase | null} */
let database = null;

/** @returns {Promise<IDBDatabase>} */
function open(/** @type {string} */ name) {
  return new Promise((resolve, reject) => {
    const request = indexedDB.open(name, 1);
    request.onupgradeneeded = () => request.result.createObjectStore("outbox", { keyPath: "key" });
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

/**
 * @template T
 * @param {IDBTransactionMode} mode
 * @param {(store: IDBObjectStore) => IDBRequest<T>} work
 * @returns {Promise<T | null>} Nothing where this browser keeps nothing.
 */
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
export async function openKept(/** @type {string} */ project) {
  try {
    database = await open(`facademap ${project}`);
    return true;
  } catch {
    database = null;
    return false;
  }
}

/** @returns {Promise<Item[]>} */
export const keptItems = async () =>
  ((await act("readonly", (s) => s.getAll())) ?? []).sort((a, b) => a.number - b.number);
export const keep = (/** @type {Item} */ item) => act("readwrite", (s) => s.put(item));
export const letGo = (/** @type {string} */ key) => act("readwrite", (s) => s.delete(key));

/** Ask the browser not to clear this when the device runs short of room. */
export const holdFast = () => navigator.storage?.persist?.().catch(() => false);
