"""One side of paper for the crew that digs: plan with ties, depths, and where to dig first.

Drawn from a built record alone. Spots are the ends, bends and junctions of its lines, numbered on
the plan as in the table below, and located points between them where they lie far apart; a spot the
counter alone carries on is no spot to dig at and is left out. The spot to expose first is the one
known best in plan, at the least depth of those equally well known: the smallest hole that proves
the record. ± is 95 %.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf, isfinite, nan, radians
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely

from lateralline import __version__
from lateralline.draw.paper import MARGIN_MM, OFFICE_PAPERS, Box, PaperScale, finest, paper_size
from lateralline.findings import message_of
from lateralline.frames.operations import PLAN_95
from lateralline.measure import Measure
from lateralline.record import CAUTION
from lateralline.record.ends import SAID, open_ends_of
from lateralline.record.rows import FindingRow, FixRow, NodeRow
from lateralline.ties.spots import Asked, control_of, shift_95_of, spots_of
from lateralline.ties.tapes import Card, TieLimits, tie
from lateralline.wording import rounded_up

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from lateralline.draw.canvas import Canvas
    from lateralline.draw.plan import Window
    from lateralline.record.view import RecordView
    from lateralline.records import Floats

_BANNER_MM: Final = 19.0
_HEAD_MM: Final = 13.0
_ROW_MM: Final = 8.4
_COLUMN_HEAD_MM: Final = 6.5
_FIRST_MM: Final = 15.0
_PLAN_HEAD_MM: Final = 8.0
_BAR_MM: Final = 46.0
_MOST_ERRORS: Final = 3  # told one by one, in as many lines each
_ERROR_LINES: Final = 3
_MOST_SPOTS: Final = 9
_FAR_M: Final = 6.0  # along a line from the nearest spot: 20 ft
_END: Final = "end of located line"
_LONGEST_M: Final = 30.0
_FLATTEST_DEG: Final = 20.0
_LENGTH_AT: Final = 0.63  # of the way from spot to corner: nearer the spots tapes crowd
_PAD_MM: Final = 10.0  # clear on each side of what is drawn
_SAID_PT: Final = 7.6  # words of the box that says where to begin
_FIND_AGAIN: Final = "no control to tape from: find the spots by GNSS, or give corners"
_POINTS: Final = 1.0  # of their size on a map


@dataclass(frozen=True, slots=True)
class CrewPlan:
    """What a crew's sheet of one site shows."""

    cards: tuple[Card, ...]  # the spots, in the order of their numbers, tied or not
    more: int  # spots left out for want of room
    first: int | None  # index of the one to expose first

    @property
    def tied(self) -> bool:
        """Whether tapes lead to any spot."""
        return any(card.tied for card in self.cards)

    @classmethod
    def of(cls, view: RecordView, measure: Measure) -> CrewPlan:
        """Choose the spots of a site, their tapes, and the one to expose first."""
        tape = view.lineage
        limits = TieLimits(
            _LONGEST_M, radians(_FLATTEST_DEG), tape.tape_sigma_m, tape.tape_sigma_ratio
        )
        carried = {node.node_id for node in view.nodes if node.carried_on}
        named = [n for n in view.nodes if n.node_id not in carried]
        order = {line: i for i, line in enumerate(view.lines)}
        shown = [*named, *_between(view, named)]
        shown.sort(key=lambda n: (order.get(n.line_id, len(order)), n.chainage_m))
        names = tuple(n.node_id for n in shown)
        spots = spots_of(view, Asked(nodes=names), measure) if names else []
        cards = tie([s for s in spots if np.isfinite(s.ground_m).all()], control_of(view), limits)
        kept = tuple(cards[:_MOST_SPOTS])
        sure = [(_off(card), card.spot.cover_m, n) for n, card in enumerate(kept)]
        known = [
            (rounded_up(off, 2), cover if isfinite(cover) else inf, n)  # as it is printed
            for off, cover, n in sure
            if isfinite(off) and (kept[n].tied or not any(card.tied for card in kept))
        ]
        return cls(kept, len(cards) - len(kept), min(known)[2] if known else None)


def _between(view: RecordView, named: Sequence[NodeRow]) -> list[NodeRow]:
    """Return located points amid long stretches, one after another, as room allows."""
    free = [n for n in view.rows(NodeRow) if n.kind == "point" and not n.carried_on]
    taken, added = list(named), list[NodeRow]()
    while free and len(taken) < _MOST_SPOTS:
        off = [min((_apart(n, t) for t in taken), default=inf) for n in free]
        if max(off) < _FAR_M:
            break
        added.append(free.pop(off.index(max(off))))
        taken.append(added[-1])
    return added


def _apart(one: NodeRow, other: NodeRow) -> float:
    return abs(one.chainage_m - other.chainage_m) if one.line_id == other.line_id else inf


def crew_page(view: RecordView, paper: str = "") -> Canvas:
    """Return the page; call it within `matplotlib.rc_context(symbols.RC)`.

    `paper` is one of OFFICE_PAPERS, else letter where tapes read feet and A4 where they do not.
    """
    from lateralline.draw.canvas import Canvas, line_mm

    measure = Measure.of_crew(view.lineage.tape_unit)
    plan = CrewPlan.of(view, measure)
    if paper not in OFFICE_PAPERS:
        paper = OFFICE_PAPERS[1] if view.in_feet else OFFICE_PAPERS[0]
    canvas = Canvas(*paper_size(paper, wide=False))
    page = Box(0, 0, canvas.width, canvas.height).inset(*[MARGIN_MM] * 4)
    _banner(canvas, Box(page.x, page.y, page.width, _BANNER_MM), view)
    _head(canvas, Box(page.x, page.y + _BANNER_MM + 3, page.width, _HEAD_MM), view, plan)
    deep = _COLUMN_HEAD_MM + _ROW_MM * max(len(plan.cards), 1)
    foot = Box(page.x, page.foot - 7.0, page.width, 7.0)
    if told := _errors(view, page.width - 6.0):
        plan = replace(plan, first=None)
    deep_first = _FIRST_MM + line_mm(_SAID_PT) * max(len(told) - 1, 0)
    first = Box(page.x, foot.y - deep_first - 2, page.width, deep_first)
    table = Box(page.x, first.y - deep - 3, page.width, deep)
    top = page.y + _BANNER_MM + _HEAD_MM + 3
    _plan(canvas, Box(page.x, top, page.width, table.y - top - 3), view, plan, measure)
    _table(canvas, table, view, plan, measure)
    _dig_first(canvas, first, view, plan, measure, told)
    _foot(canvas, foot, view, plan)
    return canvas


def _off(card: Card) -> float:
    """Return how far off the pipe may be where the tapes meet, 95 %; NaN where nothing says."""
    if card.tied:
        return card.scatter_m("all")[1]
    cov = card.spot.cov_m2
    if not np.isfinite(cov).all():
        return float("nan")
    return PLAN_95 * float(np.sqrt(max(np.linalg.eigvalsh(cov)[-1], 0.0)))


# ---- around the plan ------------------------------------------------------------------------


def _banner(canvas: Canvas, box: Box, view: RecordView) -> None:
    from lateralline.draw import symbols
    from lateralline.draw.canvas import line_mm, wrapped

    canvas.frame(box, fc=symbols.INK, ec=symbols.INK, lw=0.0)
    opening, _, rest = CAUTION.partition(". ")
    rest = view.caution.removesuffix(CAUTION) + rest
    canvas.words(
        box.x + box.width / 2, box.y + 4.6, opening.upper(), 14.0, bold=True, colour="white",
        align="center",
    )  # fmt: skip
    for n, line in enumerate(wrapped(rest, box.width - 8.0, 7.6, 3)):
        y = box.y + 10.2 + n * line_mm(7.6)
        canvas.words(box.x + box.width / 2, y, line, 7.6, colour="white", align="center")


def _head(canvas: Canvas, box: Box, view: RecordView, plan: CrewPlan) -> None:
    from lateralline.draw import symbols

    name = view.site_id if view.name == view.site_id else f"{view.site_id}  {view.name}"
    canvas.words(box.x, box.y + 3.0, name, 14.0, bold=True, room=0.62 * box.width)
    lines = []
    for row in view.centrelines[:3]:
        pipe = " ".join(filter(None, (row.line_id, row.material, row.nominal)))
        lines.append(f"{pipe}: {view.length(row.length_m)} {view.unit}")
    canvas.words(box.x, box.y + 8.6, " · ".join(lines), 8.0, room=0.62 * box.width)
    about = f"surveyed {view.lineage.last_surveyed} · ± in 95 of 100 times"
    canvas.words(box.right, box.y + 3.0, about, 7.5, colour=symbols.GREY, align="right")
    what = "hold tapes level, from the points named" if plan.tied else _FIND_AGAIN
    canvas.words(box.right, box.y + 7.4, what, 7.5, colour=symbols.GREY, align="right")
    if any(row.code == "sketch-on-map" for row in view.rows(FindingRow)):
        off_m = PLAN_95 * max(row.position_sigma_m for row in view.control)
        said = (
            f"± holds on the map, whose corners may be off by {view.measure.reach(off_m)} there; "
            "from the corners, with a tape, it is less"
        )
        canvas.words(box.right, box.y + 11.8, said, 7.5, align="right", room=box.width)


def _foot(canvas: Canvas, box: Box, view: RecordView, plan: CrewPlan) -> None:
    from lateralline.draw import symbols
    from lateralline.record.rows import UnlocatedRow

    said = [SAID]
    if plan.more:
        said.append(f"{plan.more} more spots stand on the full sheet and the tie cards.")
    if len(view.rows(UnlocatedRow)):
        said.append("Hatched: not located, the pipe may be anywhere in it.")
    canvas.rule(box.x, box.y, box.right, box.y, lw=0.4)
    canvas.words(box.x, box.y + 3.4, " ".join(said), 7.0, room=box.width)
    about = f"lateralline {__version__}, from {view.source.name} {view.sha256[:12]}"
    canvas.words(box.right, box.foot - 0.4, about, 6.0, colour=symbols.GREY, align="right")


# ---- the plan -------------------------------------------------------------------------------


def _plan(canvas: Canvas, box: Box, view: RecordView, plan: CrewPlan, measure: Measure) -> None:
    from lateralline.draw import furniture, symbols
    from lateralline.draw import plan as plans
    from lateralline.draw.canvas import width_mm
    from lateralline.record.rows import UnlocatedRow
    from lateralline.record.symbology import area_of, style_of

    inner = box.inset(0.0, _PLAN_HEAD_MM, 0.0, 0.0)
    window, scale = _window(view, plan, inner)
    west, south, east, north = window.limits
    head = f"Plan, {scale}"
    canvas.words(box.x, box.y + 3.4, head, 8.0, bold=True)
    at = box.x + width_mm(head, 8.0, bold=True) + 3.0
    room = box.right - 22.0 - _BAR_MM - 3.0 - at
    canvas.words(at, box.y + 3.4, view.crs_in_words, symbols.SMALL_PT, colour=symbols.GREY,
                 room=room)  # fmt: skip
    furniture.scale_bar(canvas, box.right - 22.0, box.y + 4.0, view.unit, scale, _BAR_MM)
    furniture.draw_north(canvas, box.right - 5.0, box.y - 2.0, view.ground.north)
    axes = canvas.axes(inner, xlim=(west, east), ylim=(south, north))
    axes.set_gid("plan")
    for edge in axes.spines.values():
        edge.set(linewidth=0.5, color=symbols.GREY)
    # Tapes start from control that a shift of datum moved together with the pipe.
    shift_m = shift_95_of(view) if plan.tied else 0.0
    nowhere = [row.geometry.buffer(-shift_m) for row in view.rows(UnlocatedRow) if row.geometry]
    plans.fill(axes, nowhere, symbols.unlocated_look(), 0.5)
    corridor = symbols.area_look(area_of("position_corridor"))
    held = view.layers["position_corridor"].geometry
    plans.fill(axes, held.buffer(-shift_m) if shift_m else held, corridor, 2)
    plans.draw_pipe(axes, view)
    ends = plans.draw_open_ends(axes, open_ends_of(view), scale)
    for card in plan.cards:
        _draw_ties(axes, card, measure, scale)
    control = style_of("control_points").rule[0].as_point
    looks = symbols.point_looks(control, _POINTS)
    plans.draw_points(axes, np.array(_starts(plan)).reshape(-1, 2), looks, 7)
    _name_all(axes, view, plan, scale, ends)


def _starts(plan: CrewPlan) -> list[tuple[float, float]]:
    """Return the points that tapes start from."""
    there = {t.point: t.point_m for card in plan.cards for t in card.tapes}
    return [(float(x), float(y)) for x, y in there.values()]


def _window(view: RecordView, plan: CrewPlan, inner: Box) -> tuple[Window, PaperScale]:
    """Return what the plan shows, and its scale: lines, spots and what their tapes start from."""
    from lateralline.draw.plan import one_window
    from lateralline.record.view import bounds_of

    lines = view.located("pipe_centreline")
    boxes = [list(lines.total_bounds)] if len(lines) else []
    boxes += [[x, y, x, y] for x, y in _starts(plan)]
    bounds = bounds_of(boxes) or view.box
    wide, high = bounds[2] - bounds[0], bounds[3] - bounds[1]
    across = finest(inner.width - 2 * _PAD_MM, wide, in_feet=view.in_feet)
    up = finest(inner.height - 2 * _PAD_MM, high, in_feet=view.in_feet)
    scale = max(across, up)
    size = inner.width / scale.mm_per_m, inner.height / scale.mm_per_m
    return one_window(bounds, *size), scale


def _draw_ties(axes: Axes, card: Card, measure: Measure, scale: PaperScale) -> None:
    """Draw the two tapes of a spot with their lengths; the check tape stands in the table."""
    from lateralline.draw import symbols
    from lateralline.draw.cards import write_distance

    for tape in card.tapes[:2]:
        ends = zip(tape.point_m, card.spot.ground_m, strict=True)
        axes.plot(*ends, color=symbols.GREY, lw=0.5, ls=(0, (5, 2.5)), zorder=5)
        write_distance(axes, tape, card.spot.ground_m, measure, scale.mm_per_m, _LENGTH_AT, 7.0)


def _name_all(
    axes: Axes, view: RecordView, plan: CrewPlan, scale: PaperScale, ends: Floats
) -> None:
    """Write numbers of spots and names of corners, clear of pipe, open ends and tapes."""
    from lateralline.draw import symbols
    from lateralline.draw.labels import Label, place

    numbers = [
        Label(float(at[0]), float(at[1]), str(n), symbols.INK, 11.0, "bold")
        for n, at in enumerate((card.spot.ground_m for card in plan.cards), start=1)
    ]
    points = {t.point: t.point_m for card in plan.cards for t in card.tapes}
    names = [Label(float(x), float(y), name, symbols.INK, 7.5) for name, (x, y) in points.items()]
    for n, card in enumerate(plan.cards):
        filled = symbols.INK if n == plan.first else "white"
        axes.plot(*card.spot.ground_m, marker="o", ms=7.0, mfc=filled, mec=symbols.INK, mew=1.3,
                  zorder=8)  # fmt: skip
    step = 2.0 / scale.mm_per_m
    lines = [g.segmentize(step) for g in view.located("pipe_centreline").geometry]
    tapes = [
        shapely.linestrings([t.point_m, card.spot.ground_m]).segmentize(step)
        for card in plan.cards
        for t in card.tapes[:2]
    ]
    taken = [shapely.get_coordinates(shape) for shape in (*lines, *tapes)]
    place(axes, [*numbers, *names], np.vstack([ends, *taken]))


# ---- the table, and where to begin ----------------------------------------------------------


def _columns(width: float, view: RecordView, plan: CrewPlan) -> list[tuple[str, float]]:
    """Return heads and left edges (mm from the left) of the table."""
    finds = ("tape 1", "tape 2", "check tape")
    if not plan.tied:
        unit = view.coordinate_unit
        finds = (f"{view.axis_names[0]}, {unit}", f"{view.axis_names[1]}, {unit}", "")
    names = ("", "spot", *finds, "pipe within ±", "depth to top here")
    edges = (0.0, 0.045, 0.245, 0.41, 0.575, 0.74, 0.855)
    return [(name, edge * width) for name, edge in zip(names, edges, strict=True)]


def _table(canvas: Canvas, box: Box, view: RecordView, plan: CrewPlan, measure: Measure) -> None:
    from lateralline.draw import symbols

    columns = _columns(box.width, view, plan)
    for name, at in columns:
        canvas.words(box.x + at, box.y + 2.2, name, 6.8, colour=symbols.GREY)
    canvas.rule(box.x, box.y + 4.8, box.right, box.y + 4.8, lw=0.8)
    edges = [at for _, at in columns[1:]] + [box.width]
    for n, card in enumerate(plan.cards):
        y = box.y + _COLUMN_HEAD_MM + n * _ROW_MM
        if n == plan.first:
            canvas.frame(Box(box.x, y - 0.9, box.width, _ROW_MM - 0.4), fc="#e9e9e9", lw=0.0)
        cells = _cells(card, n, view, plan, measure)
        full = [k for k, cell in enumerate(cells) if any(cell)]
        for k, ((_, at), (big, small)) in enumerate(zip(columns, cells, strict=True)):
            room = edges[next((j for j in full if j > k), len(cells)) - 1] - at - 1.5
            canvas.words(box.x + at + 0.8, y + 1.4, big, 8.6, bold=True, room=room)
            canvas.words(box.x + at + 0.8, y + 5.0, small, 6.4, room=room, colour=symbols.GREY)
        canvas.rule(box.x, y + _ROW_MM - 1.4, box.right, y + _ROW_MM - 1.4, lw=0.25)
    if not plan.cards:
        text = "No spot of this site is located."
        canvas.words(box.x, box.y + _COLUMN_HEAD_MM + 2, text, 9.0)


def _cells(
    card: Card, index: int, view: RecordView, plan: CrewPlan, measure: Measure
) -> list[tuple[str, str]]:
    """Return what stands in a row: large and small, for each column."""
    spot = card.spot
    tapes = [(measure.length(t.distance_m), f"from {t.point}") for t in card.tapes]
    if not plan.tied:
        at = view.coordinates(np.array([spot.ground_m]))[0].tolist()
        tapes = [(view.coordinate(at[0]), ""), (view.coordinate(at[1]), "")]
    elif not tapes:
        tapes = [("no tapes", card.reason)]
    elif len(tapes) == 2:
        tapes.append(("no check", "measure both twice"))
    off = _off(card)
    kind, _, of = spot.kind.partition(_END)
    name, stop = (_END, f"{of.strip()} · ") if not kind and of else (spot.kind, "")
    way = "from entry" if spot.line in view.flow_unknown else "up the pipe"
    along = f"{stop}{spot.line}, {view.length(spot.chainage_m)} {view.unit} {way}"
    return [
        (str(index + 1), ""),
        (name, along),
        *(tapes + [("", "")] * 3)[:3],
        (measure.reach(off) if isfinite(off) else "no bound", ""),
        _depth(card, view, measure),
    ]


def _depth(card: Card, view: RecordView, measure: Measure) -> tuple[str, str]:
    """Return the depth to top and its bound; to the transmitter where the size is not known."""
    cover_m, low = card.spot.cover_m, card.spot.cover_95_m[0]
    if isfinite(cover_m):
        sure = f"at least {measure.least(max(low, 0.0))}" if isfinite(low) else "no bound known"
        return measure.length(cover_m), sure
    deep_m = _to_transmitter_m(card, view)
    if isfinite(deep_m):
        return measure.length(deep_m), "to transmitter"
    return measure.length(cover_m), "size not known"


def _to_transmitter_m(card: Card, view: RecordView) -> float:
    """Return the depth to the transmitter of the stop that the spot is; NaN where it is none."""
    stops = {node.node_id: node.ref for node in view.rows(NodeRow) if node.ref}
    of = stops.get(card.spot.name, "")
    return next((fix.transmitter_depth_m for fix in view.rows(FixRow) if fix.name == of), nan)


def _errors(view: RecordView, room: float) -> list[str]:
    """Return lines of text, at most so many mm wide, that say which errors nobody answers for."""
    from lateralline.draw.canvas import wrapped

    rows = [r for r in view.rows(FindingRow) if r.open_error]
    lines = []
    for row in rows[:_MOST_ERRORS]:
        said = message_of(view.prose(row.what), view.prose(row.by_how_much))
        about = f"line {row.line_id}" if row.line_id else row.subject
        text = f"{about}: {row.title}. {said}"
        lines += wrapped(text, room, _SAID_PT, _ERROR_LINES, bold=True)
    if len(rows) > _MOST_ERRORS:
        lines.append(f"and {len(rows) - _MOST_ERRORS} more, on the full sheet and the page.")
    return lines


def _dig_first(
    canvas: Canvas,
    box: Box,
    view: RecordView,
    plan: CrewPlan,
    measure: Measure,
    errors: Sequence[str],
) -> None:
    from lateralline.draw import symbols
    from lateralline.draw.canvas import line_mm

    if errors:
        n = view.findings["error"]
        title = f"DO NOT USE. Do not dig by this sheet: {n} error{'s' * (n > 1)} on record."
        how = "Put right what is wrong, build again, and print this again."
        canvas.frame(box, fc=symbols.WARN_PAPER, ec=symbols.WARN, lw=2.4)
        colour = symbols.WARN
        canvas.words(box.x + 3, box.y + 3.6, title, 11.0, bold=True, room=box.width - 6,
                     colour=colour)  # fmt: skip
        for k, line in enumerate([*errors, how]):
            y = box.y + 6.2 + (k + 0.5) * line_mm(_SAID_PT)
            canvas.words(box.x + 3, y, line, _SAID_PT, bold=k < len(errors), colour=colour)
        return
    canvas.frame(box, ec=symbols.INK, lw=1.4)
    if plan.first is None:
        title = "Nothing here is known well enough to say where to dig first."
        how = "Expose the pipe from where it is seen: a cleanout, a manhole, the house."
    else:
        card = plan.cards[plan.first]
        title = f"Prove it first at spot {plan.first + 1}: {card.spot.kind}"
        half, deep = measure.reach(_off(card)), "; its size is not given, nor then is its depth"
        if isfinite(card.spot.cover_m):
            deep = f", its top about {measure.length(card.spot.cover_m)} down"
        elif isfinite(to_it_m := _to_transmitter_m(card, view)):
            deep = f", the transmitter in it about {measure.length(to_it_m)} down, its top higher"
        how = (
            f"Surest of these spots: the pipe lies within {half} of the mark{deep}. After the "
            "one-call service has marked, expose it by hand or vacuum, and hold tapes and depth "
            "against this sheet before digging anywhere else."
        )
    canvas.words(box.x + 3, box.y + 3.4, title, 10.0, bold=True, room=box.width - 6)
    canvas.paragraph(Box(box.x + 3, box.y + 6.2, box.width - 6, 8.0), how, _SAID_PT)
