"""Levels set to another unit than they were read in: an error where the data tell, else a warning.

The foot is 0.3048 m exactly (the international yard and pound agreement of 1959, from memory).
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from lateralline.simulate import SCENARIOS, make_site
from lateralline.stages import SiteResult
from tests.support.finding_names import called
from tests.support.planted import SOUND, codes, planted, set_unit, through, told

FOOT_M = 0.3048
#: What is only warned of: one unit that is not of the others.
MIXED = ("unit-wrong/tape-alone", "unit-wrong/level-alone", "unit-wrong/level-alone-feet")


def read_in_feet(folder: Path, scenario: str, seed: int, unit: str = "m") -> SiteResult:
    """A site levelled in feet, its unit of levels set to something else."""
    make_site(SCENARIOS[scenario], seed, folder)
    for table in ("marks", "control", "exposures"):
        path = folder / f"{table}.csv"
        if not path.exists():
            continue
        with path.open(encoding="utf-8") as file:
            rows = list(csv.DictReader(file))
        for row in rows:
            if row.get("z"):
                row["z"] = f"{float(row['z']) / FOOT_M:.2f}"
        with path.open("w", encoding="utf-8", newline="") as file:
            out = csv.DictWriter(file, list(rows[0]))
            out.writeheader()
            out.writerows(rows)
    set_unit(folder, "level", unit)
    return through(folder)


def set_wrong(folder: Path, scenario: str, seed: int, unit: str) -> SiteResult:
    make_site(SCENARIOS[scenario], seed, folder)
    set_unit(folder, "level", unit)
    return through(folder)


def test_on_a_slope_the_tilts_tell_levels_three_times_too_large(tmp_path: Path) -> None:
    named = 0
    for seed in range(3):
        result = read_in_feet(tmp_path / str(seed), "slope-levels", seed)
        for finding in told(result, "unit-wrong/level"):
            named += 1
            assert result.findings[0] is finding
            assert finding.severity == "error"
            assert finding.values["other"] == "ft"
            assert not codes(result) & {*MIXED, "back-fall/line", "low-point"}
    assert named == 3


def test_on_a_slope_the_tilts_mostly_tell_levels_three_times_too_small(tmp_path: Path) -> None:
    results = [set_wrong(tmp_path / str(seed), "slope-levels", seed, "ft") for seed in range(4)]
    assert sum(bool(told(r, "unit-wrong/level")) for r in results) >= 2
    assert all(told(r, "unit-wrong/level", *MIXED) for r in results)  # never nothing


def test_an_exposure_given_by_its_level_tells_on_any_ground(tmp_path: Path) -> None:
    """The pipe's own level, 1.5 m down, is told in the unit of levels, the depths are not."""

    def by_level(rows: list[dict[str, str]]) -> None:
        for row in rows:
            row["z"] = f"{float(row['z']) - float(row['depth']):.3f}"
            row["depth"] = ""

    sound = planted(tmp_path / "sound", "slope-levels", 31, exposures=by_level)
    assert not told(sound, "unit-wrong/level", *MIXED)
    set_unit(tmp_path / "sound", "level", "ft")
    (finding,) = told(through(tmp_path / "sound"), "unit-wrong/level")
    assert finding.values["other"] == "m"


@pytest.mark.parametrize(("scenario", "unit"), [("tape-ties", "m"), ("gnss-bend-branch", "ft")])
def test_on_ground_all_but_level_a_unit_unlike_the_others_is_a_warning(
    tmp_path: Path, scenario: str, unit: str
) -> None:
    """Nothing is claimed that the data do not say; yet a grade doubled is not passed over."""
    result = set_wrong(tmp_path / "site", scenario, 3, unit)
    (finding,) = told(result, *MIXED, "unit-wrong/level")
    assert (called(finding) in MIXED, finding.severity) == (True, "warning")
    assert finding.variant == ("level-alone" if unit == "m" else "level-alone-feet")


@pytest.mark.parametrize("scenario", SOUND)
def test_levels_in_the_unit_they_are_set_to_are_no_finding(tmp_path: Path, scenario: str) -> None:
    for seed in range(3):
        result = planted(tmp_path / str(seed), scenario, seed)
        assert not told(result, "unit-wrong/level", *MIXED)


def test_a_wrong_flow_is_not_laid_to_the_levels(tmp_path: Path) -> None:
    for seed in range(3):
        folder = tmp_path / str(seed)
        make_site(SCENARIOS["slope-levels"], seed, folder)
        toml = folder / "site.toml"
        text = toml.read_text(encoding="utf-8")
        toml.write_text(text.replace('flow = "against"', 'flow = "with"'), encoding="utf-8")
        result = through(folder)
        assert told(result, "back-fall/line")
        assert not told(result, "unit-wrong/level")
