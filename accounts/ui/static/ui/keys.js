// Keys of a page come from its own markup: whatever carries data-key is pressed by that key, and
// the same attributes make the list that `?` shows, so the list cannot fall behind.
// Keys rest inside text fields and while a modifier is held, and can be turned off for good
// (WCAG 2.2, 2.1.4).

const OFF = "interspace.keys.off";
const words = document.getElementById("keys-words").dataset;

const isOff = () => {
  try { return localStorage.getItem(OFF) === "yes"; } catch { return false; }
};
const setOff = (off) => {
  try { off ? localStorage.setItem(OFF, "yes") : localStorage.removeItem(OFF); } catch { /* private mode */ }
};

const typing = (target) =>
  target.isContentEditable ||
  target.matches("textarea, select, input:not([type=checkbox], [type=radio], [type=range], [type=button], [type=submit])");

const bound = () =>
  [...document.querySelectorAll("[data-key]")].filter((el) => !el.closest("[hidden]") && !el.disabled);

const act = (el) => {
  if (el.matches("label")) {
    el.control?.focus();
    el.control?.click();
  } else if (el.matches("input[type=radio], input[type=checkbox], a, button, summary")) {
    el.focus({ preventScroll: false });
    el.click();
  } else {
    el.focus();
  }
};

const list = () => {
  document.querySelector("dialog.keys")?.remove();
  const dialog = document.createElement("dialog");
  dialog.className = "keys";
  const title = Object.assign(document.createElement("h2"), { textContent: words.title, id: "keys-title" });
  dialog.setAttribute("aria-labelledby", "keys-title");
  const pairs = document.createElement("dl");
  for (const el of bound()) {
    const term = document.createElement("dt");
    term.append(Object.assign(document.createElement("kbd"), { className: "key", textContent: el.dataset.key }));
    const meaning = document.createElement("dd");
    meaning.textContent = el.dataset.keyLabel || el.getAttribute("aria-label") || el.textContent.trim();
    pairs.append(term, meaning);
  }
  const row = Object.assign(document.createElement("p"), { className: "row" });
  const close = Object.assign(document.createElement("button"), { className: "button button-primary", textContent: words.close });
  const off = Object.assign(document.createElement("button"), { className: "button", textContent: isOff() ? words.on : words.off });
  close.addEventListener("click", () => dialog.close());
  off.addEventListener("click", () => { setOff(!isOff()); dialog.close(); });
  dialog.addEventListener("close", () => dialog.remove());
  row.append(close, off);
  dialog.append(title, pairs, row);
  document.body.append(dialog);
  dialog.showModal();
};

document.addEventListener("keydown", (event) => {
  if (event.altKey || event.ctrlKey || event.metaKey || event.repeat || event.defaultPrevented) return;
  if (typing(event.target) || document.querySelector("dialog[open]")) return;
  if (event.key === "?") {
    event.preventDefault();
    list();
    return;
  }
  if (isOff()) return;
  const el = bound().find((candidate) => candidate.dataset.key.toLowerCase() === event.key.toLowerCase());
  if (!el) return;
  event.preventDefault();
  act(el);
});

for (const opener of document.querySelectorAll("[data-keys-open]")) {
  opener.addEventListener("click", list);
}
