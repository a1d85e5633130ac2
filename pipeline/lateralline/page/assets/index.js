// The index: rows that hold every word typed stay.
const rows = [...document.querySelectorAll("tbody tr")].map((row) => [row, fold(row.textContent)]);

function fold(text) {
  return text.normalize("NFKD").replace(/\p{M}/gu, "").toLowerCase();
}

document.getElementById("search").addEventListener("input", (event) => {
  const words = fold(event.target.value).split(/\s+/).filter(Boolean);
  let shown = 0;
  for (const [row, text] of rows) {
    row.hidden = !words.every((word) => text.includes(word));
    shown += !row.hidden;
  }
  document.getElementById("count").textContent = `${shown} of ${rows.length}`;
});
startTheme();
