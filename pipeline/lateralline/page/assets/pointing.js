// One tip beside the pointer: the nearest place in short, whatever else is there by name.
const NEAR = 11;
const tipBox = at("tip");
const brief = new Set(data.brief);

function under(drawing, x, y) {
  const perX = (drawing.x_range.end - drawing.x_range.start) / drawing.inner_width;
  const perY = (drawing.y_range.end - drawing.y_range.start) / drawing.inner_height;
  const found = [];
  for (const [rank, kind] of [...Object.keys(sources), "marks"].entries()) {
    const columns = named(kind)?.data;
    if (!columns || !isOn(kind)) continue;
    const [xs, ys] = drawing === plan ? [columns.x, columns.y] : [columns.chainage, columns.level];
    for (let i = 0; i < (ys?.length ?? 0); i++) {
      const off = Math.hypot((xs[i] - x) / perX, (ys[i] - y) / perY);
      if (off <= NEAR && (drawing === plan || columns.line[i] === shownLine.group)) found.push({ kind, i, off: off + rank });
    }
  }
  return found.sort((a, b) => a.off - b.off);
}

function wordsOf({ kind, i }) {
  const place = data.places[kind]?.[i];
  if (!place) return named(kind).data.tip[i];
  const told = place.facts.filter(([name, , half]) => half !== null || brief.has(name));
  const lines = told.map(([name, ...fact]) => `${name}: ${say(fact)}`);
  if (told.some(([, , half]) => half !== null)) lines.push("± 95 %");
  return [place.title, ...lines].join("\n");
}

function point(id, { x, y, sx, sy }) {
  const [first, ...others] = under({ plan, profile }[id], x, y);
  tipBox.hidden = !first;
  if (!first) return;
  const also = others.slice(0, 4).map((other) => wordsOf(other).split("\n")[0]);
  tipBox.textContent = wordsOf(first) + (also.length ? `\nalso here: ${also.join("; ")}` : "");
  const canvas = at(id).getBoundingClientRect();
  const [left, top, wide, high] = [canvas.left + sx, canvas.top + sy, tipBox.offsetWidth, tipBox.offsetHeight];
  tipBox.style.left = `${left + 14 + wide < innerWidth ? left + 14 : Math.max(4, left - 14 - wide)}px`;
  tipBox.style.top = `${Math.max(4, Math.min(top - high / 2, innerHeight - high - 4))}px`;
}

function listenToPointing() {
  for (const [id, drawing] of Object.entries({ plan, profile })) {
    drawing.on_event("mousemove", (event) => point(id, event));
    at(id).addEventListener("pointerleave", () => (tipBox.hidden = true));
  }
}
