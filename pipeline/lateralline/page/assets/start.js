// All set going, once.
function whole() {
  fitted = data.box;
  fitPlan(fitted);
  fitProfile();
}

function setUnit(next) {
  unit = next;
  speak();
  nameAxes();
  tellChosen();
  drawMeasured();
  tellAsked();
  tick();
}

function start() {
  tellWhy();
  listen();
  listenToDrawings();
  listenToPointing();
  listenToMeasuring();
  listenToKeys();
  listenToWhy();
  for (const button of document.querySelectorAll("[data-unit]"))
    button.addEventListener("click", () => setUnit(button.dataset.unit));
  for (const box of document.querySelectorAll("[data-switch]")) {
    box.addEventListener("change", () => turn(box.dataset.switch, box.checked));
    turn(box.dataset.switch, box.checked);
  }
  at("line").addEventListener("change", (event) => {
    showLine(event.target.value);
    drawMeasured();
  });
  at("fit").addEventListener("click", whole);
  startTheme(repaint);
  makeReachable();
  whole();
  setUnit(unit);
  showLine(decodeURIComponent(location.hash.slice(1)));
  root.dataset.ready = "yes";
}

start();
