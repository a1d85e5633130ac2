// The index: a row a line; rows that hold every word typed are found, the first of them are shown.
const SHOWN = 100;
const CLEAN = "no errors, no warnings"; // told, not looked through: "error" finds those with some
const { sites, lines } = data;
const count = (n, what) => (n ? `${n} ${what}${n > 1 ? "s" : ""}` : "");
const told = sites.site_id.map((_, s) => ({
  findings: [count(sites.errors[s], "error"), count(sites.warnings[s], "warning")].filter(Boolean).join(", "),
  works: sites.conflicts[s] === null ? "none near" : count(sites.conflicts[s], "conflict") || "no conflict shown",
}));
// A row is a line, or a site of which no line was located.
const located = new Set(lines.site);
const rows = [
  ...lines.site.map((s, n) => ({ s, n })),
  ...sites.site_id.flatMap((_, s) => (located.has(s) ? [] : [{ s, n: -1 }])),
].sort((a, b) => a.s - b.s || a.n - b.n);
const texts = rows.map(({ s, n }) =>
  fold([sites.site_id[s], sites.name[s], sites.surveyed[s], told[s].findings, data.planned ? told[s].works : "", data.several ? sites.source[s] : "", ...(n < 0 ? ["not located"] : [lines.line[n], lines.asset[n]])].join(" ")));
const rowOfLine = new Map(rows.map(({ n }, i) => [n, i]));
let found = rows.map((_, i) => i);
let most = SHOWN;

function fold(text) {
  return text.normalize("NFKD").replace(/\p{M}/gu, "").toLowerCase();
}

function search() {
  const wanted = fold(at("search").value).split(/\s+/).filter(Boolean);
  found = [];
  for (let i = 0; i < texts.length; i++) if (wanted.every((word) => texts[i].includes(word))) found.push(i);
  shown = wanted.length ? new Uint8Array(paths.length) : null;
  if (shown) for (const i of found) if (rows[i].n >= 0) shown[rows[i].n] = 1;
  most = SHOWN;
  list();
  drawSoon();
}

const linkTo = ({ s, n }) => {
  const link = document.createElement("a");
  link.href = encodeURI(sites.file[s]) + (n < 0 ? "" : `#${encodeURIComponent(lines.line[n])}`);
  link.textContent = sites.site_id[s];
  return link;
};
const length = (value) => (value === null ? "–" : value.toFixed(2));

function cell(tag, content, number = false) {
  const made = document.createElement(tag);
  if (number) made.className = "number";
  made.append(content);
  return made;
}

function rowOf(row) {
  const { s, n } = row, made = document.createElement("tr"), head = cell("th", linkTo(row));
  head.scope = "row";
  const line = n < 0 ? ["not located", "", null, null] : [lines.line[n], lines.asset[n], lines.length[n], lines.off[n]];
  made.append(head, cell("td", line[0]), cell("td", line[1]), cell("td", sites.name[s]), cell("td", length(line[2]), true), cell("td", length(line[3]), true), cell("td", sites.surveyed[s]), cell("td", (sites.errors[s] ? "✖ " : sites.warnings[s] ? "▲ " : "") + (told[s].findings || CLEAN)));
  if (data.planned) made.append(cell("td", (sites.conflicts[s] ? "✖ " : "") + told[s].works));
  if (data.several) made.append(cell("td", sites.source[s]));
  if (n >= 0 && traces[n]) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = "Show";
    button.setAttribute("aria-label", `Show line ${lines.line[n]} of ${sites.site_id[s]} on the map`);
    button.addEventListener("click", () => {
      pick(n);
      fit([n]);
      map.scrollIntoView({ block: "nearest" });
    });
    made.append(cell("td", button));
  } else made.append(cell("td", n < 0 ? "" : "not on it"));
  if (n >= 0 && n === picked) made.setAttribute("aria-current", "true");
  return made;
}

function list() {
  document.querySelector("tbody").replaceChildren(...found.slice(0, most).map((i) => rowOf(rows[i])));
  const left = found.length - Math.min(most, found.length);
  at("count").textContent = `${found.length} of ${rows.length} found` + (left ? `, the first ${most} listed` : "");
  at("more").hidden = !left;
}

function pick(n) {
  picked = n;
  const text = at("picked");
  text.replaceChildren();
  if (n >= 0) {
    const row = rows[rowOfLine.get(n)], asset = lines.asset[n] ? `, asset ${lines.asset[n]}` : "";
    const off = lines.off[n] === null ? "position ± not known" : `position ± ${length(lines.off[n])} ${data.unit}`;
    text.append("Chosen: ", linkTo(row), ` line ${lines.line[n]}${asset}, ${length(lines.length[n])} ${data.unit} long, ${off}; ${told[row.s].findings || CLEAN}`);
  }
  for (const made of document.querySelectorAll("tbody tr[aria-current]")) made.removeAttribute("aria-current");
  document.querySelectorAll("tbody tr")[found.slice(0, most).findIndex((i) => rows[i].n === n)]?.setAttribute("aria-current", "true");
  drawSoon();
}

at("search").addEventListener("input", search);
at("found").addEventListener("click", () => fit(found.map((i) => rows[i].n).filter((n) => n >= 0)));
at("more").addEventListener("click", () => {
  most += SHOWN;
  list();
});
legend();
listenToMap(pick);
startTheme(drawSoon);
search();
fit(allLines());
document.documentElement.dataset.ready = "yes";
