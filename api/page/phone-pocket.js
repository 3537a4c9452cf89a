// What the phone keeps: the sheet, the facts that were told, small settings. No codes.

const NAME = "keyround-phone";
const THINGS = "things"; // key -> value
const FACTS = "facts"; // seq -> {seq, day, body, state, reason, version}

let opening = null;

function open() {
  opening ??= new Promise((resolve, reject) => {
    const request = indexedDB.open(NAME, 1);
    request.onupgradeneeded = () => {
      request.result.createObjectStore(THINGS);
      request.result.createObjectStore(FACTS, { keyPath: "seq", autoIncrement: true });
    };
    request.onsuccess = () => {
      // Another page of ours that wants to upgrade is not kept waiting.
      request.result.onversionchange = () => {
        request.result.close();
        opening = null;
      };
      resolve(request.result);
    };
    request.onerror = () => {
      opening = null;
      reject(request.error);
    };
  });
  return opening;
}

// Runs one step; resolves with its result once it is on the disk.
async function step(store, mode, act) {
  const database = await open();
  return new Promise((resolve, reject) => {
    const transaction = database.transaction(store, mode, { durability: "strict" });
    const request = act(transaction.objectStore(store));
    transaction.oncomplete = () => resolve(request.result);
    transaction.onerror = () => reject(transaction.error);
    transaction.onabort = () => reject(transaction.error);
  });
}

export const read = (key) => step(THINGS, "readonly", (store) => store.get(key));
export const write = (key, value) =>
  step(THINGS, "readwrite", (store) => store.put(value, key));
export const drop = (key) => step(THINGS, "readwrite", (store) => store.delete(key));

export const facts = () => step(FACTS, "readonly", (store) => store.getAll());
export const addFact = (fact) => step(FACTS, "readwrite", (store) => store.add(fact));
export const putFact = (fact) => step(FACTS, "readwrite", (store) => store.put(fact));
export const dropFact = (seq) => step(FACTS, "readwrite", (store) => store.delete(seq));

// Everything goes: the phone is not this van's any more.
export async function empty() {
  await step(THINGS, "readwrite", (store) => store.clear());
  await step(FACTS, "readwrite", (store) => store.clear());
}
