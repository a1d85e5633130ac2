"""Which way the paper lies, where plan and profile stand, and to which scales they are drawn."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import shapely

from lateralline.draw import plan
from lateralline.draw.furniture import body_of, key_mm
from lateralline.draw.paper import Box, PaperScale, SheetError, finest, paper_size, scales
from lateralline.draw.plan import MOST_PAD, Window, cut, one_window
from lateralline.draw.profile import (
    LEFT,
    PAD,
    RIGHT,
    SIDE,
    Piece,
    ProfileScales,
    band_mm,
    pieces,
)
from lateralline.record.profile import LineProfile
from lateralline.record.view import Bounds, RecordView

Orientation = Literal["auto", "portrait", "landscape"]

_GAP: Final = 4.0
_NEAR: Final = 0.4  # of the site's greater side: how far off a point that is taped from is drawn
_SHARES: Final = (0.60, 0.52, 0.44, 0.36)  # of the body, for the plan
_COARSEST: Final = 250.0  # a plan is cut into sheets rather than drawn smaller
_LEAST_GRAPH: Final = 30.0
_STEEPER: Final = 2.0  # heights are drawn so many times larger, where fewer shelves allow it
_MOST_GRAPH: Final = 120.0
_MOST_SHEETS: Final = 120
_OVERLAP_MM: Final = 20.0
_EDGE_MM: Final = 4.0  # about a zone in a plan cut into sheets


@dataclass(frozen=True, slots=True)
class Layout:
    """A page's boxes and scales, and what of plan and profile stands on which page."""

    width: float
    height: float
    plan_box: Box
    key_box: Box
    notes_box: Box
    profile_box: Box
    plan_scale: PaperScale
    profile_scales: ProfileScales | None  # None: no line
    windows: list[Window]
    pieces: list[list[tuple[Piece, Box]]]  # of each drawn page, the plan's pages first
    whole: bool  # whether the plan fits one sheet

    @property
    def drawn_pages(self) -> int:
        """How many pages hold drawings."""
        return max(len(self.windows), len(self.pieces))

    def scales_of(self, page: int) -> str:
        """Return the scales of what stands on a page."""
        texts = [f"plan {self.plan_scale}"] if page < len(self.windows) else []
        if self.profile_scales is not None and page < len(self.pieces):
            s = self.profile_scales
            texts.append(f"profile {s.along} along, {s.up} up")
        return "; ".join(texts) or "none"


def lay_out(
    view: RecordView,
    profiles: Sequence[LineProfile],
    paper: str,
    orientation: Orientation,
    asked: PaperScale | None,
    *,
    whole: bool = False,
    notes_mm: Callable[[float], float] = lambda width: 0.0,
) -> Layout:
    """Return the layout that draws the plan largest; at equal scales the profile.

    With `whole` the plan is never cut into sheets, however small it is drawn. `notes_mm` is how
    high a box of notes of some width is, above the key.

    Raises SheetError when the scale asked for needs more sheets than anyone would print.
    """
    x0, y0, x1, y1 = extent = extent_of(view)
    wide_first = x1 - x0 >= y1 - y0
    reach = _reach(view)
    ways = {"portrait": [False], "landscape": [True]}.get(orientation, [wide_first, not wide_first])
    candidates = [
        c
        for wide in ways
        for c in _candidates(view, profiles, extent, reach, paper, asked, wide, whole, notes_mm)
    ]
    return min(candidates, key=_rank)


def extent_of(view: RecordView) -> Bounds:
    """Return what the plan holds: the site, and the points near it that tapes are hooked to."""
    return view.box_with(view.control_within(_NEAR, tied=True))


def _rank(layout: Layout) -> tuple[bool, float, int, float]:
    """Order layouts, the best first; of equals, the first tried."""
    p = layout.profile_scales
    return (
        not layout.whole,
        layout.plan_scale.denominator,
        layout.drawn_pages,
        p.along.denominator * p.up.denominator if p else 0.0,
    )


def _candidates(
    view: RecordView,
    profiles: Sequence[LineProfile],
    extent: Bounds,
    reach: float,
    paper: str,
    asked: PaperScale | None,
    wide: bool,
    whole: bool,
    notes_mm: Callable[[float], float],
) -> list[Layout]:
    width, height = paper_size(paper, wide=wide)
    body = body_of(width, height, view)
    key = key_mm(view, body.width)
    key_box = Box(body.x, body.foot - key, body.width, key)
    notes = notes_mm(body.width)
    notes_box = Box(body.x, key_box.y - notes, body.width, notes)
    upper = Box(body.x, body.y, body.width, body.height - key - notes - _GAP / 2)
    found = []
    for share in _SHARES:
        split = _stacked(upper, share), _beside(upper, share)
        for plan_box, profile_box in split:
            if profile_box.height < band_mm(view) + _LEAST_GRAPH:
                continue
            fit = _plan_fit(view, extent, plan_box)
            scale = fit if whole else asked or min(fit, _coarsest(view, plan_box, reach))
            cut_at = scale if scale < fit else None
            drawn, cut_up, on_page = _profiles(view, profiles, profile_box, cut_at)
            windows = _windows(view, extent, plan_box, scale, reach, whole=cut_at is None)
            pages = []
            if drawn is not None:
                pages = _placed(view, cut_up, (profile_box, upper), drawn, on_page, len(windows))
            found.append(
                Layout(
                    width, height, plan_box, key_box, notes_box, profile_box, scale, drawn,
                    windows, pages,
                    whole=cut_at is None,
                )
            )  # fmt: skip
    return found


def _stacked(box: Box, share: float) -> tuple[Box, Box]:
    upper = share * (box.height - _GAP)
    return (
        Box(box.x, box.y, box.width, upper),
        Box(box.x, box.y + upper + _GAP, box.width, box.height - upper - _GAP),
    )


def _beside(box: Box, share: float) -> tuple[Box, Box]:
    left = share * (box.width - _GAP)
    return (
        Box(box.x, box.y, left, box.height),
        Box(box.x + left + _GAP, box.y, box.width - left - _GAP, box.height),
    )


def _plan_fit(view: RecordView, extent: Bounds, box: Box) -> PaperScale:
    x0, y0, x1, y1 = extent
    inner = box.inset(plan.LEFT + 4.0, plan.TOP + 4.0, plan.RIGHT + 4.0, plan.FOOT + 4.0)
    return max(
        finest(inner.width, x1 - x0, in_feet=view.in_feet),
        finest(inner.height, y1 - y0, in_feet=view.in_feet),
    )


def _coarsest(view: RecordView, box: Box, reach: float) -> PaperScale:
    """Return the scale a plan is not drawn smaller than, but that its zones have room beside it."""
    inner = box.inset(plan.LEFT, plan.TOP, plan.RIGHT, plan.FOOT)
    beside = MOST_PAD * min(inner.width, inner.height) - _EDGE_MM
    usual = finest(1000.0, _COARSEST, in_feet=view.in_feet)
    return max(usual, finest(max(beside, 1.0), reach, in_feet=view.in_feet))


def _along(
    view: RecordView, profiles: Sequence[LineProfile], box: Box, cut_at: PaperScale | None
) -> PaperScale:
    """Return the horizontal scale: the plan's own when that is cut, else what fits one sheet."""
    if cut_at is not None or not profiles:
        return cut_at or finest(1.0, 1.0, in_feet=view.in_feet)
    row = band_mm(view) + _LEAST_GRAPH
    shelves = max(int((box.height + _GAP) / (row + _GAP)), 1)
    for scale in scales(in_feet=view.in_feet):
        widths = [Piece(p, *p.reach, 1, 1).width(scale) for p in profiles]
        if max(widths) <= box.width and _shelves(widths, box.width) <= shelves:
            return scale
    longest = max(high - low for low, high in (p.reach for p in profiles))
    return finest(box.width - LEFT - RIGHT - 2 * SIDE, longest, in_feet=view.in_feet)


def _shelves(widths: Sequence[float], room: float) -> int:
    count, used = 1, 0.0
    for width in widths:
        if used and used + width > room:
            count, used = count + 1, 0.0
        used += width + _GAP
    return count


def _profiles(
    view: RecordView, profiles: Sequence[LineProfile], box: Box, cut_at: PaperScale | None
) -> tuple[ProfileScales | None, list[Piece], int]:
    """Return scales and pieces of the profiles, and how many shelves of them a sheet holds."""
    if not profiles:
        return None, [], 1
    along = _along(view, profiles, box, cut_at)
    cut_up = [p for one in profiles for p in pieces(one, box.width, along)]
    shelves = _shelves([p.width(along) for p in cut_up], box.width)
    band = band_mm(view)
    heights = [p.profile.heights(p.low, p.high) for p in cut_up]
    span = max(max(high - low for low, high in heights), 0.05)
    most = max(min(int((box.height + _GAP) / (band + _LEAST_GRAPH + _GAP)), shelves), 1)
    for on_page in range(most, 0, -1):
        graph = min((box.height + _GAP) / on_page - _GAP - band, _MOST_GRAPH)
        up = finest(graph - 2 * PAD, span, in_feet=view.in_feet)
        if along.denominator >= _STEEPER * up.denominator:
            break
    graph = min(graph, span * up.mm_per_m + 2 * PAD)
    if along < up:  # heights are never drawn flatter than they are
        along = up
        cut_up = [p for one in profiles for p in pieces(one, box.width, along)]
    return ProfileScales(along, up, graph), cut_up, on_page


def _placed(
    view: RecordView,
    cut_up: Sequence[Piece],
    boxes: tuple[Box, Box],
    drawn: ProfileScales,
    on_page: int,
    beside_plans: int,
) -> list[list[tuple[Piece, Box]]]:
    """Return the pieces of each page, set side by side on shelves.

    The first box holds profiles where there is a plan, the second on pages of their own.
    """
    row = drawn.graph_mm + band_mm(view)
    pages: list[list[tuple[Piece, Box]]] = [[]]
    x, shelf = 0.0, 0
    for piece in cut_up:
        width = piece.width(drawn.along)
        box, most = _room(boxes, len(pages) <= beside_plans, row, on_page)
        if x and x + width > box.width + 1e-6:
            x, shelf = 0.0, shelf + 1
        if shelf == most:
            pages.append([])
            shelf = 0
            box, _ = _room(boxes, len(pages) <= beside_plans, row, on_page)
        at = Box(box.x + x, box.y + shelf * (row + _GAP), width, row)
        pages[-1].append((piece, at))
        x += width + _GAP
    return pages


def _room(boxes: tuple[Box, Box], with_plan: bool, row: float, on_page: int) -> tuple[Box, int]:
    if with_plan:
        return boxes[0], on_page
    return boxes[1], max(int((boxes[1].height + _GAP + 1e-6) / (row + _GAP)), 1)


def _windows(
    view: RecordView, extent: Bounds, box: Box, scale: PaperScale, reach: float, *, whole: bool
) -> list[Window]:
    width, height = plan.window_size(box, scale)
    if whole:
        return [one_window(extent, width, height)]
    pipes = view.located("pipe_centreline").geometry
    if sum(float(g.length) for g in pipes) / min(width, height) > _MOST_SHEETS:
        raise SheetError(
            f"scale {scale} would need more than {_MOST_SHEETS} sheets; "
            f"ask for a smaller one: {_plan_fit(view, extent, box)} fits the plan on one"
        )
    lines = [np.asarray(shapely.get_coordinates(g)) for g in pipes]
    pad = reach + _EDGE_MM / scale.mm_per_m
    windows = cut(lines, width, height, pad, _OVERLAP_MM / scale.mm_per_m)
    return windows or [one_window(extent, width, height)]


def _reach(view: RecordView) -> float:
    """Return how far the hand-dig zones reach beside the lines, m."""
    lines, zones = (view.located(n).geometry for n in ("pipe_centreline", "tolerance_zone"))
    if not len(lines) or not len(zones):
        return 1.0
    edge = shapely.points(shapely.get_coordinates(zones.union_all()))
    return float(shapely.distance(edge, lines.union_all()).max())
