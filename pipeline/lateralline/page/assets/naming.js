// Names beside their places, where no other name or sign stands; the rest are told by pointing.
const pen = document.createElement("canvas").getContext("2d");
const TALL = 15, OFF = 8;
const naming = [
  { drawing: plan, kinds: ["stops", "works", "nodes", "seen", "control", "joined"] },
  { drawing: profile, kinds: ["stops", "works", "nodes", "seen", "grades"] },
].map(({ drawing, kinds }) => ({
  drawing,
  kinds: kinds.filter((kind) => named(`names_${drawing.name}_${kind}`)),
  written: {},
}));

function rowsOf(drawing, kind) {
  if (kind === "grades")
    return data.grades.map((g) => ({ ...g, x: g.chainage, y: levelAt(g.chainage), ways: [[0, 2.2], [0, 3.4]] }));
  const { x, y, chainage, level, ground, name, line, aside_x, aside_y } = named(kind).data;
  return Array.from(name, (text, i) => {
    const common = { name: text, line: line?.[i], picked: choice?.kind === kind && choice.index === i };
    if (drawing === plan) {
      const [ax, ay] = [aside_x[i], aside_y[i]];
      return { ...common, x: x[i], y: y[i], ways: [[ax, ay], [-ax, -ay], [1, 0], [-1, 0], [0, 1], [0, -1]] };
    }
    if (kind === "stops") return { ...common, x: chainage[i], y: ground[i], ways: [[0, -1], [0, 1]] };
    return { ...common, x: chainage[i], y: level[i], ways: [[0, -1.4], [0, 1.4], [0, -2.6], [0, 2.6], [1, 0], [-1, 0]] };
  });
}

function writeNames({ drawing, kinds, written }) {
  const [xs, ys, wide, high] = [drawing.x_range, drawing.y_range, drawing.inner_width, drawing.inner_height];
  const spot = ({ x, y }) => [
    ((x - xs.start) / (xs.end - xs.start)) * wide,
    (1 - (y - ys.start) / (ys.end - ys.start)) * high,
  ];
  pen.font = "12px helvetica, sans-serif";
  const all = kinds
    .flatMap((kind) => rowsOf(drawing, kind).map((row) => ({ kind, row, at: spot(row) })))
    .filter(({ kind, row, at: [px, py] }) =>
      row.name && isOn(kind) && (drawing === plan || row.line === shownLine.group) && px >= 0 && px <= wide && py >= 0 && py <= high);
  const taken = all.filter(({ kind }) => kind !== "grades").map(({ at: [px, py] }) => [px - 5, py - 5, px + 5, py + 5]);
  const free = ([a, b, c, d]) => a >= 0 && c <= wide && b >= 0 && d <= high && !taken.some(([e, f, g, h]) => a < g && c > e && b < h && d > f);
  const made = Object.fromEntries(kinds.map((kind) => [kind, { x: [], y: [], text: [], dx: [], dy: [] }]));
  for (const { kind, row, at: [px, py] } of all.sort((a, b) => Boolean(b.row.picked) - Boolean(a.row.picked))) {
    const half = pen.measureText(row.name).width / 2 + 2;
    const boxes = row.ways.map(([ux, uy]) => {
      const [dx, dy] = [ux * (half + OFF), uy * (TALL / 2 + OFF)];
      return { dx, dy, box: [px + dx - half, py + dy - TALL / 2, px + dx + half, py + dy + TALL / 2] };
    });
    const found = boxes.find(({ box }) => free(box)) ?? (row.picked ? boxes[0] : null);
    if (!found || (kind === "works" && made.works.text.includes(row.name))) continue;
    taken.push(found.box);
    const columns = made[kind];
    columns.x.push(row.x), columns.y.push(row.y), columns.text.push(row.name);
    columns.dx.push(found.dx), columns.dy.push(found.dy);
  }
  for (const kind of kinds) {
    const now = JSON.stringify(made[kind]);
    if (written[kind] !== now) named(`names_${drawing.name}_${kind}`).data = made[kind];
    written[kind] = now;
  }
}

function writeAllNames() {
  if (isOn("labels")) naming.forEach(writeNames);
}
