// The map of all lines: drawn on a canvas, one stroke a class; nearest line under the pointer.
const data = JSON.parse(document.getElementById("data").textContent);
const at = (id) => document.getElementById(id);
const UNKNOWN = 4;
// Class → role, width in pixels, dash: the less sure a line, the wider, whatever colours tell.
const LOOKS = [
  ["pipe", 2, []],
  ["measured", 2.6, []],
  ["zone_edge", 3.4, []],
  ["warn", 4.4, []],
  ["quiet", 2.6, [3, 4]],
];
const NEAR_PX = 12, LEAST_M = 40, ROOM = 1.08;
const map = at("map"), ink = map.getContext("2d");
const { site: siteOf, off, path: paths } = data.lines;
const boxes = new Float64Array(4 * paths.length).fill(NaN);
const traces = paths.map((path, n) => {
  if (path === null) return null;
  const xy = new Float64Array(path.length);
  let [x, y, west, south, east, north] = [0, 0, Infinity, Infinity, -Infinity, -Infinity];
  for (let i = 0; i < path.length; i += 2) {
    xy[i] = x += path[i] * data.step_m;
    xy[i + 1] = y += path[i + 1] * data.step_m;
    [west, south, east, north] = [Math.min(west, x), Math.min(south, y), Math.max(east, x), Math.max(north, y)];
  }
  boxes.set([west, south, east, north], 4 * n);
  return xy;
});

const classOf = {
  off: (n) => (off[n] === null ? UNKNOWN : data.limits.filter((limit) => off[n] > limit).length),
  findings: (n) => (data.sites.errors[siteOf[n]] ? 3 : data.sites.warnings[siteOf[n]] ? 2 : 0),
};
const words = {
  off: [...data.limits.map((limit) => `± ${limit} ${data.unit} or less`), `wider than ± ${data.limits.at(-1)} ${data.unit}`, "± not known"],
  findings: ["no errors, no warnings", null, "warnings", "errors", null],
};

let shown = null; // whether each line is found; null: all are
let picked = -1;
let [middleX, middleY, scale] = [0, 0, 1]; // metres; metres in a pixel

function legend() {
  const by = at("by").value;
  at("legend").replaceChildren(...words[by].flatMap((text, n) => {
    if (text === null) return [];
    const [role, width, dash] = LOOKS[n];
    const item = document.createElement("li");
    const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
    const line = document.createElementNS("http://www.w3.org/2000/svg", "path");
    svg.setAttribute("viewBox", "0 0 26 16");
    svg.setAttribute("aria-hidden", "true");
    const look = { d: "M1 8h24", fill: "none", stroke: `var(--${role.replace("_", "-")})`, "stroke-width": width, "stroke-dasharray": dash.join(" ") };
    for (const [name, value] of Object.entries(look)) line.setAttribute(name, value);
    svg.append(line);
    item.append(svg, text);
    return [item];
  }));
}

function strokeLines(chosen, role, width, dash) {
  const [wide, high] = [map.clientWidth, map.clientHeight];
  const [west, east] = [middleX - (wide / 2) * scale, middleX + (wide / 2) * scale];
  const [south, north] = [middleY - (high / 2) * scale, middleY + (high / 2) * scale];
  ink.strokeStyle = colourOf(role);
  ink.lineWidth = width;
  ink.setLineDash(dash);
  ink.beginPath();
  for (const n of chosen) {
    const b = 4 * n, xy = traces[n];
    if (!(boxes[b] <= east && boxes[b + 2] >= west && boxes[b + 1] <= north && boxes[b + 3] >= south)) continue;
    ink.moveTo((xy[0] - west) / scale, (north - xy[1]) / scale);
    for (let i = 2; i < xy.length; i += 2) ink.lineTo((xy[i] - west) / scale, (north - xy[i + 1]) / scale);
  }
  ink.stroke();
}

const colourOf = (role) => data.palette[role][root.dataset.theme === "dark" ? 1 : 0];

function draw() {
  const [wide, high, dense] = [map.clientWidth, map.clientHeight, devicePixelRatio || 1];
  if (map.width !== Math.round(wide * dense) || map.height !== Math.round(high * dense))
    [map.width, map.height] = [Math.round(wide * dense), Math.round(high * dense)];
  ink.setTransform(dense, 0, 0, dense, 0, 0);
  ink.fillStyle = colourOf("paper");
  ink.fillRect(0, 0, wide, high);
  ink.lineCap = ink.lineJoin = "round"; // a line shorter than a pixel is a dot
  const by = classOf[at("by").value], groups = LOOKS.map(() => []), rest = [];
  for (let n = 0; n < traces.length; n++)
    if (traces[n]) (shown && !shown[n] ? rest : groups[by(n)]).push(n);
  strokeLines(rest, "grid", 1.5, []);
  groups.forEach((group, n) => strokeLines(group, ...LOOKS[n]));
  if (picked >= 0 && traces[picked]) {
    strokeLines([picked], "ink", 8, []);
    strokeLines([picked], "chosen", 5, []);
  }
  scaleBar(wide);
}

function scaleBar(wide) {
  const most = (Math.min(160, wide * 0.3) * scale) / data.per, power = 10 ** Math.floor(Math.log10(most));
  const length = [5, 2, 1].find((k) => k * power <= most) * power;
  at("scale-bar").style.width = `${(length * data.per) / scale}px`;
  at("scale-length").textContent = `${Number(length.toPrecision(2))} ${data.unit}`;
}

let drawing = 0;
function drawSoon() {
  cancelAnimationFrame(drawing);
  drawing = requestAnimationFrame(draw);
}

function fit(lines) {
  let [west, south, east, north] = [Infinity, Infinity, -Infinity, -Infinity];
  for (const n of lines) {
    if (!traces[n]) continue;
    const b = 4 * n;
    [west, south] = [Math.min(west, boxes[b]), Math.min(south, boxes[b + 1])];
    [east, north] = [Math.max(east, boxes[b + 2]), Math.max(north, boxes[b + 3])];
  }
  if (west > east) return;
  [middleX, middleY] = [(west + east) / 2, (south + north) / 2];
  const [wide, high] = [Math.max(map.clientWidth, 50), Math.max(map.clientHeight, 50)];
  scale = Math.max(((east - west) * ROOM) / wide, ((north - south) * ROOM) / high, LEAST_M / Math.min(wide, high));
  drawSoon();
}

const allLines = () => traces.keys();

function zoom(factor, x = map.clientWidth / 2, y = map.clientHeight / 2) {
  const [dx, dy] = [x - map.clientWidth / 2, map.clientHeight / 2 - y];
  [middleX, middleY] = [middleX + dx * scale * (1 - factor), middleY + dy * scale * (1 - factor)];
  scale *= factor;
  drawSoon();
}

function move(dx, dy) {
  [middleX, middleY] = [middleX - dx * scale, middleY + dy * scale];
  drawSoon();
}

// The line nearest to a place on the canvas, -1 for none near.
function nearest(px, py) {
  const [x, y] = [middleX + (px - map.clientWidth / 2) * scale, middleY + (map.clientHeight / 2 - py) * scale];
  let [best, found] = [(NEAR_PX * scale) ** 2, -1];
  for (let n = 0; n < traces.length; n++) {
    const b = 4 * n, xy = traces[n], near = NEAR_PX * scale;
    if (!xy || (shown && !shown[n])) continue;
    if (!(boxes[b] - near <= x && boxes[b + 2] + near >= x && boxes[b + 1] - near <= y && boxes[b + 3] + near >= y)) continue;
    for (let i = 0; i + 3 < xy.length; i += 2) {
      const [ax, ay, ex, ey] = [xy[i], xy[i + 1], xy[i + 2] - xy[i], xy[i + 3] - xy[i + 1]];
      const t = Math.min(1, Math.max(0, ((x - ax) * ex + (y - ay) * ey) / (ex * ex + ey * ey || 1)));
      const away = (x - ax - t * ex) ** 2 + (y - ay - t * ey) ** 2;
      if (away < best) [best, found] = [away, n];
    }
  }
  return found;
}

function listenToMap(pick) {
  const keys = {
    ArrowLeft: () => move(60, 0), ArrowRight: () => move(-60, 0), ArrowUp: () => move(0, 60), ArrowDown: () => move(0, -60),
    "+": () => zoom(1 / 1.4), "=": () => zoom(1 / 1.4), "-": () => zoom(1.4), "−": () => zoom(1.4), 0: () => fit(allLines()),
  };
  map.addEventListener("keydown", (event) => {
    const act = keys[event.key];
    if (!act || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    act();
  });
  let from = null, moved = false;
  map.addEventListener("pointerdown", (event) => {
    [from, moved] = [[event.clientX, event.clientY], false];
    map.setPointerCapture(event.pointerId);
  });
  map.addEventListener("pointermove", (event) => {
    if (from === null) return;
    const [dx, dy] = [event.clientX - from[0], event.clientY - from[1]];
    if (!moved && Math.hypot(dx, dy) < 4) return;
    [from, moved] = [[event.clientX, event.clientY], true];
    move(dx, dy);
  });
  map.addEventListener("pointerup", (event) => {
    if (from !== null && !moved) pick(nearest(event.offsetX, event.offsetY));
    from = null;
  });
  map.addEventListener("pointercancel", () => (from = null));
  map.addEventListener("wheel", (event) => {
    if (!event.ctrlKey) return; // else the page scrolls
    event.preventDefault();
    zoom(event.deltaY > 0 ? 1.2 : 1 / 1.2, event.offsetX, event.offsetY);
  }, { passive: false });
  at("closer").addEventListener("click", () => zoom(1 / 1.6));
  at("farther").addEventListener("click", () => zoom(1.6));
  at("all").addEventListener("click", () => fit(allLines()));
  at("by").addEventListener("change", () => {
    legend();
    drawSoon();
  });
  new ResizeObserver(drawSoon).observe(map);
}
