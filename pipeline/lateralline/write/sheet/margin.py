"""What no page goes without: the caution and the title block; and the key to the signs."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from typing import Any, Final

from lateralline import __version__
from lateralline.write.sheet import looks
from lateralline.write.sheet.canvas import Canvas, width_mm, wrapped
from lateralline.write.sheet.paper import MARGIN_MM, Box
from lateralline.write.sheet.site import Site

_CAUTION_MM: Final = 10.0
_ROW_MM: Final = 8.4
_WIDE_MM: Final = 250.0  # a title block of two rows needs as much
_GAP: Final = 2.0
_ENTRY_MM: Final = 4.0  # height of a line of the key
_SIGN: Final = 8.0


@dataclass(frozen=True, slots=True)
class Title:
    """What the title block says of this one sheet."""

    sheet: int
    sheets: int
    scales: str


def body_of(width: float, height: float) -> Box:
    """Return the part of a page that drawings and tables may fill."""
    inside = width - 2 * MARGIN_MM
    foot = _CAUTION_MM + _rows(inside) * _ROW_MM + _GAP
    return Box(MARGIN_MM, MARGIN_MM, inside, height - 2 * MARGIN_MM - foot)


def draw(canvas: Canvas, site: Site, title: Title) -> None:
    """Draw caution and title block at the foot of a page."""
    body = body_of(canvas.width, canvas.height)
    caution = Box(body.x, body.foot + _GAP, body.width, _CAUTION_MM)
    canvas.frame(caution, ec=looks.WARN, lw=1.6)
    size = 8.6
    while len(wrapped(site.caution, caution.width - 4.0, size, bold=True)) > 2 and size > 6.0:
        size -= 0.2
    lines = wrapped(site.caution, caution.width - 4.0, size, 2, bold=True)
    for n, line in enumerate(lines):
        y = caution.y + caution.height * (n + 0.5 + 0.5 * (2 - len(lines))) / 2
        y += (0.7, -0.7)[n] if len(lines) == 2 else 0.0
        canvas.words(caution.x + caution.width / 2, y, line, size, bold=True, align="center",
                     colour=looks.WARN)  # fmt: skip
    _title(canvas, Box(body.x, caution.foot, body.width, _rows(body.width) * _ROW_MM), site, title)


def _rows(width: float) -> int:
    return 2 if width >= _WIDE_MM else 3


def _title(canvas: Canvas, box: Box, site: Site, title: Title) -> None:
    said = site.scene.statements
    crs = site.scene.crs_name if site.scene.crs is not None else "sketch on invented axes"
    units = "metres" if not site.in_feet else {"ft": "feet", "us-ft": "US survey feet"}[site.unit]
    coordinates = {"°": "degrees", "m": "metres"}.get(site.coordinate_unit, site.coordinate_unit)
    head = [
        ("site", site.site_id, 30, 11.0),
        ("name", site.name, 56, 8.5),
        ("surveyed", said.get("surveyed", "–"), 22, 7.5),
        ("surveyed by", said.get("surveyor", "–"), 30, 6.8),
        ("kind of record", "as-built from field marks", 40, 6.8),
        ("sheet", f"{title.sheet} of {title.sheets}", 18, 9.0),
    ]  # fmt: skip
    systems = [
        ("coordinates", f"{crs} ({coordinates})", 62, 6.8),
        ("levels", "none: depths below ground only" if site.depth_only else site.datum, 52, 6.8),
        ("lengths in", units, 30, 6.8),
    ]
    made = [
        ("scales", title.scales, 68, 6.8),
        ("made by", f"lateralline {__version__}", 30, 6.8),
        ("source (SHA-256)", f"asbuilt.gpkg {site.sha256[:12]}", 48, 6.8),
    ]
    rows = [head, systems + made] if _rows(box.width) == 2 else [head, systems, made]
    for n, cells in enumerate(rows):
        whole = sum(share for _, _, share, _ in cells)
        x = box.x
        for name, text, share, size in cells:
            cell = Box(x, box.y + n * _ROW_MM, box.width * share / whole, _ROW_MM)
            canvas.frame(cell, lw=0.5)
            room = cell.width - 2.4
            canvas.words(cell.x + 1.2, cell.y + 1.9, name, 6.0, room=room, colour=looks.GREY)
            bold = n == 0
            if size < 7.0 and width_mm(text, size, bold=bold) > room:
                for k, line in enumerate(wrapped(text, room, 6.0, 2)):
                    canvas.words(cell.x + 1.2, cell.y + 4.1 + 2.4 * k, line, 6.0, room=room)
            else:
                canvas.words(cell.x + 1.2, cell.y + 5.4, text, size, room=room, bold=bold)
            x += cell.width


# ---- the key -------------------------------------------------------------------------------


def key_mm(site: Site, width: float) -> float:
    """Return the height the key takes."""
    columns = _columns(site, width)
    return ceil(len(_entries(site)) / columns) * _ENTRY_MM + 2.0


def _columns(site: Site, width: float) -> int:
    """Return how many entries stand side by side, none of them cut short."""
    widest = max((width_mm(text, 6.0) for text, _ in _entries(site)), default=30.0)
    return max(int(width / (widest + _SIGN + 4.5)), 1)


def draw_key(canvas: Canvas, box: Box, site: Site) -> None:
    """Draw every sign that the sheets use, with its name."""
    canvas.frame(box, lw=0.35)
    entries = _entries(site)
    columns = _columns(site, box.width)
    width = box.width / columns
    deep = ceil(len(entries) / columns)
    for n, (text, signs) in enumerate(entries):
        x = box.x + (n // deep) * width + 1.5
        y = box.y + 1.0 + (n % deep + 0.5) * _ENTRY_MM
        for kind, look in signs:
            if kind == "area":
                canvas.frame(Box(x, y - 1.3, _SIGN, 2.6), **look)
            elif kind == "below":
                canvas.frame(Box(x, y, _SIGN, 1.3), **look)
            elif kind == "line":
                canvas.rule(x, y, x + _SIGN, y, **{"color": looks.PIPE, **look})
            else:
                canvas.sign(x + _SIGN / 2, y, **look)
        canvas.words(x + _SIGN + 1.5, y, text, 6.0, room=width - _SIGN - 4.0)


def _entries(site: Site) -> list[tuple[str, list[tuple[str, dict[str, Any]]]]]:
    """Return name and signs of all that is drawn."""
    entries: list[tuple[str, list[tuple[str, dict[str, Any]]]]] = []
    for layer, kinds in (("pipe_nodes", looks.NODES), ("field_marks", looks.MARKS)):
        there = set(site.located(layer)["kind"])
        entries += [(look.name, [_sign(look)]) for kind, look in kinds.items() if kind in there]
    if len(site.located("transmitter_fixes")):
        ring = {"marker": "o", "ms": 7.5, "mfc": "none", "mec": looks.FIX, "mew": 0.7}
        entries.append(
            ("fix, 95 % ellipse; in profile 95 % bar", [("sign", ring), _sign(looks.FIX_LOOK)])
        )
    if len(site.located("pipe_observations")):
        entries.append((looks.SEEN_LOOK.name, [_sign(looks.SEEN_LOOK)]))
    if len(site.located("control_points")):
        signs = [_sign(looks.CONTROL_LOOK), _sign(looks.CROSS_LOOK)]
        entries.append((looks.CONTROL_LOOK.name, signs))
    if len(site.frame("pipe_segments")):
        entries.append(("pipe axis; profile: invert", [("line", {"lw": 1.7})]))
        entries += _rarer(site)
        band = {"fc": looks.CORRIDOR, "ec": looks.PIPE, "lw": 0.35}
        name = "depth" if site.depth_only else "invert"
        entries.append((f"95 % corridor; in profile 95 % of {name}", [("area", band)]))
        earth = {"fc": "none", "ec": looks.GROUND, "lw": 0, "hatch": looks.EARTH_HATCH}
        line = {"color": looks.GROUND, "lw": 1.3}
        entries.append(("ground (profile)", [("below", earth), ("line", line)]))
    if len(site.frame("dig_zone")):
        edge = {"fc": looks.ZONE, "ec": looks.ZONE_EDGE}
        zone = {**edge, "lw": 0.8, "ls": looks.ZONE_DASH}
        entries.append(("dig zone: tolerance about the corridor", [("area", zone)]))
        near = {"color": looks.ZONE_EDGE, "lw": 0.6, "ls": looks.TOLERANCE_DASH}
        entries.append(("tolerance about the pipe as located", [("line", near)]))
    return entries


def _rarer(site: Site) -> list[tuple[str, list[tuple[str, dict[str, Any]]]]]:
    pipes = site.frame("pipe_centreline")
    tops = pipes["outside_diameter_m"].notna()
    entries: list[tuple[str, list[tuple[str, dict[str, Any]]]]] = []
    if tops.any():
        entries.append(("outside top of pipe (profile)", [("line", {"lw": 0.8})]))
    if (pipes["inside_diameter_m"].notna() & ~tops).any():
        entries.append(("crown (profile)", [("line", {"lw": 0.8, "ls": looks.CROWN_DASH})]))
    if (site.frame("pipe_segments")["shape"] == "undecided").any():
        dash = {"lw": 1.7, "ls": looks.UNDECIDED_DASH}
        entries.append(("pipe, shape undecided: add a stop", [("line", dash)]))
    if len(site.scene.carried_on):
        dash = {"lw": 1.1, "ls": looks.CARRIED_DASH}
        entries.append(("not located: carried on by counter", [("line", dash)]))
    return entries


def _sign(look: Any) -> tuple[str, dict[str, Any]]:
    return "sign", {
        "marker": look.marker, "ms": look.size, "mfc": look.face, "mec": look.edge, "mew": 0.6,
    }  # fmt: skip
