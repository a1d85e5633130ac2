// Keys, wherever the reader is but in a field.
const keys = {
  ArrowRight: () => step(1),
  ArrowDown: () => step(1),
  ArrowLeft: () => step(-1),
  ArrowUp: () => step(-1),
  "+": () => zoom(1 / 1.4),
  "=": () => zoom(1 / 1.4),
  "-": () => zoom(1.4),
  "−": () => zoom(1.4),
  0: () => whole(),
  m: () => at("measure").click(),
  Escape: () => (clearAll(), measure(false)),
};

function listenToKeys() {
  document.addEventListener("keydown", (event) => {
    const act = keys[event.key];
    if (!act || event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.target.closest("input:not([type=checkbox]), select, textarea") && event.key !== "Escape") return;
    const vertical = event.key === "ArrowUp" || event.key === "ArrowDown";
    if (vertical && !event.target.closest(".canvas, table")) return; // the page scrolls by these
    event.preventDefault();
    act();
  });
}
