"""How signs look on a page: their colours in light and dark, which rule draws a row, switches.

Colours, shapes and dashes of layers are those of `styles.toml`; each light colour has a dark one
here. The rest is the page's own: signs differ by shape, line and lightness first, and never by
colour alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final, NamedTuple

from markupsafe import Markup

from lateralline import contract
from lateralline.page.places import Works
from lateralline.record.ground import off_the_lines
from lateralline.record.rows import LayerRow
from lateralline.record.symbology import LineSymbol, area_of, load_styles, sign, style_of
from lateralline.record.view import Bounds, RecordView


def _colours() -> dict[str, tuple[str, str]]:
    """Return role → light, dark of all colours of the symbology; the light ones are its own."""
    pipe, fix, seen = (
        style_of(layer).rule[0].symbol.colour
        for layer in ("pipe_segments", "transmitter_fixes", "pipe_observations")
    )
    zone = area_of("tolerance_zone", zone="with_corridor")
    named = {
        "pipe": (pipe, "#3fd28f"),
        "fix": (fix, "#ff9d6b"),
        "seen": (seen, "#c4a6ff"),
        "corridor": (area_of("position_corridor").fill, "#1f7a50"),
        "zone": (zone.fill, "#5f4612"),
        "zone_edge": (zone.stroke, "#f2b64f"),
        "ground": (sign("ground").line.color, "#cda06f"),
        "nowhere": (area_of("unlocated").stroke, "#ff9d94"),
    }
    known = {light for light, _ in named.values()} | {_PAPER[0]}
    rest: dict[str, tuple[str, str]] = {}
    for style in load_styles((*contract.LAYERS, contract.CONNECTIONS)):
        for rule in style.rule:
            s = rule.symbol
            for light in (s.color,) if isinstance(s, LineSymbol) else (s.fill, s.stroke):
                if light not in known:
                    rest[f"sign_{light[1:]}"] = (light, _dark(light))
    return named | rest


def _dark(light: str) -> str:
    """Return a colour for dark paper: as far from it as the light one is from white.

    >>> _dark("#20262e")
    '#dfd9d1'
    """
    parts = (255 - int(light[i : i + 2], 16) for i in (1, 3, 5))
    return "#" + "".join(f"{part:02x}" for part in parts)


_PAPER: Final = ("#ffffff", "#14191f")

#: Role → light, dark. The style sheet and the script read the same table.
PALETTE: Final[dict[str, tuple[str, str]]] = {
    "ink": ("#1b2129", "#e9edf2"),
    "quiet": ("#55606c", "#a3adb8"),
    "paper": _PAPER,
    "page": ("#f3f5f7", "#0c1014"),
    "grid": ("#dfe4e9", "#29313a"),
    "edge": ("#aab3bd", "#46515d"),
    **_colours(),
    "works": ("#37414d", "#c9d3de"),
    "chosen": ("#ffcf1f", "#ffe169"),
    "measured": ("#0058b0", "#72bcff"),
    "warn": ("#9b1c1c", "#ff9d94"),
    "warn_page": ("#fff1ef", "#2c1515"),
}


def role_of(colour: str) -> str:
    """Return the role of a colour of the symbology."""
    return next(role for role, (light, _) in PALETTE.items() if light == colour)


def style_sheet() -> str:
    """Return the palette as CSS variables; dark where asked for, or where the reader prefers it."""
    light, dark = (
        "".join(f"--{role.replace('_', '-')}:{pair[i]};" for role, pair in PALETTE.items())
        for i in (0, 1)
    )
    return (
        f":root{{color-scheme:light;{light}}}\n:root[data-theme=dark]{{color-scheme:dark;{dark}}}\n"
    )


def states(rows: Iterable[LayerRow]) -> list[str]:
    """Return the number of the rule that draws each row, as `symbols` looks for it."""
    found = []
    for row in rows:
        style = style_of(row.layer)
        found.append(str(style.rule.index(style.rule_of(row))))
    return found


#: How far from an open end its "?" stands on the screen, at any zoom.
OPEN_END_PX: Final = 28.0

# ---- switches -------------------------------------------------------------------------------


#: Control is in view when no farther off than so many of the site's greater sides.
_SIDES: Final = 1.0


class Switch(NamedTuple):
    """One group of signs."""

    key: str
    label: str
    sign: Markup  # an SVG, 26 × 16


def switches(
    view: RecordView, works: Works | None = None, joined: Sequence[object] | None = None
) -> list[Switch]:
    """Return the switches of what the scene, works and connections to mains hold."""
    layers = view.layers
    words = {"level": view.word("level ±"), "fall": view.word("fall of the pipe")}
    count = {
        "stops": len(layers["transmitter_fixes"]),
        "nodes": len(layers["pipe_nodes"]),
        "seen": len(layers["pipe_observations"]),
        "control": len(layers["control_points"]),
        "zone": len(layers["tolerance_zone"]),
        "corridor": len(layers["position_corridor"]),
        "unlocated": int(layers["unlocated"].geometry.notna().sum()),
        "marks": len(layers["field_marks"]),
        "works": 0 if works is None else len(works.outlines),
        "joined": len(joined or ()),
    }
    return [
        Switch(
            key,
            label.format(**words) + (left_out(view) if key == "control" else ""),
            Markup(f'<svg viewBox="0 0 26 16" aria-hidden="true">{sign}</svg>'),
        )
        for key, (label, sign) in _SIGNS.items()
        if count.get(key, 1)
    ]


def opening(view: RecordView) -> Bounds:
    """Return the box the plan opens with: the site, and all control not far beyond it."""
    return view.box_with(view.control_within(_SIDES))


def left_out(view: RecordView) -> str:
    """Return which control points are not in that box; "" for none."""
    control = view.layers["control_points"]
    far = control[~control.index.isin(view.control_within(_SIDES).index)]
    off = off_the_lines(far, view.layers["pipe_centreline"].geometry)
    texts = [
        f"{point}, {view.length_both(metres)} {way} of the pipe"
        for point, (metres, way) in zip(far["point"], off, strict=False)
    ]
    return "; outside the opening view: " + "; ".join(texts) if texts else ""


_SIGNS: Final = {
    "works": (
        "planned works and least separation; ⊠ a conflict, □ no conflict shown",
        '<path d="M1 2h24v12H1zM4 14L16 2M12 14L24 2" class="s-works"/>',
    ),
    "joined": (
        "connections to the main: ● meets, ○ stops short, crosses or not decided",
        '<circle cx="13" cy="8" r="4.5" class="s-mark"/>',
    ),
    "stops": (
        "stops: ● located, ○ weak, × contradicted, two positions or not located",
        '<circle cx="13" cy="8" r="4.5" class="s-fix"/>',
    ),
    "ellipses": (
        "95 % ellipses; in the profile the {level} (95 %)",
        '<ellipse cx="13" cy="8" rx="11" ry="5.5" class="s-ellipse"/>',
    ),
    "pipe": (
        "pipe, tips with the flow; long dashes: shape not shown; dots: not located; "
        "red dots and ?: open end, the pipe runs on, not located; "
        "profile: invert, top of pipe, inside top dashed",
        '<path d="M1 8h24" class="s-pipe"/><path d="M8 8l7-5v10z" class="s-tip"/>',
    ),
    "corridor": (
        "95 % corridor; in the profile 95 % of the invert",
        '<path d="M1 2h24v12H1z" class="s-corridor"/>',
    ),
    "zone": (
        "hand-dig zone: tolerance about the corridor; dashed: about the pipe as located",
        '<path d="M1 2h24v12H1z" class="s-zone"/>',
    ),
    "unlocated": (
        "not located: pipe may be anywhere here",
        '<path d="M1 2h24v12H1z" class="s-unlocated"/>',
    ),
    "nodes": (
        "nodes: ■ entry, ⬡ end, ◇ bend, ⬢ junction, ☆ exposure",
        '<path d="M13 2l5 6-5 6-5-6z" class="s-node"/>',
    ),
    "seen": ("seen by the camera", '<path d="M7 3h12l-6 11z" class="s-seen"/>'),
    "marks": (
        "marks: △ end null, □ mid null, ✚ total-field peak, ✖ axial peak; thin ×: not used",
        '<path d="M3 13l5-9 5 9zM15 4h8v8h-8z" class="s-mark"/>',
    ),
    "control": (
        "control points",
        '<circle cx="13" cy="8" r="6" class="s-mark"/><path d="M7 8h12M13 2v12" class="s-mark"/>',
    ),
    "ground": ("ground", '<path d="M1 9c6-4 18-4 24 0" class="s-ground"/>'),
    "grades": (
        "{fall} ± 95 %, in per cent, where levels show one",
        '<path d="M2 4l22 8" class="s-grade"/>',
    ),
    "labels": ("names", '<text x="13" y="13" class="s-name">A1</text>'),
}
