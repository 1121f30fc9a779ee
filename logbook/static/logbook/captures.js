// Sends a capture with its progress shown, again where the connection breaks; the identifier in
// the form makes a repeated send the same capture. Without this script the form sends by itself.
// On the list of captures: asks again while something is under way.

const PAUSES = [1000, 3000, 8000];

const send = (form, onProgress) =>
  new Promise((resolve, reject) => {
    const request = new XMLHttpRequest();
    request.open("POST", form.action);
    request.setRequestHeader("Accept", "application/json");
    request.timeout = 10 * 60 * 1000;
    request.upload.addEventListener("progress", (event) => {
      if (event.lengthComputable) onProgress(event.loaded / event.total);
    });
    request.addEventListener("load", () => resolve(request));
    for (const broken of ["error", "timeout", "abort"]) {
      request.addEventListener(broken, () => reject(new Error(broken)));
    }
    request.send(new FormData(form));
  });

// Each sentence where it belongs is the plain page's way; here one line says them all, the fields
// are marked, and nothing typed or chosen is lost.
const refuse = (form, says, errors) => {
  const marked = Object.keys(errors).map((name) => form.elements.namedItem(name)).filter(Boolean);
  for (const field of form.elements) field.removeAttribute?.("aria-invalid");
  for (const field of marked) field.setAttribute?.("aria-invalid", "true");
  says.textContent = Object.entries(errors)
    .map(([name, all]) => {
      const label = form.querySelector(`label[for="id_${name}"]`)?.textContent.trim();
      const sentences = all.map((one) => one.message).join(" ");
      return label ? `${label}: ${sentences}` : sentences;
    })
    .join(" ");
  marked[0]?.focus?.();
};

const pause = (milliseconds) => new Promise((resolve) => setTimeout(resolve, milliseconds));

const sending = (form) => {
  const box = form.querySelector("[data-progress]");
  const bar = box.querySelector("progress");
  const says = box.querySelector("[data-says]");
  const button = form.querySelector("button:not([type=button])");

  form.addEventListener("submit", async (event) => {
    const file = form.elements.namedItem("file");
    const here = form.elements.namedItem("kept").value === "here";
    if (!here || !file.files.length) return; // the plain form says what is missing
    event.preventDefault();
    button.disabled = true;
    box.hidden = false;
    for (let attempt = 0; ; attempt += 1) {
      says.textContent = form.dataset.sending;
      try {
        const answer = await send(form, (share) => { bar.value = Math.round(share * 100); });
        if (answer.status === 201) {
          location.assign(form.dataset.then);
          return;
        }
        if (answer.status < 500) {
          refuse(form, says, JSON.parse(answer.responseText).errors);
          button.disabled = false;
          return;
        }
      } catch {
        // Below: again.
      }
      if (attempt >= PAUSES.length) break;
      says.textContent = form.dataset.again;
      await pause(PAUSES[attempt]);
    }
    says.textContent = form.dataset.failed;
    button.disabled = false;
  });
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

document.querySelectorAll("form[data-send]").forEach(sending);
document.querySelectorAll("[data-captures]").forEach(watching);
