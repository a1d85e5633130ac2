"""Two built sites and their pages, and one browser for all tests of pages."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.chromium import Chromium, found
from tests.support.pages import run
from tests.support.places import SAMPLES


@pytest.fixture(scope="session")
def work(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two built sites and their pages: one plain, one with planned works, an index of both."""
    at = tmp_path_factory.mktemp("pages")
    out, plan = at / "out", SAMPLES / "planned-works" / "quarry-plan.geojson"
    run("build", SAMPLES / "gnss-bend-branch", SAMPLES / "tape-ties", "-o", out)
    run("clearance", out, plan, "--required", "0.3m", "-o", at / "near", code=1)
    run("page", out, "--site", "QH-022", "-o", at / "page.html")
    run("page", out, "--site", "QH-022", "--clearance", at / "near", "-o", at / "works.html")
    run("page", out, "-o", at / "pages")
    return at


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chromium]:
    made = Chromium(found(), tmp_path_factory.mktemp("profile"))
    yield made
    made.close()


@pytest.fixture
def tab(browser: Chromium) -> Iterator[Chromium]:
    browser.size(1400, 1500)
    browser.prefer(prefers_color_scheme="light")
    yield browser
    browser.value("1")  # what is under way is heard
    # bokeh 3.10 logs this of its own views of texts whose data change; what is drawn is right
    known = "PlainTextView"
    assert [c for c in browser.complaints if known not in c or "already destroyed" not in c] == []
    own = browser.value("location.href").partition("#")[0]
    asked = {r.partition("#")[0] for r in browser.requests if not r.startswith(("data:", "blob:"))}
    shared = {f"{own.rpartition('/')[0]}/page.{kind}" for kind in ("js", "css")}
    assert asked == {own} | (shared if "/pages/site-" in own else set())
