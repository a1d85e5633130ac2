"""Is the adjusted line as good as it claims? Simulated lines against their truth.

What is simulated stands in `line_truth`. The bounds:

accuracy    root mean square distance in space of the adjusted centreline from the true one, both
            ways along it, at most 0.6 of that of the draftsman's line: fixes by the rule of hand at
            its best (`coverage.by_hand(squared=True)`), joined straight in counter order
corridor    the 95 % corridor contains the whole true pipe from the first stop to the last, in plan,
            in 95 % of lines
bends       precision and recall as `line_compare` defines them, 0.95
blunders    0.5 m of one stop named in 95 %, as `line_scores` plants and counts them: stops moved,
            and counters misread; by an error, or by the warning that it or a bend is there
alarms      lines without a blunder that are nonetheless accused: an error of `link`, or a stop
            whose marks contradict each other by `solve`; at most 2 %
doubts      lines without a blunder that have that warning: at most 5 %

two runs    of a tenth as many lines of each kind surveyed twice: none has a leg that runs against
            the pipe by more than 2 cm, and the corridor contains the whole pipe in 95 %

All else in the table is for information.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import chi2

from lateralline.link.gross_errors import doubts
from lateralline.proof.line_compare import Turn
from lateralline.proof.line_scores import (
    BlunderScore,
    LineScore,
    TwiceScore,
    score_lines,
    score_twice,
)
from lateralline.proof.line_truth import HARDER, TWICE

WORST_RATIO = 0.6
LEAST_SHARE = 0.95
MOST_ALARMS, MOST_DOUBTS = 0.02, 0.05
#: A leg that runs against the pipe by more than this doubles back.
BACKWARD_M = 0.02
_DOUBTED = ("mark-blunder/one", "mark-blunder/one-of")
#: Lines for which the bounds are meant; fewer widen shares by two standard deviations of chance.
FULL = 500


@dataclass(frozen=True, slots=True)
class Statistic:
    """One row of the table."""

    group: str
    what: str
    cases: int
    value: float  # NaN = no case
    unit: str = "share"  # share | m | ratio
    least: float = float("nan")
    most: float = float("nan")

    @property
    def bounded(self) -> bool:
        """A bound stands beside it."""
        return bool(np.isfinite(self.least) or np.isfinite(self.most))

    @property
    def missed(self) -> bool:
        """True when the value lies outside its bound; no case is no proof."""
        inside = not self.value < self.least and not self.value > self.most
        return self.bounded and not (inside and bool(np.isfinite(self.value)))


def prove_lines(count: int, seed: int) -> tuple[Statistic, ...]:
    """Simulate, draw and measure `count` usual lines, and fewer of other kinds.

    A fifth as many harder ones, of which nothing has a bound, and a tenth as many of each kind
    surveyed by two runs.
    """
    usual = measures(*score_lines(count, seed))
    harder = measures(*score_lines(max(count // 5, 1), seed, HARDER))
    nan = float("nan")
    twice = [
        row
        for kind in TWICE
        for row in twice_measures(kind.name, score_twice(max(count // 10, 1), seed, kind))
    ]
    unbound = (replace(m, group=f"harder {m.group}", least=nan, most=nan) for m in harder)
    return (*usual, *twice, *unbound)


def measures(lines: Sequence[LineScore], blunders: Sequence[BlunderScore]) -> tuple[Statistic, ...]:
    """Return every row of the table."""
    return (
        *_accuracy(lines),
        *_corridor(lines),
        *_bends([turn for line in lines for turn in line.turns], whole=len(lines) >= FULL),
        *_blunders(lines, blunders),
        *_statistics(lines),
    )


def twice_measures(group: str, lines: Sequence[TwiceScore]) -> tuple[Statistic, ...]:
    """Return the rows of lines surveyed by two runs."""
    n = len(lines)
    drawn = [x for x in lines if np.isfinite(x.ours_m2) and np.isfinite(x.once_m2)]
    ours, once = (
        float(np.sqrt(np.mean([getattr(x, name) for x in drawn]))) if drawn else float("nan")
        for name in ("ours_m2", "once_m2")
    )
    turned = _share(not x.backward_m <= BACKWARD_M for x in lines)
    whole = _share(x.contained == 1.0 for x in lines)
    return (
        Statistic(group, "a leg against the pipe by more than 2 cm", n, turned, most=0.0),
        _at_least(group, "corridor holds the whole pipe", n, whole, whole_proof=n >= FULL),
        Statistic(group, "adjusted centreline off the true one, RMS", len(drawn), ours, "m"),
        Statistic(group, "first run alone, RMS", len(drawn), once, "m"),
        Statistic(group, "adjusted centreline over that of the first run alone", len(drawn),
                ours / once, "ratio"),
        _rate(group, "false alarms, lines", [x.alarmed for x in lines]),
    )  # fmt: skip


def misses(rows: Iterable[Statistic]) -> list[str]:
    """Return every bound missed, in words."""
    return [
        f"{m.group}: {m.what} {m.value:.3f}, bound {bound:.3f}"
        for m in rows
        if m.missed
        for bound, broken in ((m.least, not m.value >= m.least), (m.most, not m.value <= m.most))
        if np.isfinite(bound) and broken
    ]


def _accuracy(lines: Sequence[LineScore]) -> tuple[Statistic, ...]:
    drawn = [x for x in lines if np.isfinite(x.ours_m2)]
    n = len(drawn)
    ours, hand, plain = (
        float(np.sqrt(np.mean([getattr(x, name) for x in drawn]))) if n else float("nan")
        for name in ("ours_m2", "hand_m2", "plain_hand_m2")
    )
    return (
        Statistic("accuracy", "adjusted centreline off the true one, RMS", n, ours, "m"),
        Statistic("accuracy", "rule of hand at its best, RMS", n, hand, "m"),
        Statistic("accuracy", "rule of hand, mid mark as it lies, RMS", n, plain, "m"),
        Statistic("accuracy", "adjusted over hand at its best", n, ours / hand, "ratio",
                most=WORST_RATIO),
        Statistic("accuracy", "lines not drawn", len(lines), _share(x not in drawn for x in lines)),
    )  # fmt: skip


def _corridor(lines: Sequence[LineScore]) -> tuple[Statistic, ...]:
    n = len(lines)
    width = [x.width_m for x in lines if np.isfinite(x.width_m)] or [float("nan")]
    whole = _share(x.contained == 1.0 for x in lines)
    return (
        _at_least("corridor", "holds the whole pipe", n, whole, whole_proof=n >= FULL),
        Statistic(
            "corridor", "pipe length inside", n, float(np.mean([x.contained for x in lines]))
        ),
        Statistic("corridor", "median width", n, float(np.median(width)), "m"),
        Statistic("corridor", "90th percentile of width", n, float(np.percentile(width, 90)), "m"),
    )


def _bends(turns: Sequence[Turn], whole: bool) -> tuple[Statistic, ...]:
    asked = [t for t in turns if t.asked]
    claimed = [t for t in turns if t.claimed]
    slight = [t for t in turns if t.near and t.bends and not t.asked and not t.cancels]
    far = [t for t in turns if not t.near and t.bends and not t.cancels]
    offsets = [t for t in turns if t.cancels and not t.drop]
    drops = [t for t in turns if t.cancels and t.drop]
    straight = [t for t in turns if not t.bends]
    matched = [t.matched for t in asked]
    right = [t.matched for t in claimed]
    return (
        _at_least("bends", "recall, 30° and more", len(asked), _share(matched), whole),
        _at_least("bends", "precision", len(claimed), _share(right), whole),
        _rate("bends", "recall under 30°", [t.matched for t in slight]),
        _rate("bends", "recall with a stop beyond 3 m", [t.matched for t in far]),
        _rate("bends", "offsets seen as two bends", [t.shape == "two_bends" for t in offsets]),
        _rate("bends", "drops seen as two bends", [t.shape == "two_bends" for t in drops]),
        _rate("bends", "straight pipe left undecided", [t.shape == "undecided" for t in straight]),
    )


#: Where blunders are harder or easier to see.
_PLACES: tuple[tuple[str, Callable[[BlunderScore], bool]], ...] = (
    ("1.5 m deep at most", lambda b: b.depth_m <= 1.5),
    ("more than 2.5 m deep", lambda b: b.depth_m > 2.5),
    ("a bend within 1 m", lambda b: b.to_bend_m < 1.0),
    ("both ends marked", lambda b: b.end_nulls == 2),
    ("one end marked", lambda b: b.end_nulls == 1),
)


def _blunders(
    lines: Sequence[LineScore], blunders: Sequence[BlunderScore]
) -> tuple[Statistic, ...]:
    whole = len(lines) >= FULL
    moved = [b.named for b in blunders if b.kind != "counter"]
    misread = [b.named for b in blunders if b.kind == "counter"]
    alarms = [x.alarmed for x in lines]
    slack = 0.0 if whole else chance(MOST_ALARMS, len(alarms))
    suspected = [any(map(doubts, x.findings)) for x in lines]
    doubted = [any(f.is_one_of(_DOUBTED) for f in x.findings) for x in lines]
    return (
        _at_least("blunders", "of 0.5 m, named", len(blunders), _share(moved + misread), whole),
        _rate("blunders", "named by an error", [b.denied for b in blunders]),
        _rate("blunders", "stop moved, named", moved),
        *(
            _rate("blunders", f"moved {way} the pipe", [b.named for b in blunders if b.kind == way])
            for way in ("across", "along")
        ),
        _rate("blunders", "counter misread, named", misread),
        *(
            _rate("blunders", f"named, {where}", [b.named for b in blunders if there(b)])
            for where, there in _PLACES
        ),
        Statistic("blunders", "false alarms, lines", len(alarms), _share(alarms),
                most=MOST_ALARMS + slack),
        Statistic("blunders", "false doubts of a stop, lines", len(suspected), _share(suspected),
                most=MOST_DOUBTS + (0.0 if whole else chance(MOST_DOUBTS, len(suspected)))),
        _rate("blunders", "lines with a mark said to disagree", doubted),
    )  # fmt: skip


def _statistics(lines: Sequence[LineScore]) -> tuple[Statistic, ...]:
    dof = sum(x.dof for x in lines)
    fails = [chi2.sf(x.chi2, x.dof) < 0.025 for x in lines if x.dof > 0]
    contained = [v for x in lines for v in x.vertices_contained]
    return (
        Statistic("statistics", "χ² over degrees of freedom", dof,
                sum(x.chi2 for x in lines) / dof if dof else float("nan"), "ratio"),
        _rate("statistics", "lines failing the global test at 2.5 %", fails),
        _rate("statistics", "95 % ellipses of stops that hold the truth", contained),
    )  # fmt: skip


def _rate(group: str, what: str, cases: Sequence[bool]) -> Statistic:
    return Statistic(group, what, len(cases), _share(cases))


def _at_least(group: str, what: str, n: int, value: float, whole_proof: bool) -> Statistic:
    slack = 0.0 if whole_proof else chance(LEAST_SHARE, n)
    return Statistic(group, what, n, value, least=LEAST_SHARE - slack)


def chance(share: float, n: int) -> float:
    """Return two standard deviations of a share of n cases."""
    return float(2.0 * np.sqrt(share * (1.0 - share) / max(n, 1)))


def _share(cases: Iterable[bool]) -> float:
    values = list(cases)
    return float(np.mean(values)) if values else float("nan")
