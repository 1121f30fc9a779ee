// Draws the mask's rectangles on the picture and keeps the number fields in step; the fields are
// what is sent. Two taps make a rectangle, dragging does too, keys move and resize the chosen one.

const SIDES = ["x0", "y0", "x1", "y1"];
const NAMESPACE = "http://www.w3.org/2000/svg";
const STEP = 1;

const begin = (form) => {
  const picture = form.querySelector("[data-mask-picture]");
  const drawing = picture.querySelector("svg");
  const rows = [...form.querySelectorAll("[data-mask-row]")].map((row) =>
    [...row.querySelectorAll("input")],
  );
  const says = form.querySelector("[data-mask-says]");
  const past = [];
  let chosen = -1;
  let corner = null;

  const read = (row) => row.map((field) => (field.value === "" ? NaN : Number(field.value)));
  const isWhole = (sides) => sides.every((side) => side >= 0 && side <= 100)
    && sides[0] < sides[2] && sides[1] < sides[3];
  const write = (index, sides) => {
    rows[index].forEach((field, side) => {
      field.value = sides ? String(Math.round(Math.min(Math.max(sides[side], 0), 100) * 100) / 100) : "";
    });
  };
  const remember = () => past.push(rows.map((row) => row.map((field) => field.value)));

  const shape = (sides) => {
    const rect = document.createElementNS(NAMESPACE, "rect");
    rect.setAttribute("x", sides[0] * 10);
    rect.setAttribute("y", sides[1] * 10);
    rect.setAttribute("width", (sides[2] - sides[0]) * 10);
    rect.setAttribute("height", (sides[3] - sides[1]) * 10);
    return rect;
  };
  const draw = (begun) => {
    drawing.replaceChildren();
    rows.forEach((row, index) => {
      const sides = read(row);
      if (!isWhole(sides)) return;
      const rect = shape(sides);
      rect.dataset.row = String(index);
      if (index === chosen) rect.setAttribute("aria-current", "true");
      drawing.append(rect);
    });
    if (begun) {
      const rect = shape(begun);
      rect.classList.add("is-begun");
      drawing.append(rect);
    }
    says.textContent = chosen < 0 ? "" : String(chosen + 1);
  };
  const choose = (index) => { chosen = index; draw(); };
  const between = (a, b) => [
    Math.min(a[0], b[0]), Math.min(a[1], b[1]), Math.max(a[0], b[0]), Math.max(a[1], b[1]),
  ];
  const add = (sides) => {
    const free = rows.findIndex((row) => row.every((field) => field.value === ""));
    if (free < 0 || sides[2] - sides[0] < 0.5 || sides[3] - sides[1] < 0.5) { draw(); return; }
    remember();
    write(free, sides);
    choose(free);
  };
  const take = () => {
    if (chosen < 0) return;
    remember();
    write(chosen, null);
    choose(-1);
  };
  const undo = () => {
    const before = past.pop();
    if (!before) return;
    before.forEach((row, index) => row.forEach((value, side) => { rows[index][side].value = value; }));
    choose(-1);
  };
  const place = (event) => {
    const box = picture.getBoundingClientRect();
    return [
      Math.min(Math.max(((event.clientX - box.left) / box.width) * 100, 0), 100),
      Math.min(Math.max(((event.clientY - box.top) / box.height) * 100, 0), 100),
    ];
  };

  let pressed = null;
  picture.addEventListener("pointerdown", (event) => {
    pressed = { at: place(event), row: event.target.dataset.row };
    picture.setPointerCapture(event.pointerId);
    event.preventDefault();
    picture.focus({ preventScroll: true });
  });
  picture.addEventListener("pointermove", (event) => {
    const from = pressed ? pressed.at : corner;
    if (from) draw(between(from, place(event)));
  });
  picture.addEventListener("pointerup", (event) => {
    if (!pressed) return;
    const here = place(event);
    const moved = Math.hypot(here[0] - pressed.at[0], here[1] - pressed.at[1]) > 2;
    const { at, row } = pressed;
    pressed = null;
    if (moved) { corner = null; add(between(at, here)); return; }
    if (corner) { const first = corner; corner = null; add(between(first, here)); return; }
    if (row !== undefined) { choose(Number(row)); return; }
    corner = here;
    choose(-1);
  });
  picture.addEventListener("pointercancel", () => { pressed = corner = null; draw(); });

  picture.addEventListener("keydown", (event) => {
    const by = { ArrowLeft: [-STEP, 0], ArrowRight: [STEP, 0], ArrowUp: [0, -STEP], ArrowDown: [0, STEP] }[event.key];
    if (event.key === "Escape") { corner = null; choose(-1); return; }
    if (event.key === "Delete" || event.key === "Backspace") { event.preventDefault(); take(); return; }
    if (event.key === "Enter" || event.key === " ") {
      event.preventDefault();
      const there = rows.map((row, index) => [index, read(row)]).filter(([, sides]) => isWhole(sides));
      const next = there.find(([index]) => index > chosen) ?? there[0];
      if (event.key === "Enter") { if (next) choose(next[0]); } else add([40, 40, 60, 60]);
      return;
    }
    if (!by || chosen < 0) return;
    event.preventDefault();
    const sides = read(rows[chosen]);
    const changed = event.shiftKey
      ? [sides[0], sides[1], Math.min(sides[2] + by[0], 100), Math.min(sides[3] + by[1], 100)]
      : [sides[0] + by[0], sides[1] + by[1], sides[2] + by[0], sides[3] + by[1]];
    if (!isWhole(changed)) return;
    remember();
    write(chosen, changed);
    draw();
  });
  form.addEventListener("input", () => draw());
  form.addEventListener("click", (event) => {
    const does = event.target.closest("[data-mask-do]")?.dataset.maskDo;
    if (does === "take") take();
    if (does === "undo") undo();
  });

  picture.tabIndex = 0;
  picture.setAttribute("role", "application");
  picture.setAttribute("aria-label", form.querySelector("[data-mask-help]").textContent);
  form.querySelector("[data-mask-help]").hidden = false;
  form.querySelector("[data-mask-tools]").hidden = false;
  draw();
};

document.querySelectorAll("form[data-mask]").forEach(begin);
