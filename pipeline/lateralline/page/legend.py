"""The switches of the drawings, each beside the sign it shows and hides; and the opening view."""

from __future__ import annotations

from typing import Final, NamedTuple

from markupsafe import Markup

from lateralline.page.works import Works
from lateralline.record.view import Bounds, RecordView, off_the_lines

#: Control is in view when no farther off than so many of the site's greater sides.
_SIDES: Final = 1.0


class Switch(NamedTuple):
    """One group of signs."""

    key: str
    label: str
    sign: Markup  # an SVG, 26 × 16


def switches(view: RecordView, works: Works | None = None) -> list[Switch]:
    """Return the switches of what the scene and the works hold."""
    layers = view.layers
    held = {
        "stops": len(layers["transmitter_fixes"]),
        "nodes": len(layers["pipe_nodes"]),
        "seen": len(layers["pipe_observations"]),
        "control": len(layers["control_points"]),
        "zone": len(layers["dig_zone"]),
        "corridor": len(layers["position_corridor"]),
        "marks": len(layers["field_marks"]),
        "works": 0 if works is None else len(works.outlines),
    }
    return [
        Switch(
            key,
            label + (left_out(view) if key == "control" else ""),
            Markup(f'<svg viewBox="0 0 26 16" aria-hidden="true">{sign}</svg>'),
        )
        for key, (label, sign) in _SIGNS.items()
        if held.get(key, 1)
    ]


def opening(view: RecordView) -> Bounds:
    """Return the box the plan opens with: the site, and all control not far beyond it."""
    return view.box_with(view.control_within(_SIDES))


def left_out(view: RecordView) -> str:
    """Say which control points are not in that box; "" for none."""
    control = view.layers["control_points"]
    far = control[~control.index.isin(view.control_within(_SIDES).index)]
    off = off_the_lines(far, view.layers["pipe_centreline"].geometry)
    told = [
        f"{point}, {view.say_both(metres)} {way} of the pipe"
        for point, (metres, way) in zip(far["point"], off, strict=False)
    ]
    return "; outside the opening view: " + "; ".join(told) if told else ""


_SIGNS: Final = {
    "works": (
        "planned works and least separation; ⊠ a conflict, □ no conflict shown",
        '<path d="M1 2h24v12H1zM4 14L16 2M12 14L24 2" class="s-works"/>',
    ),
    "stops": (
        "stops: ● located, ○ weak, × ambiguous or not located",
        '<circle cx="13" cy="8" r="4.5" class="s-fix"/>',
    ),
    "ellipses": (
        "95 % ellipses; in the profile the level ± 95 %",
        '<ellipse cx="13" cy="8" rx="11" ry="5.5" class="s-ellipse"/>',
    ),
    "pipe": (
        "pipe, tips with the flow; long dashes: shape undecided; dots: not located; "
        "profile: invert, top of pipe, inside top dashed",
        '<path d="M1 8h24" class="s-pipe"/><path d="M8 8l7-5v10z" class="s-tip"/>',
    ),
    "corridor": (
        "95 % corridor; in the profile 95 % of the invert",
        '<path d="M1 2h24v12H1z" class="s-corridor"/>',
    ),
    "zone": (
        "dig zone: tolerance about the corridor; dashed: about the pipe as located",
        '<path d="M1 2h24v12H1z" class="s-zone"/>',
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
        "grades ± 95 %, in per cent",
        '<path d="M2 4l22 8" class="s-grade"/>',
    ),
    "labels": ("names", '<text x="13" y="13" class="s-name">A1</text>'),
}
