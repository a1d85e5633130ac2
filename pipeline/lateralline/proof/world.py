"""Do the claims hold where the ground is not the model? Cases, measures and bounds.

Each case departs from the model in one thing (`world_truth.World`), all else at the defaults
of `site.toml`. What is measured of each:

corridor      share of lines whose 95 % corridor holds the whole pipe between its outer stops
plan, depth   share of stops whose 95 % ellipse and 95 % depth interval hold the transmitter
level band    share of its stations, every half metre, whose 95 % interval holds the invert
silent        of lines more than 5 cm outside their corridor, the share without a warning; a code
              with its variant counts as one only if 5 % of plain lines at most raise it
no misfit     of the silent ones, the share whose data a pipe lying just as drawn, in plain ground,
              would misfit as much or more one time in twenty: from such data no estimator tells
              which of the two it was, and one that held both would widen every plain line
grade, grades share of lines, and of their segments, whose grade's 95 % interval holds the true one
false falls   lines of which a segment is said to fall the way it does not
false errors  lines of a hundred that are accused of an error although nothing measured is wrong
named         share of the lines with one blunder of which a finding names it, among two stops at
              most: an error, or the warning that it or a bend is there, if one plain line in
              twenty at most has such a warning; beside that how many of them a test of an
              adjustment of the right shapes sees at all (`world_seen`), and of misread counters
              the most that any test could name (`world_best`)

The bounds are those of the project's own promise, not of a publication. They stand for `FULL` lines
or more. Of fewer, a bound is what a share that just meets it would fall short of once in a
thousand by chance, by the binomial distribution of the lines: stops of one line are not many.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import binom

from lateralline.link.gross_errors import DOUBT
from lateralline.proof.lines import Statistic
from lateralline.proof.world_best import best_named
from lateralline.proof.world_scores import WorldScore, score_world
from lateralline.proof.world_truth import World

#: Lines of a case for which the bounds are meant; of `curved` and mixed ones more are simulated.
FULL, FULL_CURVED = 300, 500
#: Stops of a line where its own residuals can say that an accuracy is stated too small.
LONG = (30, 36)
BLUNDER_SEEDS = 5
NAMED, NAMED_EACH, NAMED_NEAR, NEAR_BEND_M = 0.95, 0.94, 0.90, 1.0
#: A blunder that a test of the adjustment finds less often than this is below what it sees.
SEEN_POWER = 0.80
MISSED_M = 0.05
PLAIN_SHARE = 0.05
FEW_SILENT = 0.15
#: A pipe as drawn is no rarer than this, in so many of the silent misses.
AS_DRAWN, ALL_AS_DRAWN = 0.05, 0.90
#: Lines accused without a fault: of all cases together, and of each.
MOST_POOLED, MOST_FALSE = 0.01, 0.025
BY_CHANCE = 0.001
BAND = (0.92, 0.98)
LEVEL_BAND = 0.93
#: Median and 90th percentile of the corridors' half widths on `FULL` plain lines of seed 1, before
#: shapes were mixed: what holds more must not be bought by width where nothing departs. Another
#: sample of as many lines may be a fiftieth wider.
PLAIN_HALF_WIDTHS_M, BY_SAMPLE = {50.0: 0.1244, 90.0: 0.1434}, 1.02


@dataclass(frozen=True, slots=True)
class Case:
    """A departure and what is asked of it."""

    departure: World
    corridor: float = 0.93  # share of lines held, at least; 0 = nothing is asked
    curved: bool = False  # `FULL_CURVED` lines
    or_told: bool = False  # or few of its misses are silent
    unseen: bool = False  # or those that are, a pipe as drawn in plain ground would explain
    covers: tuple[float, float] = BAND  # plan and depth
    blunders: bool = False  # one in each line, and `BLUNDER_SEEDS` times as many lines

    @property
    def name(self) -> str:
        """What the case is called on the command line."""
        return self.departure.name


#: The everyday job: eight spots where the field is strongest, 2.2 m apart, and a depth at each; one
#: line in three has a bend.
PEAKS = World(
    "peaks",
    bends=(1, 1),
    bent_share=1 / 3,
    turn_deg=(11.0, 90.0),
    stops=(8, 8),
    spacing_m=(2.2, 2.2),
    depth_m=(0.9, 1.5),
    peaks=True,
)
BENT, SWEEP_M = (1, 3), (3.0, 5.0)
PLAIN = Case(World("none"), 0.95)
_THIRD = (0.90, 1.0)
#: Of strong steel, a fence, and all departures together as much is asked as of their corridors.
_STEEL, _STRONG = (6.0, 10.0), (0.85, 1.0)
CASES = (
    PLAIN,
    Case(World("sweeps", bends=BENT, bend_radius_m=SWEEP_M), 0.95, curved=True),
    Case(
        World("lag", bends=BENT, bend_radius_m=(1.0, 1.5), lag_m=0.3, face_clear_m=0.1),
        0.95,
        curved=True,
    ),
    Case(World("steel-weak", steel_deg=(1.0, 4.0)), 0.95),
    Case(World("steel-strong", steel_deg=_STEEL), 0.85, or_told=True, unseen=True, covers=_STRONG),
    Case(World("steel-seen", steel_deg=_STEEL, steel_seen=True), 0.85, covers=_STRONG),
    Case(
        World("fence", bends=(0, 0), fence_deg=(1.0, 3.0)),
        0.85,
        or_told=True,
        unseen=True,
        covers=_STRONG,
    ),
    Case(World("held", held_m=(0.05, 0.30), aerial_told=False)),
    Case(World("heavy", heavy_share=0.05)),
    Case(World("polar", method="polar")),
    Case(World("taped", method="taped")),
    Case(World("sags", sag_m=(0.08, 0.20))),
    Case(World("drops", drop_m=(0.5, 1.0))),
    Case(World("slack", slack_m=(0.05, 0.20))),
    Case(World("kerb", kerb_m=(0.10, 0.15))),
    Case(World("wander", wander_deg=3.0), 0.90),
    Case(World("one-end-last", one_end_last=True), 0.90),
    Case(PEAKS),
    Case(replace(PEAKS, name="peaks-uncounted", counted=False)),
    Case(
        World(
            "together",
            bends=BENT,
            bend_radius_m=SWEEP_M,
            lag_m=0.3,
            wander_deg=1.0,
            sag_m=(0.08, 0.20),
            steel_deg=(1.0, 4.0),
            held_m=(0.05, 0.30),
            aerial_told=False,
            heavy_share=0.05,
            slack_m=(0.05, 0.20),
            kerb_m=(0.10, 0.15),
        ),
        0.85,
        curved=True,
        or_told=True,
        covers=_STRONG,
    ),
    Case(
        World(
            "tilt-third",
            stops=LONG,
            tilt_sigma_deg=10.0,
            told={"tilt_prior_deg": 10.0 / 3.0, "axis_tilt_deg": 10.0 / 3.0},
        ),
        0.0,
        covers=_THIRD,
    ),
    Case(
        World("receiver-third", stops=LONG, receiver_deg=3.0, told={"receiver_angle_deg": 1.0}),
        0.0,
        covers=_THIRD,
    ),
    Case(World("blunders"), 0.0, blunders=True),
)


@dataclass(frozen=True, slots=True)
class CaseResult:
    """What the lines of a case came to."""

    case: Case
    scores: tuple[WorldScore, ...]
    common: frozenset[str] = frozenset()  # codes that plain lines raise too often to tell anything

    def share(self, of: Callable[[WorldScore], Iterable[bool]]) -> float:
        """Return the share of what `of` gives for all lines; NaN of nothing."""
        return _mean([x for score in self.scores for x in of(score)])

    @property
    def corridor(self) -> float:
        """Share of lines held whole."""
        return _mean([s.held for s in self.scores])

    @property
    def missed(self) -> list[WorldScore]:
        """Lines that leave their corridor by more than 5 cm."""
        return [s for s in self.scores if s.outside_m > MISSED_M]

    @property
    def silent(self) -> float:
        """Share of the missed that raise no code which tells something; 0 where none is missed."""
        return len(self.silent_ones) / len(self.missed) if self.missed else 0.0

    @property
    def silent_ones(self) -> list[WorldScore]:
        """Those of the missed that raise no code which tells something."""
        return [s for s in self.missed if not s.said - self.common]

    @property
    def no_misfit(self) -> float:
        """Share of the silent ones whose data a pipe as drawn would explain; NaN of none."""
        return _mean([s.as_drawn > AS_DRAWN for s in self.silent_ones])

    @property
    def false_errors(self) -> float:
        """Share of lines accused of an error without one."""
        return _mean([bool(s.false_errors) for s in self.scores])

    def named(self, scores: Sequence[WorldScore]) -> float:
        """Share of lines with a blunder that is named; by errors alone where doubts are common."""
        return _mean([s.named or (s.doubted and DOUBT not in self.common) for s in scores])

    @property
    def cpu_s(self) -> float:
        """Mean CPU time of building a line, in seconds."""
        return float(np.mean([s.cpu_s for s in self.scores]))

    def half_width_m(self, percentile: float) -> float:
        """Return a percentile of the half widths of corridors."""
        drawn = [s.half_width_m for s in self.scores if s.drawn]
        return float(np.percentile(drawn, percentile)) if drawn else float("nan")

    @property
    def worst_outside_m(self) -> float:
        """How far a pipe leaves its corridor at worst."""
        return max((s.outside_m for s in self.scores if s.drawn), default=float("nan"))

    @property
    def worst_band_m(self) -> float:
        """How far a pipe leaves its level band at worst."""
        return max((s.band_off_m for s in self.scores if s.drawn), default=float("nan"))


def prove_world(
    count: int | None, seed: int, only: Sequence[str] = (), workers: int | None = 1
) -> Iterator[CaseResult]:
    """Yield the result of each case, or of those named; plain lines always first.

    `count` lines of each, or when None as many as the bounds are meant for. Plain lines that
    nobody asked for are there to tell which codes tell nothing, and a hundred will do.
    """
    plain_count = _count(PLAIN, count)
    if only and PLAIN.name not in only:
        plain_count = min(plain_count, 100)
    plain = CaseResult(
        PLAIN, tuple(score_world(seed, plain_count, PLAIN.departure, False, workers))
    )
    often = {code for s in plain.scores for code in s.said}
    common = frozenset(c for c in often if _mean([c in s.said for s in plain.scores]) > PLAIN_SHARE)
    yield replace(plain, common=common)
    for case in CASES[1:]:
        if not only or case.name in only:
            seeds = range(seed, seed + (BLUNDER_SEEDS if case.blunders else 1))
            scores = [
                score
                for one in seeds
                for score in score_world(
                    one, _count(case, count), case.departure, case.blunders, workers
                )
            ]
            yield CaseResult(case, tuple(scores), common)


def _count(case: Case, count: int | None) -> int:
    return count if count is not None else FULL_CURVED if case.curved else FULL


def world_bounds(results: Sequence[CaseResult]) -> tuple[Statistic, ...]:
    """Return every bound beside what was measured."""
    rows = [
        row for result in results for row in (_named if result.case.blunders else _bounds)(result)
    ]
    faultless = [r for r in results if not r.case.blunders]
    if not faultless:
        return tuple(rows)
    accused = [bool(s.false_errors) for r in faultless for s in r.scores]
    full = all(map(_full, faultless))
    most = MOST_POOLED if full else _at_most(MOST_POOLED, len(accused))
    return (
        *rows,
        Statistic("all cases", "false errors", len(accused), _mean(accused), most=most),
    )


def _full(result: CaseResult) -> bool:
    return len(result.scores) >= FULL * (BLUNDER_SEEDS if result.case.blunders else 1)


def _bounds(r: CaseResult) -> Iterator[Statistic]:
    case, n, full = r.case, len(r.scores), _full(r)

    def at_least(what: str, value: float, share: float) -> Statistic:
        return Statistic(case.name, what, n, value, least=share if full else _at_least(share, n))

    if case.or_told and r.silent <= FEW_SILENT:
        what = "misses over 5 cm without a warning"
        yield Statistic(case.name, what, len(r.missed), r.silent, most=FEW_SILENT)
    elif case.unseen and r.corridor < case.corridor:
        what = "silent misses that a pipe as drawn explains"
        n_silent = len(r.silent_ones)
        least = ALL_AS_DRAWN if full else _at_least(ALL_AS_DRAWN, n_silent)
        yield Statistic(case.name, what, n_silent, r.no_misfit, least=least)
    elif case.corridor:
        yield at_least("corridor holds the whole pipe", r.corridor, case.corridor)
    low, high = case.covers
    for what, value in (
        ("plan", r.share(lambda s: s.plan)),
        ("depth", r.share(lambda s: s.depth)),
    ):
        yield replace(at_least(what, value, low), most=high if full else _at_most(high, n))
    yield at_least("level band", r.share(lambda s: s.band), LEVEL_BAND)
    if case is PLAIN and full:
        for percentile, before_m in PLAIN_HALF_WIDTHS_M.items():
            what = f"half width, {percentile:.0f}th percentile"
            width = r.half_width_m(percentile)
            yield Statistic(case.name, what, n, width, "m", most=BY_SAMPLE * before_m)
    most = MOST_FALSE if full else _at_most(MOST_FALSE, n)
    yield Statistic(case.name, "false errors", n, r.false_errors, most=most)


def _named(r: CaseResult) -> Iterator[Statistic]:
    """Yield how many blunders are named: in all, of each seed, and near bends."""
    full = _full(r)
    each = np.array_split(np.arange(len(r.scores)), BLUNDER_SEEDS)
    groups = [("of 0.5 m, named", list(r.scores), NAMED)]
    groups += [
        (f"named, sample {i + 1}", [r.scores[j] for j in rows], NAMED_EACH)
        for i, rows in enumerate(each)
    ]
    near = [s for s in r.scores if s.to_bend_m < NEAR_BEND_M]
    groups.append((f"named, a bend within {NEAR_BEND_M:.0f} m", near, NAMED_NEAR))
    for what, scores, share in groups:
        if not (scores or full):
            continue
        least = share if full else _at_least(share, len(scores))
        yield Statistic(r.case.name, what, len(scores), r.named(scores), least=least)
    by_error = _mean([s.named for s in r.scores])
    yield Statistic(r.case.name, "named by an error", len(r.scores), by_error)
    for kind in ("moved", "counter"):
        own = [s for s in r.scores if s.blunder == kind]
        yield Statistic(r.case.name, f"{kind}, named", len(own), r.named(own))
        rightly = _mean([s.named_rightly for s in own])
        yield Statistic(r.case.name, f"{kind}, named as such", len(own), rightly)
    own = [s for s in r.scores if s.power >= SEEN_POWER]
    over = _mean([s.power < SEEN_POWER for s in r.scores])
    yield Statistic(r.case.name, f"below what a test sees at {SEEN_POWER:.0%}", len(r.scores), over)
    yield Statistic(r.case.name, "named of the others", len(own), r.named(own))
    for where, those in (("", r.scores), (f", a bend within {NEAR_BEND_M:.0f} m", near)):
        what = f"named at best by a test that knows the bends{where}"
        yield Statistic(r.case.name, what, len(those), _mean([s.power for s in those]))
    told = [s.apart for s in r.scores if len(s.apart)]
    best = best_named(told, MOST_POOLED) if told else float("nan")
    what = f"counter, named at best by a test that accuses {MOST_POOLED:.0%} of right lines"
    yield Statistic(r.case.name, what, len(told), best)


def _at_least(share: float, n: int) -> float:
    """Return the share of n cases that a true `share` falls short of once in a thousand."""
    return float(binom.ppf(BY_CHANCE, n, share)) / n if n else share


def _at_most(share: float, n: int) -> float:
    return float(binom.isf(BY_CHANCE, n, share)) / n if n else share


def _mean(cases: Sequence[bool] | Sequence[float]) -> float:
    return float(np.mean(cases)) if len(cases) else float("nan")
