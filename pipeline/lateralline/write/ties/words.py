"""A card in words."""

from __future__ import annotations

from collections.abc import Iterator
from math import degrees, isnan

from lateralline.write.ties.measure import Measure
from lateralline.write.ties.tied import Card, Limits

_WHOSE = {"tapes": "tapes", "points": "points", "record": "record", "all": "all together"}


def card_lines(card: Card, measure: Measure, limits: Limits) -> list[str]:
    """Return a card as lines of text, its name first."""
    if not card.tied:
        return untied_lines(card)
    return [_head(card, measure), *_tapes(card, measure, limits), *_depth(card, measure)]


def untied_lines(card: Card) -> list[str]:
    """Return what is said of a spot that cannot be tied."""
    return [f"{card.spot.name}  {card.spot.kind}", f"  cannot be tied: {card.reason}"]


def _head(card: Card, measure: Measure) -> str:
    spot = card.spot
    where = f"line {spot.line}, chainage {measure.say(spot.chainage_m)}"
    return f"{spot.name}  {spot.kind}  ({where})"


def _tapes(card: Card, measure: Measure, limits: Limits) -> Iterator[str]:
    first, second, *check = card.tapes
    width = max(len(t.point) for t in card.tapes)
    if card.spot.remark:
        yield f"  note     {card.spot.remark}"
    yield f"  tape 1   {first.point:{width}}  {measure.say(first.distance_m)}"
    yield f"  tape 2   {second.point:{width}}  {measure.say(second.distance_m)}"
    if check:
        should, off = measure.say(check[0].distance_m), measure.say(card.check_95_m)
        yield f"  check    {check[0].point:{width}}  {should} ± {off} (95 %)"
    else:
        yield "  check    NOTHING checks these two tapes: no third point serves. A misread tape"
        yield "           or a wrong point would not show; measure both twice"
    yield f"  side     {card.side}, looking from {first.point} to {second.point}"
    yield f"  cut      {card.cut_deg:.0f}° (none flatter than {degrees(limits.flattest_rad):.0f}°)"
    for part, name in _WHOSE.items():
        sigma, off_95 = card.scatter_m(part)
        said = (
            "not bounded by the record"
            if isnan(sigma)
            else f"σ {measure.say(sigma)}, 95 % {measure.say(off_95)}"
        )
        yield f"  {'scatter ' if part == 'tapes' else '        '} {name}: {said}"


def _depth(card: Card, measure: Measure) -> Iterator[str]:
    spot = card.spot
    if isnan(spot.cover_m):
        yield "  cover    not known: the pipe's size or the ground is not"
    else:
        low, high = spot.cover_95_m
        sure = (
            "its error is not known"
            if isnan(low)
            else f"95 % {measure.say(low)} to {measure.say(high)}"
        )
        yield f"  cover    {measure.say(spot.cover_m)} to the outside top ({sure})"
    if not isnan(spot.invert_m):
        yield f"  invert   {measure.say_level(spot.invert_m)} ({spot.datum})"
