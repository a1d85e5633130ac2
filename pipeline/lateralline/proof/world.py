"""Do the claims hold where the ground is not the model? Cases, measures and bounds.

Each case departs from the model in one thing (`world_truth.Departure`), all else at the defaults
of `site.toml`. What is measured of each:

corridor      share of lines whose 95 % corridor holds the whole pipe between its outer stops
plan, depth   share of stops whose 95 % ellipse and 95 % depth interval hold the transmitter
level band    share of its stations, every half metre, whose 95 % interval holds the invert
silent        of lines more than 5 cm outside their corridor, the share without a warning; a code
              counts as a warning only if 5 % of plain lines at most raise it
false errors  lines of a hundred that are accused of an error although nothing measured is wrong

The bounds are those of the project's own promise, not of a publication. They stand for `FULL` lines
or more; fewer widen shares by two standard deviations of chance.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from lateralline.proof.lines import Statistic, chance
from lateralline.proof.world_scores import WorldScore, score_world
from lateralline.proof.world_truth import Departure

#: Lines of a case for which the bounds are meant; of `curved` and mixed ones more are simulated.
FULL, FULL_CURVED = 300, 500
MISSED_M = 0.05
PLAIN_SHARE = 0.05
FEW_SILENT = 0.15
BAND, BLUNT = (0.92, 0.98), 0.90
LEVEL_BAND = 0.93


@dataclass(frozen=True, slots=True)
class Case:
    """A departure and what is asked of it."""

    departure: Departure
    corridor: float  # share of lines held, at least
    curved: bool = False  # half as many lines again and more
    or_told: bool = False  # or few of its misses are silent
    plan: tuple[float, float] = BAND
    depth: tuple[float, float] = BAND
    band: float = LEVEL_BAND

    @property
    def name(self) -> str:
        """What the case is called on the command line."""
        return self.departure.name


PLAIN = Case(Departure("none"), 0.95)
CASES = (
    PLAIN,
    Case(Departure("sweeps", bends=(1, 3), bend_radius_m=(3.0, 5.0)), 0.95, curved=True),
    Case(
        Departure("lag", bends=(1, 3), bend_radius_m=(1.0, 1.5), lag_m=0.3, face_clear_m=0.1),
        0.95,
        curved=True,
    ),
    Case(Departure("steel-weak", steel_deg=(1.0, 4.0)), 0.95),
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
        return _mean([not s.codes - self.common for s in self.missed]) if self.missed else 0.0

    @property
    def false_errors(self) -> float:
        """Share of lines accused of an error without one."""
        return _mean([bool(s.false_errors) for s in self.scores])

    def half_width_m(self, percentile: float) -> float:
        """Return a percentile of the half widths of corridors."""
        return _percentile([s.half_width_m for s in self.scores if s.drawn], percentile)

    @property
    def worst_outside_m(self) -> float:
        """How far a pipe leaves its corridor at worst."""
        return max((s.outside_m for s in self.scores if s.drawn), default=float("nan"))

    @property
    def worst_band_m(self) -> float:
        """How far a pipe leaves its level band at worst."""
        return max((s.band_off_m for s in self.scores if s.drawn), default=float("nan"))


def prove_world(count: int | None, seed: int, only: Sequence[str] = ()) -> Iterator[CaseResult]:
    """Yield the result of each case, or of those named; plain lines always first.

    `count` lines of each, or when None as many as the bounds are meant for. Plain lines that
    nobody asked for are there to tell which codes tell nothing, and a hundred will do.
    """
    plain_count = _count(PLAIN, count)
    if only and PLAIN.name not in only:
        plain_count = min(plain_count, 100)
    plain = CaseResult(PLAIN, tuple(score_world(seed, plain_count, PLAIN.departure)))
    often = {code for s in plain.scores for code in s.codes}
    common = frozenset(
        c for c in often if _mean([c in s.codes for s in plain.scores]) > PLAIN_SHARE
    )
    yield replace(plain, common=common)
    for case in CASES[1:]:
        if not only or case.name in only:
            scores = tuple(score_world(seed, _count(case, count), case.departure))
            yield CaseResult(case, scores, common)


def _count(case: Case, count: int | None) -> int:
    return count if count is not None else FULL_CURVED if case.curved else FULL


def world_bounds(results: Sequence[CaseResult]) -> tuple[Statistic, ...]:
    """Return every bound beside what was measured."""
    rows = [row for result in results for row in _bounds(result)]
    accused = [bool(s.false_errors) for r in results for s in r.scores]
    most = 0.01 + (0.0 if _full(results[-1]) else chance(0.01, len(accused)))
    return (
        *rows,
        Statistic("all cases", "false errors", len(accused), _mean(accused), most=most),
    )


def _full(result: CaseResult) -> bool:
    return len(result.scores) >= FULL


def _bounds(r: CaseResult) -> Iterator[Statistic]:
    case, n = r.case, len(r.scores)

    def slack(share: float) -> float:
        return 0.0 if _full(r) else chance(share, n)

    def at_least(what: str, value: float, share: float) -> Statistic:
        return Statistic(case.name, what, n, value, least=share - slack(share))

    if case.or_told and r.silent <= FEW_SILENT:
        yield Statistic(
            case.name,
            "misses over 5 cm without a warning",
            len(r.missed),
            r.silent,
            most=FEW_SILENT,
        )
    else:
        yield at_least("corridor holds the whole pipe", r.corridor, case.corridor)
    for what, value, (low, high) in (
        ("plan", r.share(lambda s: s.plan), case.plan),
        ("depth", r.share(lambda s: s.depth), case.depth),
    ):
        least, most = low - slack(low), high + slack(high)
        yield Statistic(case.name, what, n, value, least=least, most=most)
    yield at_least("level band", r.share(lambda s: s.band), case.band)
    most = 0.025 + slack(0.025)
    yield Statistic(case.name, "false errors", n, r.false_errors, most=most)


def _mean(cases: Sequence[bool]) -> float:
    return float(np.mean(cases)) if len(cases) else float("nan")


def _percentile(values: Sequence[float], percentile: float) -> float:
    return float(np.percentile(values, percentile)) if values else float("nan")
