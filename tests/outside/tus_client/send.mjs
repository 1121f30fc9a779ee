// Drives the unmodified client of the protocol: an order in JSON on standard input, what happened
// in JSON on standard output. What a test asks for happens in the client's own hooks.

import { createHash } from "node:crypto";
import { readFileSync } from "node:fs";
import { Upload } from "tus-js-client";

const order = JSON.parse(readFileSync(0, "utf8"));
const content = readFileSync(order.file);
const requests = [];

const sha1 = (bytes) => createHash("sha1").update(bytes).digest("base64");
const patches = { count: 0 };

// Another sender brings the same bytes first.
const overtake = (req, offset) =>
  fetch(req.getURL(), {
    method: "PATCH",
    headers: {
      ...order.headers,
      "Tus-Resumable": "1.0.0",
      "Upload-Offset": String(offset),
      "Content-Type": "application/offset+octet-stream",
    },
    body: content.subarray(offset, offset + order.chunkSize),
  });

const beforeRequest = async (req) => {
  if (req.getMethod() !== "PATCH") return;
  patches.count += 1;
  const offset = Number(req.getHeader("Upload-Offset"));
  if (order.overtake?.includes(patches.count)) await overtake(req, offset);
  if (order.checksums) {
    const bytes = content.subarray(offset, Math.min(offset + order.chunkSize, content.length));
    const wrong = order.checksums.wrong.includes(patches.count);
    req.setHeader("Upload-Checksum", `sha1 ${sha1(wrong ? bytes.subarray(1) : bytes)}`);
  }
};

const one = () =>
  new Promise((resolve) => {
    const upload = new Upload(content, {
      endpoint: order.endpoint ?? null,
      uploadUrl: order.uploadUrl ?? null,
      headers: order.headers,
      metadata: order.metadata ?? {},
      chunkSize: order.chunkSize ?? Infinity,
      retryDelays: order.retryDelays ?? Array(30).fill(100),
      overridePatchMethod: order.override ?? false,
      storeFingerprintForResuming: false,
      onBeforeRequest: beforeRequest,
      onAfterResponse: (req, res) => {
        requests.push([req.getMethod(), res.getStatus(), res.getHeader("Upload-Offset") ?? null]);
      },
      onShouldRetry: (error) => {
        const status = error.originalResponse ? error.originalResponse.getStatus() : 0;
        return status === 460 || status === 409 || status < 400 || status >= 500;
      },
      onChunkComplete: async (_size, accepted) => {
        if (order.giveUpAt && accepted >= order.giveUpAt) {
          order.giveUpAt = 0;
          await upload.abort(true);
          resolve({ url: upload.url, givenUp: true });
        }
      },
      onSuccess: () => resolve({ url: upload.url }),
      onError: (error) => resolve({
        url: upload.url,
        error: String(error.message).slice(0, 300),
        status: error.originalResponse ? error.originalResponse.getStatus() : 0,
      }),
    });
    upload.start();
  });

const ends = await Promise.all(Array.from({ length: order.together ?? 1 }, one));
console.log(JSON.stringify({ ends, requests }));
