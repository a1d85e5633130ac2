"""What is said of the pipe between a run's entry and its first located point."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

import lateralline
from tests.support.finding_names import called
from tests.support.places import SAMPLES


@pytest.mark.parametrize(
    ("unit", "variant"), [("ft", ""), ("m", "uncounted")], ids=["its unit", "another unit"]
)
def test_an_entry_nobody_located_is_named_though_no_counter_can_be_used(
    tmp_path: Path, unit: str, variant: str
) -> None:
    site = tmp_path / "site"
    shutil.copytree(SAMPLES / "tape-ties", site)
    settings = site / "site.toml"
    text = re.sub(r'counter = "[a-z-]+"', f'counter = "{unit}"', settings.read_text())
    settings.write_text(text)
    (found,) = (f for f in lateralline.check(site) if called(f) == "entry-not-located")
    assert (found.subject, found.variant, found.values["entry"]) == ("run R1", variant, "CO1")
