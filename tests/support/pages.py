"""Built pages in a tab: opened, looked through and waited for."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from typer.testing import CliRunner

from lateralline.cli import app
from tests.support.chromium import Chromium

READY: Final = "document.documentElement?.dataset.ready === 'yes'"
#: What a test looks through: the models and views of the drawings, places in the window.
GLASS: Final = """
window.glass = (() => {
  const view = (name) => [...Bokeh.index].find((v) => v.model.name === name);
  const model = (name) => [...Bokeh.documents[0].all_models].find((m) => m.name === name);
  const range = (name) => {
    const { x_range: x, y_range: y } = view(name).model;
    return [x.start, x.end, y.start, y.end];
  };
  const at = (name, x, y) => {
    const v = view(name), box = v.canvas_view.el.getBoundingClientRect(), f = v.frame.bbox;
    const [a, b, c, d] = range(name);
    const [right, up] = [(x - a) / (b - a), (y - c) / (d - c)];
    return [box.left + f.left + right * f.width, box.top + f.top + (1 - up) * f.height];
  };
  const chosen = () => ["stops", "nodes", "seen"]
    .flatMap((kind) => [...model(kind).selected.indices].map((i) => `${kind} ${i}`)).join();
  const row = () => [...document.querySelectorAll("tr[aria-current]")]
    .map((r) => `${r.dataset.kind} ${r.dataset.index}`).join();
  return { model, range, at, chosen, row };
})();
"""


def run(*arguments: object, code: int = 0) -> None:
    result = CliRunner().invoke(app, [str(a) for a in arguments])
    assert result.exit_code == code, result.output


def look(tab: Chromium, page: Path) -> None:
    tab.open(page, READY)
    tab.value(GLASS)
    settle(tab)


def settle(tab: Chromium) -> bytes:
    """Wait until two pictures in a row are the same, and return the last."""
    before, now = b"", tab.picture()
    while before != now:
        before, now = now, tab.picture()
    return now
