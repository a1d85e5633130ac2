"""Findings on gross errors: how large they are, how sure, and in which direction.

Sizes are estimates of the adjustment with their covariance. In plan an error may be known across
the pipe and not along it: then only the part that the data tell is given.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import Final

import numpy as np

from lateralline.catalogue import Given, catalogue
from lateralline.distributions import chi2, norm
from lateralline.findings import Effect, Finding, finding
from lateralline.link.lines import LocatedPoint, SuspectedBlunder
from lateralline.link.stochastic import limit_of
from lateralline.records import Fixes, Floats, Line, Linked, SampledPaths

_Z95: Final = float(norm.ppf(0.975))
#: An error in plan of which a component is less sure than this is given across it only.
_TOLD_M: Final = 0.5
#: Two directions less than 30° apart are one, in words.
_ALIKE: Final = float(np.cos(np.radians(30.0)))
#: How far beside a stop at which the pipe turns the next stops are wanted.
_BESIDE_M: Final = 0.5
#: The warning that a measurement is wrong or the pipe bends there.
DOUBT: Final = "shape-undecided/or-wrong"
#: The errors that a stretch is longer than the cable that was pushed through it.
_TOO_LONG: Final = frozenset(("counter-wrong/too-short", "counter-wrong/detour"))
#: What is wrong of a point, in words.
READING: Final = {
    "plan": "position in plan",
    "level": "level",
    "heading": "heading",
    "tilt": "tilt",
    "counter": "counter reading",
    "kink": "direction",
}
#: A reading left out, or several that tie, are plainly wrong so many times over the limit. Chosen
#: on simulated lines: blunders of 0.5 m are mostly two times over it and more, what faultless
#: sweeps raise lies just above; readings that tie there hold one another's bends for errors. By
#: accuracies that are estimates themselves, what is left out must be as plain as those that tie:
#: limits by Student and Fisher of 30 degrees of freedom are 1.3 times as wide (computed, 0.1 %),
#: and where one accuracy was not what was stated, errors hardly are as normal as was assumed.
_PLAIN_TIMES: Final = {"alone": 1.7, "tied": 2.5}
#: A pipe that wanders widely by this many of its paths passes the limits of one that lies as most
#: do: only what so many of the paths hold for wrong or poor is an error there. Chosen likewise: on
#: lines with a blunder 8 % at most wander so.
_WIDE_SHARE, _DOUBTED_OF_WIDE = 0.1, 0.4
#: A stop that nothing else accuses, and so many of the paths hold for wrong or poor, is doubted.
#: Chosen as the least by which one plain line in twenty at most has a warning of this kind.
_DOUBTED_SHARE: Final = 0.3
#: Where no shape fits a stretch, the end that so many of the paths hold for wrong or poor is wrong.
#: Chosen likewise: of blunders there three in four of the paths and more say so.
_DOUBTED_BESIDE: Final = 0.7
#: And of those that take the field for turned, this many for a warning.
_TURNED_SHARE: Final = 0.5
#: Semi-axis of the 95 % ellipse over the standard one.
_ELLIPSE_95: Final = float(np.sqrt(chi2.isf(0.05, 2)))


def blunder(s: SuspectedBlunder) -> Finding:
    """Return the finding on a reading left out, or on a stop that the pipe turns at."""
    point, what = s.alternative.subject, s.alternative.what
    test = {"statistic": s.statistic, "limit": s.limit}
    values: dict[str, Given] = {**_size(s), **test}
    if what == "kink":
        values["beside_m"] = _BESIDE_M
        return finding("shape-undecided/turn", point.subject, where=point.where, more=values)
    variant = "known-level" if _of_level_alone(s) else what
    return finding(
        "blunder",
        point.subject,
        variant="counter-or-plan" if s.or_along else variant,
        where=point.where,
        moved_m=s.moved_m,
        moved_most=s.moved_most,
        more=values,
    )


def blunder_or_bend(
    suspicions: Sequence[SuspectedBlunder], lines: Sequence[Line], *, by_estimate: bool = False
) -> Finding:
    """Return the finding on a reading left out, or on several that tie, the likeliest first.

    An error where it is plainly wrong; else a warning, since a bend may explain it too. The
    adjustment suspects readings under the shapes it chose. If their line is one of `lines`, what is
    little over its limit accuses nobody, as a line of a dozen stops has as much by chance; nor,
    where the pipe itself wanders widely, what few of its paths hold for wrong. Accuracies that the
    site's own residuals say (`by_estimate`) want as plain a case as readings that tie.
    """
    first = suspicions[0]
    alone = len(suspicions) == 1
    paths = {name: _paths_of(name, lines) for name in _subjects(suspicions)}
    known = {name: p for name, p in paths.items() if p is not None}
    wide = any(p.wide_share >= _WIDE_SHARE for p in known.values())
    doubted = sum(_doubted_share(name, p) for name, p in known.items())
    times = _PLAIN_TIMES["alone" if alone and not by_estimate else "tied"]
    plain = first.statistic > times * first.limit and (not wide or doubted >= _DOUBTED_OF_WIDE)
    if plain or any(map(_of_level_alone, suspicions)) or len(known) < len(paths):
        return blunder(first) if alone else _untold("blunder", "tied", suspicions)
    shares = {"of_hundred": 100.0 * doubted, "sized": True}
    return _untold("shape-undecided", "or-wrong", suspicions, shares)


def doubted_stops(points: Sequence[LocatedPoint], lines: Sequence[Line]) -> list[Finding]:
    """Return a warning on each of these stops that many paths of its line hold for wrong or poor.

    What the adjustment denies under the shapes it chose is left; here all shapes are weighed.
    """
    out = []
    for point in points:
        paths = _paths_of(point.subject, lines) if point.fix >= 0 else None
        share = _doubted_share(point.subject, paths) if paths else 0.0
        if paths and share >= _DOUBTED_SHARE:
            out.append(
                finding(
                    "shape-undecided",
                    point.subject,
                    variant="or-wrong",
                    where=point.where,
                    readings=[
                        f"{reading} of {point.subject}" for reading in _doubted(point, paths)
                    ],
                    suspects=[point.subject],
                    of_hundred=100.0 * share,
                    sized=False,
                )
            )
    return out


def _subjects(suspicions: Sequence[SuspectedBlunder]) -> dict[str, None]:
    """Return the points that are suspected, each once, the likeliest first."""
    return dict.fromkeys(s.alternative.subject.subject for s in suspicions)


def _paths_of(subject: str, lines: Sequence[Line]) -> SampledPaths | None:
    """Return the paths of the line that a point is on; None without."""
    of = (line.paths for line in lines if line.paths is not None)
    return next((paths for paths in of if subject in paths.subjects), None)


def _doubted_share(subject: str, paths: SampledPaths) -> float:
    """Return the share of paths that hold a point or its counter for off."""
    return float(paths.wrong_share[paths.subjects.index(subject)].sum())


def _doubted(point: LocatedPoint, paths: SampledPaths) -> list[str]:
    """Return the readings of a point that its paths hold for wrong, in words."""
    of_point, of_counter, poor = paths.wrong_share[paths.subjects.index(point.subject)]
    by = {"plan": of_point + poor, "counter": of_counter}
    return [READING[what] for what in by if by[what] >= min(_DOUBTED_SHARE, max(by.values()))]


def _of_level_alone(s: SuspectedBlunder) -> bool:
    return s.alternative.what == "level" and bool(np.isnan(s.alternative.subject.xyz_m[0]))


def moved_stops(lines: Sequence[Line], fixes: Fixes, known: Sequence[Finding]) -> list[Finding]:
    """Return a warning on each stop drawn outside its own error ellipse, but of those known.

    The limit is that of a position in plan, 99.9 % of the fix's own ellipse. `known` are findings:
    what they speak of is left.
    """
    told = {subject for f in known for subject in (f.subject, *f.about)}
    out = []
    for line in lines:
        stood = np.flatnonzero(line.fix >= 0)
        own = line.fix[stood]
        off = line.xyz_m[stood, :2] - fixes.xyz_m[own, :2]
        cov = fixes.cov[own][:, :2, :2]
        far = np.einsum("ni,ni->n", off, np.linalg.solve(cov, off[..., None])[..., 0])
        far = far > limit_of("plan", 2)
        for i in np.flatnonzero(far).tolist():
            subject = f"stop {line.ref[stood[i]]}"
            if subject not in told:
                out.append(
                    finding(
                        "stop-moved",
                        subject,
                        where=fixes.where(int(own[i])),
                        off_m=np.hypot(*off[i]),
                        own_95_m=_ELLIPSE_95 * np.sqrt(np.linalg.eigvalsh(cov[i])[-1]),
                    )
                )
    return out


def turned_stops(lines: Sequence[Line], fixes: Fixes, known: Iterable[Finding]) -> list[Finding]:
    """Return a warning on each line of which most paths pass by metal nobody saw.

    `known` are findings: a stop that one of them denies is left, for where that was measured wrong
    nothing need have turned the field.
    """
    denied = {stop for f in known if f.denies for stop in f.suspects}
    out = []
    for line in lines:
        if line.paths is None or not len(line.paths.steel_share):
            continue
        unseen = {
            f"stop {ref}": fix
            for ref, fix in zip(line.ref, line.fix.tolist(), strict=True)
            if fix >= 0 and not (len(fixes.metal) and fixes.metal[fix])
        }
        share = dict(zip(line.paths.subjects, line.paths.steel_share.tolist(), strict=True))
        stops = {
            s: fix
            for s, fix in unseen.items()
            if share.get(s, 0.0) > _TURNED_SHARE and s not in denied
        }
        if stops:
            likeliest = max(stops, key=lambda s: share[s])
            out.append(
                finding(
                    "field-turned",
                    f"line {line.line}",
                    where=fixes.where(stops[likeliest]),
                    about=list(stops),
                    stops=list(stops),
                    of_hundred=100.0 * share[likeliest],
                )
            )
    return out


def rejected_exposures(linked: Linked) -> dict[str, Finding]:
    """Return the exposures of drawn lines whose position is a blunder, and what is said of each."""
    of_line = {
        f"exposure {ref}": str(ref)
        for line in linked.lines
        for ref in line.ref[line.kind == "exposure"]
    }
    return {
        of_line[f.subject]: f
        for f in linked.findings
        if (f.code, f.variant) == ("blunder", "plan") and f.subject in of_line
    }


def _untold(
    code: str,
    variant: str,
    suspicions: Sequence[SuspectedBlunder],
    more: Mapping[str, Given] = MappingProxyType({}),
) -> Finding:
    """Return the finding on an error not surely laid to one reading: the likeliest first."""
    first = suspicions[0].alternative.subject
    of = (
        f"{READING[what]} of {s.alternative.subject.subject}" for s in suspicions for what in _of(s)
    )
    return finding(
        code,
        first.subject,
        variant=variant,
        where=first.where,
        readings=dict.fromkeys(of),
        suspects=_subjects(suspicions),
        statistic=suspicions[0].statistic,
        limit=suspicions[0].limit,
        more={**_size(suspicions[0]), **more},
    )


def _of(s: SuspectedBlunder) -> tuple[str, ...]:
    """Return the kinds of readings of which one is suspected."""
    return (s.alternative.what, "plan") if s.or_along else (s.alternative.what,)


def blunder_beside(
    ends: Sequence[LocatedPoint], lines: Sequence[Line], test: tuple[float, float]
) -> Finding | None:
    """Return the finding on the end of a stretch that most paths hold for wrong or poor, if one is.

    No shape fits between `ends`; `test`: χ² of a straight, its limit. `lines` are those drawn.
    """
    known = [(p, paths) for p in ends if (paths := _paths_of(p.subject, lines)) is not None]
    if not known:
        return None
    point, paths = max(known, key=lambda end: _doubted_share(end[0].subject, end[1]))
    share = _doubted_share(point.subject, paths)
    if share < _DOUBTED_BESIDE:
        return None
    return finding(
        "blunder",
        point.subject,
        variant="contradiction",
        where=point.where,
        readings=_doubted(point, paths),
        of_hundred=100.0 * share,
        statistic=test[0],
        limit=test[1],
    )


def doubts(made: Finding) -> bool:
    """True when a finding says that a measurement of its suspects is wrong, or the pipe bends."""
    return made.name == DOUBT


def _size(s: SuspectedBlunder) -> dict[str, Given]:
    what, size = s.alternative.what, s.size
    if what == "plan":
        return _in_plan(s)
    if what == "kink":
        return {"turn_deg": min(abs(float(np.degrees(size[1] - size[0]))), 180.0)}
    sigma = float(np.sqrt(s.size_cov[0, 0])) if s.size_cov.size else float("nan")
    if what in ("heading", "tilt"):
        return {"off_deg": np.degrees(size[0]), "sigma_deg": np.degrees(sigma)}
    return {"off_m": size[0], "sigma_m": sigma}


def _in_plan(s: SuspectedBlunder) -> dict[str, Given]:
    """How far off in plan, as far as the data tell: along the pipe they may not."""
    values, vectors = np.linalg.eigh(s.size_cov)
    surest, other = vectors.T
    loose = float(np.sqrt(values[1]))
    if not s.alternative.subject.readings and np.isfinite(s.way).all():
        # where along the pipe a point without counter belongs, only its own position says
        surest, other, loose = np.array([s.way[1], -s.way[0]]), s.way, np.inf
    if loose < _TOLD_M or abs(float(s.size @ other)) > _Z95 * loose:
        return directed(s.size, s.size_cov) | {"across": False, "one_way": False}
    off = float(s.size @ surest)
    across = abs(float(s.way @ other)) > _ALIKE
    return {
        "off_m": abs(off),
        "sigma_m": _sigma(s.size_cov, surest),
        "bearing_deg": _bearing_deg(surest * np.sign(off)),
        "across": across,
        "one_way": not across,
    }


def directed(size_m: Floats, cov_m2: Floats) -> dict[str, Given]:
    """Return length, standard deviation along it, and bearing of a difference (2,) in plan."""
    off = float(np.hypot(*size_m))
    way = size_m / off if off > 0 else np.array([0.0, 1.0])
    return {"off_m": off, "sigma_m": _sigma(cov_m2, way), "bearing_deg": _bearing_deg(way)}


def _sigma(cov: Floats, way: Floats) -> float:
    return float(np.sqrt(way @ cov @ way))


def _bearing_deg(way: Floats) -> float:
    return float(np.degrees(np.arctan2(way[0], way[1])) % 360)


def stops_shifted(
    line: str,
    ends: tuple[LocatedPoint, LocatedPoint],
    few: Sequence[LocatedPoint],
    many: Sequence[LocatedPoint],
    size_m: Floats,
    cov_m2: Floats,
    test: tuple[float, float],
    *,
    sure: bool,
) -> Finding:
    """Return the finding on stops beside the rest of their line, all by the same (2,).

    `ends` are those of the stretch where the shift begins; `test`: its statistic, its limit;
    `sure`: no pipe does the same.
    """
    a, b = ends
    made = finding(
        "stops-shifted",
        f"line {line}",
        variant="sure" if sure else "doubtful",
        where=b.where or a.where,
        about=[p.subject for p in few],
        explains=[between(a.subject, b.subject), *([a.subject, b.subject] if sure else [])],
        stops=[p.ref for p in few],
        start=a.subject,
        end=b.subject,
        one=few[0].subject,
        other=many[0].subject,
        statistic=test[0],
        limit=test[1],
        more=directed(size_m, cov_m2),
    )
    if not sure:
        return made
    # a junction is blamed on its line, of which other findings stand
    of_line = Effect.of(("junction-doubtful/contradiction",), [f"line {line}"])
    return replace(made, explains=(*made.explains, of_line))


def one_stop_rather(made: Finding, lines: Sequence[Line]) -> Finding:
    """Return a finding; of stops that are surely shifted a warning where one stop explains it.

    The adjustment finds a shift under the shapes it chose: a stop put half a metre aside beside a
    bend is another bend to it. Over all shapes paths of `lines` then hold that stop for wrong.
    """
    if made.name != "stops-shifted/sure":
        return made
    beside = [str(made.values[end]) for end in ("start", "end")]
    known = [(point, paths) for point in beside if (paths := _paths_of(point, lines)) is not None]
    if max((_doubted_share(*one) for one in known), default=0.0) < _DOUBTED_SHARE:
        return made
    return finding(
        "stops-shifted/doubtful",
        made.subject,
        where=made.where,
        about=made.about,
        explains=[between(*beside)],
        more=made.values,
    )


def with_lengths(findings: Sequence[Finding]) -> list[Finding]:
    """Return findings; what denies a reading or a stop explains the lengths that it spoils.

    Of two neighbours further apart than the cable reached, the one that nothing else denies would
    be told first, and may be right.
    """
    long = [f for f in findings if f.name in _TOO_LONG]

    def told(found: Finding) -> Finding:
        spoilt = {f.name for f in long if found.subject in (f.subject, *f.about)}
        names = spoilt & catalogue().effects(found.code, found.variant)
        if not names:
            return found
        return replace(found, explains=(*found.explains, Effect.of(names, (found.subject,))))

    return [*map(told, findings)]


def between(start: str, end: str) -> str:
    """Return a stretch between two subjects as findings are about it."""
    return f"between {start} and {end}"
