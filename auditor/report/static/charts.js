// Charts: drawn when seen, redrawn for theme and unit, walked through with the arrow keys.
let bokehReady = null;
function bokeh() {
  bokehReady ??= unpack("bokeh").then((code) => {
    const script = document.createElement("script");
    script.textContent = code;
    document.head.append(script);
    Bokeh.set_log_level("warn");
  });
  return bokehReady;
}

const begun = new Map(); // chart's key -> promise of its drawing
const drawn = new Map(); // chart's key -> { targets, view, point }

// The unit of a chart is that of the table beside it; noise charts have none.
function rescale(node, unit) {
  if (Array.isArray(node)) { node.forEach((item) => rescale(item, unit)); return; }
  if (!node || typeof node !== "object") return;
  const own = node.attributes;
  if (own && own.name === "y_range") own.end *= unit.scale;
  if (own && own.name === "y_axis") own.axis_label = `MTF50, ${unit.name}`;
  if (own && own.data && own.data.entries && /_(line|points|usual)$|^targets$/.test(own.name)) {
    for (const pair of own.data.entries) {
      if (["y", "low", "high"].includes(pair[0])) pair[1] = pair[1].map((v) => v * unit.scale);
    }
  }
  Object.values(node).forEach((item) => rescale(item, unit));
}

async function draw(figure, again = false) {
  const key = figure.dataset.chart;
  if (begun.has(key) && !again) return begun.get(key);
  begun.set(key, embed(figure, key));
  return begun.get(key);
}

async function embed(figure, key) {
  const [text, swaps] = await Promise.all([unpack(`chart-${key}`), packed("night-swaps"), bokeh()]);
  const coloured = isNight() ? text.replace(/#[0-9a-f]{6}/g, (c) => swaps[c] ?? c) : text;
  const item = JSON.parse(coloured);
  const table = figure.parentNode.querySelector("table.figures");
  if (table) rescale(item, unitFor(table));
  const place = figure.querySelector(".plot");
  place.replaceChildren();
  const view = await Bokeh.embed.embed_item(item, place);
  const root = Bokeh.documents[Bokeh.documents.length - 1];
  const targets = root.get_model_by_name("targets");
  const state = { targets, view, root, walking: false };
  drawn.set(key, state);
  targets.selected.properties.indices.change.connect(() => {
    const index = targets.selected.indices[0];
    if (index === undefined || state.walking) return;
    say(figure, state, index);
    openFrames(figure, state, index);
  });
  figure.dataset.drawn = "yes";
}

function cell(state, column, index) { return state.targets.data[column][index]; }

function say(figure, state, index) {
  figure.querySelector(".said").textContent =
    `${cell(state, "head", index)}: ${cell(state, "says", index)}, ${cell(state, "behind", index)}`;
}

function openFrames(figure, state, index) {
  const block = figure.dataset.block;
  if (!block) return;
  const part = /r(\d+)$/.exec(figure.dataset.chart);
  showFrames(block, `${part ? part[1] : 0}:${cell(state, "key", index)}`, cell(state, "head", index));
}

function select(state, index) {
  state.walking = true;
  state.targets.selected.indices = [index];
  state.walking = false;
}

// Left and right go along a series, up and down to the next one at the nearest place.
function step(state, key) {
  const { x, series } = state.targets.data;
  const count = x.length;
  const now = state.targets.selected.indices[0];
  if (now === undefined) return 0;
  if (key === "ArrowLeft" || key === "ArrowRight") {
    const by = key === "ArrowRight" ? 1 : -1;
    const next = now + by;
    return next >= 0 && next < count && series[next] === series[now] ? next : now;
  }
  const names = [...new Set(series)];
  const wanted = names[names.indexOf(series[now]) + (key === "ArrowDown" ? 1 : -1)];
  let best = now;
  for (let i = 0; i < count; i++) {
    if (series[i] !== wanted) continue;
    if (series[best] !== wanted || Math.abs(x[i] - x[now]) < Math.abs(x[best] - x[now])) best = i;
  }
  return best;
}

document.addEventListener("keydown", (event) => {
  const place = event.target.closest?.(".plot");
  const figure = place && place.closest("figure.chart");
  const state = figure && drawn.get(figure.dataset.chart);
  if (!state) return;
  if (event.key.startsWith("Arrow")) {
    const index = step(state, event.key);
    select(state, index);
    say(figure, state, index);
  } else if (event.key === "Enter" || event.key === " ") {
    const index = state.targets.selected.indices[0];
    if (index === undefined) return;
    openFrames(figure, state, index);
  } else return;
  event.preventDefault();
});

const figures = [...document.querySelectorAll("figure.chart")];
whenSeen(figures, draw);

// The charts of unfolded lenses follow while the page has nothing else to do.
function drawIdly() {
  const idle = globalThis.requestIdleCallback ?? ((action) => setTimeout(action, 200));
  idle(async () => {
    const next = figures.find((f) => !begun.has(f.dataset.chart) && f.offsetParent !== null);
    if (!next) return;
    await draw(next);
    drawIdly();
  });
}
addEventListener("load", () => setTimeout(drawIdly, 1500));

async function redrawAll() {
  for (const figure of figures) {
    const state = drawn.get(figure.dataset.chart);
    if (!state) continue;
    state.root.clear();
    await draw(figure, true);
  }
}

let redrawing = Promise.resolve(); // one after the other, so that the last choice is what stays
document.addEventListener("redraw", () => { redrawing = redrawing.then(redrawAll); });
