"""The symbology of `styles.toml` as matplotlib draws it, and the inks of the paper around it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, TypeAlias, TypedDict

from lateralline.record.symbology import Area, LineSymbol, Point, area_of, sign

if TYPE_CHECKING:
    from matplotlib.typing import RcKeyType

INK: Final = "#1c2127"
GREY: Final = "#5b636d"
FAINT: Final = "#a9b0b8"
WARN: Final = "#7d1414"
WARN_PAPER: Final = "#fff4f2"

SMALL_PT: Final = 6.0  # nothing on a sheet is smaller
PLAIN_PT: Final = 6.8
FAMILY: Final = "DejaVu Sans"  # comes with matplotlib: widths are the same everywhere

#: Points on a sheet are so much smaller than on a map: many stand on a few centimetres.
ON_PAPER: Final = 0.66
MATCH_DASH: Final = (0, (10, 2, 2, 2, 2, 2))
EARTH_HATCH: Final = "//////"  # under the ground line

_PT_PER_MM: Final = 72.0 / 25.4
#: Marker → matplotlib's, and how much larger that is drawn than its size says.
_MARKERS: Final[dict[str, tuple[str, float]]] = {
    "circle": ("o", 1.0), "square": ("s", 0.95), "diamond": ("D", 0.8), "triangle": ("^", 1.0),
    "hexagon": ("h", 1.05), "star": ("*", 1.3), "cross_fill": ("P", 1.0),
    "cross2": ("x", 0.9), "circle_cross": ("o", 1.0),
}  # fmt: skip
_TURNED: Final = {("^", 180.0): "v", ("P", 45.0): "X"}

Dash: TypeAlias = str | tuple[float, tuple[float, ...]]

#: What every figure is drawn with: a name that holds $, _ or \\ means them, whatever the settings
#: of whoever runs this are.
LITERAL: Final[dict[RcKeyType, object]] = {"text.parse_math": False, "text.usetex": False}

RC: Final[dict[RcKeyType, object]] = {
    **LITERAL,
    "font.family": FAMILY,
    "font.size": PLAIN_PT,
    "text.color": INK,
    "text.hinting": "none",  # widths in a picture are those that lines were broken by
    "axes.edgecolor": INK,
    "axes.linewidth": 0.6,
    "axes.unicode_minus": True,
    "hatch.linewidth": 0.3,
    "pdf.fonttype": 42,
    "ps.fonttype": 42,  # else matplotlib 3.11 tears a PDF's fonts into parts of 256 letters
    "path.simplify": False,
    "svg.hashsalt": "lateralline",
}


class PointLook(TypedDict):
    """A marker as `Axes.plot` takes it."""

    marker: str
    ms: float
    mfc: str
    mec: str
    mew: float


class LineLook(TypedDict, total=False):
    """A line as `Axes.plot` takes it."""

    color: str
    lw: float
    ls: Dash


class AreaLook(TypedDict, total=False):
    """A polygon as a patch takes it."""

    fc: str
    ec: str
    lw: float
    ls: Dash
    hatch: str


def point_looks(point: Point, scale: float = ON_PAPER) -> tuple[PointLook, ...]:
    """Return a marker's parts: one, or a ring and the cross in it."""
    plain, factor = _MARKERS[point.marker]
    size = point.size_mm * _PT_PER_MM * scale
    edge = max(point.stroke_mm * _PT_PER_MM * scale, 0.35)
    marker = _TURNED.get((plain, point.rotate_deg), plain)
    look = PointLook(
        marker=marker, ms=size * factor, mfc=point.fill, mec=point.stroke, mew=edge
    )  # fmt: skip
    if point.marker != "circle_cross":
        return (look,)
    return (look, PointLook(marker="+", ms=1.45 * size, mfc=point.fill, mec=point.stroke, mew=edge))


def line_look(line: LineSymbol) -> LineLook:
    """Return a line."""
    return LineLook(
        color=line.color, lw=line.width_mm * _PT_PER_MM, ls=dash_of(line.width_mm, line.dash_mm)
    )


def area_look(area: Area) -> AreaLook:
    """Return a polygon, its filling as it looks on white paper."""
    return AreaLook(
        fc=area.on_white if area.opacity else "none",
        ec=area.stroke,
        lw=area.stroke_mm * _PT_PER_MM,
        ls=dash_of(area.stroke_mm, area.dash_mm),
    )


def unlocated_look() -> AreaLook:
    """Return the area where pipe may be that nobody located, hatched: it is no corridor."""
    return area_look(area_of("unlocated")) | AreaLook(hatch="xx")


def sign_look(name: str) -> LineLook:
    """Return a sign that stands beside the layers."""
    return line_look(sign(name).line)


def dash_of(width_mm: float, dash_mm: tuple[float, ...]) -> Dash:
    """Return a dash pattern in widths of its line, as matplotlib counts.

    >>> dash_of(0.5, (2.0, 1.0)), dash_of(0.5, ())
    ((0, (4.0, 2.0)), '-')
    """
    return (0, tuple(d / width_mm for d in dash_mm)) if dash_mm else "-"
