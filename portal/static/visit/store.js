// The store on the phone (IndexedDB) of what was entered there.


/**
 * An entry or a photo, with an identity made here, so that sending it twice keeps one.
 *
 * @typedef {object} Row
 * @property {string} id
 * @property {number} user
 * @property {number} visit
 * @property {string} url where it is sent
 * @property {Record<string, string>} fields
 * @property {number} madeAt
 * @property {"waiting" | "sent" | "refused"} state
 * @property {string} place the roof, in words
 * @property {string} problem why the portal refused it
 * @property {boolean} [never] whether the portal would refuse it as often as it is sent
 * @property {Blob | null} file
 * @property {string} fileName
 * @property {number} [notBefore] not tried again before this
 * @property {number} [sentAt]
 * @property {{id?: number}} [answer] what the portal said of a photo that it took
 */

/** @type {Promise<IDBDatabase>} */
const opened = new Promise((resolve, reject) => {
  const request = indexedDB.open("visit-record", 1);
  request.onupgradeneeded = () => request.result.createObjectStore("outbox", { keyPath: "id" });
  request.onsuccess = () => resolve(request.result);
  request.onerror = () => reject(request.error);
});

/**
 * @template T
 * @param {IDBTransactionMode} mode
 * @param {(outbox: IDBObjectStore) => IDBRequest<T>} work
 * @returns {Promise<T>}
 */
async function store(mode, work) {
  const database = await opened;
  return new Promise((resolve, reject) => {
    // strict: on the disk before we say "kept", in case the battery dies
    const transaction = database.transaction("outbox", mode, { durability: "strict" });
    const request = work(transaction.objectStore("outbox"));
    transaction.oncomplete = () => resolve(request.result);
    transaction.onerror = transaction.onabort = () => reject(transaction.error);
  });
}

/** @param {Row} row */
export const put = (row) => store("readwrite", (outbox) => outbox.put(row));

/** @param {string} id */
export const remove = (id) => store("readwrite", (outbox) => outbox.delete(id));

/** @returns {Promise<Row[]>} the oldest first */
export async function all() {
  /** @type {Row[]} */
  const rows = await store("readonly", (outbox) => outbox.getAll());
  return rows.sort((a, b) => a.madeAt - b.madeAt);
}
