// The exam's form, better with this and whole without it: a tap on the chest opens its zone, a
// zone says what was recorded in it, only what is asked has signs and an answer to give, one tap
// submits once, and a page with something unsaved says so before it is left.

const form = document.querySelector("[data-exam-form]");

const zoneOf = (code) => form.querySelector(`[data-zone-findings="${CSS.escape(code)}"]`);

for (const link of form.querySelectorAll("a[data-zone]")) {
  link.addEventListener("click", (event) => {
    const zone = zoneOf(link.dataset.zone);
    if (!zone) return;
    event.preventDefault();
    zone.open = true;
    zone.scrollIntoView({ block: "start" });
    zone.querySelector("select")?.focus({ preventScroll: true });
  });
}

const say = (zone) => {
  const said = [...zone.querySelectorAll("select")]
    .filter((select) => select.value)
    .map((select) => `${select.labels[0].textContent}: ${select.selectedOptions[0].textContent}`);
  zone.querySelector("[data-zone-said]").textContent = said.join(", ");
};

const asked = () =>
  new Set([...form.querySelectorAll("[name=applications]:checked")].map((box) => box.value));

const showAsked = () => {
  const codes = asked();
  for (const block of form.querySelectorAll("[data-answer]")) {
    block.hidden = codes.size > 0 && !codes.has(block.dataset.answer);
  }
  for (const field of form.querySelectorAll("[data-for]")) {
    const recorded = field.querySelector("select").value !== "";
    field.hidden = codes.size > 0 && !codes.has(field.dataset.for) && !recorded;
  }
};

let unsaved = false;
form.addEventListener("change", (event) => {
  unsaved = true;
  if (event.target.name === "applications") showAsked();
  const zone = event.target.closest("[data-zone-findings]");
  if (zone) say(zone);
});
let sent = false;
form.addEventListener("submit", (event) => {
  if (sent) event.preventDefault();
  sent = true;
  unsaved = false;
});
window.addEventListener("pageshow", () => { sent = false; });
window.addEventListener("beforeunload", (event) => { if (unsaved) event.preventDefault(); });

showAsked();
