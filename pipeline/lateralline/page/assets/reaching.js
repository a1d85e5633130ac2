// The drawings by keyboard: one stop of Tab for each, then its tools as buttons that Enter and
// Space press and that show their focus; bokeh gives them neither role nor state.
const ring = new CSSStyleSheet();
ring.replaceSync(":focus-visible{outline:3px solid var(--measured)!important;outline-offset:-3px!important}");

function* within(root) {
  for (const element of root.querySelectorAll("*")) {
    yield element;
    if (element.shadowRoot) yield* within(element.shadowRoot);
  }
}

function makeButton(tool) {
  const tell = () => tool.setAttribute("aria-pressed", String(tool.classList.contains("bk-active")));
  tool.setAttribute("role", "button");
  tool.setAttribute("aria-label", tool.title);
  if (tool.matches(".bk-OnOffButton")) {
    tell();
    new MutationObserver(tell).observe(tool, { attributeFilter: ["class"] });
  }
  tool.addEventListener("keydown", (event) => {
    if (event.key !== " ") return; // which bokeh takes for a long press
    event.preventDefault();
    event.stopImmediatePropagation();
    if (!event.repeat) tool.dispatchEvent(new KeyboardEvent("keydown", { key: "Enter" }));
  }, { capture: true });
}

function makeReachable() {
  for (const canvas of document.querySelectorAll(".canvas"))
    for (const element of within(canvas)) {
      if (element.matches(".bk-events")) element.tabIndex = -1; // the canvas about it has the keys
      if (!element.matches(".bk-OnOffButton, .bk-ClickButton")) continue;
      const home = element.getRootNode();
      if (!home.adoptedStyleSheets.includes(ring)) home.adoptedStyleSheets.push(ring);
      makeButton(element);
    }
}
