"""Spots with their tapes: as words on a card, and as a layer of lines from point to spot."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from math import degrees, isnan, nan
from pathlib import Path
from typing import Final

import numpy as np
import shapely

from lateralline import contract
from lateralline.derive.ellipses import INTERVAL_95
from lateralline.errors import FrameError
from lateralline.frames.frame import WGS84_2D
from lateralline.frames.operations import PLAN_95, apply, best
from lateralline.kernels.tying import choose
from lateralline.measure import Measure
from lateralline.output import stamp, whole_file
from lateralline.record.ground import GroundPlane
from lateralline.record.layers import to_table
from lateralline.records import Floats
from lateralline.terms import region_of, word
from lateralline.ties.spots import TapePoints, TieSpot
from lateralline.write.geojson import GeoJSONSink
from lateralline.write.geopackage import GeoPackageSink
from lateralline.write.manifest import created_at

#: Parts of what a card is off by → what they are called.
_WHOSE: Final = {"tapes": "tapes", "points": "points", "record": "record"}


@dataclass(frozen=True, slots=True)
class TieLimits:
    """What a tie must keep to, and how well a tape is read."""

    longest_m: float
    flattest_rad: float
    tape_m: float  # σ of a taped distance: this
    tape_ratio: float  # and this times its length


@dataclass(frozen=True, slots=True, eq=False)
class TieTape:
    """One taped distance."""

    point: str
    point_m: Floats  # (2,) on the ground
    distance_m: float


@dataclass(frozen=True, slots=True, eq=False)
class Card:
    """A spot and its tapes; without tapes, why not."""

    spot: TieSpot
    tapes: tuple[TieTape, ...] = ()  # two, and the check where there is one
    side: str = ""  # of the spot, looking from the first point to the second
    cut_deg: float = nan
    tape_cov_m2: Floats | None = None
    point_cov_m2: Floats | None = None
    check_sigma_m: float = nan
    reason: str = ""

    @property
    def tied(self) -> bool:
        """Whether there are tapes."""
        return bool(self.tapes)

    @property
    def check_95_m(self) -> float:
        """How far the third tape may be from what it should read, 95 %."""
        return INTERVAL_95 * self.check_sigma_m

    def scatter_m(self, part: str) -> tuple[float, float]:
        """Return σ and 95 % reach of `tapes`, `points`, `record` or `all`.

        Both are in the worst direction: σ is the longer half axis of the 1 σ ellipse, the reach
        that of the 95 % ellipse, against the control. Record and points are taken as independent;
        where the survey hung on the same points that is, as a rule, too wide.
        """
        if not self.tied or not np.isfinite(self.spot.cov_m2).all():
            return nan, nan
        parts = {
            "tapes": self.tape_cov_m2,
            "points": self.point_cov_m2,
            "record": self.spot.cov_to_control_m2,
        }
        chosen = list(parts.values()) if part == "all" else [parts[part]]
        cov = sum((c for c in chosen if c is not None), np.zeros((2, 2)))
        if not np.isfinite(cov).all():
            return nan, nan
        sigma = float(np.sqrt(max(np.linalg.eigvalsh(cov)[-1], 0.0)))
        return sigma, PLAN_95 * sigma


def tie(spots: Sequence[TieSpot], points: TapePoints, limits: TieLimits) -> list[Card]:
    """Return one card for each spot, tied or not."""
    if not spots:
        return []
    at = np.array([spot.ground_m for spot in spots])
    found = choose(
        at,
        points.ground_m,
        points.sigma_m,
        tape_m=limits.tape_m,
        tape_ratio=limits.tape_ratio,
        longest_m=limits.longest_m,
        flattest_rad=limits.flattest_rad,
    )
    cards = []
    for i, spot in enumerate(spots):
        if found.left[i] == 0:
            reason = _why_not(
                spot, int(found.within[i]), float(found.best_cut_rad[i]), len(points.name)
            )
            cards.append(Card(spot, reason=reason))
            continue
        tapes = tuple(
            TieTape(points.name[p], points.ground_m[p], float(d))
            for p, d in zip(found.point[i], found.distance_m[i], strict=True)
            if p >= 0
        )
        cards.append(
            Card(
                spot,
                tapes,
                "left" if found.left[i] > 0 else "right",
                degrees(found.cut_rad[i]),
                found.tape_cov_m2[i],
                found.point_cov_m2[i],
                float(found.check_sigma_m[i]),
            )
        )
    return cards


def _why_not(spot: TieSpot, within: int, best_cut_rad: float, known: int) -> str:
    if not np.isfinite(spot.ground_m).all():
        return spot.remark or "it has no position"
    if known < 2:
        return (
            f"the site has {known or 'no'} control point{'' if known == 1 else 's'}: give --points"
        )
    if within < 2:
        reached = f"{within or 'no'} point{'' if within == 1 else 's'}"
        return f"{reached} within the longest tape: give --points or a longer one"
    return f"its points cross at {degrees(best_cut_rad):.0f}° at best: tape from another point"


# ---- in words ---------------------------------------------------------------------------------


def card_lines(card: Card, measure: Measure, limits: TieLimits) -> list[str]:
    """Return a card as lines of text: its name, what to tape, how sure, how deep; then the rest."""
    if not card.tied:
        return [f"{card.spot.name}  {card.spot.kind}", f"  cannot be tied: {card.reason}"]
    return [
        _head(card, measure),
        *_tapes(card, measure),
        _within(card, measure),
        *_depth(card, measure),
        *_statistics(card, measure, limits),
    ]


def _head(card: Card, measure: Measure) -> str:
    spot = card.spot
    along = word("distance along pipe", region_of(measure.plain))
    return f"{spot.name}  {spot.kind}  (line {spot.line}, {along} {measure.level(spot.chainage_m)})"


def _tapes(card: Card, measure: Measure) -> Iterator[str]:
    first, second, *check = card.tapes
    width = max(len(t.point) for t in card.tapes)
    if card.spot.remark:
        yield f"  note     {card.spot.remark}"
    yield f"  tape 1   {first.point:{width}}  {measure.length(first.distance_m)}"
    yield f"  tape 2   {second.point:{width}}  {measure.length(second.distance_m)}"
    if check:
        yield f"  check    {check[0].point:{width}}  {measure.length(check[0].distance_m)}"
    else:
        yield "  check    NOTHING checks these two tapes: no third point serves. A misread tape"
        yield "           or a wrong point would not show; measure both twice"
    yield f"  side     {card.side}, looking from {first.point} to {second.point}"


def _within(card: Card, measure: Measure) -> str:
    """Say the one ± of a card: tapes, points and record together."""
    off_95 = card.scatter_m("all")[1]
    said = "not bounded by the record" if isnan(off_95) else f"± {measure.reach(off_95)}"
    return f"  pipe     {said}"


def _depth(card: Card, measure: Measure) -> Iterator[str]:
    spot = card.spot
    if isnan(spot.cover_m):
        yield "  depth    not known: the pipe's size or the ground is not"
        return
    low, high = spot.cover_95_m
    sure = "its error is not known" if isnan(low) else f"at least {measure.least(max(low, 0.0))}"
    sure += "" if isnan(low + high) else f", at most {measure.most(high)}"
    yield f"  depth    {measure.length(spot.cover_m)} to top of pipe"
    yield f"           {sure}"


def _statistics(card: Card, measure: Measure, limits: TieLimits) -> Iterator[str]:
    """Say what the ± is made of, and what the tapes should agree to: the foot of a card."""
    yield f"  cut      {card.cut_deg:.0f}° (none flatter than {degrees(limits.flattest_rad):.0f}°)"
    if len(card.tapes) > 2:
        yield f"  agree    check within ± {measure.reach(card.check_95_m)}"
    for part, name in _WHOSE.items():
        sigma, off_95 = card.scatter_m(part)
        reach = "not bounded by the record"
        if sigma == 0.0:
            reach = "taken as exact"
        elif not isnan(sigma):
            reach = f"± {measure.off(off_95)} (σ {measure.off(sigma)})"
        yield f"  {'of that ' if part == 'tapes' else '        '} {name}: {reach}"
    if not isnan(card.spot.invert_m):
        yield f"  invert   {measure.level(card.spot.invert_m)} ({card.spot.datum})"


# ---- as a layer -----------------------------------------------------------------------------


#: Kinds of layers, by the end of their names.
SUFFIXES: Final = (".gpkg", ".geojson")
_NAME: Final = "tie_tapes"
_ROLES: Final = ("first", "second", "check")


def write_layer(
    cards: Sequence[Card],
    site: str,
    measure: Measure,
    ground: GroundPlane,
    out: Path,
    *,
    replace: bool = False,
) -> None:
    """Write the tapes of the tied cards as .gpkg in the file's CRS, or as .geojson by RFC 7946.

    Raises FrameError for a sketch asked for as GeoJSON and where only a ballpark way leads to
    WGS 84, OutputExistsError when `out` is there and may not be replaced.
    """
    if out.suffix.lower() not in SUFFIXES:
        raise ValueError(f"a layer must end in {', '.join(SUFFIXES)}; got {out.name!r}")
    tapes = [(card, n, tape) for card in cards for n, tape in enumerate(card.tapes)]
    rows = [_row(card, n, tape, site, measure) for card, n, tape in tapes]
    columns = {name: [row[name] for row in rows] for name in contract.load(_NAME).names}
    ends = np.array([(tape.point_m, card.spot.ground_m) for card, _, tape in tapes])
    xy = ground.to_file(ends.reshape(-1, 2))
    in_degrees = out.suffix.lower() == ".geojson"
    if in_degrees:
        xy = _to_lonlat(ground)(xy)
    table = {_NAME: to_table(_NAME, columns, shapely.linestrings(xy.reshape(-1, 2, 2)))}
    with whole_file(out, "tie-tapes", replace=replace) as made:
        if in_degrees:
            web = GeoJSONSink({_NAME: made}, {"generator": stamp("tie-tapes")})
            web.append(table)
            web.close()
        else:
            gpkg = GeoPackageSink(made, ground.crs, stamp=created_at(), names=(_NAME,))
            gpkg.append(table)
            gpkg.close(stamp("tie-tapes"))


def _to_lonlat(ground: GroundPlane) -> Callable[[Floats], Floats]:
    """Return the way from the file's CRS to longitude and latitude."""
    if ground.crs is None:
        raise FrameError("a sketch has no longitude and latitude: ask for a .gpkg")
    transformer, operation = best(ground.crs, WGS84_2D, ground.area())
    if not operation.usable:
        raise FrameError(f"only a ballpark way leads from {operation.source} to WGS 84")
    return lambda xy: apply(transformer, xy, None)


def _row(card: Card, number: int, tape: TieTape, site: str, measure: Measure) -> dict[str, object]:
    """Return the columns of one tape."""
    spot = card.spot
    sigma, off_95 = card.scatter_m("all")
    return {
        "site_id": site,
        "spot": spot.name,
        "kind": spot.kind,
        "line_id": spot.line,
        "chainage_m": spot.chainage_m,
        "role": _ROLES[number],
        "point": tape.point,
        "distance_m": tape.distance_m,
        "distance": measure.length(tape.distance_m),
        "side": card.side,
        "cut_deg": card.cut_deg,
        "check_95_m": card.check_95_m,
        "distance_sigma_m": sigma,
        "position_95_m": off_95,
        "cover_m": spot.cover_m,
        "caution": contract.load(_NAME).caution,
    }
