// What stops, bends and findings rest on; texts that many share stand once.
function element(tag, content = "", attributes = {}) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  made.append(...[content].flat());
  return made;
}

function tellWhy() {
  const { texts, spots, sources } = data.why, text = (n) => texts[n];
  for (const [name, said, figures, tables] of spots) {
    const told = figures.map(([what, value, formula, worked, compared, why, cited]) => {
      const how = text(formula) + (worked && ` = ${worked}`) + (compared && `; ${compared}`) + (text(why) && `: ${text(why)}`) + `. From ${cited}`;
      return element("li", [element("b", `${text(what)}: ${value}`), " ", element("span", how, { class: "quiet" })]);
    });
    const laid = tables.flatMap(([title, heads, rows, note, cited]) => {
      const head = element("thead", element("tr", text(heads).map((h) => element("th", h, { scope: "col" }))));
      const body = element("tbody", rows.map((cells) => element("tr", cells.map((c) => element("td", c)))));
      const about = { class: "scroll", tabindex: "0", role: "region", "aria-label": `${text(title)} of ${name}` };
      return [element("div", element("table", [head, body]), about), element("p", `${text(note)}. From ${cited}`, { class: "quiet" })];
    });
    at("why").append(element("details", [element("summary", name), ...said.map((s) => element("p", s)), element("ul", told), ...laid]));
  }
  if (!sources.length) return;
  const listed = sources.map((source, n) => element("li", `[${n + 1}] ${source}`));
  at("why").append(element("h3", "Sources of these figures"), element("ul", listed, { class: "quiet" }));
}
