// Light or dark: as the reader's system prefers, until the button says otherwise.
const root = document.documentElement;
const prefersDark = matchMedia("(prefers-color-scheme: dark)");
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
  });
  addEventListener("afterprint", () => setTheme(before === "dark"));
}
