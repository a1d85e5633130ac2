// Keys, wherever the reader is but in a field; characters only in a drawing, where nothing typed or
// spoken elsewhere sets them off (WCAG 2.2, 2.1.4).
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
    if (event.key.length === 1 && !event.target.closest(".canvas")) return;
    const vertical = event.key === "ArrowUp" || event.key === "ArrowDown";
    if (vertical && !event.target.closest(".canvas, table")) return; // the page scrolls by these
    const box = event.target.closest(".scroll");
    if (!vertical && event.key.startsWith("Arrow") && box?.scrollWidth > box?.clientWidth) return; // so does this
    event.preventDefault();
    act();
  });
}
