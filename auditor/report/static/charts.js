// Charts: drawings whose points can be pointed at, clicked and walked through with the arrow keys.
const pointsOf = (figure) => [...figure.querySelectorAll("circle.t")];
const wordsOf = (point) => point.querySelector("title").textContent;

function say(point) {
  const figure = point.closest("figure.chart");
  figure.querySelector(".chosen")?.classList.remove("chosen");
  point.classList.add("chosen");
  figure.querySelector(".said").textContent = wordsOf(point);
}

function openFrames(point) {
  const figure = point.closest("figure.chart");
  const block = figure.dataset.block;
  if (!block) return;
  const part = /r(\d+)$/.exec(figure.dataset.chart);
  showFrames(block, `${part ? part[1] : 0}:${point.dataset.key}`, wordsOf(point).split(":")[0]);
}

// Left and right go along a series, up and down to the next one at the nearest place.
function step(points, now, key) {
  if (!now) return points[0];
  const at = points.indexOf(now);
  const series = (point) => point.parentNode;
  if (key === "ArrowLeft" || key === "ArrowRight") {
    const next = points[at + (key === "ArrowRight" ? 1 : -1)];
    return next && series(next) === series(now) ? next : now;
  }
  const all = [...new Set(points.map(series))];
  const wanted = all[all.indexOf(series(now)) + (key === "ArrowDown" ? 1 : -1)];
  const far = (point) => Math.abs(point.getAttribute("cx") - now.getAttribute("cx"));
  const there = points.filter((point) => series(point) === wanted);
  return there.length ? there.reduce((best, point) => (far(point) < far(best) ? point : best)) : now;
}

document.addEventListener("keydown", (event) => {
  const figure = event.target;
  if (!figure.matches?.("figure.chart")) return;
  const now = figure.querySelector(".chosen");
  if (event.key.startsWith("Arrow")) {
    const next = step(pointsOf(figure), now, event.key);
    if (next) say(next);
  } else if (event.key === "Enter" || event.key === " ") {
    if (now) openFrames(now);
  } else return;
  event.preventDefault();
});

document.addEventListener("pointerover", (event) => {
  if (event.target.matches?.("circle.t")) say(event.target);
});

document.addEventListener("click", (event) => {
  if (!event.target.matches?.("circle.t")) return;
  say(event.target);
  openFrames(event.target);
});
