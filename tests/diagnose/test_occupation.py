"""GNSS positions of all stops from one on, off together: told as that, never of sound lines."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from lateralline.diagnose.causes import leading
from lateralline.findings import Finding
from lateralline.proof.line_scores import draw, named, plant
from lateralline.proof.line_truth import SimulatedSite, simulate_site
from tests.support.finding_names import called

LINES = 10


@pytest.fixture(scope="module")
def site() -> SimulatedSite:
    return simulate_site(5, 0, LINES)


def shifted(site: SimulatedSite, by_m: float, method: str = "gnss") -> SimulatedSite:
    """The site with the later stops of every line off by as much, each its own way."""
    rng = np.random.default_rng(8)
    marks = site.marks
    xyz = marks.xyz_m.copy()
    for line in site.lines:
        (run,) = site.runs(line)
        rows = np.flatnonzero(marks.run == run)
        stops = list(dict.fromkeys(marks.stop[rows].tolist()))
        late = rows[np.isin(marks.stop[rows], stops[int(rng.integers(2, len(stops) - 2)) :])]
        bearing = rng.uniform(0.0, 2.0 * np.pi)
        xyz[late, :2] += by_m * np.array([np.sin(bearing), np.cos(bearing)])
    return replace(site, marks=replace(marks, xyz_m=xyz, method=np.full(len(marks.method), method)))


def told(site: SimulatedSite) -> tuple[Finding, ...]:
    return leading(draw(site, with_corridors=False).findings)


def of(findings: tuple[Finding, ...]) -> list[Finding]:
    return [f for f in findings if called(f) == "stops-shifted"]


@pytest.fixture(scope="module")
def half_a_metre(site: SimulatedSite) -> tuple[Finding, ...]:
    return told(shifted(site, 0.5))


def test_half_a_metre_is_told_of_most_lines(half_a_metre: tuple[Finding, ...]) -> None:
    half = of(half_a_metre)
    assert len(half) >= 0.5 * LINES
    # the size is known where it is said to be: of those held for the cause, within 3 σ of 0.5
    for finding in (f for f in half if f.severity == "error"):
        size, sigma = (float(str(finding.values[name])) for name in ("off_m", "sigma_m"))
        assert abs(size - 0.5) < 3.0 * sigma, finding
    assert sum(f.severity == "error" for f in half) >= 0.15 * LINES


def test_what_is_held_for_the_cause_leads_and_nothing_there_is_blamed(
    half_a_metre: tuple[Finding, ...],
) -> None:
    findings = half_a_metre
    sure = [f for f in of(findings) if f.severity == "error"]
    assert sure
    assert findings[: len(of(findings))] == tuple(of(findings))
    for cause in sure:
        (ends,) = (e.subjects for e in cause.explains if "blunder/plan" in e.names)
        assert ends is not None
        assert not [
            f
            for f in findings
            if called(f) in ("blunder", "counter-wrong/too-short", "shape-undecided/turn")
            and f.subject in ends
        ]


def test_faultless_lines_are_told_nothing_of_it(site: SimulatedSite) -> None:
    """Of 120 lines of this kind one was told of a doubt, none of an error (seed 5)."""
    assert not of(told(site))


def test_one_stop_in_the_wrong_place_is_not_laid_to_an_occupation(site: SimulatedSite) -> None:
    moved, _ = plant(site, np.random.default_rng(6))
    findings = told(moved.site)
    assert not [f for f in of(findings) if f.severity == "error"]
    assert len(of(findings)) <= 0.1 * LINES
    assert sum(named(stop, findings) for stop in moved.stop) >= 0.85 * LINES


def test_what_was_taped_has_no_occupation() -> None:
    few = simulate_site(5, 0, 5)
    counts = Counter(called(f) for f in told(shifted(few, 0.5, "offset")))
    assert not counts["stops-shifted"]
