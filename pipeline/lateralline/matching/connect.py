"""Where laterals meet the main: which main, how far from its upstream access, side and angle."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from math import degrees, exp, isfinite, nan
from typing import Final, Literal

import numpy as np
import shapely

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.errors import FrameError
from lateralline.findings import Finding, finding
from lateralline.frames import DEPTH_ONLY, SITE_ZERO
from lateralline.matching.located import (
    DownstreamEnds,
    LocatedLines,
    downstream_ends,
    located_lines,
)
from lateralline.matching.match import JOINED_M, JudgedLine
from lateralline.matching.pairing import limit_sigmas
from lateralline.matching.register_lines import RegisterLines
from lateralline.overlay.as_built import AsBuilt, named
from lateralline.record.layers import Shapes
from lateralline.records import Floats, Ints
from lateralline.wording import counted, metres

Meeting = Literal["meets", "stops_short", "crosses", "two_mains", "no_main", "not_comparable"]
#: What to look at first.
MEETINGS: Final[tuple[Meeting, ...]] = (
    "two_mains", "crosses", "stops_short", "no_main", "not_comparable", "meets",
)  # fmt: skip
#: A main farther ahead of a line's end than this is none of the line's: common practice, no source.
AHEAD_M: Final = 5.0
#: One of two mains is the line's where it is this likely.
_SURE: Final = 0.95
#: 1 in 100 by chance.
_LOW_SIGMAS: Final = 2.326
#: A line that ends nearer than this to a main's side shows no gap in two decimals.
LEAST_GAP_M: Final = 0.005
#: Over which a main's direction is taken, to each side.
_ABOUT_M: Final = 0.5
#: Lines nearer to a main's direction than this give no place on it by their own direction.
_ALONG_RAD: Final = np.radians(15.0)


@dataclass(frozen=True, slots=True, eq=False)
class Connection(JudgedLine):
    """Where one line of a record meets a main, or would straight on; NaN and "" unknown."""

    site_id: str
    line_id: str
    meeting: Meeting
    main_id: str
    upstream_access_id: str
    downstream_access_id: str
    chainage_m: float  # along the main, from its upstream access
    chainage_sigma_m: float
    at_access_id: str  # the access that the line meets; "" none
    side: Literal["left", "right", ""]  # of the main, looking downstream
    angle_deg: float  # between both flows: 45 a wye, 90 a tee, more is against the main's flow
    angle_sigma_deg: float
    gap_m: float  # from the end of the located line to the main's side
    gap_95_m: float
    invert_level_m: float  # of the line, at its downstream end
    main_invert_level_m: float  # between its ends, by length
    above_main_m: float  # invert above the main's; NaN where levels do not compare
    above_main_sigma_m: float  # of the line's alone: the main's is taken as it stands
    others: tuple[str, ...]  # mains as likely, or crossed
    found: Finding | None
    place_m: shapely.Point | None  # on the main
    z_m: float  # level of the line's invert, as drawn
    record_sha256: str  # of the GeoPackage the line is in

    @property
    def chainage_95_m(self) -> float:
        """Half of the 95 % interval of the chainage."""
        return INTERVAL_95 * self.chainage_sigma_m

    @property
    def other_main_ids(self) -> str:
        """The other mains, parted by commas."""
        return ", ".join(self.others)


@dataclass(frozen=True, slots=True, eq=False)
class Connections:
    """Every line of a record that joins no other line of it, with the mains."""

    lines: LocatedLines
    main_path_m: Shapes  # None without geometry
    main_ids: list[str]
    found: list[Connection]  # what to look at first, first
    notes: list[str]
    unit: str  # of the crews

    @property
    def counts(self) -> dict[Meeting, int]:
        """How many lines meet how."""
        found = Counter(c.meeting for c in self.found)
        return {meeting: found[meeting] for meeting in MEETINGS}

    @property
    def all_meet(self) -> bool:
        """Whether every line meets one main, and nothing is to be looked at."""
        return all(c.meeting == "meets" and c.found is None for c in self.found)


@dataclass(frozen=True, slots=True, eq=False)
class NearMains:
    """Mains near the downstream ends of lines (k of both)."""

    line: Ints
    main: Ints
    off_m: Floats  # from the end to the main's axis
    gap_m: Floats  # to its side: nothing within the pipe
    sigma_m: Floats  # of both on each axis
    limit_m: Floats  # of the gap, that chance explains in 99 of 100
    crossed: Floats  # how far up the line its path crosses the main; NaN nowhere
    ahead_m: Floats  # from the end along its direction to the main; NaN not met
    at_m: Floats  # along the main: where the direction meets it, else its nearest place
    at_sigma_m: Floats
    angle_rad: Floats
    angle_sigma_rad: Floats
    left: Floats  # > 0: the line comes from the left of the main


def connect(
    as_built: AsBuilt,
    mains: RegisterLines,
    *,
    ahead_m: float = AHEAD_M,
    against_flow: bool = False,
    same_levels: bool = False,
    shift_sigma_m: float = nan,
) -> Connections:
    """Return where each line that joins no other line of a record meets a main.

    Mains are drawn with the flow, from their upstream access; `against_flow` says the other way.
    `same_levels`: their inverts are on the record's basis. Raises FrameError when the mains cannot
    be brought to the record, or levels cannot be the same; NotBuiltError without a located line.
    """
    lines = located_lines(as_built)
    if same_levels:
        _refuse_levels(as_built)
    ground = mains.to_ground(lines.plane, shift_sigma_m)
    shapes, sigma = ground.shapes_m, ground.sigma_m
    if against_flow:
        shapes = shapely.reverse(shapes)
    free = np.flatnonzero(lines.joins == "")
    ends = downstream_ends(as_built, lines)
    radius = mains.lengths_m["diameter"] / 2.0
    near = mains_near(lines.path_m, ends, free, shapes, sigma, radius, ahead_m)
    maker = _Maker(
        lines, ends, mains, shapes, near, ahead_m, same_levels=same_levels,
        record_sha256=as_built.sha256,
    )  # fmt: skip
    found = sorted((maker.of(n) for n in free.tolist()), key=lambda c: MEETINGS.index(c.meeting))
    joined = len(lines) - len(free)
    up, down = (mains.lengths_m[f"{end}_invert"] for end in ("upstream", "downstream"))
    rising, held = int((down > up).sum()), int((~shapely.is_missing(shapes)).sum())
    notes = [
        f"{counted(len(free), 'line')} held against {counted(held, 'main')}, as far as "
        f"{metres(ahead_m)} ahead of the end; {joined} that join another line of the record "
        "left out.",
        *mains.said_of_sigma,
        ground.note,
        "Chainage counts along the main, as drawn, from its upstream access. Side and angle are as "
        "seen looking downstream. A place on the main is no clearance to dig.",
        *mains.notes,
    ]
    if any(c.gap_m > LEAST_GAP_M for c in found):
        notes.append(
            "Gap: from the end of the located line to the main's side. Pipe in the gap is not "
            "located, where a line meets a main too."
        )
    if not same_levels and any(isfinite(c.invert_level_m + c.main_invert_level_m) for c in found):
        notes.append(
            "Inverts of line and main are both there and not compared: nothing says that both "
            "count from the same zero. If so, say --main-levels same."
        )
    if rising:
        notes.insert(
            0,
            f"Rising downstream by inverts: {counted(rising, 'main')}; check which end is up.",
        )
    if as_built.placeless:
        notes.insert(0, f"Lines of this record without a place: {named(as_built.placeless)}.")
    return Connections(lines, shapes, mains.ids.tolist(), found, notes, as_built.unit)


def _refuse_levels(as_built: AsBuilt) -> None:
    """Raise FrameError where levels of mains cannot be on the record's basis."""
    datums = set(map(str, as_built.layers["pipe_centreline"]["level_datum"]))
    if DEPTH_ONLY in datums:
        raise FrameError("--main-levels same does not apply: the record has depths only, no levels")
    if len(datums) > 1 or (SITE_ZERO in datums and len(as_built.sites) > 1):
        raise FrameError(
            "levels of mains cannot be the same as those of built sites on "
            f"{len(datums)} level bases ({', '.join(sorted(datums))}): give one site's record"
        )


def mains_near(
    path_m: Shapes,
    ends: DownstreamEnds,
    free: Ints,
    mains: Shapes,
    sigma_m: Floats,
    radius_m: Floats,
    ahead_m: float,
) -> NearMains:
    """Return the mains (m) that lines (n), those of the rows `free`, end near, cross or head for.

    `sigma_m` (m,) is of the mains' positions on each axis; a radius (m,) that is NaN is none.
    """
    tree = shapely.STRtree(mains)
    point = shapely.points(ends.point_m)
    reach = ahead_m + 3.0 * np.nan_to_num(ends.sigma_m)
    beside = tree.query(point[free], predicate="dwithin", distance=reach[free])
    across = tree.query(path_m[free], predicate="intersects")
    line, main = np.unique(np.column_stack([beside, across]), axis=1)
    line = free[line]
    axis, p, u = mains[main], ends.point_m[line], ends.way[line]
    sigma = np.hypot(ends.sigma_m[line], sigma_m[main])
    limit = limit_sigmas(np.ones(1))[0] * sigma
    off = np.asarray(shapely.distance(axis, point[line]), dtype=np.float64)
    gap = np.maximum(off - np.nan_to_num(radius_m[main]), 0.0)

    crossing = shapely.intersection(path_m[line], axis)
    spot = shapely.get_point(shapely.shortest_line(crossing, point[line]), 0)
    crossed = np.asarray(shapely.line_locate_point(path_m[line], spot), dtype=np.float64)

    # The way on, and back as far as the end may be past the axis by chance.
    back = np.nan_to_num(limit + off)
    ray = shapely.linestrings(np.stack([p - back[:, None] * u, p + reach[line][:, None] * u], 1))
    hit = shapely.get_point(shapely.shortest_line(shapely.intersection(ray, axis), point[line]), 0)
    hit_xy = np.full((len(line), 2), np.nan)
    met = ~shapely.is_missing(hit)
    hit_xy[met] = shapely.get_coordinates(hit[met])
    ahead = ((hit_xy - p) * u).sum(axis=1)

    foot = np.asarray(shapely.line_locate_point(axis, point[line]), dtype=np.float64)
    at = np.where(met, shapely.line_locate_point(axis, hit), foot)
    flow = _direction(axis, at)
    turn = np.arccos(np.clip((flow * u).sum(axis=1), -1.0, 1.0))
    sine = np.abs(np.sin(turn))
    by_way = met & (sine > np.sin(_ALONG_RAD))
    at = np.where(by_way, at, foot)
    flow = _direction(axis, at)
    turn = np.arccos(np.clip((flow * u).sum(axis=1), -1.0, 1.0))
    length = shapely.length(axis)
    of_main = np.sqrt(2.0) * sigma_m[main] / np.maximum(length, 1e-9)
    swing = np.hypot(ends.way_sigma_rad[line], of_main)
    aside = np.where(by_way, np.hypot(sigma, np.nan_to_num(ahead) * swing) / np.maximum(sine, 0.1),
                     sigma)  # fmt: skip
    return NearMains(
        line=line, main=main, off_m=off, gap_m=gap, sigma_m=sigma, limit_m=limit, crossed=crossed,
        ahead_m=np.where(by_way, ahead, np.nan), at_m=at,
        at_sigma_m=np.hypot(aside, sigma_m[main]), angle_rad=turn, angle_sigma_rad=swing,
        left=u[:, 0] * flow[:, 1] - u[:, 1] * flow[:, 0],
    )  # fmt: skip


def _direction(lines: Shapes, at_m: Floats) -> Floats:
    """Return the unit directions (n, 2) of lines at distances along them."""
    length = shapely.length(lines)
    low, high = np.maximum(at_m - _ABOUT_M, 0.0), np.minimum(at_m + _ABOUT_M, length)
    a, b = (shapely.get_coordinates(shapely.line_interpolate_point(lines, s)) for s in (low, high))
    return np.asarray((b - a) / np.maximum(np.linalg.norm(b - a, axis=1), 1e-12)[:, None])


class _Maker:
    """Makes the connection of one line after the other."""

    def __init__(
        self,
        lines: LocatedLines,
        ends: DownstreamEnds,
        mains: RegisterLines,
        shapes: Shapes,
        near: NearMains,
        ahead_m: float,
        *,
        same_levels: bool,
        record_sha256: str,
    ) -> None:
        self.record_sha256 = record_sha256
        self.lines, self.ends, self.mains, self.shapes = lines, ends, mains, shapes
        self.near, self.ahead_m, self.same_levels = near, ahead_m, same_levels
        order = np.argsort(near.line, kind="stable")
        self.rows = order
        self.first = np.searchsorted(near.line[order], np.arange(len(lines) + 1))

    def of(self, n: int) -> Connection:
        """Return where line `n` meets a main."""
        rows = self.rows[self.first[n] : self.first[n + 1]]
        subject, near = f"line {self.lines.line[n]}", self.near
        if not np.isfinite(self.ends.sigma_m[n]):
            return self._made(n, None, "not_comparable",
                              finding("main-not-judged", subject))  # fmt: skip
        meets = rows[near.gap_m[rows] <= near.limit_m[rows]]
        if len(meets):
            return self._meets(n, meets, rows)
        over = rows[np.isfinite(near.crossed[rows])]
        if len(over):
            k = int(over[np.argmin(near.crossed[over])])
            found = finding("main-crossed/past", subject, main=self._name(k),
                            past_m=float(near.crossed[k]))  # fmt: skip
            return self._made(n, k, "crosses", found, over)
        ahead = rows[near.ahead_m[rows] > 0.0]
        ahead = ahead[np.argsort(near.ahead_m[ahead])]
        if len(ahead):
            return self._short(n, int(ahead[0]), ahead, float(near.ahead_m[ahead[0]]))
        if len(rows):
            k = int(rows[np.argmin(near.gap_m[rows])])
            return self._short(n, k, rows[:0], float(near.gap_m[k]))
        found = finding("main-not-reached/none", subject, within_m=self.ahead_m)
        return self._made(n, None, "no_main", found)

    def _short(self, n: int, k: int, others: Ints, gap_m: float) -> Connection:
        subject, sigma = f"line {self.lines.line[n]}", float(self.near.sigma_m[k])
        variant = "several" if len(others) > 1 else "short"
        found = finding("main-not-reached", subject, variant=variant, main=self._name(k),
                        gap_m=gap_m, gap_sigma_m=sigma, others=self._names(others, k))  # fmt: skip
        return self._made(n, k, "stops_short", found, others)

    def _meets(self, n: int, meets: Ints, rows: Ints) -> Connection:
        """Return the connection of a line that ends on one main or more."""
        near, subject = self.near, f"line {self.lines.line[n]}"
        odds = np.array([exp(-0.5 * z * z) for z in (near.gap_m[meets] / near.sigma_m[meets])])
        best = int(meets[np.argmax(odds)])
        access = self._access(best, meets)
        if len(meets) > 1 and not access and odds.max() < _SURE * odds.sum():
            doubt = finding("main-undecided", subject, main=self._name(best),
                            others=self._names(meets, best))  # fmt: skip
            return self._made(n, best, "two_mains", doubt, meets)
        over = [int(k) for k in rows if near.crossed[k] > near.limit_m[k] and k not in meets]
        found: Finding | None = None
        if over:
            found = finding("main-crossed/on-the-way", subject, main=self._name(over[0]),
                            at_m=float(near.crossed[over[0]]))  # fmt: skip
        return self._made(n, best, "meets", found, np.array(over, dtype=np.int64), access=access)

    def _access(self, best: int, meets: Ints) -> str:
        """Return the access at which all the mains that a line ends on come together; "" none."""
        near = self.near
        axis = self.shapes[near.main[best]]
        length, at = axis.length, float(near.at_m[best])
        if min(at, length - at) > near.limit_m[best]:
            return ""
        end = axis.interpolate(0.0 if at < length - at else length)
        here = shapely.distance(shapely.boundary(self.shapes[near.main[meets]]), end) <= JOINED_M
        if not here.all():
            return ""
        side = "upstream_access" if at < length - at else "downstream_access"
        return str(self.mains.names[side][near.main[best]])

    def _name(self, k: int) -> str:
        return str(self.mains.ids[self.near.main[k]])

    def _names(self, rows: Ints, but: int) -> list[str]:
        return [self._name(int(k)) for k in rows if k != but]

    def _made(
        self,
        n: int,
        k: int | None,
        meeting: Meeting,
        found: Finding | None,
        others: Ints | None = None,
        *,
        access: str = "",
    ) -> Connection:
        lines, near, names = self.lines, self.near, self.mains.names
        key = str(lines.site[n]), str(lines.line[n])
        invert = float(lines.invert_m[n])
        if k is None:
            return Connection(
                *key, meeting, "", "", "", nan, nan, "", "", nan, nan, nan, nan, invert, nan, nan,
                nan, (), found, None, float(lines.z_m[n]), self.record_sha256,
            )  # fmt: skip
        j, at = int(near.main[k]), float(near.at_m[k])
        main_invert = self._main_invert(j, at)
        above = invert - main_invert if self.same_levels else nan
        sigma = float(lines.invert_sigma_m[n])
        if found is None and -above > _LOW_SIGMAS * sigma:
            found = finding("connection-low", f"line {key[1]}", main=self._name(k),
                            below_m=-above, below_sigma_m=sigma)  # fmt: skip
        return Connection(
            *key, meeting, self._name(k), str(names["upstream_access"][j]),
            str(names["downstream_access"][j]), at, float(near.at_sigma_m[k]), access,
            "left" if near.left[k] > 0.0 else "right", degrees(near.angle_rad[k]),
            degrees(near.angle_sigma_rad[k]), float(near.gap_m[k]),
            INTERVAL_95 * float(near.sigma_m[k]), invert, main_invert, above,
            sigma if self.same_levels else nan,
            tuple(self._names(others, k)) if others is not None else (), found,
            self.shapes[j].interpolate(at), float(lines.z_m[n]), self.record_sha256,
        )  # fmt: skip

    def _main_invert(self, j: int, at_m: float) -> float:
        """Return a main's invert between its ends, by length; NaN where one is not known."""
        inverts = (self.mains.lengths_m[f"{end}_invert"][j] for end in ("upstream", "downstream"))
        up, down = map(float, inverts)
        return up + (down - up) * at_m / float(self.shapes[j].length)
