"""Where the zero of the axes lies changes nothing: kernels and a whole sketch, shifted by 5e6 m."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from lateralline.ingest import read_site
from lateralline.kernels.taping import Floats, adjust_ties, offset, polar, two_ties
from lateralline.kernels.tying import choose
from lateralline.link import link
from lateralline.place import place
from lateralline.records import FieldRecord, Linked
from lateralline.solve import solve
from lateralline.units import METRES_PER
from tests.support.one_network import adjust
from tests.support.places import SAMPLES

FAR = np.array([5.0e6, -4.649892e6])
SAME_M = 1e-6  # a coordinate of 5e6 is rounded to 1e-9

coordinate = st.floats(-50.0, 50.0)
point = st.tuples(coordinate, coordinate).map(np.array)
length = st.floats(0.5, 40.0)


def shifted(there: Floats, here: Floats) -> None:
    assert there == pytest.approx(here + FAR, abs=SAME_M, nan_ok=True)


@settings(max_examples=30)
@given(point, point, length, length)
def test_offset_and_polar(a: Floats, b: Floats, station: float, off: float) -> None:
    assume(np.hypot(*(b - a)) > 0.5)
    station_m, off_m = np.array([station]), np.array([off])
    here = offset(a[None], b[None], station_m, off_m)
    there = offset((a + FAR)[None], (b + FAR)[None], station_m, off_m)
    shifted(there.xy_m, here.xy_m)
    assert there.by_control == pytest.approx(here.by_control, abs=1e-5)
    shifted(polar((a + FAR)[None], station_m, off_m).xy_m, polar(a[None], station_m, off_m).xy_m)


@settings(max_examples=30)
@given(point, point, point)
def test_two_ties(a: Floats, b: Floats, p: Floats) -> None:
    base, away = b - a, p - a
    area = base[0] * away[1] - base[1] * away[0]
    assume(abs(area) > 5.0)  # ties that just touch have no finite error
    taped = [np.array([np.hypot(*(p - c))]) for c in (a, b)]
    left = np.array([area > 0])
    here = two_ties(a[None], b[None], *taped, left)
    shifted(two_ties((a + FAR)[None], (b + FAR)[None], *taped, left).xy_m, here.xy_m)


@settings(max_examples=30)
@given(st.lists(point, min_size=3, max_size=5), point, st.integers(0, 99))
def test_adjusted_ties(points: list[Floats], p: Floats, seed: int) -> None:
    control = np.array(points)
    spread = np.linalg.svd(control - control.mean(axis=0))[1]
    assume(spread[1] > 3.0 and min(np.hypot(*(c - p)) for c in control) > 1.0)
    error = np.random.default_rng(seed).normal(0.0, 0.01, len(control))
    taped = (np.hypot(*(control - p).T) + error)[None]
    sigma = np.full(taped.shape, 0.02)
    here = adjust_ties(control[None], taped, sigma)
    there = adjust_ties(control[None] + FAR, taped, sigma)
    assert np.isfinite(there.cov_m2).all()
    shifted(there.xyz_m, here.xyz_m)
    assert there.chi2 == pytest.approx(here.chi2, abs=1e-5)


def test_a_tied_point_finds_the_same_tapes() -> None:
    spot, points = np.array([[1.8, 2.4]]), np.array([[0.0, 0.0], [5.0, 0.0], [4.0, 6.0]])

    def tied(by: Floats) -> Floats:
        return choose(
            spot + by,
            points + by,
            np.zeros(3),
            tape_m=0.01,
            tape_ratio=0.0,
            longest_m=30.0,
            flattest_rad=0.3,
        ).distance_m

    assert tied(FAR) == pytest.approx(tied(np.zeros(2)), abs=SAME_M)


def test_a_trilateration() -> None:
    control = np.array([[0.0, 0.0], [20.0, 1.0], [7.0, 18.0]])
    taped = np.hypot(*(control - [6.0, 5.0]).T) + np.array([0.01, -0.02, 0.015])

    def found(by: Floats) -> Floats:
        def equations(x: Floats) -> tuple[Floats, Floats]:
            away = x - (control + by)
            distance = np.hypot(*away.T)
            return distance - taped, away / distance[:, None]

        result = adjust(equations, np.full(3, 1e-4), np.array([5.0, 5.0]) + by)
        assert result.converged
        return result.x

    shifted(found(FAR), found(np.zeros(2)))


@pytest.mark.parametrize("sample", ["local-sketch", "tape-ties"])
def test_a_whole_sketch(sample: str) -> None:
    """Control with three ties and more, as the crew taped it, on axes that begin elsewhere."""
    record = read_site(SAMPLES / sample)
    unit_m = 1.0 if record.settings.horizontal == "local" else METRES_PER["us-ft"]
    middle = [np.median(record.control.x), np.median(record.control.y)]
    record = _moved(record, -np.array(middle), unit_m)
    near, far = _linked(record), _linked(_moved(record, FAR))
    assert not {f.code for f in far.findings} - {f.code for f in near.findings}
    assert [x.line for x in far.lines] == [x.line for x in near.lines]
    for here, there in zip(near.lines, far.lines, strict=True):
        step = there.xyz_m - here.xyz_m
        assert step == pytest.approx(step[0][None].repeat(len(step), 0), abs=SAME_M)
        assert there.cov_m2 == pytest.approx(here.cov_m2, rel=1e-4, abs=1e-8)


def _moved(record: FieldRecord, by: Floats, unit_m: float = 1.0) -> FieldRecord:
    """Return a site as a sketch whose control lies elsewhere, in metres."""
    control, local = record.control, replace(record.settings, horizontal="local")
    x, y = ((c + d) * unit_m for c, d in zip((control.x, control.y), by, strict=True))
    return replace(record, settings=local, control=replace(control, x=x, y=y))


def _linked(record: FieldRecord) -> Linked:
    placed = place(record)
    assert placed.marks.placed.all()
    solved = solve(placed.marks, record.stops, record.settings, placed.exposures)
    return link(solved, placed.exposures, record.settings)
