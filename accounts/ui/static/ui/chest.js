// In a chest map to choose from, a tap on the drawing ticks the box of that zone. Without this
// module the same link leads to the box.

for (const chest of document.querySelectorAll("[data-chest]")) {
  const boxOf = (zone) => document.getElementById(zone.getAttribute("href").slice(1));
  const show = (zone) => zone.classList.toggle("is-checked", boxOf(zone)?.checked ?? false);
  const zones = [...chest.querySelectorAll("a[data-zone]")];

  zones.forEach((zone) => {
    show(zone);
    zone.addEventListener("click", (event) => {
      const box = boxOf(zone);
      if (!box) return;
      event.preventDefault();
      box.checked = !box.checked;
      box.dispatchEvent(new Event("change", { bubbles: true }));
    });
  });
  chest.addEventListener("change", () => zones.forEach(show));
}
