// The frames behind a point, in a sheet at the side.
const sheet = byId("behind");

function shutterText(seconds) {
  if (!seconds) return "";
  return seconds <= 0.26 ? `1/${Math.round(1 / seconds)} s` : `${+seconds.toFixed(1)} s`;
}

function frameRow(block, i, pictures) {
  const data = pictures && pictures[block.id[i]];
  const row = make("div", undefined, data ? "row" : "row bare");
  if (data) {
    const image = make("img");
    image.src = data;
    image.alt = "";
    row.append(image);
  }
  const folder = block.folders[block.folder[i]];
  const address = block.addresses?.[block.folder[i]];
  row.append(fileName(block.name[i], address && `${address}/${encodeURIComponent(block.name[i])}`));
  const settings = [
    block.focal_length_mm[i] && `${block.focal_length_mm[i]} mm`, block.f_number[i] && `f/${block.f_number[i]}`,
    shutterText(block.exposure_time_s[i]), block.iso[i] && `ISO ${block.iso[i]}`, block.taken[i],
  ];
  const sharp = ["centre", "middle", "corner"].map((zone) => {
    const value = block[`${zone}_mtf50_cpp`][i];
    return value === null ? "" : `${zone} ${value.toFixed(3)}`;
  });
  const noise = block.sigma_code8[i];
  if (noise !== null) sharp.push(`noise ${noise.toFixed(1)}`);
  row.append(make("span", settings.filter(Boolean).join(" · ")));
  row.append(make("span", sharp.filter(Boolean).join(" · "), "quiet"));
  row.append(make("bdi", folder, "path"));
  return row;
}

async function showFrames(blockId, point, title) {
  const [block, pictures] = await Promise.all([packed(`frames-${blockId}`), packed("pictures")]);
  const rows = (block && block.points[point]) || [];
  const total = block ? block.totals[point] ?? 0 : 0;
  byId("behind-title").textContent = title;
  const shown = rows.length < total ? `${rows.length} of ${total} frames` : `${total} ${total === 1 ? "frame" : "frames"}`;
  const where = blockId.startsWith("body") ? " at this ISO, whether or not they show this tone" : "";
  byId("behind-note").textContent = rows.length
    ? `${shown}${where}, the sharpest first (by the weaker of centre and corner). Sharpness in cycles per pixel, noise in code values of 255.`
    : "No frames are kept for this point.";
  const list = byId("behind-frames");
  list.replaceChildren();
  let next = 0;
  const more = make("button", "Show more", "more");
  const add = () => {
    for (const i of rows.slice(next, next + 40)) list.insertBefore(frameRow(block, i, pictures), more);
    next += 40;
    more.hidden = next >= rows.length;
  };
  more.addEventListener("click", add);
  list.append(more);
  add();
  if (!sheet.open) sheet.showModal();
  sheet.scrollTop = 0;
}

document.addEventListener("click", (event) => {
  const button = event.target.closest("button.behind");
  if (button) showFrames(button.dataset.block, button.dataset.point, button.getAttribute("aria-label"));
  if (event.target === sheet) sheet.close();
});

// Start: what the reader chose last time, then the parts that depend on it.
const theme = recall("theme");
if (theme) document.documentElement.dataset.theme = theme;
if (UNITS[recall("unit")] && byId("unit")) byId("unit").value = recall("unit");
showTheme();
showUnits();
unfold();
