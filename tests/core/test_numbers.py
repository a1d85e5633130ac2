"""Numbers out of all measure, and numbers that fail: one stop, line or site costs no other.

The faults are injected where a stage does its arithmetic, and typed into copies of sample sites.
"""

from __future__ import annotations

import csv
import random
import resource
import shutil
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from lateralline import derive, isolate, link, solve, stages
from lateralline.batch import run_sites
from lateralline.findings import Finding
from lateralline.ingest import read_site
from lateralline.link import global_test
from lateralline.place import place
from lateralline.stages import SiteFailure, SiteResult, run_site
from lateralline.workspace import Workspace
from tests.support.finding_names import called
from tests.support.places import SAMPLES
from tests.support.planted import through

BRANCH = SAMPLES / "gnss-bend-branch"  # lines L1 and L2, which joins it
Change = Callable[[dict[str, str]], None]

#: A site of some twenty stops has no use for more than this beyond what is imported already.
MOST_BYTES = 1 << 30


@pytest.fixture
def spoilt(tmp_path: Path) -> Callable[..., Path]:
    """A copier of sample sites that changes rows of one table."""

    def copy(sample: str, table: str, change: Change) -> Path:
        site = tmp_path / f"{sample}-{len(list(tmp_path.iterdir()))}"
        shutil.copytree(SAMPLES / sample, site)
        with (site / table).open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        for row in rows:
            change(row)
        with (site / table).open("w", encoding="utf-8", newline="") as file:
            out = csv.DictWriter(file, rows[0])
            out.writeheader()
            out.writerows(rows)
        return site

    return copy


@pytest.fixture
def little_memory():
    """One GiB more than is in use: an array sized by a slip fails here, not on the machine."""
    soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    pages = int(Path("/proc/self/statm").read_text().split()[0])
    resource.setrlimit(resource.RLIMIT_AS, (pages * resource.getpagesize() + MOST_BYTES, hard))
    yield
    resource.setrlimit(resource.RLIMIT_AS, (soft, hard))


def said(result: SiteResult | SiteFailure, code: str) -> list[Finding]:
    return [f for f in result.findings if called(f) == code]


def drawn(result: SiteResult) -> list[str]:
    (lines,) = (p for p in result.work["products"] if p.layer == "pipe_centreline")
    return [str(x) for x in lines.columns["line_id"]]


# ---- numbers out of all measure -----------------------------------------------------------------


@pytest.mark.usefixtures("little_memory")
@pytest.mark.parametrize("off_m", [40.0, 400.0, 700.0, 1.0e4, 1.0e6])
def test_a_stop_with_a_digit_too_many_is_left_out_and_named(
    spoilt: Callable[..., Path], off_m: float
) -> None:
    def far(row: dict[str, str]) -> None:
        if (row["run"], row["stop"]) == ("R1", "5"):
            row["y"] = f"{float(row['y']) + off_m:.3f}"

    result = through(spoilt("gnss-bend-branch", "marks.csv", far))
    assert drawn(result) == ["L1", "L2"]
    if off_m < 2000.0:
        (found,) = said(result, "point-astray")
        assert (found.severity, found.subject) == ("error", "stop R1/5")
        assert found.where.startswith("stops.csv:")
    else:
        assert {f.subject for f in said(result, "coordinates-outside/far")} >= {
            "mark R1-5A",
            "mark R1-5B",
        }
        assert [f.subject for f in said(result, "stop-not-located")] == ["stop R1/5"]
    (line,) = (x for x in result.work["linked"].lines if x.line == "L1")
    whole = through(BRANCH)
    (before,) = (x for x in whole.work["linked"].lines if x.line == "L1")
    assert {*before.ref} - {*line.ref} == {"R1/5"}
    rest = np.isin(before.ref, line.ref) & (before.kind == "fix")
    moved = before.xyz_m[rest] - line.xyz_m[line.kind == "fix"]
    assert np.abs(moved - moved[0]).max() < 0.05  # the frame begins elsewhere


@pytest.mark.usefixtures("little_memory")
def test_a_line_torn_in_two_with_nothing_to_tell_is_not_drawn(spoilt: Callable[..., Path]) -> None:
    """Half of its stops lie a kilometre on, and there is no other line to witness."""

    def half(row: dict[str, str]) -> None:
        if int(row["stop"]) % 2 == 0:
            row["y"] = f"{float(row['y']) + 1000.0:.3f}"

    result = through(spoilt("frames-ballpark", "marks.csv", half))
    assert drawn(result) == []
    assert [f.subject for f in said(result, "line-not-located")] == ["line L1"]
    assert not said(result, "line-not-located/no-stop-located")


@pytest.mark.usefixtures("little_memory")
@pytest.mark.parametrize("depth", ["1080000", "45"])
def test_a_depth_nobody_reads_is_not_used(spoilt: Callable[..., Path], depth: str) -> None:
    def deep(row: dict[str, str]) -> None:
        if row["stop"] == "5":
            row["depth_reading"] = depth

    result = through(spoilt("slope-levels", "stops.csv", deep))
    (found,) = said(result, "depth-reading-wrong")
    assert (found.severity, found.subject) == ("error", "stop R1/5")
    assert drawn(result) == ["L1"]


@pytest.mark.usefixtures("little_memory")
def test_a_level_out_of_all_measure_is_not_used(spoilt: Callable[..., Path]) -> None:
    def high(row: dict[str, str]) -> None:
        if row["mark"] == "R1-5A":
            row["z"] = "142037000"

    result = through(spoilt("gnss-bend-branch", "marks.csv", high))
    (found,) = said(result, "level-far")
    assert (found.severity, found.subject) == ("error", "mark R1-5A")
    assert drawn(result) == ["L1", "L2"]
    (line,) = (x for x in result.work["linked"].lines if x.line == "L1")
    assert "R1/5" in line.ref


def test_a_fix_that_would_lie_a_hundred_metres_deep_is_none(spoilt: Callable[..., Path]) -> None:
    """One end null 150 m on: the nulls then say a depth of that order."""

    def apart(row: dict[str, str]) -> None:
        if row["mark"] == "R1-5B":
            row["y"] = f"{float(row['y']) + 150.0:.3f}"
        if row["run"] == "R1" and row["stop"] == "5":
            row["kind"] = "end_null" if row["mark"] in ("R1-5A", "R1-5B") else "ground"

    site = spoilt("gnss-bend-branch", "marks.csv", apart)
    stops = (site / "stops.csv").read_text(encoding="utf-8").splitlines()
    stops = [
        ",".join([*line.split(",")[:3], "", *line.split(",")[4:]]) if line[:5] == "R1,5," else line
        for line in stops
    ]
    (site / "stops.csv").write_text("\n".join(stops) + "\n", encoding="utf-8")
    result = through(site)
    (found,) = said(result, "stop-id-twice")  # which accounts for the stop's not being solved
    assert found.subject == "stop R1/5"
    assert drawn(result) == ["L1", "L2"]


def test_levels_no_ground_has_do_not_scale_the_site(spoilt: Callable[..., Path]) -> None:
    """All levels a million metres up: by the height factor the line came out a sixth too long."""

    def up(row: dict[str, str]) -> None:
        row["z"] = f"{float(row['z']) + 1e6:.3f}"

    result = through(spoilt("gnss-bend-branch", "marks.csv", up))
    assert said(result, "level-far")
    (lines,) = (p for p in result.work["products"] if p.layer == "pipe_centreline")
    assert lines.columns["length_m"][0] == pytest.approx(23.18, abs=0.1)


@pytest.mark.parametrize("counter", ["0", "1000000"])
def test_a_counter_that_stood_still_is_no_one_stop(
    spoilt: Callable[..., Path], counter: str
) -> None:
    def still(row: dict[str, str]) -> None:
        row["counter"] = counter

    result = through(spoilt("gnss-bend-branch", "stops.csv", still))
    assert [f.subject for f in said(result, "counter-wrong/still")] == ["run R1", "run R2"]
    assert drawn(result) == ["L1", "L2"]


def test_a_stop_known_to_a_million_metres_costs_its_site_nothing(
    spoilt: Callable[..., Path], tmp_path: Path
) -> None:
    """Its ellipse left the earth, and with it the whole site could not be written.

    Which of two reasons is told hangs on the last digits of a solution next to singular.
    """

    def vague(row: dict[str, str]) -> None:
        if (row["run"], row["stop"]) == ("R1", "5"):
            row["sigma_h"] = "1e9"

    site = spoilt("gnss-bend-branch", "marks.csv", vague)
    with Workspace(tmp_path / "out").build() as sink:
        result = run_site(site, sink=sink)
    assert isinstance(result, SiteResult), result
    (found,) = (f for f in result.findings if f.code == "stop-not-located")
    assert (found.subject, found.variant in ("vague", "unsound")) == ("stop R1/5", True)


# ---- numbers that fail --------------------------------------------------------------------------


def test_halving_finds_each_that_fails_and_those_that_fail_together() -> None:
    def work(left_out: dict[str, str]) -> list[str]:
        here = [n for n in "abcdefgh" if n not in left_out]
        if {"c", "h"} & {*here}:
            raise np.linalg.LinAlgError("Singular matrix")
        if {"a", "f"} <= {*here}:
            raise MemoryError
        return here + [f"{n}: {why}" for n, why in left_out.items()]

    made = isolate.without_culprits(work, list("abcdefgh"))
    assert made[:5] == ["a", "b", "d", "e", "g"]
    assert made[5:7] == ["c: LinAlgError: Singular matrix", "h: LinAlgError: Singular matrix"]
    assert made[7:] == ["f: MemoryError"]


def test_a_fault_of_the_program_is_not_taken_for_numbers() -> None:
    def work(left_out: dict[str, str]) -> None:
        raise KeyError("renamed")

    with pytest.raises(KeyError):
        isolate.without_culprits(work, ["a"])


NUMERICAL = [np.linalg.LinAlgError("Singular matrix"), MemoryError("2 GiB"), FloatingPointError()]


@pytest.mark.parametrize("error", NUMERICAL, ids=lambda e: type(e).__name__)
def test_one_stop_never_costs_a_line(monkeypatch: pytest.MonkeyPatch, error: Exception) -> None:
    """The solver fails for every batch that R1/5 is in."""
    record = read_site(BRANCH)
    marks = place(record).marks
    (bad,) = (marks.xyz_m[i, :2] for i in np.flatnonzero(marks.mark == "R1-5A"))
    real = solve.find_modes

    def fails(problem, *rest):
        if (np.abs(problem.marks.xyz_m[:2].T - bad).max(axis=1) < 1e-9).any():
            raise error
        return real(problem, *rest)

    monkeypatch.setattr(solve, "find_modes", fails)
    result = through(BRANCH)
    (found,) = said(result, "stop-not-located")
    assert (found.severity, found.subject) == ("error", "stop R1/5")
    assert found.variant == "failed"
    assert type(error).__name__ in str(found.values["error"])
    assert drawn(result) == ["L1", "L2"]


def test_a_stop_that_comes_to_nothing_finite_is_unsolved(monkeypatch: pytest.MonkeyPatch) -> None:
    from lateralline.solve import results

    real = results.average

    def spoils(problem, best):
        out = real(problem, best)
        out.cov[4, 0, 0] = np.inf
        return out

    monkeypatch.setattr(results, "average", spoils)
    result = through(BRANCH)
    (found,) = said(result, "stop-not-located")
    assert found.subject == "stop R1/5"
    assert found.variant == "unsound"
    assert drawn(result) == ["L1", "L2"]


@pytest.mark.parametrize("error", NUMERICAL, ids=lambda e: type(e).__name__)
@pytest.mark.parametrize("line", ["L1", "L2"])
def test_one_line_never_costs_a_site(
    monkeypatch: pytest.MonkeyPatch, error: Exception, line: str
) -> None:
    real = link.adjust_line

    def fails(prepared, *rest):
        if prepared.id == line:
            raise error
        return (yield from real(prepared, *rest))

    monkeypatch.setattr(link, "adjust_line", fails)
    result = through(BRANCH)
    (found,) = said(result, "line-not-located")
    assert (found.severity, found.subject, found.stage) == ("error", f"line {line}", "link")
    assert type(error).__name__ in found.by_how_much
    assert drawn(result) == [x for x in ("L1", "L2") if x != line]


def test_lines_that_fail_only_together_are_drawn_as_far_as_they_go(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    real = link.adjust_network

    def fails(network, *rest):
        if len(network) > 1:
            raise np.linalg.LinAlgError("Singular matrix")
        return (yield from real(network, *rest))

    monkeypatch.setattr(link, "adjust_network", fails)
    result = through(BRANCH)
    assert drawn(result) == ["L1"]
    assert [f.subject for f in said(result, "line-not-located")] == ["line L2"]


@pytest.mark.parametrize("error", NUMERICAL, ids=lambda e: type(e).__name__)
def test_a_line_that_cannot_be_drawn_costs_no_other(
    monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    real = derive.corridor

    def fails(axis):
        if axis.line.line == "L1":
            raise error
        return real(axis)

    monkeypatch.setattr(derive, "corridor", fails)
    result = through(BRANCH)
    (found,) = said(result, "line-not-located")
    assert (found.severity, found.subject, found.stage) == ("error", "line L1", "derive")
    assert drawn(result) == ["L2"]


@pytest.mark.parametrize(
    ("error", "unexpected"),
    [(MemoryError("2 GiB"), False), (np.linalg.LinAlgError("Singular"), False), (KeyError(), True)],
    ids=["memory", "matrix", "program"],
)
def test_one_site_never_costs_a_batch(
    monkeypatch: pytest.MonkeyPatch, error: Exception, unexpected: bool
) -> None:
    """Numbers that fail are the site's; anything else is said to be a fault of lateralline."""
    real = stages.place

    def fails(record):
        if record.settings.id == "QH-014":
            raise error
        return real(record)

    monkeypatch.setattr(stages, "place", fails)
    sites = [SAMPLES / name for name in ("tape-ties", "slope-levels")]
    bad, good = run_sites(sites, until="link")
    assert isinstance(bad, SiteFailure)
    assert (bad.stage, bad.unexpected) == ("place", unexpected)
    assert type(error).__name__ in bad.message
    assert ("please report" in bad.message) == unexpected
    assert isinstance(good, SiteResult)


# ---- what contradicts itself grossly ------------------------------------------------------------


def test_what_is_gross_is_stated() -> None:
    """σ₀ of ten and beyond, by far no chance; less is a warning, and nothing free cannot tell."""
    assert global_test.is_gross(1090.0, 4)
    assert not global_test.is_gross(99.0 * 4, 4)
    assert not global_test.is_gross(1e9, 0)
    assert global_test.is_gross(101.0, 1)  # p = 9e-24


def test_a_line_of_stops_of_two_pipes_is_an_error_and_not_drawn(
    spoilt: Callable[..., Path],
) -> None:
    """Stops booked to the wrong run, with headings across its pipe: no story explains them."""

    def turned(row: dict[str, str]) -> None:
        if row["run"] == "R2":
            x, y = float(row["x"]) - 467190.0, float(row["y"]) - 4660990.0
            way = (-1.0) ** int(row["stop"])
            row["x"], row["y"] = f"{467190.0 + 9 * way + y:.3f}", f"{4660990.0 - x:.3f}"

    result = through(spoilt("gnss-bend-branch", "marks.csv", turned))
    (found,) = said(result, "line-not-located")
    assert (found.severity, found.subject, found.stage) == ("error", "line L2", "link")
    assert "times stated, where 10 is the limit" in found.by_how_much
    assert drawn(result) == ["L1"]


# ---- whatever numbers a site is given -----------------------------------------------------------

NUMBERS = {
    "marks.csv": ("x", "y", "z", "sigma_h", "sigma_v", "base_distance", "base_offset"),
    "stops.csv": ("counter", "depth_reading"),
    "control.csv": ("x", "y", "z", "sigma_h", "sigma_v"),
}
VALUES = ("0", "1e9", "-1e9", "1e-9", "1000000", "1e15", "-1", "10000", "3.14", "1e30", "")
FACTORS = (10.0, 100.0, 1000.0, 0.1, 0.01, 0.3048, -1.0)
STEPS = (1e3, 1e4, 1e6, -1e6, 50.0, -50.0, 0.3)


def _mutate(rows: list[dict[str, str]], columns: list[str], rng: random.Random) -> None:
    """Change one cell, all of a column, or every second, as slips and spreadsheets do."""
    column = rng.choice(columns)
    some = rng.choice([[rng.choice(rows)], rows, rows[::2]])
    way, value = rng.randrange(3), rng.choice(VALUES)
    factor, step = rng.choice(FACTORS), rng.choice(STEPS)
    if rng.random() < 0.15 and "kind" in rows[0]:  # all on one point
        for row in some:
            row |= {
                k: rows[0][k]
                for k in ("x", "y", "base_distance", "base_offset", "ties")
                if k in row
            }
        return
    if rng.random() < 0.15:
        del rows[rng.randrange(1, len(rows)) :]
        return
    for row in some:
        old = row[column]
        try:
            number = float(old)
        except ValueError:
            row[column] = value
            continue
        row[column] = (value, repr(number * factor), repr(number + step))[way]


@pytest.mark.usefixtures("little_memory")
@pytest.mark.parametrize("seed", range(16))
def test_no_number_ends_in_a_fault_of_the_program(tmp_path: Path, seed: int) -> None:
    """A site is read and worked out, or refused with its faults; nothing else."""
    rng = random.Random(seed)
    names = ["gnss-bend-branch", "tape-ties", "local-sketch", "slope-levels", "frames-ballpark"]
    site = tmp_path / "site"
    shutil.copytree(SAMPLES / rng.choice(names), site)
    for _ in range(rng.choice([1, 1, 2, 3])):
        table = rng.choice([t for t in NUMBERS if (site / t).exists()])
        with (site / table).open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        header = list(rows[0]) if rows else []
        columns = [c for c in NUMBERS[table] if c in header]
        if not columns:
            continue
        _mutate(rows, columns, rng)
        with (site / table).open("w", encoding="utf-8", newline="") as file:
            out = csv.DictWriter(file, header)
            out.writeheader()
            out.writerows(rows)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # as users run it
        result = run_site(site, until="derive")
    if isinstance(result, SiteFailure):
        assert not result.unexpected, result.message
        assert result.faults or result.stage != "read", result.message
