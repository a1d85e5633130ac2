"""Every colour of the page, in light and in dark, and how a model is told which it wears.

Sewers and drains are green, as in the uniform colour code for marking underground utilities of
the American Public Works Association. The rest is our own: told apart by shape, line and
lightness first, and never by colour alone.
"""

from __future__ import annotations

from typing import Any, Final

from bokeh.model import Model

#: Role → light, dark. The style sheet and the script read the same table.
PALETTE: Final[dict[str, tuple[str, str]]] = {
    "ink": ("#1b2129", "#e9edf2"),
    "quiet": ("#55606c", "#a3adb8"),
    "paper": ("#ffffff", "#14191f"),
    "page": ("#f3f5f7", "#0c1014"),
    "grid": ("#dfe4e9", "#29313a"),
    "edge": ("#aab3bd", "#46515d"),
    "pipe": ("#00693e", "#3fd28f"),
    "corridor": ("#7cc5a0", "#1f7a50"),
    "zone": ("#f6d999", "#5f4612"),
    "zone_edge": ("#9a5b00", "#f2b64f"),
    "ground": ("#77532c", "#cda06f"),
    "fix": ("#b0125b", "#ff85b8"),
    "seen": ("#4338a8", "#aaa4ff"),
    "works": ("#37414d", "#c9d3de"),
    "chosen": ("#ffcf1f", "#ffe169"),
    "measured": ("#0058b0", "#72bcff"),
    "warn": ("#9b1c1c", "#ff9d94"),
    "warn_page": ("#fff1ef", "#2c1515"),
}


def paint(model: Model, **roles: str) -> None:
    """Give a model the light colours of its roles, and tags by which the script repaints it."""
    for name, role in roles.items():
        setattr(model, name, PALETTE[role][0])
    tags: list[Any] = [*model.tags, *(f"paint {name} {role}" for name, role in roles.items())]
    model.tags = tags


def belongs(model: Model, switch: str) -> None:
    """Tag a model with the switch that shows and hides it."""
    model.tags = [*model.tags, f"switch {switch}"]


def style_sheet() -> str:
    """Return the palette as CSS variables; dark where asked for, or where the reader prefers it."""
    light, dark = (
        "".join(f"--{role.replace('_', '-')}:{pair[i]};" for role, pair in PALETTE.items())
        for i in (0, 1)
    )
    return (
        f":root{{color-scheme:light;{light}}}\n:root[data-theme=dark]{{color-scheme:dark;{dark}}}\n"
    )
