"""Tapes that miss at most marks lead to what marks share; one slip leads to one mark."""

from __future__ import annotations

import pytest

from lateralline.stages import SiteResult
from tests.trust.sites import SITES, SiteTables, build, faultless, made

TIED = ("tape-ties", "slope-levels", "mixed")


def built(site: SiteTables) -> SiteResult:
    result = build(site).result
    assert result is not None
    return result


@pytest.mark.parametrize("name", TIED)
@pytest.mark.parametrize("point", [0, 1, 2])
def test_a_point_half_a_metre_off_leads(name: str, point: int) -> None:
    """Whichever of three it is: no stop, counter or tape is blamed before all of the points."""
    site = made(name, 5).given.copy()
    off = 0.5 / (0.3048 if name == "tape-ties" else 1.0)
    row = site.control[point]
    row["x"], row["y"] = (f"{float(row[c]) + off:.3f}" for c in ("x", "y"))
    result = built(site)
    lead = next(f for f in result.findings if f.severity == "error")
    assert lead.name == "tie-misfit/alike"
    assert f"control point {row['point']}" in lead.about
    assert [f for f in result.findings if f.code == "tie-misfit"] == [lead]


def test_one_wrong_tape_is_that_marks() -> None:
    site = made("slope-levels", 5).given.copy()
    row = next(r for r in site.marks if r["mark"] == "2A")
    first, *others = row["ties"].split(";")
    name, length = first.split(":")
    row["ties"] = ";".join([f"{name}:{float(length) + 0.6:.2f}", *others])
    [found] = [f for f in built(site).findings if f.code == "tie-misfit"]
    assert found.subject == "mark 2A"


@pytest.mark.parametrize("name", [n for n in SITES if n in TIED])
def test_tapes_that_meet_accuse_no_point(name: str) -> None:
    for seed in (1, 2):
        result = faultless(name, seed).result
        assert result is not None
        assert not [f for f in result.findings if f.name == "tie-misfit/alike"]
