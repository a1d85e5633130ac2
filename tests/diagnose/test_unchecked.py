"""What nothing in the data could show is listed once, and only where it applies."""

from __future__ import annotations

import pytest

from lateralline.stages import SiteResult, run_site
from tests.support.finding_names import called
from tests.support.places import SAMPLES


@pytest.mark.parametrize(
    ("sample", "listed", "absent"),
    [
        (
            "gnss-bend-branch",
            ("shift_of_gnss", "antenna"),
            ("mirror", "shift_of_control"),
        ),
        ("local-sketch", ("mirror",), ("antenna", "shift_of_gnss", "shift_of_control", "zone")),
        ("tape-ties", ("shift_of_control", "mirror"), ("antenna", "shift_of_gnss")),
    ],
)
def test_it_is_said_once_and_as_it_applies(
    sample: str, listed: tuple[str, ...], absent: tuple[str, ...]
) -> None:
    result = run_site(SAMPLES / sample, until="place")
    assert isinstance(result, SiteResult)
    (found,) = (f for f in result.findings if called(f) == "not-checked")
    assert found.severity == "info"
    assert all(found.values[name] for name in listed), found.values
    assert not any(found.values[name] for name in absent), found.values
    assert "one wrong unit" in found.what
    zone = found.values["zone"]
    told = any(called(f) == "coordinates-unconfirmed/zone" for f in result.findings)
    assert not (zone and told), "said once"


def test_spots_that_hang_on_two_tapes_are_counted() -> None:
    """A third tape checks the others; where there are two, nothing of their own does."""
    counted = {}
    for sample in ("gnss-bend-branch", "tape-ties"):
        result = run_site(SAMPLES / sample, until="place")
        assert isinstance(result, SiteResult)
        (found,) = (f for f in result.findings if called(f) == "not-checked")
        spots = (result.work["record"].marks.spots, result.work["record"].exposures.spots)
        twice = [len(ties) for s in spots for ties in s.ties].count(2)
        assert found.values["pairs"] == (twice or None)
        counted[sample] = twice
    assert counted["gnss-bend-branch"] == 0 < counted["tape-ties"]
