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


def test_the_entry_of_a_branch_is_named_too_unless_the_main_was_pushed_from_it(
    tmp_path: Path,
) -> None:
    """Of CO2, from which only the branch was pushed; with CO1 for both, of the main's run alone."""
    site = tmp_path / "site"
    shutil.copytree(SAMPLES / "gnss-bend-branch", site)

    def entries() -> dict[str, object]:
        found = lateralline.check(site)
        return {f.subject: f.values["entry"] for f in found if called(f) == "entry-not-located"}

    assert entries() == {"run R1": "CO1", "run R2": "CO2"}
    settings = site / "site.toml"
    settings.write_text(settings.read_text().replace('entry = "CO2"', 'entry = "CO1"'))
    assert "run R2" not in entries()


def test_a_reading_that_is_left_out_of_line_and_network_is_named_once(tmp_path: Path) -> None:
    """Counter of one stop half a metre on; leaving that out moves the line there."""
    site = tmp_path / "site"
    shutil.copytree(SAMPLES / "gnss-bend-branch", site)
    (site / "ids.csv").unlink(missing_ok=True)
    stops = site / "stops.csv"
    text = stops.read_text()
    assert "R1,5,13.16," in text
    stops.write_text(text.replace("R1,5,13.16,", "R1,5,13.66,"))
    (found,) = (f for f in lateralline.check(site) if f.code == "blunder")
    assert (found.subject, found.variant) == ("stop R1/5", "counter")
    assert found.values["off_m"] == pytest.approx(0.5, abs=0.1)
    assert found.values["moved_m"] > 0.05
