"""What pictures of overlays have in common: plan north up and to scale, margin, key, caution."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import matplotlib
import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path as Outline
from matplotlib.patheffects import withStroke

from lateralline.output import whole_file
from lateralline.records import Floats
from lateralline.units import METRES_PER
from lateralline.write.picture import labels, lettering, style

_SIZE_IN: Final = (11.7, 8.3)
_DPI: Final = 110
_NOTE_CHARACTERS: Final = 80
_BARS: Final = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0)
_ROOM_M: Final = 1.0
#: A margin lists so many rows of a kind, and says how many more there are.
MOST_ROWS: Final = 16
PIPE: Final[dict[str, Any]] = {"fc": style.PIPE, "ec": style.PIPE, "lw": 0.6}
CORRIDOR: Final[dict[str, Any]] = {"fc": style.CORRIDOR, "ec": style.PIPE, "lw": 0.5}
#: Where pipe may be that nobody located.
UNLOCATED: Final[dict[str, Any]] = {
    "fc": "#f3f4f6", "ec": style.WARN, "lw": 1.3, "ls": (0, (1, 1.4)), "hatch": "xx",
}  # fmt: skip
#: A line of the margin holds so many characters, at the size of its words.
CHARACTERS: Final = 74
LINE: Final = 0.0195  # of the margin's height
SMALL: Final = 7.2
#: Where the pipe runs on past an end of its located line.
OPEN_END: Final[dict[str, Any]] = {
    "color": style.WARN, "lw": 2.4, "ls": (0, (1, 1.2)), "zorder": 8,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Panels:
    """Where a picture is drawn."""

    plan: Axes
    margin: Axes


@contextmanager
def picture(out: Path, kind: str, caution: str, *, replace: bool) -> Iterator[Panels]:
    """Yield the panels of a picture that is put in place, whole, when the block ends well."""
    with whole_file(out, kind, replace=replace) as made, matplotlib.rc_context(style.RC):
        figure = Figure(figsize=_SIZE_IN, dpi=_DPI)
        grid = figure.add_gridspec(
            2, 2, width_ratios=(62, 38), height_ratios=(92, 8),
            left=0.015, right=0.985, top=0.98, bottom=0.02, wspace=0.03, hspace=0.04,
        )  # fmt: skip
        margin = figure.add_subplot(grid[0, 1])
        margin.set_axis_off()
        foot = figure.add_subplot(grid[1, :])
        foot.set_facecolor("#fff4f2")
        foot.set_xticks([])
        foot.set_yticks([])
        for side in foot.spines.values():
            side.set_color(style.WARN)
            side.set_linewidth(1.6)
        words = "\n".join(textwrap.wrap(caution, 128))
        foot.text(
            0.5, 0.5, words, weight="bold", ha="center", va="center", color=style.WARN, size=9
        )
        yield Panels(figure.add_subplot(grid[0, 0]), margin)
        lettering.save(figure, made, _DPI, kind)


def set_frame(axes: Axes, box: Floats, north: str, unit: str = "m") -> None:
    """Set equal scales about `box` (west, south, east, north), a scale bar and a north arrow."""
    x0, y0, x1, y1 = (box + _ROOM_M * np.array([-1, -1.8, 1, 1])).tolist()
    panel = axes.get_window_extent()
    metre = min(panel.width / (x1 - x0), panel.height / (y1 - y0))  # pixels
    wide, high = panel.width / metre, panel.height / metre
    left, bottom = (x0 + x1 - wide) / 2, (y0 + y1 - high) / 2
    axes.set_xlim(left, left + wide)
    axes.set_ylim(bottom, bottom + high)
    axes.set_xticks([])
    axes.set_yticks([])
    per = METRES_PER[unit]
    bar = max(b for b in _BARS if b * per <= max(wide / 4, _BARS[0] * per))
    at = left + 0.03 * wide, bottom + 0.03 * wide
    for part in range(4):
        x = at[0] + part * bar * per / 4
        ring = shapely.box(x, at[1], x + bar * per / 4, at[1] + 0.009 * wide)
        face = style.INK if part % 2 == 0 else "white"
        fill(axes, ring, fc=face, ec=style.INK, lw=0.7, zorder=10)
    for share, text in ((0.0, "0"), (0.5, f"{bar / 2:g}"), (1.0, f"{bar:g} {unit}")):
        axes.text(
            at[0] + share * bar * per, at[1] + 0.015 * wide, text, ha="center", size=8, zorder=10
        )
    axes.annotate(
        "", (0.955, 0.98), xytext=(0.955, 0.90), xycoords="axes fraction", zorder=10,
        arrowprops={"arrowstyle": "-|>", "color": style.INK, "lw": 1.4},
    )  # fmt: skip
    axes.text(
        0.955, 0.893, north.replace(" ", "\n"), transform=axes.transAxes, ha="center", va="top",
        size=7, zorder=10,
    )  # fmt: skip


def furniture(axes: Axes) -> Floats:
    """Return points (n, 2) where scale bar and north arrow stand, for labels to keep clear of."""
    share = [(x, y) for x in np.linspace(0.02, 0.32, 16) for y in (0.03, 0.05, 0.07)]
    share += [(x, y) for x in (0.93, 0.955, 0.98) for y in np.linspace(0.84, 0.98, 8)]
    (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()
    return np.array(share) * [x1 - x0, y1 - y0] + [x0, y0]


def draw_open_ends(axes: Axes, ends: tuple[Floats, Floats]) -> Floats:
    """Let the pipe run on, dotted, from each end (n, 2) its way; return points to keep clear of."""
    west, east = axes.get_xlim()
    at, ways = ends
    kept = [np.empty((0, 2))]
    for end, way in zip(at, ways, strict=True):
        stub = end + way * (east - west) * np.linspace(0.0, 0.045, 8)[:, None]
        axes.plot(*stub.T, path_effects=halo(4.0), **OPEN_END)
        last = stub[-1] + way * (east - west) * 0.012
        axes.text(
            float(last[0]), float(last[1]), "?", size=11, weight="bold", color=style.WARN,
            ha="center", va="center", zorder=9, path_effects=halo(3.0), gid="open end",
        )  # fmt: skip
        kept += [stub, last[None]]
    return np.vstack(kept)


def draw_unlocated(axes: Axes, areas: Sequence[tuple[str, Any]]) -> list[labels.Label]:
    """Fill where named pipe may be that nobody located; return a label for each in sight."""
    (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()
    view, words = shapely.box(x0, y0, x1, y1), []
    for name, area in areas:
        fill(axes, area, zorder=0.5, **UNLOCATED)
        seen = shapely.intersection(area, view)
        if not seen.is_empty:
            at = shapely.point_on_surface(seen)
            words.append(labels.Label(at.x, at.y, f"{name}?", style.WARN, 9, "bold"))
    return words


def fill(axes: Axes, polygon: Any, **look: Any) -> None:
    """Fill a polygon, or the parts of one, holes left open; None is nothing."""
    for part in shapely.get_parts(polygon) if polygon is not None else ():
        rings = [part.exterior, *part.interiors]
        outline = Outline.make_compound_path(*(Outline(shapely.get_coordinates(r)) for r in rings))
        axes.add_patch(PathPatch(outline, **look))


def along(lines: Sequence[Any], spacing_m: float) -> Floats:
    """Return points (n, 2) on lines, for labels to keep clear of."""
    shapes = np.array([line for line in lines if line is not None], dtype=object)
    if not len(shapes):
        return np.empty((0, 2))
    cut = shapely.length(shapes) > 0.0  # two things on one spot have no way between
    shapes[cut] = shapely.segmentize(shapes[cut], spacing_m)
    return np.asarray(shapely.get_coordinates(shapes))


def say(axes: Axes, text: str, y: float, **look: Any) -> float:
    """Write a paragraph of the margin from `y` down; returns where the next may start."""
    lines = textwrap.wrap(text, look.pop("characters", CHARACTERS))
    look = dict[str, Any](size=SMALL, color=style.INK) | look
    axes.text(
        0.0, y, "\n".join(lines), va="top", transform=axes.transAxes, linespacing=1.25, **look
    )
    return y - LINE * len(lines)


def say_notes(axes: Axes, notes: Sequence[str], y: float) -> None:
    """Write notes from `y` down as far as there is room above the banner, and how many there are.

    What finds no room stands in the folder's OVERLAY.md and was printed.
    """
    look: dict[str, Any] = {"color": "#4b5563", "size": 6.8}
    for n, note in enumerate(notes):
        room = y - LINE * len(textwrap.wrap(note, _NOTE_CHARACTERS))
        if room < (0.0 if n == len(notes) - 1 else LINE):
            say(axes, f"and {len(notes) - n} more notes, printed and in OVERLAY.md", y, **look)
            return
        y = say(axes, note, y, characters=_NOTE_CHARACTERS, **look) - 0.006


def head(axes: Axes, title: str) -> float:
    """Write the title; returns where the next may start."""
    axes.text(0.0, 1.0, title, size=13, weight="bold", va="top", transform=axes.transAxes)
    return 0.945


def key(axes: Axes, signs: Sequence[tuple[Any, str]], y: float) -> float:
    """Explain signs, each an artist and its meaning; returns where the next may start."""
    legend = axes.legend(
        [sign for sign, _ in signs], [said for _, said in signs], loc="upper left",
        bbox_to_anchor=(-0.015, y + 0.01), frameon=False, fontsize=SMALL + 0.3, handlelength=2.6,
        labelspacing=0.55, borderpad=0.2,
    )  # fmt: skip
    axes.add_artist(legend)
    return y - 0.0262 * len(signs) - 0.02


def halo(width: float = 2.2) -> list[Any]:
    """Return a white edge for text and lines that cross others."""
    return [withStroke(linewidth=width, foreground="white")]
