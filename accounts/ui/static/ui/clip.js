// The clip player: loop, step by frame, speed. Arrow keys work while the player has the focus;
// a page may bind further keys to the same buttons through their data-clip-do.

// When frames are shown. `inside` a frame is where to seek to: a time on its edge may show either
// neighbour. Frames that do not come evenly bring the times at which they begin; late in a long
// one some players show the next already.
const even = (rate) => ({
  inside: (frame) => (frame + 0.5) / rate,
  at: (time) => Math.floor(time * rate + 1e-3),
});
const uneven = (starts, shortest) => ({
  inside: (frame) => starts[frame] + shortest / 2,
  at: (time) => starts.findLastIndex((start) => start <= time + 1e-3),
});

const setUp = (figure) => {
  const video = figure.querySelector("video");
  const rate = Number(figure.dataset.rate) || 25;
  const starts = figure.dataset.starts?.split(",").map((ms) => Number(ms) / 1000);
  const steps = starts?.slice(1).map((start, index) => start - starts[index]);
  const times = starts ? uneven(starts, Math.min(...steps)) : even(rate);
  const place = figure.querySelector(".clip-place");
  const counter = figure.querySelector(".clip-frame");
  const toggle = figure.querySelector('[data-clip-do="toggle"]');

  let last = Number(figure.dataset.frames) - 1;
  const measure = () => {
    if (!(last > 0) && Number.isFinite(video.duration)) {
      last = Math.max(Math.round(video.duration * rate) - 1, 0);
    }
    place.max = String(Math.max(last, 0));
  };
  const now = () => Math.min(Math.max(times.at(video.currentTime), 0), Math.max(last, 0));
  const show = () => {
    place.value = String(now());
    counter.textContent = last > 0 ? `${now() + 1}/${last + 1}` : String(now() + 1);
  };

  // A looping video that is sent to its last frame may take that for the end and start again, so
  // the loop is on only while the film runs.
  const hold = () => {
    video.pause();
    video.loop = false;
  };
  const toggled = () => {
    if (!video.paused) return video.pause();
    video.loop = true;
    video.play().catch(() => {});
  };
  const showOnly = (frame) => {
    hold();
    video.currentTime = times.inside(Math.min(Math.max(frame, 0), last));
  };
  const step = (by) => showOnly(now() + by);
  const speed = (button) => {
    video.playbackRate = Number(button.dataset.clipSpeed);
    for (const other of figure.querySelectorAll("[data-clip-speed]")) {
      other.setAttribute("aria-pressed", String(other === button));
    }
  };

  video.controls = false;
  figure.querySelector(".clip-bar").hidden = false;
  video.addEventListener("loadedmetadata", () => { measure(); show(); });
  video.addEventListener("timeupdate", show);
  video.addEventListener("seeked", show);
  for (const event of ["play", "pause"]) {
    video.addEventListener(event, () => {
      figure.toggleAttribute("data-playing", !video.paused);
      toggle.setAttribute("aria-pressed", String(!video.paused));
    });
  }
  video.addEventListener("click", toggled);
  place.addEventListener("input", () => showOnly(Number(place.value)));
  figure.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button) return;
    if (button.dataset.clipSpeed) speed(button);
    else if (button.dataset.clipDo === "toggle") toggled();
    else if (button.dataset.clipDo === "back") step(-1);
    else if (button.dataset.clipDo === "on") step(1);
  });
  figure.addEventListener("keydown", (event) => {
    if (event.target === place || event.altKey || event.ctrlKey || event.metaKey) return;
    const by = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
    if (!by) return;
    event.preventDefault();
    step(by);
  });
  measure();
  show();
};

document.querySelectorAll("[data-clip]").forEach(setUp);
// Fragments that arrive later (a next exam) bring their own players.
document.addEventListener("htmx:load", (event) => {
  const arrived = event.detail?.elt;
  if (!arrived?.querySelectorAll) return;
  arrived.querySelectorAll("[data-clip]").forEach((figure) => {
    if (figure.querySelector(".clip-bar")?.hidden) setUp(figure);
  });
});
