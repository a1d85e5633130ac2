"""A record held against a register, line by line: same, moved, new, conflicting, gone."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from math import nan
from typing import Final, Literal

import numpy as np
import shapely

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.findings import Finding, finding
from lateralline.matching.located import LocatedLines, located_lines, nodes_of
from lateralline.matching.pairing import (
    BY_ID_M,
    Pairing,
    Uncertain,
    limit_sigmas,
    pairs_of,
    uncertain,
)
from lateralline.matching.register_lines import OnGround, RegisterLines
from lateralline.overlay.as_built import AsBuilt, named
from lateralline.record import CAUTION
from lateralline.record.layers import Shapes
from lateralline.records import Flags, Ints, Texts
from lateralline.wording import metres

Verdict = Literal["same", "moved", "conflicting", "new", "gone", "not_comparable"]
Relation = Literal["one_to_one", "one_to_many", "many_to_one", "many_to_many", "none"]
#: What to look at first.
ORDER: Final[tuple[Verdict, ...]] = (
    "conflicting", "moved", "gone", "not_comparable", "new", "same",
)  # fmt: skip
#: Lines no farther apart than this are looked at, if nothing else was asked for.
WITHIN_M: Final = 5.0
#: Lines of a register whose ends come so near join there: common practice, no source.
JOINED_M: Final = 0.3
_MOST_NAMED: Final = 10
_NO_LINE: Final = ("", "")
#: Lines are looked for at least as far as this, in σ of both as a rule.
_REACH_SIGMAS: Final = 4.0


class JudgedLine:
    """A row with what was found of it; None where there is nothing to say."""

    __slots__ = ()
    found: Finding | None

    @property
    def finding(self) -> str:
        """Code of what was found, with the variant; "" nothing."""
        return "" if self.found is None else self.found.name

    @property
    def what(self) -> str:
        """What was found, in words."""
        return "" if self.found is None else self.found.message

    @property
    def what_to_do(self) -> str:
        """What settles it."""
        return "" if self.found is None else self.found.what_to_do

    @property
    def caution(self) -> str:
        """What must be read before the row guides anyone."""
        return CAUTION


@dataclass(frozen=True, slots=True, eq=False)
class LineMatch(JudgedLine):
    """A line of the record with one of the register, or one of them alone."""

    site_id: str
    line_id: str  # "" of a line that only the register has
    register_id: str  # "" of a line that only the record has
    register_row: str  # file, layer and feature
    verdict: Verdict
    relation: Relation
    offset_m: float  # largest in σ; NaN where there is nothing to compare
    offset_95_m: float  # ± of that, both uncertainties taken together
    record_95_m: float
    register_95_m: float
    limit_m: float  # what chance explains, 99 in 100
    chainage_m: float  # of the record's line there
    alongside_m: float
    record_only_m: float  # of the record's line, along no line of the register
    register_only_m: float  # the other way round
    found: Finding | None  # None of lines that are the same
    path_m: shapely.LineString | None  # of the record's line, else the register's
    move_m: shapely.LineString | None  # from the register's line to the record's there

    @property
    def name(self) -> str:
        """The line of the record, else that of the register."""
        if self.line_id:
            return f"{self.site_id} {self.line_id}"
        return self.register_id


@dataclass(frozen=True, slots=True, eq=False)
class RegisterMatch:
    """What a record and a register make of each other."""

    lines: LocatedLines
    register_path_m: Shapes  # None without geometry
    register_ids: list[str]
    register_rows: list[str]
    matches: list[LineMatch]  # what to look at first, first
    notes: list[str]
    unit: str  # of the crews

    @property
    def counts(self) -> dict[Verdict, int]:
        """How many rows have each verdict."""
        found = Counter(m.verdict for m in self.matches)
        return {verdict: found[verdict] for verdict in ORDER}

    @property
    def agrees(self) -> bool:
        """Whether nothing of it asks to be looked at."""
        return all(m.verdict in ("same", "new") for m in self.matches)


def match(
    as_built: AsBuilt,
    register: RegisterLines,
    *,
    within_m: float = WITHIN_M,
    shift_sigma_m: float = nan,
) -> RegisterMatch:
    """Return each line of a record with what the register has along its whole length.

    Lines as far as `within_m` are looked at, or farther where positions are less sure than that.
    Raises FrameError when the register cannot be brought to the record, NotBuiltError when there
    is no located line.
    """
    lines = located_lines(as_built)
    ground = register.to_ground(lines.plane, shift_sigma_m)
    shapes, sigma = ground.shapes_m, ground.sigma_m
    ours = uncertain(lines)
    known = ours.sigma_m[np.isfinite(ours.sigma_m)]
    usual = np.hypot(np.median(known) if len(known) else 0.0, np.median(sigma))
    within_m = float(np.fmax(within_m, _REACH_SIGMAS * usual))  # as far as chance may lead
    there = ground.near(lines.path_m, max(within_m, BY_ID_M))
    theirs = Uncertain.of(shapes[there], shapely.get_num_points(shapes[there]), sigma[there])
    ids, where = register.ids[there], register.where[there]
    pairing = pairs_of(ours, theirs, _same_ids(lines, ids), within_m)
    ends = tuple(register.names[name][there] for name in ("upstream_access", "downstream_access"))
    nodes = _other_nodes(nodes_of(as_built, lines), lines, ends, pairing)
    judged = _Judged(lines, theirs, (ids, where), pairing, nodes, within_m)
    rows = [*judged.pairs(), *judged.alone(), *judged.gone()]
    for n in np.flatnonzero(shapely.is_missing(register.shapes)).tolist():
        name = str(register.ids[n]), str(register.where[n])
        found = finding("register-not-compared/register", f"register line {name[0]}")
        rows.append(_row(str(lines.site[0]), "", name, "not_comparable", found, None))
    drawn = lines.row_of()
    for site, line in dict.fromkeys((row.site_id, row.line_id) for row in as_built.unlocated):
        if line and (site, line) not in drawn:
            found = finding("register-not-compared/line", f"line {line}")
            rows.append(_row(site, line, _NO_LINE, "not_comparable", found, None))
    rows.sort(key=lambda m: (ORDER.index(m.verdict), -np.nan_to_num(m.offset_m)))
    notes = _notes(as_built, register, ground, (len(there), len(rows)), within_m)
    judged_rows = {m.register_row for m in rows}
    if left := [str(i) for i, row in zip(ids, where, strict=True) if row not in judged_rows]:
        more = f" and {len(left) - _MOST_NAMED} more" if left[_MOST_NAMED:] else ""
        notes.insert(
            0,
            f"Of the lines looked at, {len(left)} without a row: {', '.join(left[:_MOST_NAMED])}"
            f"{more}. Nothing is said of a line that may be a main, as lines of the record end on "
            "or cross mains, of one that lies by half or more on ground nobody surveyed, nor of "
            "the second line that a conflict names.",
        )
    names = register.ids.tolist(), register.where.tolist()
    return RegisterMatch(lines, shapes, *names, rows, notes, as_built.unit)


def _same_ids(lines: LocatedLines, ids: Texts) -> tuple[Ints, Ints]:
    """Return rows of record and register that one id names, and no other."""
    mine, theirs = (_once(x) for x in (lines.asset, ids))
    both = sorted(mine.keys() & theirs.keys())
    first, other = ([of[i] for i in both] for of in (mine, theirs))
    return np.array(first, dtype=np.int64), np.array(other, dtype=np.int64)


def _once(ids: Texts) -> dict[str, int]:
    names, first, count = np.unique(ids, return_index=True, return_counts=True)
    once = (count == 1) & (names != "")
    return dict(zip(names[once].tolist(), first[once].tolist(), strict=True))


class _Judged:
    """Verdicts on pairs, and on what has none."""

    def __init__(
        self,
        lines: LocatedLines,
        theirs: Uncertain,
        names: tuple[Texts, Texts],
        pairing: Pairing,
        other_nodes: dict[int, str],
        within_m: float,
    ) -> None:
        self.lines, self.theirs, self.p = lines, theirs, pairing
        self.ids, self.where = names
        self.within_m = within_m
        self.rivals = dict(zip(*(x.tolist() for x in pairing.rivals), strict=True))
        self.known = set(self.ids.tolist())
        self.elsewhere = _joins_elsewhere(lines, theirs, pairing, within_m)
        self.other_nodes = other_nodes

    def pairs(self) -> Iterator[LineMatch]:
        """Yield a row for each pair."""
        p = self.p
        many_ours, many_theirs = np.bincount(p.ours), np.bincount(p.theirs)
        own, its = (INTERVAL_95 * x for x in (p.sigma_m, p.register_sigma_m))
        places = _places(self.lines, self.theirs, p)
        for n, (i, j) in enumerate(zip(p.ours.tolist(), p.theirs.tolist(), strict=True)):
            both = float(np.hypot(own[n], its[n]))
            found, verdict = self._found(n, i, j, both)
            yield LineMatch(
                *self._key(i), str(self.ids[j]), str(self.where[j]), verdict,
                _relation(many_ours[i] > 1, many_theirs[j] > 1),
                offset_m=float(p.off_m[n]), offset_95_m=both, record_95_m=float(own[n]),
                register_95_m=float(its[n]), limit_m=both / INTERVAL_95 * float(p.limit_sigmas[n]),
                chainage_m=float(p.share[n] * self.lines.length_m[i]),
                alongside_m=float(p.alongside_m[n]), record_only_m=float(p.ours_only_m[i]),
                register_only_m=float(p.theirs_only_m[j]), found=found,
                path_m=self.lines.path_m[i], move_m=places[n],
            )  # fmt: skip

    def _found(self, n: int, i: int, j: int, both_95_m: float) -> tuple[Finding | None, Verdict]:
        """Return what there is to say of a pair, and its verdict."""
        p, subject, other = self.p, f"line {self.lines.line[i]}", str(self.ids[j])
        if np.isnan(p.off_m[n]):
            return finding(
                "register-not-compared/unbounded", subject, other=other
            ), "not_comparable"
        asset = str(self.lines.asset[i])
        if asset and asset != other and asset in self.known:
            return finding("register-conflict/id", subject, other=other, asset=asset), "conflicting"
        if (rival := self.rivals.get(i)) is not None and not p.moved[n]:
            second = str(self.ids[rival])
            return (
                finding("register-conflict/two-lines", subject, other=other, second=second),
                "conflicting",
            )
        if joined := self.elsewhere.get(n):
            ours, theirs = (self._named(x) for x in joined)
            return (
                finding("register-conflict/joins", subject, other=other, ours=ours, theirs=theirs),
                "conflicting",
            )
        if node := self.other_nodes.get(n):
            return (
                finding("register-conflict/node", subject, other=other, node=node),
                "conflicting",
            )
        if p.moved[n]:
            return (
                finding(
                    "register-moved", subject, other=other, off_m=float(p.off_m[n]),
                    off_sigma_m=both_95_m / INTERVAL_95,
                    at_m=float(p.share[n] * self.lines.length_m[i]),
                ),
                "moved",
            )  # fmt: skip
        return None, "same"

    def alone(self) -> Iterator[LineMatch]:
        """Yield a row for each located line along which the register has nothing."""
        for i in np.setdiff1d(np.arange(len(self.lines)), self.p.ours).tolist():
            found = finding("register-new", f"line {self.lines.line[i]}", within_m=self.within_m)
            yield _row(
                *self._key(i), _NO_LINE, "new", found, self.lines.path_m[i],
                record_only_m=float(shapely.length(self.lines.path_m[i])),
            )  # fmt: skip

    def gone(self) -> Iterator[LineMatch]:
        """Yield the register's lines on surveyed ground that no line of the record lies along.

        Ground is surveyed about the lines of one site, within what they span together. What a line
        ends near or crosses may be a main, which no survey of laterals follows.
        """
        sites, of = np.unique(self.lines.site, return_inverse=True)
        ground = [
            shapely.convex_hull(shapely.multilinestrings(self.lines.path_m[of == n].tolist()))
            for n in range(len(sites))
        ]
        areas = shapely.buffer(np.array(ground, dtype=object), self.within_m)
        paths = self.theirs.path_m
        ends = shapely.line_interpolate_point(self.lines.path_m, 0.0)
        every = shapely.STRtree(paths)
        sigma = self.lines.sigmas.at(np.arange(len(ends)), np.zeros(len(ends)))
        usual = float(np.median(self.theirs.sigma_m)) if len(paths) else 0.0
        near = limit_sigmas(np.ones(1)) * np.hypot(sigma, usual)
        mains = every.query(ends, predicate="dwithin", distance=np.nan_to_num(near) + JOINED_M)[1]
        crossed = every.query(self.lines.path_m, predicate="intersects")[1]
        other = np.concatenate([self.p.theirs, mains, crossed])
        left = np.setdiff1d(np.arange(len(self.ids)), other)
        tree = shapely.STRtree(areas)
        row, site = tree.query(paths[left], predicate="intersects")
        inside = shapely.length(shapely.intersection(paths[left[row]], areas[site]))
        share = inside / shapely.length(paths[left[row]])
        for r, s, part in zip(row.tolist(), site.tolist(), share.tolist(), strict=True):
            if part >= 0.5:
                j = int(left[r])
                found = finding("register-gone", f"register line {self.ids[j]}")
                yield _row(
                    str(sites[s]), "", (str(self.ids[j]), str(self.where[j])), "gone", found,
                    paths[j],
                    register_only_m=float(shapely.length(paths[j])),
                )  # fmt: skip

    def _key(self, i: int) -> tuple[str, str]:
        return str(self.lines.site[i]), str(self.lines.line[i])

    def _named(self, rows: frozenset[int]) -> list[str]:
        return sorted(str(self.ids[j]) for j in rows)


def _joins_elsewhere(
    lines: LocatedLines, theirs: Uncertain, p: Pairing, within_m: float
) -> dict[int, tuple[frozenset[int], frozenset[int]]]:
    """Return pairs whose downstream end is on other lines of the register than theirs joins.

    With each the lines that the record's end is on, or is said to join, and those that the
    register's does. Where either of both ends on nothing there is nothing to contradict.
    """
    tree, every = shapely.STRtree(theirs.path_m), np.arange(len(p.ours))
    group: dict[int, set[int]] = {}
    for i, j in zip(p.ours.tolist(), p.theirs.tolist(), strict=True):
        group.setdefault(i, set()).add(j)
    end = shapely.line_interpolate_point(lines.path_m[p.ours], 0.0)
    here = lines.sigmas.at(p.ours, np.zeros(len(p.ours)))
    reach = np.nan_to_num(p.limit_sigmas * np.hypot(here, p.register_sigma_m))
    ours = _touched(tree, end, reach)
    their_ends = [shapely.line_interpolate_point(theirs.path_m[p.theirs], x, normalized=True)
                  for x in (0.0, 1.0)]  # fmt: skip
    apart = np.stack([shapely.distance(end, e) for e in their_ends])
    near = np.where(apart[0] <= apart[1], *their_ends)
    at_end = apart.min(axis=0) <= within_m
    joined = _touched(tree, near, np.full(len(every), JOINED_M))
    row_of = lines.row_of()
    made = {}
    for n, i in enumerate(p.ours.tolist()):
        own = group[i]
        said = row_of.get((str(lines.site[i]), str(lines.joins[i])))
        mine = frozenset(group.get(said, ())) if said is not None else frozenset(ours[n] - own)
        its = frozenset(joined[n] - own)
        if at_end[n] and mine and its and not mine & its:
            made[n] = (mine, its)
    return made


def _other_nodes(
    nodes: tuple[list[set[str]], dict[str, set[str]]],
    lines: LocatedLines,
    ends: tuple[Texts, ...],
    p: Pairing,
) -> dict[int, str]:
    """Return pairs whose register line names a node at an end that the record has elsewhere.

    A name that is no node of the record's site is the register's own, and contradicts nothing.
    """
    on_line, of_site = nodes
    made = {}
    for n, (i, j) in enumerate(zip(p.ours.tolist(), p.theirs.tolist(), strict=True)):
        elsewhere = of_site.get(str(lines.site[i]), set()) - on_line[i]
        if odd := [str(end[j]) for end in ends if str(end[j]) in elsewhere]:
            made[n] = odd[0]
    return made


def _touched(tree: shapely.STRtree, points: Shapes, reach_m: np.ndarray) -> list[set[int]]:
    """Return the rows of a tree that each point (n) comes as near as (n,) to."""
    made: list[set[int]] = [set() for _ in range(len(points))]
    for point, row in tree.query(points, predicate="dwithin", distance=reach_m).T.tolist():
        made[point].add(row)
    return made


def _places(lines: LocatedLines, theirs: Uncertain, p: Pairing) -> list[shapely.LineString | None]:
    """Return the way from the register's line to the record's where each pair is worst."""
    share = np.nan_to_num(p.share)
    here = shapely.line_interpolate_point(lines.path_m[p.ours], share, normalized=True)
    ways = shapely.shortest_line(theirs.path_m[p.theirs], here)
    unknown: Flags = np.isnan(p.off_m) | (shapely.length(ways) == 0.0)
    return [None if no else way for no, way in zip(unknown.tolist(), ways, strict=True)]


def _relation(many_theirs: bool, many_ours: bool) -> Relation:
    if many_ours and many_theirs:
        return "many_to_many"
    return "one_to_many" if many_theirs else "many_to_one" if many_ours else "one_to_one"


def _row(
    site: str,
    line: str,
    other: tuple[str, str],
    verdict: Verdict,
    found: Finding,
    path_m: shapely.LineString | None,
    *,
    record_only_m: float = nan,
    register_only_m: float = nan,
) -> LineMatch:
    """Return the row of a line that has no pair."""
    return LineMatch(
        site, line, *other, verdict, "none", nan, nan, nan, nan, nan, nan, nan, record_only_m,
        register_only_m, found, path_m, None,
    )  # fmt: skip


def _notes(
    as_built: AsBuilt,
    register: RegisterLines,
    ground: OnGround,
    counts: tuple[int, int],
    within_m: float,
) -> list[str]:
    """Return what a reader must know of the whole."""
    placeless = [f"Lines of this record without a place: {named(as_built.placeless)}."]
    return [
        *(placeless if as_built.placeless else []),
        f"{counts[0]} of {len(register.ids)} lines of the register lie about the record and were "
        f"looked at, as far as {metres(within_m)} from a line; {counts[1]} rows.",
        *register.said_of_sigma,
        ground.note,
        "Moved: farther apart than 99 in 100 pairs of one pipe would be by chance, all places of "
        "a pair together. The same is no clearance to dig. A line called gone may still be there.",
        *register.notes,
    ]
