"""A tape, depths and counters in units that cannot all be right: the likeliest culprit is named.

The ratios are those of the units themselves: foot 0.3048 m, inch 0.0254 m, exact (the
international yard and pound agreement of 1959, from memory).
"""

from __future__ import annotations

from itertools import product
from math import nan
from pathlib import Path

import numpy as np
import pytest

from lateralline.findings import Finding
from lateralline.solve.units import Agreement, explanations
from lateralline.stages import SiteResult, run_site
from lateralline.units import METRES_PER
from tests.support.finding_names import called

UNITS = ("m", "cm", "ft", "in")
KEYS = ("tape", "depth", "counter")
CONTROL = "point,x,y,z\nP1,2267000,888500,100\nP2,2267040,888500,100\n"
#: Five stops 9 ft apart, nulls of a level transmitter 4.2 ft deep (2.97 ft to either side): 2.97 is
#: depth over root 2, the closed form.
STOPS = {n: (10.0 + 9.0 * n, 4.2) for n in range(1, 6)}
BESIDE = {"end_null": (-2.97, 2.97), "mid_null": (0.0,)}


def site(
    folder: Path, *, gnss: tuple[int, ...] = (), unread: bool = False, **units: str
) -> SiteResult:
    """Return a site all of whose numbers were read in feet, with units set otherwise."""
    folder.mkdir(exist_ok=True)
    set_to = {"tape": "ft", "level": "ft", "depth": "ft", "counter": "ft", "pipe": "in"} | units
    lines = "\n".join(f'{key} = "{unit}"' for key, unit in set_to.items())
    (folder / "site.toml").write_text(
        '[site]\nid = "EX-1"\nsurveyed = 2026-06-02\n[crs]\nhorizontal = "EPSG:3734"\n'
        f'vertical = "none"\n[units]\n{lines}\n[[pipe]]\nline = "L1"\nnominal = "DN110"\n'
        '[[run]]\nid = "R1"\nline = "L1"\nentry = "CO1"\nflow = "with"\ntransmitter_lag = 0\n'
        "ride_height = 0.5\n[receiver]\naerial_height = 0\n",
        encoding="utf-8",
    )
    (folder / "control.csv").write_text(CONTROL, encoding="utf-8")
    marks = ["mark,run,stop,kind,method,x,y,z,base_from,base_to,base_distance,base_offset"]
    for n, (counter, _) in STOPS.items():
        for kind, offsets in BESIDE.items():
            for i, along in enumerate(offsets):
                name = f"{n}{kind[0]}{i},R1,{n},{kind}"
                at = counter + along
                marks.append(
                    f"{name},gnss,2267007,{888500 - at:.3f},100,,,,"
                    if n in gnss
                    else f"{name},offset,,,100,P1,P2,7,{at:.3f}"
                )
    (folder / "marks.csv").write_text("\n".join(marks) + "\n", encoding="utf-8")
    depth = {n: "" if unread else d for n, (_, d) in STOPS.items()}
    stops = [f"R1,{n},{c},{depth[n]}" for n, (c, _) in STOPS.items()]
    rows = ["run,stop,counter,depth_reading", *stops]
    (folder / "stops.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    result = run_site(folder, until="derive")
    assert isinstance(result, SiteResult), result
    return result


def errors(result: SiteResult) -> dict[str, Finding]:
    return {called(f): f for f in result.findings if f.severity == "error"}


def test_units_that_agree_are_no_finding(tmp_path: Path) -> None:
    found = {called(f) for f in site(tmp_path).findings}
    assert not found & {
        "unit-wrong/tape-unknown",
        "unit-wrong/depth-unknown",
        "unit-wrong/counter",
        "unit-wrong/tape-alone",
    }


@pytest.mark.parametrize("tape", ["m", "in"])
@pytest.mark.parametrize("gnss", [(), (4, 5)])
def test_a_wrong_tape_is_named_first_and_the_rest_left_alone(
    tmp_path: Path, tape: str, gnss: tuple[int, ...]
) -> None:
    """Nothing is said that would lead to a clean record with the tape still wrong."""
    result = site(tmp_path, tape=tape, gnss=gnss)
    first = result.findings[0]
    assert (first.severity, called(first)) == ("error", "unit-wrong/tape-unknown")
    assert (first.variant, first.values["ways"]) == ("tape", ('tape = "ft"',))
    assert list(errors(result)) == ["unit-wrong/tape-unknown"]
    assert not [f for f in result.findings if f.stage in ("link", "derive")]
    again = site(tmp_path, gnss=gnss)  # what it says to do mends it
    assert not errors(again)
    np.testing.assert_allclose(again.work["solved"].fixes.depth_m, 4.2 * 0.3048, rtol=0.02)


def test_a_wrong_depth_or_counter_alone_is_named_as_such(tmp_path: Path) -> None:
    depth = errors(site(tmp_path, depth="m"))
    assert list(depth) == ["unit-wrong/depth-unknown"]
    assert depth["unit-wrong/depth-unknown"].values["written"] == "ft"
    assert list(errors(site(tmp_path, counter="m"))) == ["unit-wrong/counter"]


def test_depth_and_counter_wrong_against_gnss_marks_are_not_blamed_on_a_tape(
    tmp_path: Path,
) -> None:
    """No mark was taped: the tape has no part in it, whatever it is set to."""
    for tape in ("ft", "m"):
        wrong = site(tmp_path, gnss=tuple(STOPS), tape=tape, depth="m", counter="m")
        assert sorted(errors(wrong)) == ["unit-wrong/counter", "unit-wrong/depth-unknown"]
    assert not errors(site(tmp_path, gnss=tuple(STOPS), tape="m"))


def test_tape_and_counter_wrong_together_are_offered_beside_the_depth(tmp_path: Path) -> None:
    """They agree, so one wrong depth explains it as well: both stories are told."""
    told = errors(site(tmp_path, tape="m", counter="m"))
    assert list(told) == ["unit-wrong/depth-unknown"]
    assert told["unit-wrong/depth-unknown"].values["taped"] == "feet"
    # with stops that no tape placed there is one story only
    told = errors(site(tmp_path, tape="m", counter="m", gnss=(4, 5)))
    assert next(iter(told)) == "unit-wrong/tape-unknown"
    assert 'tape = "ft" and counter = "ft"' in told["unit-wrong/tape-unknown"].values["ways"]


def test_without_depth_readings_a_counter_off_by_a_factor_may_be_the_tape(tmp_path: Path) -> None:
    told = errors(site(tmp_path, tape="m", unread=True))
    assert "tape under [units]" in told["unit-wrong/counter"].what_to_do


def test_a_metric_tape_over_a_grid_in_feet_is_never_passed_over(tmp_path: Path) -> None:
    """All set to metres and read in feet: consistent, 3.3 times too large; a warning is left."""
    result = site(tmp_path, tape="m", depth="m", counter="m")
    assert not errors(result)
    [mixed] = [f for f in result.findings if called(f) == "unit-wrong/tape-alone"]
    assert mixed.severity == "warning"
    assert mixed.variant == "tape-alone"


@pytest.mark.parametrize("wrong", [w for n in (0, 1) for w in product((0, 1), repeat=3)
                                   if sum(w) == n])  # fmt: skip
def test_every_single_wrong_unit_is_found_by_what_it_does(wrong: tuple[int, int, int]) -> None:
    """Whatever is set and was read: the ratios that follow lead back to the one key."""
    for read_in, set_to in product(UNITS, repeat=2):
        if read_in == set_to:
            continue
        units = {k: set_to if w else read_in for k, w in zip(KEYS, wrong, strict=True)}
        long = {k: METRES_PER[units[k]] / METRES_PER[read_in] for k in KEYS}
        found = Agreement(long["depth"] / long["tape"], long["counter"] / long["tape"], nan)
        expected = {k: read_in for k, w in zip(KEYS, wrong, strict=True) if w}
        assert explanations(found, units) == [expected]


def test_two_wrong_units_are_told_as_they_are() -> None:
    units = {"tape": "ft", "depth": "ft", "counter": "ft"}
    # depth in inches, counter in metres: the tape alone, or with one of them, explains neither
    fits = explanations(Agreement(12.0, 0.3048, nan), units)
    assert fits == [{"depth": "in", "counter": "m"}]
    assert explanations(Agreement(5.5, 1.0, nan), units) == []
    assert explanations(Agreement(nan, 3.28, nan), units) == []
