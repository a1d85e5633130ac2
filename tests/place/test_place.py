"""Placing spots: four methods, honest covariance, named findings; nothing wrong stops a site."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot, nan, sqrt

import numpy as np
import pytest
from scipy.stats import chi2

from lateralline.findings import Finding
from lateralline.place import Placed, place
from lateralline.records import (
    ControlRows,
    ExposureRows,
    Floats,
    MarkRows,
    Spots,
)
from lateralline.settings import bare_settings, standard_accuracy
from tests.support.bare_record import bare_record
from tests.support.finding_names import called

ACCURACY = standard_accuracy()
BEARING_RAD = hypot(ACCURACY.bearing_rad, ACCURACY.bearing_reading_rad)


@dataclass(frozen=True)
class Spot:
    """One row of marks.csv or exposures.csv, in metres and radians."""

    method: str = "offset"
    x: float = nan
    y: float = nan
    z: float = 100.0
    sigma_h: float = nan
    sigma_v: float = nan
    base: tuple[str, str] = ("A", "B")
    station: float = nan
    offset: float = nan
    bearing: float = nan
    ties: tuple[tuple[str, float], ...] = ()
    side: str = ""
    kind: str = "end_null"
    stop: str = "1"
    depth: float = nan
    measured_to: str = "invert"
    sigma: float = nan


@dataclass(frozen=True)
class Point:
    """One row of control.csv; the level of A is the site's."""

    name: str
    x: float
    y: float
    z: float = 100.0
    sigma_h: float = nan
    sigma_v: float = nan


SQUARE = (Point("A", 0.0, 0.0), Point("B", 10.0, 0.0), Point("C", 0.0, 10.0))


def spots_of(file: str, prefix: str, spots: Sequence[Spot]) -> Spots:
    def column(name: str) -> Floats:
        return np.array([getattr(s, name) for s in spots], dtype=np.float64)

    return Spots(
        file=file,
        row=np.arange(len(spots)) + 2,
        name=np.array([f"{prefix}{i}" for i in range(len(spots))], dtype=np.str_),
        method=np.array([s.method for s in spots], dtype=np.str_),
        x=column("x"),
        y=column("y"),
        z_m=column("z"),
        sigma_h_m=column("sigma_h"),
        sigma_v_m=column("sigma_v"),
        base_from=np.array([s.base[0] for s in spots], dtype=np.str_),
        base_to=np.array([s.base[1] for s in spots], dtype=np.str_),
        station_m=column("station"),
        offset_m=column("offset"),
        bearing_rad=column("bearing"),
        ties=tuple(s.ties for s in spots),
        side=np.array([s.side for s in spots], dtype=np.str_),
        note=np.array([""] * len(spots), dtype=np.str_),
    )


def placed(
    *marks: Spot,
    control: Sequence[Point] = SQUARE,
    exposures: Sequence[Spot] = (),
    horizontal: str = "local",
    vertical: str = "none",
    slope_tape: bool = False,
    accuracy: dict[str, float] | None = None,
) -> Placed:
    """Place a site made of these rows."""
    settings = replace(
        bare_settings(),
        id="EX-1",
        horizontal=horizontal,
        vertical=vertical,
        slope_tape=slope_tape,
        accuracy=standard_accuracy(**(accuracy or {})),
    )
    rows = ControlRows(
        "control.csv",
        np.arange(len(control)) + 2,
        np.array([p.name for p in control], dtype=np.str_),
        *(
            np.array([getattr(p, name) for p in control], dtype=np.float64)
            for name in ("x", "y", "z", "sigma_h", "sigma_v")
        ),
    )
    n, k = len(marks), len(exposures)
    return place(
        bare_record(
            settings,
            rows,
            marks=MarkRows(
                spots_of("marks.csv", "M", marks),
                np.array(["R1"] * n, dtype=np.str_),
                np.array([m.stop for m in marks], dtype=np.str_),
                np.array([m.kind for m in marks], dtype=np.str_),
            ),
            exposures=ExposureRows(
                spots_of("exposures.csv", "X", exposures),
                np.array([""] * k, dtype=np.str_),
                np.array(["L1"] * k, dtype=np.str_),
                np.full(k, nan),
                np.array([e.depth for e in exposures], dtype=np.float64),
                np.array([e.measured_to for e in exposures], dtype=np.str_),
                np.array([e.sigma for e in exposures], dtype=np.float64),
                np.array([""] * k, dtype=np.str_),
            ),
        )
    )


def finding(site: Placed, code: str) -> Finding:
    (found,) = [f for f in site.findings if called(f) == code]
    return found


def codes(site: Placed) -> set[str]:
    return {called(f) for f in site.findings}


def ties(x: float, y: float, names: str = "ABC", **misread: float) -> Spot:
    """A spot tied to the named points of SQUARE, each distance off by what `misread` says."""
    at = {p.name: (p.x, p.y) for p in SQUARE}
    taped = tuple((n, hypot(x - at[n][0], y - at[n][1]) + misread.get(n, 0.0)) for n in names)
    return Spot("ties", ties=taped, side="left" if len(names) == 2 else "")


# ---- position ---------------------------------------------------------------------------------


def test_every_method_finds_the_same_spot() -> None:
    """(3, 4) by offset left of A→B, by two and three ties, by polar, by coordinates."""
    site = placed(
        Spot("offset", station=3.0, offset=-4.0),
        ties(3.0, 4.0, "AB"),
        ties(3.0, 4.0),
        Spot("polar", station=5.0, bearing=float(np.arctan2(3.0, 4.0))),
        Spot("gnss", x=3.0, y=4.0),
    )
    assert site.marks.placed.all()
    assert site.marks.xyz_m == pytest.approx(np.tile([3.0, 4.0, 100.0], (5, 1)), abs=1e-9)
    assert site.marks.misfit_dof.tolist() == [0, 0, 1, 0, 0]
    assert np.isnan(site.marks.misfit_chi2[[0, 1, 3, 4]]).all()


def test_tape_and_gnss_agree_on_a_grid() -> None:
    """Near a zone's edge the tape reads the ground and GNSS the grid: one spot all the same."""
    x, y = 800_000.0, 4_000_000.0
    control = (Point("A", x, y, sigma_h=0.01), Point("B", x + 10.0, y, sigma_h=0.01))
    bare = placed(control=control, horizontal="EPSG:32617")
    ground = 100.0 / bare.frame.combined_scale
    assert abs(ground - 100.0) > 0.05
    site = placed(
        Spot("offset", station=ground, offset=0.0),
        Spot("gnss", x=x + 100.0, y=y),
        control=control,
        horizontal="EPSG:32617",
    )
    # The two frames' origins are some metres apart, and so, by 10⁻⁸, are their scales.
    assert site.marks.xyz_m[0] == pytest.approx(site.marks.xyz_m[1], abs=1e-5)
    assert site.frame.to_site_crs(site.marks.xyz_m)[:, 0] == pytest.approx(x + 100.0, abs=1e-5)


def test_no_marks_at_all_is_a_site_too() -> None:
    site = placed()
    assert site.marks.xyz_m.shape == (0, 3)
    assert site.exposures.cov_m2.shape == (0, 3, 3)


# ---- covariance -------------------------------------------------------------------------------


def test_gnss_covariance_is_sigma_and_placing() -> None:
    site = placed(
        Spot("gnss", x=1.0, y=2.0, sigma_h=0.02, sigma_v=0.04),
        Spot("gnss", x=5.0, y=2.0),
        Spot("gnss", x=9.0, y=2.0, kind="ground"),
    )
    own, default, ground = (np.sqrt(np.diag(c)) for c in site.marks.cov_m2)
    assert own == pytest.approx([hypot(0.02, 0.03), hypot(0.02, 0.03), 0.04])
    assert default == pytest.approx([hypot(0.05, 0.03), hypot(0.05, 0.03), 0.05])
    assert ground == pytest.approx([0.05, 0.05, 0.05])


def test_offset_covariance_by_hand() -> None:
    """Control A, B exact but for σ 0.02; station 10 = at B, offset 0: B's error is the mark's.

    Of σ² a quarter is each point's own and half shifts both. Another quarter turns both, in the
    mean of east and north: two points are turned across their line only, each by two quarters.
    """
    control = (Point("A", 0, 0, sigma_h=0.02, sigma_v=0.03), Point("B", 10, 0, sigma_h=0.02))
    site = placed(Spot("offset", station=10.0, offset=0.0), control=control)
    east, north, up = np.sqrt(np.diag(site.marks.cov_m2[0]))
    # Along the line A holds the mark and the tape measures; across it B does.
    assert east == pytest.approx(sqrt(0.75 * 0.02**2 + (0.01 + 10 / 2000) ** 2 + 0.03**2))
    assert north == pytest.approx(sqrt(1.25 * 0.02**2 + 0.01**2 + 0.03**2))
    assert up == pytest.approx(hypot(0.01, 0.03))


@pytest.mark.parametrize("method", ["offset", "two ties", "three ties", "polar"])
def test_covariance_is_what_repeated_measuring_scatters(method: str) -> None:
    """4,000 repetitions with their own control and tape errors: sample covariance within 9 %.

    That is four times what chance moves one of its entries by, √(2 / n). Control is off by half of
    its variance as a whole, by a quarter turned as a whole, and by a quarter point by point.
    """
    n, rng = 4_000, np.random.default_rng(20260506)
    sigma_c, target = 0.02, np.array([3.0, 4.0])
    true = np.array([[0.0, 0.0], [10.0, 0.0], [0.0, 10.0]])
    arm = true - true.mean(axis=0)
    turned = np.stack([arm[:, 1], -arm[:, 0]], axis=1) / np.sqrt((arm**2).sum() / 6)
    control_xy = true + sigma_c * (
        np.sqrt(0.5) * rng.normal(size=(n, 1, 2))
        + 0.5 * rng.normal(size=(n, 1, 1)) * turned
        + 0.5 * rng.normal(size=(n, 3, 2))
    )
    control = [
        Point(f"{name}{i}", control_xy[i, j, 0], control_xy[i, j, 1], sigma_h=sigma_c)
        for i in range(n)
        for j, name in enumerate("ABC")
    ]

    def tape(length: float) -> Floats:
        return length + rng.normal(0.0, 0.01 + abs(length) / 2000.0, n)

    if method == "offset":
        station, off = tape(3.0), tape(-4.0)
        marks = [
            Spot("offset", base=(f"A{i}", f"B{i}"), station=station[i], offset=off[i])
            for i in range(n)
        ]
    elif method == "polar":
        distance, bearing = tape(5.0), rng.normal(np.arctan2(3, 4), BEARING_RAD, n)
        marks = [
            Spot("polar", base=(f"A{i}", ""), station=distance[i], bearing=bearing[i])
            for i in range(n)
        ]
    else:
        names = "AB" if method == "two ties" else "ABC"
        taped = [tape(float(np.linalg.norm(target - p))) for p in true]
        marks = [
            Spot(
                "ties",
                ties=tuple((f"{c}{i}", float(taped[j][i])) for j, c in enumerate(names)),
                side="left",
            )
            for i in range(n)
        ]
    site = placed(*(replace(m, stop=str(i)) for i, m in enumerate(marks)), control=control)
    scatter = np.cov(site.marks.xyz_m[:, :2].T)
    stated = site.marks.cov_m2[:, :2, :2].mean(axis=0) - ACCURACY.mark_placing_m**2 * np.eye(2)
    whiten = np.linalg.inv(np.linalg.cholesky(stated))
    assert whiten @ scatter @ whiten.T == pytest.approx(np.eye(2), abs=0.09)
    if method == "three ties":
        # The misfit of sound ties is χ² with one degree of freedom: 5 % fail the 95 % test.
        failing = (site.marks.misfit_chi2 > chi2.ppf(0.95, 1)).mean()
        assert failing == pytest.approx(0.05, abs=0.0138)  # four binomial σ


def test_one_compass_turns_all_that_is_shot_from_its_base_on_its_day() -> None:
    """The shared error swings both spots of base A by their distance; base C has one spot."""
    shots = [("A", 5.0, 0.3), ("A", 10.0, 1.2), ("C", 4.0, 0.0)]
    marks = [Spot("polar", base=(b, ""), station=d, bearing=at) for b, d, at in shots]
    site = placed(*(replace(m, stop=str(i)) for i, m in enumerate(marks)))
    shared = np.moveaxis(site.marks.shared_m[:, :2], 2, 0)
    (swung,) = shared[np.abs(shared).any(axis=(1, 2))]  # control of a sketch is exact
    across = np.array([[np.cos(at), -np.sin(at)] for _, _, at in shots])
    lengths = np.array([5.0, 10.0, 0.0])[:, None]
    assert swung == pytest.approx(ACCURACY.bearing_rad * lengths * across)
    sideways = np.einsum("ni,nij,nj->n", across, site.marks.cov_m2[:, :2, :2], across)
    both = np.square(BEARING_RAD * np.array([d for _, d, _ in shots]))
    assert sideways - ACCURACY.mark_placing_m**2 == pytest.approx(both)


def test_control_without_sigma_is_gnss_on_the_earth_and_exact_on_a_sketch() -> None:
    mark = Spot("offset", station=0.0, offset=0.0)
    tape_and_placing = sqrt(0.01**2 + 0.03**2)
    sketch = placed(mark)
    assert sqrt(sketch.marks.cov_m2[0, 0, 0]) == pytest.approx(tape_and_placing)
    control = (Point("A", 5e5, 4e6), Point("B", 5e5 + 10, 4e6))
    site = placed(mark, control=control, horizontal="EPSG:32617")
    own_and_shift = sqrt(0.25 + 0.5) * 0.05  # along two points no turn moves anything
    assert sqrt(site.marks.cov_m2[0, 0, 0]) == pytest.approx(hypot(tape_and_placing, own_and_shift))


# ---- levels -----------------------------------------------------------------------------------


def test_an_unknown_level_is_the_mean_and_says_how_unsure() -> None:
    site = placed(
        Spot(station=1.0, offset=1.0, z=100.0),
        Spot(station=2.0, offset=1.0, z=102.0),
        Spot(station=3.0, offset=1.0, z=nan),
    )
    assert site.marks.level_known.tolist() == [True, True, False]
    assert site.marks.xyz_m[2, 2] == pytest.approx(101.0)
    # unknown_ground_m, and the spread of the levels known: this ground is not level.
    assert sqrt(site.marks.cov_m2[2, 2, 2]) == pytest.approx(hypot(0.10, sqrt(2.0)))
    said = finding(site, "level-missing/ground").values
    assert (said["without"], said["of"], said["noun"], said["known"]) == (1, 3, "mark", 2)
    assert (said["level_m"], said["sigma_m"]) == pytest.approx((101.0, hypot(0.10, sqrt(2.0))))


def test_level_ground_keeps_the_stated_error() -> None:
    site = placed(Spot(station=1.0, offset=1.0), Spot(station=2.0, offset=1.0, z=nan))
    assert site.marks.xyz_m[1, 2] == 100.0
    assert sqrt(site.marks.cov_m2[1, 2, 2]) == pytest.approx(0.10)


def test_no_level_anywhere_is_zero() -> None:
    control = tuple(Point(p.name, p.x, p.y, z=nan) for p in SQUARE)
    site = placed(Spot(station=1.0, offset=1.0, z=nan), control=control)
    assert site.marks.xyz_m[0, 2] == 0.0
    assert site.marks.placed[0]
    assert finding(site, "level-missing/ground").variant == "no-ground"


def test_control_levels_serve_when_no_mark_has_one() -> None:
    site = placed(Spot(station=1.0, offset=1.0, z=nan))
    assert site.marks.xyz_m[0, 2] == 100.0


# ---- sloping tape -----------------------------------------------------------------------------


def test_a_sloping_tape_is_reduced_to_the_horizontal() -> None:
    """The spot (4, 3) stands 3 m above A and B, level with C; every method finds it again."""
    control = (Point("A", 0, 0), Point("B", 10, 0), Point("C", 4, 8, z=103.0))
    to_a, to_b, to_c = sqrt(25 + 9), sqrt(45 + 9), 5.0
    marks = (
        Spot("offset", station=4.0, offset=-sqrt(9 + 9), z=103.0),
        Spot("polar", station=to_a, bearing=float(np.arctan2(4, 3)), z=103.0),
        Spot("ties", ties=(("A", to_a), ("B", to_b)), side="left", z=103.0),
        Spot("ties", ties=(("A", to_a), ("B", to_b), ("C", to_c)), z=103.0),
    )
    site = placed(*marks, control=control, slope_tape=True)
    assert site.marks.xyz_m == pytest.approx(np.tile([4.0, 3.0, 103.0], (4, 1)), abs=1e-8)
    level = placed(*marks, control=control)
    assert np.hypot(*(level.marks.xyz_m - site.marks.xyz_m).T[:2]).min() > 0.3


def test_a_sloping_tape_ties_the_level_error_to_the_position() -> None:
    """The spot's level moves its reduced distance by −rise/level = −3/4."""
    site = placed(
        Spot("polar", station=5.0, bearing=0.0, z=103.0, sigma_v=0.05),
        slope_tape=True,
        accuracy={"bearing_rad": 1e-6, "mark_placing_m": 1e-6},
        control=(Point("A", 0, 0, sigma_h=0.0, sigma_v=0.02), Point("B", 10, 0)),
    )
    cov = site.marks.cov_m2[0]
    assert cov[1, 2] == pytest.approx(-0.75 * 0.05**2)
    by_tape, by_levels = 5 / 4 * (0.01 + 5 / 2000), 3 / 4 * hypot(0.05, 0.02)
    assert cov[1, 1] == pytest.approx(by_tape**2 + by_levels**2, rel=1e-6)
    assert np.linalg.eigvalsh(cov).min() > 0.0


def test_a_baseline_on_a_grade_shortens_its_stations() -> None:
    control = (Point("A", 0, 0, z=100.0), Point("B", 8, 0, z=106.0))
    site = placed(Spot(station=5.0, offset=0.0, z=103.0), control=control, slope_tape=True)
    assert site.marks.xyz_m[0] == pytest.approx([4.0, 0.0, 103.0])


def test_a_slope_without_levels_is_said_to_be_unreduced() -> None:
    site = placed(Spot(station=4.0, offset=-5.0, z=nan), slope_tape=True)
    assert site.marks.xyz_m[0, :2] == pytest.approx([4.0, 5.0])
    said = finding(site, "slope-tape/unreduced").values
    assert (said["spots"], said["noun"]) == (("M0",), "mark")
    assert said["long_m"] == pytest.approx(10.0 - 10.0 / sqrt(1.01))  # a slope of 10 %


def test_a_rise_beyond_the_tape_is_impossible() -> None:
    site = placed(Spot("polar", station=2.0, bearing=0.0, z=105.0), slope_tape=True)
    assert not site.marks.placed[0]
    assert finding(site, "slope-tape/impossible").values["excess_m"] == pytest.approx(3.0)
    three = placed(
        Spot("ties", ties=(("A", 5.0), ("B", 8.06), ("C", 6.7)), z=108.0),
        slope_tape=True,
    )
    assert not three.marks.placed[0]
    assert codes(three) & {"slope-tape/impossible", "tie-weak/undetermined"} == {
        "slope-tape/impossible"
    }


# ---- findings ---------------------------------------------------------------------------------


def test_ties_that_cannot_meet_say_by_how_much_and_stop_nothing() -> None:
    site = placed(
        Spot("ties", ties=(("A", 4.0), ("B", 5.5)), side="left"),
        Spot("ties", ties=(("A", 14.0), ("B", 3.0)), side="left"),
        ties(3.0, 4.0, "AB"),
    )
    assert site.marks.placed.tolist() == [False, False, True]
    assert np.isnan(site.marks.xyz_m[:2]).all()
    assert np.isnan(site.marks.cov_m2[:2]).all()
    short, long = (f for f in site.findings if called(f) == "tie-misfit")
    assert (short.severity, short.where) == ("error", "marks.csv:2")
    assert (short.variant, long.variant) == ("short", "long")
    assert short.values["gap_m"] == pytest.approx(0.5)
    assert long.values["gap_m"] == pytest.approx(1.0)
    assert short.subject == "mark M0"


def test_a_baseline_of_no_length() -> None:
    control = (*SQUARE, Point("D", 0.0, 0.0))
    site = placed(
        Spot(base=("A", "D"), station=1.0, offset=1.0),
        Spot("ties", ties=(("A", 1.0), ("D", 1.0)), side="left"),
        control=control,
    )
    assert not site.marks.placed.any()
    assert [called(f) for f in site.findings if f.severity == "error"] == [
        "baseline-unfit/zero"
    ] * 2


def test_a_station_far_beyond_its_baseline() -> None:
    site = placed(
        Spot(station=20.5, offset=1.0),
        Spot(station=-10.5, offset=1.0),
        Spot(station=19.5, offset=1),
    )
    assert [f.subject for f in site.findings if called(f) == "baseline-unfit/short"] == [
        "mark M0",
        "mark M1",
    ]
    assert site.marks.placed.all()


def test_a_misread_tie_is_named_when_two_spare_ones_show_it() -> None:
    control = (*SQUARE, Point("D", 10.0, 10.0))
    good = ties(3.0, 4.0)
    spot = Spot("ties", ties=(*good.ties[:2], ("C", good.ties[2][1] + 0.5), ("D", sqrt(85.0))))
    found = finding(placed(spot, control=control), "tie-misfit/worst")
    assert (found.variant, found.values["worst"], found.values["spare"]) == ("worst", "C", 2)
    assert found.values["w"] < 0.0
    assert 0.0 < found.values["miss_m"] < 0.5


def test_one_spare_tie_cannot_say_which_is_wrong() -> None:
    """Krumm's example 1 lies in published/test_adjustment.py; here is what a person reads."""
    site = placed(ties(3.0, 4.0, B=0.2))
    found = finding(site, "tie-misfit/worst")
    assert found.variant == "untold"
    assert site.marks.misfit_dof[0] == 1
    assert site.marks.misfit_chi2[0] > 3.84
    assert site.marks.placed[0]
    # The covariance stays a priori: the misfit is reported, never traded for a wider ellipse.
    assert site.marks.cov_m2[0] == pytest.approx(placed(ties(3, 4)).marks.cov_m2[0], rel=0.1)


def test_good_ties_raise_no_finding() -> None:
    assert not {c for c in codes(placed(ties(3.0, 4.0), ties(5, 6, "AB"))) if c.startswith("tie")}


def test_a_flat_crossing_of_ties() -> None:
    """Far off and near the baseline the arcs run together."""
    site = placed(ties(5.0, 60.0, "AB"), ties(5.0, 0.4, "AB"), ties(5.0, 0.4, "ABC"))
    found = [f for f in site.findings if called(f) == "tie-weak/angle"]
    assert [f.subject for f in found] == ["mark M0", "mark M1"]
    assert found[0].values["angle_deg"] == pytest.approx(10.0, abs=0.5)


def test_ties_along_a_wall_need_a_side() -> None:
    wall = (Point("A", 0, 0), Point("B", 5, 0), Point("C", 10, 0))
    taped = (("A", 3.0), ("B", 4.0), ("C", hypot(8.2, 2.4)))
    site = placed(Spot("ties", ties=taped), Spot("ties", ties=taped, side="right"), control=wall)
    assert site.marks.placed.tolist() == [False, True]
    assert site.marks.xyz_m[1, :2] == pytest.approx([1.8, -2.4], abs=1e-6)
    assert finding(site, "tie-side/mirror").values["apart_m"] == pytest.approx(4.8)


def test_a_side_the_distances_contradict() -> None:
    spot = ties(3.0, 4.0)
    site = placed(Spot("ties", ties=spot.ties, side="right"))
    assert site.marks.xyz_m[0, :2] == pytest.approx([3.0, 4.0], abs=1e-6)
    assert "tie-side/contradicted" in codes(site)


def test_one_spot_entered_twice() -> None:
    null, middle, peak, ground = (
        Spot(station=3.0, offset=1.0, kind=kind)
        for kind in ("end_null", "mid_null", "peak_total", "ground")
    )
    site = placed(null, null, replace(null, stop="2"), replace(ground, stop="2"))
    assert finding(site, "mark-duplicate").subject == "mark M1"
    assert "mark-duplicate" not in codes(placed(middle, peak))
    assert "mark-duplicate" in codes(placed(middle, null))


def test_a_slip_of_the_pen_is_far_away() -> None:
    marks = [Spot("gnss", x=float(i), y=0.0, stop=str(i)) for i in range(5)]
    site = placed(*marks, Spot("gnss", x=30_000.0, y=0.0))
    far = finding(site, "coordinates-outside/far")
    assert (far.severity, far.values["away_m"]) == ("error", pytest.approx(30_000.0, rel=1e-3))


def test_the_length_of_a_baseline_is_said_once_to_hold_against_the_tape() -> None:
    both = Spot(station=2.0, offset=1.0), Spot(base=("B", "A"), station=3.0, offset=-1.0)
    control = (Point("A", 0.0, 0.0), Point("B", 6.0, 8.0))
    said = finding(placed(*both, control=control), "baseline-check")
    assert (said.severity, said.subject, said.where) == ("info", "baseline A–B", "control.csv:2")
    assert said.values == {"length_m": pytest.approx(10.0)}  # 6, 8, 10: a right triangle
    uphill = (Point("A", 0.0, 0.0, 100.0), Point("B", 3.0, 4.0, 112.0))
    steep = placed(Spot(station=2.0, offset=0.0), control=uphill, slope_tape=True)
    said = finding(steep, "baseline-check")
    assert (said.variant, said.values["length_m"]) == ("slope", pytest.approx(13.0))  # 5, 12, 13


@pytest.mark.parametrize(
    ("b", "code"),
    [
        (Point("B", 301.0, 0.0), "control-implausible"),
        (Point("B", 121.0, 0.0), "control-implausible"),  # 20 × the 6 m taped is 120
        (Point("B", 10.0, 0.0, 121.0), "control-implausible/levels"),
    ],
)
def test_control_out_of_proportion_is_warned_of(b: Point, code: str) -> None:
    mark = Spot(station=6.0, offset=1.0)
    assert finding(placed(mark, control=(SQUARE[0], b)), code).severity == "warning"
    sound = codes(placed(mark, control=SQUARE))
    assert not sound & {code, "control-implausible", "coordinates-outside/point"}


def test_a_tied_point_far_off_is_named() -> None:
    control = (*SQUARE, Point("D", 0.0, 4000.0))
    far = Spot("ties", ties=(("A", 5.0), ("B", 8.0), ("C", 9.0), ("D", 9.0)))
    said = finding(placed(far, control=control), "control-implausible")
    assert said.values["alone"] == "D"
    assert said.where == "control.csv:5"


def test_a_point_outside_the_area_of_the_crs_is_named() -> None:
    """EPSG registry, 32617: UTM zone 17N is for 84°W to 78°W, equator to 84°N (from memory)."""
    control = [Point(n, 500000.0 + i, 4000000.0) for i, n in enumerate("ABC")]
    site = placed(control=[*control, Point("D", 1400000.0, 4000000.0)], horizontal="EPSG:32617")
    said = finding(site, "coordinates-outside/point")
    assert (said.subject, said.where) == ("control point D", "control.csv:5")


def test_frame_findings_come_along() -> None:
    assert {"no-map-position/sketch", "levels-relative"} <= codes(placed())


# ---- exposures --------------------------------------------------------------------------------


def test_an_exposure_lies_its_depth_below_ground() -> None:
    site = placed(
        exposures=[
            Spot("gnss", x=1.0, y=2.0, z=100.0, depth=1.5, sigma=0.02, sigma_h=0.04, sigma_v=0.03),
            Spot("gnss", x=3.0, y=2.0, z=98.2),
        ]
    )
    found = site.exposures
    assert found.xyz_m == pytest.approx(np.array([[1.0, 2.0, 98.5], [3.0, 2.0, 98.2]]))
    assert found.ground_m == pytest.approx([100.0, nan], nan_ok=True)
    # No paint was placed: sigma_h is all there is in plan.
    assert np.sqrt(np.diag(found.cov_m2[0])) == pytest.approx([0.04, 0.04, hypot(0.03, 0.02)])
    assert sqrt(found.cov_m2[1, 2, 2]) == pytest.approx(hypot(0.05, ACCURACY.exposure_m))


def test_an_exposure_of_unknown_level_is_placed_in_plan() -> None:
    site = placed(
        exposures=[
            Spot("gnss", x=1.0, y=2.0, z=nan, depth=1.5),
            Spot("gnss", x=3.0, y=2.0, z=nan),
        ]
    )
    assert site.exposures.placed.tolist() == [True, True]
    assert site.exposures.xyz_m == pytest.approx(
        np.array([[1.0, 2.0, 98.5], [3.0, 2.0, nan]]), nan_ok=True
    )
    assert np.isfinite(site.exposures.cov_m2[1, :2, :2]).all()
    assert not [f for f in site.findings if f.severity == "error"]
    said = finding(site, "level-missing/ground").values
    assert (said["without"], said["of"], said["noun"]) == (1, 2, "exposure")
