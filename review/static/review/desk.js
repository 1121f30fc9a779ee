// The desk by keyboard. Keys live in the markup (data-key) and are bound and listed by ui/keys.js;
// with several scans on one page the same keys belong to one of them at a time, and this module
// hands them on. Nothing here is needed: without it the page is a plain form.

const form = document.querySelector("[data-desk]");
document.documentElement.classList.add("desk-js");
document.querySelector(".desk-keys")?.removeAttribute("hidden");

// --- one capture at a time ------------------------------------------------------------------------

const frames = [...document.querySelectorAll(".desk-capture")];
const strip = [...document.querySelectorAll("[data-capture]")];

const show = (id) => {
  for (const frame of frames) {
    const shown = frame.id === id;
    frame.classList.toggle("is-shown", shown);
    const video = frame.querySelector("video");
    if (!video) continue;
    if (shown) video.play().catch(() => {});
    else video.pause();
  }
  for (const link of strip) {
    if (link.dataset.capture === id) link.setAttribute("aria-current", "true");
    else link.removeAttribute("aria-current");
  }
};

for (const link of strip) {
  link.addEventListener("click", (event) => {
    event.preventDefault();
    show(link.dataset.capture);
  });
}
const step = (by) => {
  const at = frames.findIndex((frame) => frame.classList.contains("is-shown"));
  const next = frames[(at + by + frames.length) % frames.length];
  if (next) {
    show(next.id);
    strip.find((link) => link.dataset.capture === next.id)?.scrollIntoView({ block: "nearest", inline: "nearest" });
  }
};
// What was just covered is what is looked at next.
const asked = frames.find((frame) => `#${frame.id}` === location.hash) ?? frames[0];
if (asked) show(asked.id);

// Buttons that carry the keys of the captures, so that the list of keys knows them too.
const strap = document.querySelector("[data-strap]");
const button = (key, label, act) => {
  const made = Object.assign(document.createElement("button"), { type: "button", className: "unseen", textContent: label, tabIndex: -1 });
  made.dataset.key = key;
  made.dataset.keyLabel = label;
  made.addEventListener("click", act);
  strap.append(made);
};
if (strap) {
  if (frames.length > 1) {
    button("]", strap.dataset.next, () => step(1));
    button("[", strap.dataset.back, () => step(-1));
  }
  button("p", strap.dataset.play, () => frames.find((f) => f.classList.contains("is-shown"))?.querySelector('[data-clip-do="toggle"]')?.click());
  button(".", strap.dataset.on, () => frames.find((f) => f.classList.contains("is-shown"))?.querySelector('[data-clip-do="on"]')?.click());
  button(",", strap.dataset.frameBack, () => frames.find((f) => f.classList.contains("is-shown"))?.querySelector('[data-clip-do="back"]')?.click());
  const shown = () => frames.find((f) => f.classList.contains("is-shown"));
  if (document.querySelector("button[data-take-out]")) {
    button("o", strap.dataset.cover, () => shown()?.querySelector("button[data-cover]")?.click());
    button("z", strap.dataset.takeOut, () => shown()?.querySelector("button[data-take-out]")?.click());
  }
}

// --- one scan at a time ---------------------------------------------------------------------------

const scans = form ? [...form.querySelectorAll("[data-scan]")] : [];

const take = (current) => {
  for (const scan of scans) {
    const mine = scan === current;
    scan.classList.toggle("is-current", mine && scans.length > 1);
    for (const el of scan.querySelectorAll("[data-key], [data-key-resting]")) {
      const key = el.dataset.key ?? el.dataset.keyResting;
      delete el.dataset[mine ? "keyResting" : "key"];
      el.dataset[mine ? "key" : "keyResting"] = key;
    }
  }
};
const checked = (scan, part) => scan.querySelector(`[name$="-${part}"]:checked`);
const settled = (scan) => {
  if (!checked(scan, "quality")) return false;
  if (checked(scan, "limited")) return true;
  const pattern = checked(scan, "pattern");
  if (pattern) return pattern.value !== "focal" || Boolean(scan.querySelector('[name$="-focal"]:checked'));
  return Boolean(checked(scan, "right") && checked(scan, "left"));
};
for (const scan of scans) {
  scan.addEventListener("focusin", (event) => {
    if (!event.target.matches("h2")) take(scan);
  });
  if (form.dataset.desk === "blind") {
    scan.addEventListener("change", (event) => {
      if (!event.target.name?.endsWith("-quality") || !settled(scan)) return;
      // The quality is marked last: the keys go to the next scan that is still open.
      const next = scans.find((other) => !settled(other));
      if (next) {
        take(next);
        next.scrollIntoView({ block: "nearest" });
      }
    });
  }
}
if (scans.length) take(scans[0]);

// Nothing found: negative on both sides, or none, in every scan; the quality is still to be marked,
// and one digit then marks it for every scan that has none.
let together = false;
const plain = document.querySelector("[data-plain]");
if (plain) {
  plain.hidden = false;
  plain.addEventListener("click", () => {
    for (const scan of scans) {
      for (const part of ["right", "left"]) {
        const box = scan.querySelector(`[name$="-${part}"][value="negative"]`);
        if (box) box.checked = true;
      }
      const none = scan.querySelector('[name$="-pattern"][value="none"]');
      if (none) none.checked = true;
      for (const tick of scan.querySelectorAll('[name$="-limited"], [name$="-focal"]')) tick.checked = false;
    }
    together = true;
    keep();
  });
  form.addEventListener("change", (event) => {
    if (!together || !event.target.name?.endsWith("-quality")) return;
    for (const scan of scans) {
      if (checked(scan, "quality")) continue;
      const box = scan.querySelector(`[name$="-quality"][value="${event.target.value}"]`);
      if (box) box.checked = true;
    }
    together = false;
  });
}

// --- kept while one reads -------------------------------------------------------------------------

let waiting = 0;
const send = async () => {
  const address = form.querySelector("[formaction]")?.getAttribute("formaction");
  if (!address) return;
  try {
    await fetch(address, { method: "POST", body: new FormData(form), headers: { "X-Fragment": "saved" }, keepalive: true });
  } catch { /* the reader's own button says what is wrong */ }
};
const keep = () => {
  clearTimeout(waiting);
  waiting = setTimeout(send, 1200);
};
form?.addEventListener("change", keep);
form?.addEventListener("submit", () => clearTimeout(waiting));
