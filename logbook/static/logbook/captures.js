// Sends a capture's file in pieces, with its progress shown, and goes on by itself after a broken
// connection or a reload. Without this script the form sends by itself.
// On the list of captures: asks again while something is under way.

import { alone, drop, keep, kept, source } from "./outbox.js";
import { Refused, begin, estimate, send } from "./sending.js";

const language = document.documentElement.lang;
const megabytes = new Intl.NumberFormat(language, {
  style: "unit", unit: "megabyte", minimumFractionDigits: 1, maximumFractionDigits: 1,
});
const inWords = (seconds) => {
  const [unit, value] = seconds < 90
    ? ["second", Math.max(5, Math.round(seconds / 5) * 5)] : ["minute", Math.round(seconds / 60)];
  return new Intl.NumberFormat(language, { style: "unit", unit, unitDisplay: "long" }).format(value);
};

// One file's bar and words. `words` holds the sentences, as the page has them.
const shown = (box, words, size) => {
  const bar = box.querySelector("progress");
  const says = box.querySelector("[data-says]");
  const count = box.querySelector("[data-count]");
  const left = estimate(size);
  box.hidden = false;
  return {
    say: (sentence) => { if (says.textContent !== sentence) says.textContent = sentence; },
    progress: (bytes) => {
      const seconds = left(bytes);
      bar.value = Math.floor((bytes / size) * 100);
      count.textContent = words.count.replace("{sent}", megabytes.format(bytes / 2 ** 20))
        .replace("{all}", megabytes.format(size / 2 ** 20))
        + (seconds === null ? "" : ` ${words.left.replace("{time}", inWords(seconds))}`);
    },
  };
};

const whyNot = (problem, words) => {
  if (!(problem instanceof Refused)) return words.failed;
  if (problem.signedOut) return words.signedOut;
  return problem.gone ? words.gone : problem.detail || words.failed;
};

// Sends what is missing of one file; true once the service has it whole.
const through = async (record, from, look, words) => {
  look.say(words.sending);
  try {
    await send(record.address, from, {
      headers: { "X-CSRFToken": words.csrf },
      progress: look.progress,
      troubled: (why) => look.say(words[why || "sending"]),
    });
  } catch (problem) {
    look.say(whyNot(problem, words));
    if (problem.gone) await drop(record.id);
    return false;
  }
  await drop(record.id);
  look.say(words.sent);
  return true;
};

// Each sentence where it belongs is the plain page's way; here one line says them all, the fields
// are marked, and nothing typed or chosen is lost.
const refuse = (form, says, problem) => {
  const names = { depth_mm: "depth_cm", capture: "capture_id" };
  const errors = Object.entries(problem.fields).map(([name, text]) => [names[name] ?? name, text]);
  const marked = errors.map(([name]) => form.elements.namedItem(name)).filter(Boolean);
  for (const field of form.elements) field.removeAttribute?.("aria-invalid");
  for (const field of marked) field.setAttribute?.("aria-invalid", "true");
  const sentences = errors.map(([name, text]) => {
    const label = form.querySelector(`label[for="id_${name}"]`)?.textContent.trim();
    return label ? `${label}: ${text}` : text;
  });
  says(sentences.join(" ") || problem.detail);
  marked[0]?.focus?.();
};

const identifier = () => {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
};

// The number as typed, in millimetres; what is no number goes as it is, to be refused in words.
const inMillimetres = (typed) => {
  const value = Number(typed.trim().replace(",", "."));
  return typed.trim() === "" || Number.isNaN(value) ? typed.trim() : String(Math.round(value * 10));
};

const sending = (form, words) => {
  const box = form.querySelector("[data-progress]");
  const button = form.querySelector("button:not([type=button])");
  const value = (name) => form.elements.namedItem(name).value;

  form.addEventListener("submit", async (event) => {
    const file = form.elements.namedItem("file").files[0];
    if (value("kept") !== "here" || !file) return; // the plain form says what is missing
    event.preventDefault();
    button.disabled = true;
    const look = shown(box, words, file.size);
    look.say(words.sending);
    const record = { id: value("capture_id"), person: words.person, exam: form.dataset.begin, zone: value("zone"), size: file.size };
    try {
      record.address = await begin(form.dataset.begin, {
        size: file.size,
        said: {
          capture: record.id, zone: record.zone, probe: value("probe"),
          depth_mm: inMillimetres(value("depth_cm")), mode: value("mode"),
        },
        headers: { "X-CSRFToken": words.csrf },
        troubled: (why) => look.say(words[why || "sending"]),
      });
    } catch (problem) {
      if (problem instanceof Refused && !problem.signedOut && !problem.gone) {
        refuse(form, look.say, problem);
      } else {
        look.say(whyNot(problem, words));
      }
      form.elements.namedItem("capture_id").value = identifier();
      button.disabled = false;
      return;
    }
    await alone(record.id, async () => {
      await keep(record, file);
      if (await through(record, file, look, words)) location.assign(form.dataset.then);
      form.elements.namedItem("capture_id").value = identifier();
      button.disabled = false;
    });
  });
};

// What an earlier page left unsent goes on here.
const goingOn = async (place, words) => {
  for (const record of await kept(words.person)) {
    alone(record.id, async () => {
      const box = place.querySelector("template").content.firstElementChild.cloneNode(true);
      box.querySelector("[data-zone]").textContent = record.zone;
      place.append(box);
      await through(record, source(record), shown(box, words, record.size), words);
    });
  }
};

const watching = (list) => {
  let wait = 700;
  const look = async () => {
    if (!list.querySelector("[data-under-way]")) return;
    try {
      const answer = await fetch(list.dataset.captures, { headers: { "X-Fragment": "captures" } });
      if (answer.ok && !answer.redirected) {
        const fresh = await answer.text();
        if (!list.contains(document.activeElement)) list.innerHTML = fresh;
      }
    } catch {
      // No network for the moment: look again later.
    }
    wait = Math.min(wait * 1.4, 10000);
    setTimeout(look, wait);
  };
  setTimeout(look, wait);
};

const place = document.querySelector("[data-outbox]");
if (place) {
  const words = { ...place.dataset };
  document.querySelectorAll("form[data-send]").forEach((form) => sending(form, words));
  goingOn(place, words);
}
document.querySelectorAll("[data-captures]").forEach(watching);
