"""The page and the index for whoever cannot see or point well: by axe-core, and by keys alone.

axe-core 4.12.1 (Mozilla Public License 2.0) is the file axe.min.js of the package
axe-playwright-python 0.1.8, installed with `pip install --no-deps axe-playwright-python`: nothing
else of that package, and nothing it asks for, is used. What axe-core cannot judge of contrast,
text over a drawing, is judged here by the palette. Success criteria named are those of WCAG 2.2,
numbers and thresholds from memory.
"""

from __future__ import annotations

import os
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

import pytest

from lateralline.page.signs import PALETTE
from tests.support import chromium
from tests.support.chromium import Chromium
from tests.support.pages import READY, look

pytestmark = pytest.mark.skipif(chromium.found() is None, reason="no Chromium on the PATH")

#: Nothing hides anything, so that axe-core can judge all of it.
OPEN_UP = """
document.head.append(Object.assign(document.createElement("style"), { textContent:
  ".caution{position:static!important}.scroll,.findings ol{max-height:none!important}" }));
"""
SCAN = """
axe.run(document, { rules: { "target-size": { enabled: true } }, %s }).then((found) =>
  ["violations", "incomplete"].map((kind) => found[kind].flatMap(({ id, nodes }) =>
    nodes.map(({ target, failureSummary }) => [id, target.join(" "), failureSummary]))))
"""
ALL_RULES, COLOURS = SCAN % "", SCAN % 'runOnly: ["color-contrast"]'
#: Writing over a drawing or a sign, whose ground axe-core cannot tell: [role, its ground].
OVER_DRAWINGS = {".north": "ink", "#scale-length": "ink", "text": "ink"}
#: All that has the focus, shadow roots looked into: what it is, its outline, and whether it shows.
FOCUS = """
(() => {
  let focus = document.activeElement;
  while (focus.shadowRoot?.activeElement) focus = focus.shadowRoot.activeElement;
  const style = getComputedStyle(focus), box = focus.getBoundingClientRect();
  const [x, y] = [box.x + box.width / 2, box.y + Math.min(box.height / 2, 20)];
  let top = document.elementFromPoint(x, y);
  for (let next = top; next?.shadowRoot && (next = next.shadowRoot.elementFromPoint(x, y)); )
    if (next === top) break; else top = next;
  const over = (e) => e && (e === focus || over(e.parentNode ?? e.host));
  return [reached.indexOf(focus), focus.outerHTML.slice(0, 90), parseFloat(style.outlineWidth),
          style.outlineStyle, Boolean(over(top) || focus.contains(top))];
})()
"""
#: All that ought to have it in turn, in the order of the document.
REACHED = """
window.reached = (function* all(root) {
  for (const e of root.querySelectorAll("*")) {
    if (e.tabIndex >= 0 && !e.closest("[hidden]") && e.checkVisibility()) yield e;
    if (e.shadowRoot) yield* all(e.shadowRoot);
  }
})(document);
window.reached = [...window.reached];
reached.length;
"""


@pytest.fixture(scope="module")
def axe() -> str:
    """Return axe-core's script."""
    try:
        package = distribution("axe-playwright-python")
    except PackageNotFoundError:
        if os.environ.get("CI") == "true":
            pytest.fail("axe-core is missing: pip install --no-deps axe-playwright-python")
        pytest.skip("needs axe-core: pip install --no-deps axe-playwright-python")
    path = Path(str(package.locate_file("axe_playwright_python/axe.min.js")))
    return path.read_text(encoding="utf-8") + ";0"


@pytest.mark.parametrize("page", ["works.html", "pages/index.html"])
def test_axe_finds_nothing_in_light_or_dark(tab: Chromium, work: Path, axe: str, page: str) -> None:
    is_index = "index" in page
    tab.open(work / page, READY)
    tab.value(OPEN_UP + axe)
    if not is_index:
        tab.value(
            "document.getElementById('measure').click();"
            "document.querySelector('#table-stops .pick').click()"
        )
    for dark in (False, True):
        assert tab.value("document.documentElement.dataset.theme") == ("dark" if dark else "light")
        wrong, open_ = tab.value(COLOURS if dark else ALL_RULES)
        assert wrong == []
        unsure = {(rule, target) for rule, target, _ in open_}
        assert unsure <= {("color-contrast", target) for target in OVER_DRAWINGS}
        for role in OVER_DRAWINGS.values():
            for ground in ("paper", "page"):
                assert contrast(PALETTE[role][dark], PALETTE[ground][dark]) >= 4.5
        tab.value("document.getElementById('theme').click()")


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours (WCAG 2, from memory).

    >>> contrast("#000000", "#ffffff")
    21.0
    """
    low, high = sorted(_luminance(c) for c in (one, other))
    return (high + 0.05) / (low + 0.05)


def _luminance(colour: str) -> float:
    parts = [part / 255 for part in bytes.fromhex(colour[1:])]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("page", ["works.html", "pages/index.html"])
def test_tab_reaches_every_control_in_order_and_shows_it(
    tab: Chromium, work: Path, page: str
) -> None:
    tab.size(1400, 900)
    tab.open(work / page, READY if "index" not in page else "document.readyState === 'complete'")
    count = tab.value(REACHED)
    assert count > (60 if "index" not in page else 3)
    for expected in range(count):
        tab.key("Tab")
        index, what, width, style, shown = tab.value(FOCUS)
        assert index == expected, what
        assert (style != "none", width >= 2, shown) == (True, True, True), what


def test_keys_do_what_the_pointer_does(tab: Chromium, work: Path) -> None:
    look(tab, work / "page.html")
    whole = tab.value("glass.range('plan')")
    tab.key("ArrowRight")
    tab.key("ArrowRight")
    assert tab.value("glass.row()") == "stops 1"
    tab.key("ArrowLeft")
    assert tab.value("glass.row()") == "stops 0"
    tab.key("Escape")
    assert tab.value("glass.row() + glass.chosen()") == ""
    tab.key("+")  # a character outside the drawings is no command: it may be spoken or a slip
    assert tab.value("glass.range('plan')") == pytest.approx(whole)
    tab.value("document.getElementById('plan').focus()")
    tab.key("+")
    west, east, _, _ = tab.value("glass.range('plan')")
    assert (whole[1] - whole[0]) / (east - west) == pytest.approx(1.4)
    tab.key("0")
    assert tab.value("glass.range('plan')") == pytest.approx(whole)
    tab.key("m")
    assert tab.value("!document.getElementById('measuring').hidden")
    tab.value("document.getElementById('from').focus()")
    tab.key("m")  # typed into a field it is no command
    assert tab.value("!document.getElementById('measuring').hidden")
    tab.key("Escape")
    assert tab.value("document.getElementById('measuring').hidden")
    tab.value("document.querySelector('tr[data-kind=nodes][data-index=\"1\"] .pick').focus()")
    tab.key("Enter")
    assert tab.value("glass.row()") == "nodes 1"
    # bokeh's own tools are buttons: Space and Enter press them, and their state is told
    tab.value(REACHED + "window.tool = reached.find((e) => e.title === 'Drag a box to zoom to')")
    tab.value("tool.focus()")
    for key, pressed in ((" ", "true"), ("Enter", "false"), ("Enter", "true")):
        tab.key(key)
        tab.wait(f"tool.getAttribute('aria-pressed') === '{pressed}'")
    assert tab.value("[tool.role, tool.ariaLabel]") == ["button", "Drag a box to zoom to"]
    for selector, now in (
        ("[data-switch=zone]", "!document.querySelector('[data-switch=zone]').checked"),
        ("[data-unit=ft]", "document.querySelector('[data-unit=ft]').ariaPressed === 'true'"),
        ("#theme", "document.documentElement.dataset.theme === 'dark'"),
    ):
        tab.value(f"document.querySelector('{selector}').focus()")
        tab.key(" ")
        tab.wait(now)


def test_what_a_drawing_shows_on_pointing_stands_in_tables_too(tab: Chromium, work: Path) -> None:
    """Marks with their stop, control points in a table of their own."""
    look(tab, work / "pages" / "site-QH-014.html")
    tab.value("document.querySelector('#table-stops .pick').click()")
    facts = tab.value("document.getElementById('chosen-facts').innerText")
    told = tab.value("[...glass.model('marks').data.tip].map((t) => t.split(/[ :]/)[1])")
    own = tab.value("[...glass.model('marks').data.stop].map((s) => s === 'R1/1')")
    assert any(own)
    for mark, here in zip(told, own, strict=True):
        assert (f"{mark} " in facts) == here
    names = tab.value("[...glass.model('control').data.name]")
    picks = "[...document.querySelectorAll('#table-control .pick')]"
    assert tab.value(f"{picks}.map((b) => b.textContent)") == names
    tab.value(f"{picks}[0].click()")
    assert tab.value("document.getElementById('chosen-title').textContent") == (
        f"control point {names[0]}"
    )
