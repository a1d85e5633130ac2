"""Tests of a whole line: what of one can be worked again from the record, and what cannot."""

from __future__ import annotations

from collections.abc import Iterator
from math import exp, isfinite
from typing import Final, NamedTuple

from lateralline.distributions import chi2
from lateralline.explain.content import ExplainedFigure, formula, held, put
from lateralline.explain.found import FoundBy
from lateralline.link.stochastic import ALPHA, limit_of
from lateralline.record.rows import SegmentRow
from lateralline.record.view import RecordView
from lateralline.wording import counted

#: What is tested by each variant of a blunder: the kind of reading, and its freedoms.
_TESTED: Final = {
    "plan": ("plan", 2), "plan-or-control": ("plan", 2), "level": ("level", 1),
    "known-level": ("level", 1), "heading": ("heading", 1), "tilt": ("tilt", 1),
    "counter": ("counter", 1), "counter-or-plan": ("counter", 1),
}  # fmt: skip
_CODES: Final = ("blunder", "stops-shifted", "shape-undecided/or-wrong")
#: How far a statistic worked from figures that the finding keeps unrounded may be from its own, as
#: a share: what doubles lose.
_SHARE: Final = 1e-6
#: A limit found again from the same distribution: as a share.
_SAME_LIMIT: Final = 1e-9


class _Tested(NamedTuple):
    what: str  # "plan", "level", …
    freedoms: int


def statistic_figures(view: RecordView, found: FoundBy) -> Iterator[ExplainedFigure]:
    """Yield what follows of the test of a whole line: its statistic and its limit."""
    statistic, limit = found.number("statistic"), found.number("limit")
    if not _is_test(found) or not (isfinite(statistic) and isfinite(limit)):
        return
    if found.row.variant == "contradiction":
        yield from _straight(view, found)
        return
    tested = _tested(found)
    size, sigma, unit = _size(found)
    if sigma > 0.0 and statistic > 0.0:
        yield _by_size(found, size / sigma, unit, whole=tested is not None and tested.freedoms == 1)
    if found.row.code == "stops-shifted":
        yield from _places(found, limit)
    elif tested is not None:
        yield _limit(found, limit, tested)


def beyond_the_record(found: FoundBy) -> Iterator[str]:
    """Yield what of such a test cannot be worked from the record alone, and why."""
    if not _is_test(found):
        return
    again = (
        "Who would work that again builds the site anew from the files listed by hash, with the "
        "versions listed."
    )
    if "of_hundred" in found.values or found.row.variant == "contradiction":
        yield (
            "How many of a hundred pipes do so cannot be worked from the record alone: the pipes "
            f"drawn are not kept. {again}"
        )
    if found.row.variant == "contradiction" or "statistic" not in found.values:
        return
    yield (
        "Size and σ cannot be worked from the record alone: both come from the adjustment of the "
        f"whole line with this set free, whose equations are not kept. {again}"
    )
    tested = _tested(found)
    if tested is not None and tested.freedoms == 2 and isfinite(found.number("off_m")):
        yield (
            "Of the covariance in plan the record keeps the σ towards one bearing, so that the "
            "statistic can be held from below only."
        )
    if found.row.code == "stops-shifted":
        yield (
            "At how many places of the line a shift may begin is not kept either; the limit tells."
        )


def _is_test(found: FoundBy) -> bool:
    """Whether a finding is of a kind that a test of the whole line found."""
    return bool({found.row.code, f"{found.row.code}/{found.row.variant}"} & set(_CODES))


def _tested(found: FoundBy) -> _Tested | None:
    """Return what was tested; None where the finding does not say."""
    if found.row.code == "stops-shifted":
        return _Tested("plan", 2)
    if (own := _TESTED.get(found.row.variant)) is not None:
        return _Tested(*own)
    if isfinite(found.number("bearing_deg")):
        return _Tested("plan", 2)
    if isfinite(found.number("turn_deg")):
        return _Tested("kink", 2)
    first = found.values.get("readings")
    word = first[0].partition(" ")[0] if isinstance(first, tuple) and first else ""
    return _Tested(word, 1) if word in ("level", "heading", "tilt", "counter") else None


def _size(found: FoundBy) -> tuple[float, float, str]:
    """Return size, its σ and the unit of both."""
    for size, sigma in (("off_m", "sigma_m"), ("off_deg", "sigma_deg")):
        if isfinite(found.number(size)):
            return found.number(size), found.number(sigma), found.unit(size)
    return found.number("off_m"), found.number("sigma_m"), ""


def _by_size(found: FoundBy, ratio: float, unit: str, *, whole: bool) -> ExplainedFigure:
    """Return the statistic as size over σ, squared: the whole of it, or the least it may be."""
    names = ("off_m", "sigma_m") if unit == "m" else ("off_deg", "sigma_deg")
    size, sigma = map(found.number, names)
    statistic = found.number("statistic")
    return ExplainedFigure(
        "statistic (χ²)" if whole else "statistic (χ²), at least",
        ratio**2,
        "1",
        "(size / its standard deviation)²" + (
            "" if whole else "; towards the bearing told alone, and across that it can only grow"
        ),
        f"({put(size)} / {put(sigma)})²",
        (formula("least squares"), found.source(*names, "statistic")),
        statistic,
        by_hand=not whole and ratio**2 <= statistic * (1.0 + _SHARE),
        why="the whole takes in both directions of plan and how these hang together",
        within=_SHARE * statistic,
    )  # fmt: skip


def _limit(found: FoundBy, limit: float, tested: _Tested) -> ExplainedFigure:
    """Return the limit of one kind of reading, from its distribution."""
    again = limit_of(tested.what, tested.freedoms)
    alpha = float(chi2.sf(again, tested.freedoms))
    kinds = {"plan": "a position in plan", "counter": "a counter reading", "kink": "a direction"}
    return ExplainedFigure(
        "limit of the statistic",
        again,
        "1",
        f"what χ² with {counted(tested.freedoms, 'freedom')} exceeds by a chance of {alpha:.4g}, "
        f"which is what {kinds.get(tested.what, f'a {tested.what}')} is tested at",
        "",
        (formula("chi2"), found.source("limit")),
        limit,
        within=_SAME_LIMIT * limit,
    )


def _places(found: FoundBy, limit: float) -> Iterator[ExplainedFigure]:
    """Yield at how many places a shift was looked for, by the limit."""
    if (alpha := found.meaning("limit").alpha) is not None:
        places = alpha / exp(-limit / 2.0)
        yield ExplainedFigure(
            "places of the line at which a shift may begin, by the limit",
            places,
            "1",
            f"{alpha:g} / e^(−limit / 2): χ² with 2 freedoms exceeds the limit by a chance of "
            f"e^(−limit / 2) at one place, and by {alpha:g} at all together; so a whole number",
            f"{alpha:g} / e^(−{put(limit)} / 2)",
            (formula("chi2"), found.source("limit")),
            float(round(places)),
        )


def _straight(view: RecordView, found: FoundBy) -> Iterator[ExplainedFigure]:
    """Yield misfit and limit of the straight that does not fit, by its segment."""
    statistic, limit = found.number("statistic"), found.number("limit")
    ref = found.row.subject.partition(" ")[2]
    beside = [s for s in view.rows(SegmentRow) if ref in (s.from_ref, s.to_ref)]
    same = [s for s in beside if abs(s.straight_chi2 - statistic) <= _SHARE * statistic]
    for s in same[:1]:
        spare = max(s.straight_dof, 1.0)
        cited = held("pipe_segments", s.segment_id, "straight_chi2", "straight_dof")
        yield ExplainedFigure(
            f"misfit (χ²) of a straight pipe on {s.segment_id}", s.straight_chi2, "1",
            f"straight_chi2 of {s.segment_id}", "",
            (formula("least squares"), cited, found.source("statistic")), statistic,
            within=_SHARE * statistic,
        )  # fmt: skip
        yield ExplainedFigure(
            "limit of that misfit", float(chi2.isf(ALPHA, spare)), "1",
            f"what χ² with {counted(int(spare), 'freedom')} exceeds by a chance of {ALPHA:g}", "",
            (formula("chi2"), cited, found.source("limit")), limit, within=_SAME_LIMIT * limit,
        )  # fmt: skip
