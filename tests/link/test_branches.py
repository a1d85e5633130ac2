"""Where a branch meets its parent: by its last direction, by the counter of a run."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import numpy.typing as npt
import pytest

from lateralline.link.branches import as_point, find, miss_finding
from lateralline.link.lines import Junction
from lateralline.link.network import JUNCTION_LEVEL_M
from lateralline.link.search import AdjustedLine
from lateralline.settings import Branch, Run, Settings, bare_settings
from tests.link.test_places import point
from tests.support.made_scene import ACCURACY, R1

Floats = npt.NDArray[np.float64]
Z95 = 1.959964


def parent(path: Floats, sigma_m: float = 0.03, counters: tuple[float, ...] = ()) -> AdjustedLine:
    """An adjusted line of straight legs, every vertex a stop of its run."""
    points = tuple(
        point(float(p[1]), float(p[0]), run="R9", counter=c)
        for p, c in zip(path, counters or (None,) * len(path), strict=True)
    )
    line = SimpleNamespace(id="L1", points=points, path=(path, np.arange(len(path))))
    prepared = SimpleNamespace(intermediates=())
    cov = sigma_m**2 * np.eye(3 * len(path))
    return cast(
        AdjustedLine,
        SimpleNamespace(id="L1", line=line, path_m=path, path_cov_m2=cov, prepared=prepared),
    )


EAST = np.array([[0.0, 0.0, 1.0], [4.0, 0.0, 1.2], [10.0, 0.0, 1.5]])


def branch_from(
    east_m: float,
    north_m: float,
    heading_deg: float,
    *,
    at_counter: float = np.nan,
    tilt_rad: float = 0.0,
) -> tuple[Junction | None, list[str], dict[str, object]]:
    """Join a branch of two stops whose last looks upstream along a heading."""
    h = np.radians(heading_deg)
    end = point(north_m, east_m, heading_rad=h)
    up = point(north_m + 3 * np.cos(h), east_m + 3 * np.sin(h), heading_rad=h)
    end, up = (replace(p, tilt_rad=tilt_rad) for p in (end, up))
    run = Run("R9", "L1", "CO9", 0.0, "against", 0.35, 0.03)
    settings = replace(bare_settings(), runs=(run,), accuracy=ACCURACY)
    branch = Branch("L2", "L1", at_counter, "R9")
    lines = {"L1": parent(EAST, counters=(2.0, 6.0, 12.0))}
    junction, found = find(branch, [end, up], lines, settings)
    values = {**found[0].values, "severity": found[0].severity} if found else {}
    return junction, [f.name for f in found], values


@pytest.mark.parametrize("heading", [45.0, -45.0, 20.0])
def test_a_branch_meets_its_parent_where_its_last_direction_leads(heading: float) -> None:
    """From 3 m north of a parent that runs east; σ across the ray, carried onto the parent."""
    h = np.radians(heading)
    junction, found, _ = branch_from(6.0, 3.0, heading)
    assert junction is not None
    assert found == []
    at = 6.0 - 3.0 * np.tan(h)
    leg = 0 if at < 4.0 else 1
    assert junction.leg == leg
    start, end = EAST[leg], EAST[leg + 1]
    assert junction.fraction == pytest.approx((at - start[0]) / (end[0] - start[0]))
    assert junction.xyz_m == pytest.approx(
        (1 - junction.fraction) * start + junction.fraction * end
    )
    far = 3.0 / np.cos(h)
    across = np.hypot(0.02, 0.05 * far)
    assert junction.along_m == pytest.approx(across / np.cos(h))
    f = junction.fraction
    unit = (end - start) / np.linalg.norm(end - start)
    expected = 0.03**2 * (f**2 + (1 - f) ** 2) * np.eye(3)
    expected = expected + junction.along_m**2 * np.outer(unit, unit)
    expected[2, 2] += JUNCTION_LEVEL_M**2
    assert junction.cov_m2 == pytest.approx(expected)


@pytest.mark.parametrize(("past", "joined"), [(0.9, True), (1.1, False)])
def test_a_branch_that_passes_its_parent_by_more_than_chance_is_not_joined(
    past: float, joined: bool
) -> None:
    """Due south past the parent's end, by so much of the 95 % limit."""
    limit = Z95 * np.hypot(0.02, 0.05 * 3.0)
    junction, found, values = branch_from(10.0 + past * limit, 3.0, 0.0)
    assert (junction is not None) is joined
    if joined:
        assert junction is not None
        assert junction.xyz_m[0] == pytest.approx(10.0, abs=0.011)  # a vertex keeps 10 mm clear
        return
    assert found == ["junction-doubtful/passes"]
    assert values["miss_m"] == pytest.approx(past * limit)
    assert values["limit_m"] == pytest.approx(limit)


def test_a_branch_joins_wherever_the_site_has_its_origin() -> None:
    """The same pipes 3 km east and 4 km north of it: how far off they meet is between them."""
    by = np.array([3e3, 4e3, 0.0])
    end, up = (
        replace(p, xyz_m=p.xyz_m + by) for p in (point(n, 6.0, heading_rad=0.0) for n in (3.0, 6.0))
    )
    lines = {"L1": parent(EAST + by)}
    settings = replace(bare_settings(), runs=(R1,), accuracy=ACCURACY)
    junction, findings = find(Branch("L2", "L1", np.nan, ""), [end, up], lines, settings)
    assert findings == ()
    assert junction is not None
    assert junction.xyz_m[:2] == pytest.approx([3006.0, 4000.0])


def test_a_branch_whose_last_stop_is_on_its_parent_joins_right_there() -> None:
    junction, found, _ = branch_from(7.0, 0.0, 30.0)
    assert found == []
    assert junction is not None
    assert (junction.leg, junction.fraction) == (1, pytest.approx(0.5))


def test_a_branch_that_looks_away_from_its_parent_does_not_meet_it() -> None:
    junction, found, _ = branch_from(6.0, 3.0, 180.0)
    assert junction is None
    assert found == ["junction-doubtful/behind"]


@pytest.mark.parametrize(("counter", "leg", "fraction"), [(5.0, 0, 0.75), (9.0, 1, 0.5)])
def test_a_counter_puts_a_branch_where_its_parent_was_read_so(
    counter: float, leg: int, fraction: float
) -> None:
    """Due north from there, so that its direction agrees; the face sees it: no lag."""
    east = (3.0, 7.0)[leg]
    junction, found, _ = branch_from(east, 3.0, 0.0, at_counter=counter)
    assert junction is not None
    assert found == []
    assert (junction.leg, junction.run, junction.counter_m) == (leg, "R9", counter)
    assert junction.fraction == pytest.approx(fraction, abs=2e-3)
    nearest = (1.0, 3.0)[leg]
    assert junction.along_m == pytest.approx(np.sqrt(2 * 0.05**2 + (0.005 * nearest) ** 2))


@pytest.mark.parametrize(("counter", "beyond"), [(1.5, 0.5), (12.8, 0.8)])
def test_a_counter_outside_what_was_read_joins_nothing(counter: float, beyond: float) -> None:
    junction, found, values = branch_from(5.0, 3.0, 0.0, at_counter=counter)
    assert junction is None
    assert found == ["junction-doubtful/off-line"]
    assert values["beyond_m"] == pytest.approx(beyond)


@pytest.mark.parametrize("side", [1.0, -1.0])
@pytest.mark.parametrize(
    ("off", "severity"), [(0.30, None), (0.32, "warning"), (0.48, "warning"), (0.52, "error")]
)
def test_a_counter_that_the_branch_s_direction_denies_is_left_out(
    off: float, side: float, severity: str | None
) -> None:
    """Past W 3.29 σ; within 0.5 m a fitting may do it. The place is the direction's."""
    # across the ray 54 mm at 1 m and a pipe's 17 mm; the parent's 30 mm; the counter's 72 mm
    counter = 2 * 0.05**2 + (0.005 * (3.0 - off)) ** 2
    sigma = np.sqrt(0.02**2 + 0.05**2 + np.radians(1.0) ** 2 + 0.03**2 / 2 + counter)
    assert 0.30 < 3.2905 * sigma < 0.32
    at = 9.0 + side * off
    junction, found, values = branch_from(7.0, 1.0, 0.0, at_counter=at, tilt_rad=0.4)
    assert junction is not None
    if severity is None:
        assert found == []
        assert junction.run == "R9"
        return
    assert found == ["junction-doubtful/contradiction"]
    assert values["severity"] == severity
    assert values["apart_m"] == pytest.approx(off, abs=2e-3)
    assert values["sigma_m"] == pytest.approx(sigma, rel=0.01)
    assert values["limit"] == 3.2905
    assert junction.run == ""
    assert junction.xyz_m[0] == pytest.approx(7.0, abs=1e-6)
    assert junction.along_m == pytest.approx(off / Z95, abs=2e-3)


def test_a_run_from_the_same_entry_counts_the_junction_as_the_parent_s_does() -> None:
    junction = Junction("L1", "L2", 0, 0.5, np.zeros(3), np.eye(3), "R9", 9.0, 0.1)
    over = Run("R9", "L1", "CO9", 1.0, "against", 0.35, 0.03)
    runs = [
        Run("R3", "L2", "CO9", 0.4, "against", 0.35, 0.03),
        Run("R4", "L2", "CO9", 0.4, "with", 0.35, 0.03),
        Run("R5", "L2", "CO5", 0.4, "against", 0.35, 0.03),
    ]
    settings: Settings = replace(bare_settings(), runs=(over, *runs))
    made = as_point(junction, Branch("L2", "L1", 9.0, "R9"), runs, settings)
    assert made.readings == pytest.approx({"R3": 9.0 - 1.0 + 0.4})
    assert (made.kind, made.fix, made.directed) == ("junction", -1, False)
    assert made.cov[:3, :3] == pytest.approx(np.eye(3))


@pytest.mark.parametrize(("share", "misses"), [(0.98, False), (1.02, True)])
@pytest.mark.parametrize("side", [1.0, -1.0])
def test_a_branch_that_cannot_lead_to_its_junction_misses_it_past_chance(
    share: float, misses: bool, side: float
) -> None:
    """Its last stop looks due north from 2 m north of the junction; 95 %."""
    stop = point(2.0, heading_rad=0.0)
    spread = np.hypot(np.hypot(0.02, 0.05 * 2.0), 0.03)
    off = side * share * Z95 * spread
    junction = replace(point(0.0, off, kind="junction", name="L1"), cov=0.03**2 * np.eye(5))
    for contradicted in (True, False):
        shapes = SimpleNamespace(contradicted=np.array([contradicted]))
        line = SimpleNamespace(id="L2", points=(junction, stop), shapes=shapes)
        found = miss_finding(cast(AdjustedLine, SimpleNamespace(line=line)))
        assert len(found) == (misses and contradicted)
        if found:
            assert found[0].values["miss_m"] == pytest.approx(abs(off))
            assert found[0].values["limit_m"] == pytest.approx(Z95 * spread, rel=1e-6)
