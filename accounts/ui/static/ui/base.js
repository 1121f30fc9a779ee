// Small conveniences of every page. Nothing here is needed for the page to work.

const OPEN_MENU = "details.menu[open]";

document.addEventListener("click", (event) => {
  for (const menu of document.querySelectorAll(OPEN_MENU)) {
    if (!menu.contains(event.target)) menu.open = false;
  }
});

document.addEventListener("keydown", (event) => {
  if (event.key !== "Escape") return;
  const menu = document.querySelector(OPEN_MENU);
  if (!menu) return;
  menu.open = false;
  menu.querySelector("summary").focus();
});

// After a refused form the summary is the first thing to read.
document.getElementById("error-summary")?.focus();
