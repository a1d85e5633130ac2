// Light or dark: as the reader's system prefers, until the button says otherwise.
const root = document.documentElement;
const prefersDark = matchMedia("(prefers-color-scheme: dark)");
const PRINTED_PX = 640; // what A4 and letter are sure to take
let repaintAll = () => {};

function setTheme(dark) {
  root.dataset.theme = dark ? "dark" : "light";
  document.getElementById("theme").textContent = dark ? "Light" : "Dark";
  repaintAll(dark);
}

function startTheme(repaint = () => {}) {
  repaintAll = repaint;
  setTheme(prefersDark.matches);
  prefersDark.addEventListener("change", (event) => setTheme(event.matches));
  document.getElementById("theme").addEventListener("click", () => setTheme(root.dataset.theme !== "dark"));
  let before = null;
  addEventListener("beforeprint", () => {
    before = root.dataset.theme;
    setTheme(false);
    for (const canvas of document.querySelectorAll(".canvas")) {
      const { offsetWidth: wide, offsetHeight: high } = canvas;
      const zoom = Math.min(1, PRINTED_PX / wide); // a drawing is not drawn anew for paper
      canvas.style.setProperty("--zoom", zoom);
      canvas.style.setProperty("--high", `${high * zoom}px`);
    }
  });
  addEventListener("afterprint", () => setTheme(before === "dark"));
}
