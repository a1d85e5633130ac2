// What all on the page rests on: the texts of `explain`, by kind; texts that many share stand once.
const spots = []; // [details, title, line, chainage], by number

function element(tag, content = "", attributes = {}) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  made.append(...[content].flat());
  return made;
}

function tellWhy() {
  const { texts, groups, sources } = data.why, text = (n) => texts[n];
  const cited = (n) => text(n).map(([number, ...parts]) => [`[${number}]`, ...parts.map(text)].join(" ")).join("; ");
  const titles = groups.flatMap(([, every]) => every.map(([title]) => title));
  for (const [head, every] of groups) {
    const within = every.map(([title, said, figures, tables, leads, line, chainage]) => {
      const told = figures.map(([what, value, formula, worked, compared, why, from]) => {
        const how = text(formula) + (worked && ` = ${worked}`) + (text(compared) && `; ${text(compared)}`) + (text(why) && `: ${text(why)}`) + `. From ${cited(from)}`;
        return element("li", [element("b", `${text(what)}: ${value}`), " ", element("span", how, { class: "quiet" })]);
      });
      const laid = tables.flatMap(([name, heads, rows, note, from]) => {
        const top = element("thead", element("tr", text(heads).map((h) => element("th", h, { scope: "col" }))));
        const body = element("tbody", text(rows).map((cells) => element("tr", cells.map((c) => element("td", c)))));
        const about = { class: "scroll", tabindex: "0", role: "region", "aria-label": `${text(name)} of ${title}` };
        const below = `${text(note) && `${text(note)}. `}From ${cited(from)}`;
        return [element("h4", text(name)), element("div", element("table", [top, body]), about), element("p", below, { class: "quiet" })];
      });
      const on = leads.map((n) => element("button", titles[n], { type: "button", "data-spot": n }));
      const parts = [element("summary", title), ...said.map((n) => element("p", text(n)))];
      if (told.length) parts.push(element("ul", told));
      if (on.length) parts.push(element("p", ["Goes on at ", ...on], { class: "leads" }));
      const made = element("details", [...parts, ...laid], { class: "spot" });
      spots.push([made, title, line, chainage]);
      return made;
    });
    at("why").append(element("details", [element("summary", `${head} (${every.length})`), ...within], { class: "group" }));
  }
  const listed = sources.map((source, n) => element("li", `[${n + 1}] ${source}`));
  at("why").append(element("h3", "Sources of these figures"), element("ul", listed, { class: "quiet" }));
}

function openSpot(n) {
  const [made] = spots[n];
  made.open = made.closest(".group").open = true;
  made.scrollIntoView();
  made.querySelector("summary").focus({ preventScroll: true });
}

// The spot of a chainage: of the places told, the nearest.
function spotAt({ line, chainage }) {
  let best = null;
  for (const [n, [, , of, at]] of spots.entries())
    if (of === line && (best === null || Math.abs(at - chainage) < Math.abs(spots[best][3] - chainage))) best = n;
  return best;
}

function explainAt(place, { reveal = true } = {}) {
  const n = spotAt(place);
  if (n === null) return;
  at("why-line").value = place.line;
  if (document.activeElement !== at("why-at")) at("why-at").value = (place.chainage / data.per[unit]).toFixed(2);
  asked = place;
  tellAsked();
  if (reveal) openSpot(n);
}

let asked = null; // {line, chainage}, in metres

function tellAsked() {
  if (!asked || !at("why-told")) return;
  const n = spotAt(asked);
  const text = `asked: line ${asked.line} at ${metres(asked.chainage)}; told: ${metres(spots[n][3])}, the nearest of the places told. `;
  at("why-told").replaceChildren(text, element("button", spots[n][1], { type: "button", "data-spot": n }));
}

function listenToWhy() {
  document.addEventListener("click", (event) => {
    const spot = event.target.closest("[data-spot]")?.dataset.spot;
    if (spot) openSpot(Number(spot));
  });
  if (!at("why-at")) return;
  const ask = () => {
    const { chainage: c } = lineOf.get(at("why-line").value);
    if (at("why-at").value === "" || !c.length) return;
    const chainage = Number(at("why-at").value) * data.per[unit];
    explainAt({ line: at("why-line").value, chainage: Math.min(c.at(-1), Math.max(c[0], chainage)) });
  };
  for (const id of ["why-line", "why-at"]) at(id).addEventListener("change", ask);
}
