// Distance along the pipe between two places: tapped in plan or profile, or typed.
let measuring = false;
let ends = []; // [{line, chainage}], at most two

function nearest(x, y) {
  let best = { off: Infinity };
  for (const line of data.lines)
    for (let i = 0; i + 1 < line.x.length; i++) {
      const [ax, ay] = [line.x[i], line.y[i]];
      const [dx, dy] = [line.x[i + 1] - ax, line.y[i + 1] - ay];
      const long = dx * dx + dy * dy;
      const t = long ? Math.min(1, Math.max(0, ((x - ax) * dx + (y - ay) * dy) / long)) : 0;
      const off = Math.hypot(ax + t * dx - x, ay + t * dy - y);
      if (off < best.off)
        best = { off, line: line.id, chainage: line.chainage[i] + t * (line.chainage[i + 1] - line.chainage[i]) };
    }
  return best;
}

function along(line, chainage) {
  const c = line.chainage;
  let i = c.findIndex((v) => v >= chainage);
  if (i < 0) i = c.length - 1;
  i = Math.max(1, i);
  const t = (chainage - c[i - 1]) / (c[i] - c[i - 1]);
  return [line.x[i - 1] + t * (line.x[i] - line.x[i - 1]), line.y[i - 1] + t * (line.y[i] - line.y[i - 1])];
}

// From a place downstream to the outermost line: [{line, from, to}], each a stretch.
function downstream(end) {
  const way = [];
  const passed = new Set();
  for (let here = end; here && !passed.has(here.line); ) {
    passed.add(here.line);
    way.push({ line: here.line, from: here.chainage, to: 0 });
    here = lineOf.get(here.line)?.joins ?? null;
  }
  return way;
}

function between(a, b) {
  const [down, other] = [downstream(a), downstream(b)];
  for (const [i, leg] of down.entries()) {
    const j = other.findIndex((o) => o.line === leg.line);
    if (j < 0) continue;
    return [...down.slice(0, i), { line: leg.line, from: leg.from, to: other[j].from }, ...other.slice(0, j)];
  }
  return null;
}

const sure = ({ line, chainage }) => {
  const found = lineOf.get(line).sure.find(([from, to]) => chainage >= from - 1e-6 && chainage <= to + 1e-6);
  return found ? `plan position within ${say([found[2], null, "off"])} (95 %)` : "how sure is not known";
};

function stretch(leg) {
  const line = lineOf.get(leg.line);
  const [low, high] = [Math.min(leg.from, leg.to), Math.max(leg.from, leg.to)];
  const inner = line.chainage.flatMap((c, i) => (c > low && c < high ? [[line.x[i], line.y[i]]] : []));
  return [along(line, low), ...inner, along(line, high)];
}

function levelAt(chainage) {
  const { chainage: c = [], y = [] } = invertOf.get(shownLine.group) ?? {};
  const i = c.findIndex((v) => v >= chainage);
  if (i < 0) return y.length ? y[y.length - 1] : middle(profile.y_range);
  if (i === 0) return y[0];
  return y[i - 1] + ((chainage - c[i - 1]) / (c[i] - c[i - 1])) * (y[i] - y[i - 1]);
}

const invertOf = new Map(data.lines.map((l) => [l.id, l.invert ?? {}]));

function drawMeasured() {
  const spots = ends.map((e) => along(lineOf.get(e.line), e.chainage));
  const label = ["A", "B"].slice(0, ends.length);
  const legs = ends.length === 2 ? between(...ends) : null;
  const path = { x: [], y: [] };
  for (const leg of legs ?? []) {
    for (const [x, y] of stretch(leg)) path.x.push(x), path.y.push(y);
    path.x.push(NaN), path.y.push(NaN);
  }
  named("measured_plan_ends").data = { x: spots.map((s) => s[0]), y: spots.map((s) => s[1]), label };
  named("measured_plan").data = path;
  const here = ends.map((e, i) => [e, label[i]]).filter(([e]) => e.line === shownLine.group);
  named("measured_profile_ends").data = {
    x: here.map(([e]) => e.chainage),
    y: here.map(([e]) => levelAt(e.chainage)),
    label: here.map(([, name]) => name),
  };
  const own = (legs ?? []).find((leg) => leg.line === shownLine.group);
  const x = own ? [own.from, ...(invertOf.get(own.line).chainage ?? []).filter((c) => c > Math.min(own.from, own.to) && c < Math.max(own.from, own.to)), own.to].sort((a, b) => a - b) : [];
  named("measured_profile").data = { x, y: x.map(levelAt) };
  tellMeasured(legs);
}

function tellMeasured(legs) {
  const per = data.per[unit];
  for (const [i, id] of ["from", "to"].entries())
    if (document.activeElement !== at(id)) at(id).value = ends[i] ? (ends[i].chainage / per).toFixed(2) : "";
  const words = ends.map((e, i) => `${"AB"[i]}: line ${e.line}, ${data.along} ${metres(e.chainage)}, ${sure(e)}`);
  if (ends.length === 2)
    words.unshift(
      legs
        ? `${metres(legs.reduce((sum, leg) => sum + Math.abs(leg.to - leg.from), 0))} along the pipe${legs.length > 1 ? `, by way of ${legs.map((l) => l.line).join(", ")}` : ""}`
        : "these lines are not joined",
    );
  at("distance").replaceChildren(
    ...words.map((text, i) => {
      const part = document.createElement(i === 0 && ends.length === 2 ? "strong" : "span");
      part.textContent = text;
      return part;
    }),
  );
}

function addEnd(end) {
  ends = ends.length === 2 ? [end] : [...ends, end];
  drawMeasured();
}

function clearMeasured(stop = true) {
  ends = [];
  drawMeasured();
  if (stop) measure(false);
}

function measure(on) {
  measuring = on;
  at("measure").setAttribute("aria-pressed", String(on));
  at("measuring").hidden = !on;
}

// Whether nothing that can be chosen lies under the pointer.
const bare = (drawing, x, y) => under(drawing, x, y).every(({ kind }) => kind === "marks");

function listenToMeasuring() {
  at("measure").addEventListener("click", () => (measuring ? clearMeasured() : measure(true)));
  plan.on_event("tap", ({ x, y }) => {
    if (!data.lines.length) return;
    const { line, chainage, off } = nearest(x, y);
    if (line && measuring) addEnd({ line, chainage });
    else if (line && off <= NEAR * metresPerPixel && bare(plan, x, y)) choosePlace({ line, chainage });
  });
  profile.on_event("tap", ({ x, y }) => {
    const line = lineOf.get(shownLine.group);
    if (!line?.chainage.length) return;
    const [first, last] = [line.chainage[0], line.chainage.at(-1)];
    const place = { line: line.id, chainage: Math.min(last, Math.max(first, x)) };
    const perY = (profile.y_range.end - profile.y_range.start) / profile.inner_height;
    if (measuring) addEnd(place);
    else if (Math.abs(levelAt(place.chainage) - y) <= NEAR * perY && bare(profile, x, y)) choosePlace(place);
  });
  for (const id of ["from", "to"])
    at(id).addEventListener("change", () => {
      const line = lineOf.get(shownLine.group);
      if (!line?.chainage.length) return;
      const typed = ["from", "to"].map((k) => at(k).value).filter((v) => v !== "");
      const clip = (v) => Math.min(line.chainage.at(-1), Math.max(line.chainage[0], v));
      ends = typed.map((v) => ({ line: line.id, chainage: clip(Number(v) * data.per[unit]) }));
      drawMeasured();
    });
}
