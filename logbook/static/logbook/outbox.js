// Files on their way, kept in this browser until they are sent: so a reload, a closed page or an
// empty battery costs nothing. For the person who chose them alone, and for a day at most.
// Pieces of plain bytes: some browsers keep no Blob in a private window.

const NAME = "interspace-files";
const PIECE = 512 * 1024;
const DAY = 24 * 60 * 60 * 1000;

const promised = (request) =>
  new Promise((resolve, reject) => {
    request.addEventListener("success", () => resolve(request.result));
    request.addEventListener("error", () => reject(request.error));
  });

const done = (transaction) =>
  new Promise((resolve, reject) => {
    transaction.addEventListener("complete", resolve);
    for (const failed of ["error", "abort"]) {
      transaction.addEventListener(failed, () => reject(transaction.error));
    }
  });

const open = () => {
  const request = indexedDB.open(NAME, 1);
  request.addEventListener("upgradeneeded", () => {
    request.result.createObjectStore("files", { keyPath: "id" });
    request.result.createObjectStore("pieces");
  });
  return promised(request);
};

const inside = async (mode, work) => {
  const database = await open();
  try {
    const transaction = database.transaction(["files", "pieces"], mode);
    const ended = done(transaction);
    const result = work(transaction.objectStore("files"), transaction.objectStore("pieces"));
    const value = result ? await promised(result) : undefined;
    await ended;
    return value;
  } finally {
    database.close();
  }
};

export const drop = (id) =>
  inside("readwrite", (files, pieces) => {
    files.delete(id);
    pieces.delete(IDBKeyRange.bound([id, 0], [id, Infinity]));
  }).catch(() => {});

// Keeps a file whole, then its record. False where this browser has no room or keeps nothing;
// the file can be sent all the same while the page stays open.
export const keep = async (record, file) => {
  try {
    for (let start = 0; start < file.size; start += PIECE) {
      const bytes = await file.slice(start, start + PIECE).arrayBuffer();
      await inside("readwrite", (_files, pieces) => { pieces.put(bytes, [record.id, start]); });
    }
    await inside("readwrite", (files) => { files.put({ ...record, at: Date.now() }); });
    return true;
  } catch {
    await drop(record.id);
    return false;
  }
};

// What this person's files are; those of others and of yesterday are dropped.
export const kept = async (person) => {
  let all = [];
  try {
    all = await inside("readonly", (files) => files.getAll());
  } catch {
    return [];
  }
  const isOurs = (one) => one.person === person && Date.now() - one.at < DAY;
  await Promise.all(all.filter((one) => !isOurs(one)).map((one) => drop(one.id)));
  return all.filter(isOurs);
};

// A kept file, to be read like one that was just chosen.
export const source = (record) => ({
  size: record.size,
  slice: async (start, end) => {
    const parts = [];
    for (let at = start - (start % PIECE); at < end; at += PIECE) {
      const bytes = await inside("readonly", (_files, pieces) => pieces.get([record.id, at]));
      if (!bytes) throw new Error("a piece is missing");
      parts.push(bytes.slice(Math.max(start - at, 0), Math.min(end - at, PIECE)));
    }
    return new Blob(parts);
  },
});

// One page at a time sends a file. Null where another has it; without locks every page may, and
// the service sorts it out.
export const alone = (id, work) =>
  navigator.locks
    ? navigator.locks.request(`interspace-file-${id}`, { ifAvailable: true }, (lock) =>
        lock ? work() : null)
    : work();
