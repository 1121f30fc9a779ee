// The strip over time: draws the chosen line on the clip and shows the strip in place, instead of
// in a page of its own. Without this the form does the same with two numbers.

const NAMESPACE = "http://www.w3.org/2000/svg";

for (const form of document.querySelectorAll("form[data-strip]")) {
  const capture = form.closest(".desk-capture");
  const clip = capture.querySelector(".clip");
  const [above, below] = [form.elements.above, form.elements.below];
  const label = form.closest("details").querySelector("summary").textContent;

  const layer = document.createElementNS(NAMESPACE, "svg");
  layer.setAttribute("viewBox", "0 0 100 100");
  layer.setAttribute("preserveAspectRatio", "none");
  layer.setAttribute("aria-hidden", "true");
  layer.classList.add("desk-line");
  const line = document.createElementNS(NAMESPACE, "line");
  line.setAttribute("y1", "0");
  line.setAttribute("y2", "100");
  layer.append(line);

  const place = () => {
    const video = clip.querySelector("video");
    layer.style.inlineSize = `${video.clientWidth}px`;
    layer.style.blockSize = `${video.clientHeight}px`;
    layer.style.insetInlineStart = `${video.offsetLeft}px`;
    layer.style.insetBlockStart = `${video.offsetTop}px`;
    line.setAttribute("x1", above.value);
    line.setAttribute("x2", below.value);
  };
  const picture = document.createElement("img");
  picture.className = "desk-strip-picture";
  picture.alt = label;

  form.closest("details").addEventListener("toggle", (event) => {
    if (event.target.open) { clip.append(layer); place(); } else layer.remove();
  });
  form.addEventListener("input", place);
  addEventListener("resize", place);
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    picture.src = `${form.action}?${new URLSearchParams(new FormData(form))}`;
    form.after(picture);
  });
}
