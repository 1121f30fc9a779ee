// Compares a chosen file with the digest on the page. The file is read here and sent nowhere.

const part = document.querySelector("[data-compare]");
const says = part?.querySelector("[data-compare-says]");

// SHA-256 of a file as 64 hexadecimal digits.
const digestOf = async (file) => {
  const digest = await crypto.subtle.digest("SHA-256", await file.arrayBuffer());
  return Array.from(new Uint8Array(digest), (byte) => byte.toString(16).padStart(2, "0")).join("");
};

const compare = async (file) => {
  says.textContent = part.dataset.reading;
  const same = (await digestOf(file)) === part.dataset.compare;
  says.textContent = same ? part.dataset.same : part.dataset.other;
  part.dataset.result = same ? "same" : "other";
};

if (part) {
  part.hidden = false;
  // Outside HTTPS and this machine a browser offers no digest.
  if (globalThis.crypto?.subtle) {
    document.querySelector("details.fold")?.removeAttribute("open");
    part.querySelector("input").addEventListener("change", (event) => {
      const [file] = event.target.files;
      if (file) compare(file).catch(() => { says.textContent = part.dataset.cannot; });
    });
  } else {
    part.querySelector("input").disabled = true;
    says.textContent = part.dataset.cannot;
  }
}
