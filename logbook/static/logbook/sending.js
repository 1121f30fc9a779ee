// Sends a file in pieces over a line that breaks (tus 1.0.0): asks how far it is, goes on from
// there, waits longer each time it fails, and at once again when the network is back.

const VERSION = "1.0.0";
const TYPE = "application/offset+octet-stream";
const LARGEST = 512 * 1024;
const SMALLEST = 32 * 1024;
const SILENT = 20_000; // milliseconds without a byte moving
const LONGEST_PAUSE = 30_000;
const GONE = [404, 410];

// The service said no; asking again would not help. `errors` names fields of the form.
export class Refused extends Error {
  constructor(answer) {
    super(`refused with ${answer.status}`);
    this.status = answer.status;
    this.gone = GONE.includes(answer.status);
    this.signedOut = answer.status === 401 || answer.status === 403;
    const said = answer.said();
    this.detail = said.detail ?? "";
    this.fields = said.fields ?? {};
  }
}

class Again extends Error {
  constructor(answer) {
    super(`answered ${answer.status}`);
    this.after = Number(answer.header("Retry-After")) * 1000 || 0;
  }
}

// One request. Rejects where no answer came: broken off, or silent for too long.
const ask = (method, address, { headers = {}, body = null, moved = () => {} } = {}) =>
  new Promise((resolve, reject) => {
    const request = new XMLHttpRequest();
    request.open(method, address);
    for (const [name, value] of Object.entries({ "Tus-Resumable": VERSION, ...headers })) {
      request.setRequestHeader(name, value);
    }
    let watch;
    const alive = () => {
      clearTimeout(watch);
      watch = setTimeout(() => request.abort(), SILENT);
    };
    request.upload.addEventListener("progress", (event) => { alive(); moved(event.loaded); });
    request.upload.addEventListener("load", alive);
    request.addEventListener("progress", alive);
    request.addEventListener("loadend", () => clearTimeout(watch));
    for (const broken of ["error", "abort"]) {
      request.addEventListener(broken, () => reject(new Error(broken)));
    }
    request.addEventListener("load", () => {
      resolve({
        status: request.status,
        header: (name) => request.getResponseHeader(name),
        said: () => {
          try { return JSON.parse(request.responseText) ?? {}; } catch { return {}; }
        },
      });
    });
    alive();
    request.send(body);
  });

// After so many failures in a row, with a share of chance so that a ward does not come all at once.
const pause = (failures, after) => {
  const wait = Math.max(after, Math.min(1000 * 2 ** (failures - 1), LONGEST_PAUSE));
  return new Promise((resolve) => {
    const go = () => {
      clearTimeout(timer);
      removeEventListener("online", go);
      resolve();
    };
    const timer = setTimeout(go, wait * (0.75 + Math.random() / 2));
    addEventListener("online", go);
  });
};

const checked = (answer, fine) => {
  if (fine.includes(answer.status)) return answer;
  if (answer.status >= 500 || [0, 408, 409, 429, 460].includes(answer.status)) {
    throw new Again(answer);
  }
  throw new Refused(answer);
};

// Tries until it is done or refused; `troubled("again")` while nothing moves, `troubled("busy")`
// while the service asks for patience, `troubled("")` once something moves.
const persistently = async (attempt, troubled) => {
  let failures = 0;
  const moved = () => { failures = 0; troubled(""); };
  for (;;) {
    try {
      return await attempt(moved);
    } catch (problem) {
      if (problem instanceof Refused) throw problem;
      failures += 1;
      troubled(problem.after ? "busy" : "again");
      await pause(failures, problem.after ?? 0);
    }
  }
};

const inBase64 = (text) => btoa(String.fromCharCode(...new TextEncoder().encode(text)));

// Makes room for a file. Gives the upload's address; begun again with the same `said.capture` and
// size it is the same one.
export const begin = (where, { size, said, headers, troubled = () => {} }) =>
  persistently(async (moved) => {
    const metadata = Object.entries(said).filter(([, value]) => value !== "")
      .map(([name, value]) => `${name} ${inBase64(value)}`).join(",");
    const answer = await ask("POST", where, {
      headers: { ...headers, "Upload-Length": String(size), "Upload-Metadata": metadata },
    });
    // A taken identifier stays taken.
    if (answer.status === 409) throw new Refused(answer);
    moved();
    return checked(answer, [201]).header("Location");
  }, troubled);

// Sends what is missing of `source` ({ size, slice(start, end) }). `progress(bytes)` as they move.
export const send = (address, source, { headers, progress = () => {}, troubled = () => {} }) => {
  let step = SMALLEST * 4;
  return persistently(async (moved) => {
    const asked = checked(await ask("HEAD", address, { headers }), [200]);
    let offset = Number(asked.header("Upload-Offset"));
    progress(offset);
    while (offset < source.size) {
      const end = Math.min(offset + step, source.size);
      const body = await source.slice(offset, end);
      const began = performance.now();
      const answer = checked(await ask("PATCH", address, {
        headers: { ...headers, "Content-Type": TYPE, "Upload-Offset": String(offset) },
        body,
        moved: (bytes) => progress(offset + bytes),
      }), [204]);
      offset = Number(answer.header("Upload-Offset"));
      moved();
      progress(offset);
      // Pieces of some seconds: small ones on a poor line, so that little is sent twice.
      const took = performance.now() - began;
      step = took > 8000 ? Math.max(step / 2, SMALLEST) : took < 3000 ? Math.min(step * 2, LARGEST) : step;
    }
  }, troubled);
};

// How long it will still take, from what moved lately; null until that can be said.
export const estimate = (size) => {
  const seen = [];
  return (bytes) => {
    const now = performance.now();
    seen.push([now, bytes]);
    while (seen.length > 2 && now - seen[0][0] > 15_000) seen.shift();
    const [began, from] = seen[0];
    if (now - began < 1500 || bytes <= from) return null;
    return ((size - bytes) * (now - began)) / (bytes - from) / 1000;
  };
};
