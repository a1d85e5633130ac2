// The two drawings: embedding, scale, ticks that are round in the unit chosen, switches, paint.
const NOWHERE = { type: "number", value: "nan" };

// Put the site's columns into the sources that have their names; a null is a number not known.
function fill(part) {
  if (part === null || typeof part !== "object") return;
  const columns = part.name === "ColumnDataSource" && data.columns[part.attributes.name];
  if (columns) {
    const entries = Object.entries(columns).map(([name, rows]) => [name, rows.map((v) => v ?? NOWHERE)]);
    part.attributes.data = { type: "map", entries };
  } else if (part.attributes?.name === "line") part.attributes.group = data.lines[0]?.id ?? "";
  Object.values(part).forEach(fill);
}

fill(DRAWINGS);
await Bokeh.embed.embed_items(...DRAWINGS);
const doc = Bokeh.documents[0];
const [plan, profile] = doc.roots();
const models = [...doc.all_models];
const named = (name) => models.find((model) => model.name === name);
const sources = Object.fromEntries(Object.keys(data.places).map((kind) => [kind, named(kind)]));
const marks = named("marks");
const shownLine = named("line");
const lineOf = new Map(data.lines.map((line) => [line.id, line]));
let metresPerPixel = 0.01;

const middle = (range) => (range.start + range.end) / 2;

function show(range, from, to) {
  range.setv({ start: from, end: to });
}

// One scale both ways, whatever the shape of the panel.
function showPlan(x, y, scale) {
  metresPerPixel = scale;
  const [w, h] = [plan.inner_width, plan.inner_height].map((px) => (Math.max(px, 50) * scale) / 2);
  show(plan.x_range, x - w, x + w);
  show(plan.y_range, y - h, y + h);
}

function fitPlan([west, south, east, north], least = 4) {
  const [w, h] = [Math.max(plan.inner_width, 50), Math.max(plan.inner_height, 50)];
  const room = 1.12;
  const scale = Math.max(((east - west) * room) / w, ((north - south) * room) / h, least / Math.min(w, h));
  showPlan((west + east) / 2, (south + north) / 2, scale);
}

function reshapePlan() {
  const inner = Math.max(plan.inner_width, 50);
  const scale = fitted === null ? (plan.x_range.end - plan.x_range.start) / inner : metresPerPixel;
  if (fitted) fitPlan(fitted);
  else showPlan(middle(plan.x_range), middle(plan.y_range), scale);
}

let fitted = data.box; // the box the plan was fitted to, until someone moves it

function fitProfile(reach = null) {
  const box = lineOf.get(shownLine.group)?.box;
  if (!box) return;
  const [from, low, to, high] = box;
  const [a, b] = reach ?? [from, to];
  const room = Math.max((b - a) * 0.06, reach ? 1.5 : 0.3);
  show(profile.x_range, a - room, b + room);
  const tall = Math.max(high - low, 0.5);
  show(profile.y_range, low - tall * 0.3, high + tall * 0.2);
}

function showLine(id) {
  if (!lineOf.has(id) || shownLine.group === id) return false;
  shownLine.group = id;
  at("line").value = id;
  nameAxes();
  fitProfile();
  return true;
}

function zoom(factor) {
  fitted = null;
  showPlan(middle(plan.x_range), middle(plan.y_range), metresPerPixel * factor);
  const x = profile.x_range, half = ((x.end - x.start) / 2) * factor, m = middle(x);
  show(x, m - half, m + half);
}

// Ticks at 1, 2 or 5 times a power of ten of the unit chosen.
function setTicks(drawing, axis, range, px, spacing) {
  const per = data.per[unit];
  const [low, high] = [range.start / per, range.end / per];
  const rough = ((high - low) * spacing) / Math.max(px, spacing);
  if (!(rough > 0) || !isFinite(rough)) return;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].find((k) => k * power >= rough * 0.999) * power;
  const decimals = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  const ticks = [], words = new Map();
  for (let k = Math.ceil(low / step); k * step <= high; k++) {
    ticks.push(k * step * per);
    words.set(k * step * per, (k * step).toFixed(decimals).replace(/^-(0(?:\.0*)?)$/, "$1"));
  }
  axis.ticker.ticks = ticks;
  axis.major_label_overrides = words;
}

function tick() {
  for (const drawing of [plan, profile]) {
    setTicks(drawing, drawing.below[0], drawing.x_range, drawing.inner_width, 90);
    setTicks(drawing, drawing.left[0], drawing.y_range, drawing.inner_height, 45);
  }
  if (plan.inner_width > 0) metresPerPixel = (plan.x_range.end - plan.x_range.start) / plan.inner_width;
  setScaleBar();
  writeAllNames();
  const [x, y] = [profile.x_range, profile.y_range];
  const times = (profile.inner_height / (y.end - y.start)) * ((x.end - x.start) / profile.inner_width);
  at("steeper").textContent = isFinite(times) && times > 0 ? `heights × ${times.toFixed(1)}` : "";
}

function roundBelow(value) {
  const power = 10 ** Math.floor(Math.log10(value));
  return [5, 2, 1].find((k) => k * power <= value) * power;
}

function setScaleBar() {
  const per = data.per[unit];
  const length = roundBelow((Math.min(160, plan.inner_width * 0.3) * metresPerPixel) / per);
  if (!isFinite(length)) return;
  at("scale-bar").style.width = `${(length * per) / metresPerPixel}px`;
  at("scale-length").textContent = `${Number(length.toPrecision(2))} ${data.names[unit]}`;
}

let ticking = 0;
function tickSoon() {
  cancelAnimationFrame(ticking);
  ticking = requestAnimationFrame(tick);
}

function nameAxes() {
  const name = data.names[unit];
  [plan.below[0].axis_label, plan.left[0].axis_label] = data.axes.map((axis) => `${axis}, ${name}`);
  const start = lineOf.get(shownLine.group)?.from ?? "";
  profile.below[0].axis_label = `${data.along}, ${name}, ${start}`;
  profile.left[0].axis_label = `${data.level}, ${name}`;
}

function tagged(word) {
  return models.flatMap((m) => m.tags.map((t) => [m, ...String(t).split(" ")])).filter((t) => t[1] === word);
}

const switched = tagged("switch");
const painted = tagged("paint");

const off = new Set();
const isOn = (key) => !off.has(key);

function turn(key, on) {
  off[on ? "delete" : "add"](key);
  for (const [model, , which] of switched) if (which === key) model.visible = on;
  tickSoon();
}

function repaint(dark) {
  for (const [model, , property, role] of painted) model[property] = PALETTE[role][dark ? 1 : 0];
}

function listenToDrawings() {
  for (const [id, drawing] of Object.entries({ plan, profile })) {
    for (const range of [drawing.x_range, drawing.y_range]) range.change.connect(tickSoon);
    for (const side of ["inner_width", "inner_height"])
      drawing.properties[side].change.connect(() => {
        if (id === "plan") reshapePlan();
        tickSoon();
      });
    at(id).addEventListener("pointerdown", () => id === "plan" && (fitted = null));
    at(id).addEventListener("wheel", (e) => e.ctrlKey && id === "plan" && (fitted = null));
  }
}
