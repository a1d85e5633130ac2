// One place is chosen at a time; plan, profile and tables show the same one.
let choice = null; // {kind, index}
let onPipe = null; // {line, chainage}: a place between, when nothing that has a name is chosen
let choosing = false;

function choose(kind, index, { reveal = false } = {}) {
  choosing = true;
  choice = kind === null ? null : { kind, index };
  onPipe = null;
  for (const [name, source] of Object.entries(sources))
    source.selected.indices = name === kind ? [index] : [];
  const stop = kind === "stops" ? data.places.stops[index].title.slice(5) : null;
  marks.selected.indices = stop === null ? [] : [...marks.data.stop].flatMap((s, i) => (s === stop ? [i] : []));
  const place = choice && data.places[kind][index];
  if (place?.line && showLine(place.line)) drawMeasured();
  if (reveal && place) bringIntoView(place);
  for (const row of document.querySelectorAll("tr[aria-current]")) row.removeAttribute("aria-current");
  if (choice) {
    const row = document.querySelector(`tr[data-kind="${kind}"][data-index="${index}"]`);
    row?.setAttribute("aria-current", "true");
    if (row) scrollWithin(row.closest(".scroll"), row);
  }
  for (const figure of document.querySelectorAll("figure[data-kind]"))
    figure.classList.toggle("current", figure.dataset.kind === kind && Number(figure.dataset.index) === index);
  tellChosen();
  tickSoon();
  choosing = false;
}

function scrollWithin(box, row) {
  const top = row.offsetTop - box.clientHeight / 2;
  if (row.offsetTop < box.scrollTop + 40 || row.offsetTop + row.offsetHeight > box.scrollTop + box.clientHeight)
    box.scrollTop = Math.max(0, top);
}

function bringIntoView({ x, y, chainage }) {
  const inside = (v, range, room) => {
    const edge = (range.end - range.start) * room;
    return v > range.start + edge && v < range.end - edge;
  };
  if (x !== null && !(inside(x, plan.x_range, 0.05) && inside(y, plan.y_range, 0.05))) {
    fitted = null;
    showPlan(x, y, metresPerPixel);
  }
  if (chainage !== null && !inside(chainage, profile.x_range, 0.03)) {
    const half = (profile.x_range.end - profile.x_range.start) / 2;
    show(profile.x_range, chainage - half, chainage + half);
  }
}

function tellChosen() {
  const place = choice && data.places[choice.kind][choice.index];
  at("chosen-title").textContent = place ? place.title : onPipe ? `line ${onPipe.line} at ${metres(onPipe.chainage)}` : "Nothing chosen";
  at("chosen-hint").hidden = Boolean(place ?? onPipe);
  const spot = place ? (data.why.of[choice.kind]?.[choice.index] ?? null) : onPipe && spotAt(onPipe);
  at("chosen-why").hidden = spot === null;
  if (spot === null) delete at("chosen-why").dataset.spot;
  else at("chosen-why").dataset.spot = spot;
  at("chosen-why").textContent = spot === null ? "" : `what it rests on: ${spots[spot][1]}`;
  const list = at("chosen-facts");
  list.replaceChildren();
  const between = onPipe ? [["how sure", sure(onPipe), null, "text"]] : [];
  for (const [name, ...fact] of place ? [...(place.line ? [["line", place.line, null, "text"]] : []), ...place.facts] : between) {
    const row = document.createElement("div");
    for (const [tag, text] of [["dt", name], ["dd", say(fact)]]) {
      const part = document.createElement(tag);
      part.textContent = text;
      if (fact[2] !== "text") part.className = "number";
      row.append(part);
    }
    row.classList.toggle("long", String(fact[0]).length > 30);
    list.append(row);
  }
}

// Steps go along the order of the stops' table.
function step(by) {
  const count = data.places.stops.length;
  if (!count) return;
  const from = choice?.kind === "stops" ? choice.index : by > 0 ? -1 : count;
  choose("stops", (from + by + count) % count, { reveal: true });
}

function jump(index, button) {
  const { box, line, reach, stop } = data.findings[index];
  for (const other of document.querySelectorAll(".jump[aria-current]")) other.removeAttribute("aria-current");
  button.setAttribute("aria-current", "true");
  if (stop === null) choose(null);
  else choose("stops", stop);
  if (line && showLine(line)) drawMeasured();
  fitted = box ?? data.box;
  fitPlan(fitted);
  fitProfile(reach);
}

function listen() {
  for (const [kind, source] of Object.entries(sources))
    source.selected.properties.indices.change.connect(() => {
      if (choosing) return;
      const [index] = source.selected.indices;
      if (index !== undefined) choose(kind, index);
      else if (choice?.kind === kind) choose(null);
    });
  for (const body of document.querySelectorAll("tbody:has([data-kind])"))
    body.addEventListener("click", (event) => {
      const row = event.target.closest("tr");
      choose(row.dataset.kind, Number(row.dataset.index), { reveal: true });
    });
  for (const figure of document.querySelectorAll("figure[data-kind]"))
    figure.querySelector("button").addEventListener("click", () =>
      choose(figure.dataset.kind, Number(figure.dataset.index), { reveal: true }));
  for (const button of document.querySelectorAll(".jump"))
    button.addEventListener("click", () => jump(Number(button.dataset.finding), button));
  at("previous").addEventListener("click", () => step(-1));
  at("next").addEventListener("click", () => step(1));
  at("clear").addEventListener("click", () => clearAll());
}

// A place on the pipe that has no name: told by how sure it is, explained by the nearest told.
function choosePlace(place) {
  choose(null);
  onPipe = place;
  tellChosen();
  explainAt(place, { reveal: false });
}

function clearAll() {
  choose(null);
  clearMeasured(false);
}
