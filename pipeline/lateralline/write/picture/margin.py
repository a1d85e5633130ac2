"""Beside and below: title block, legend, and the caution, which no picture goes without."""

from __future__ import annotations

import textwrap
from math import isnan
from typing import Any, Final

from matplotlib.axes import Axes
from matplotlib.legend_handler import HandlerTuple
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from lateralline.lineage import CAUTION
from lateralline.units import METRES_PER
from lateralline.write.picture import style
from lateralline.write.picture.scene import MOST_LINES, Scene, number
from lateralline.write.picture.style import Look

_CHARACTERS: Final = 55  # a line of the margin holds


def draw_title(axes: Axes, scene: Scene) -> None:
    """Write which site is drawn, and what the record says of it in short."""
    axes.set_axis_off()
    name = scene.statements.get("site", scene.site_id)
    texts = (
        (4, scene.site_id, 20, "bold"),
        (-26, name if name != scene.site_id else "", 11, "normal"),
        (-48, "\n".join(_facts(scene)), 8, "normal"),
    )
    for down, text, size, weight in texts:
        axes.annotate(
            text, xy=(0, 1), xycoords="axes fraction", xytext=(0, down),
            textcoords="offset points", size=size, weight=weight, va="top", linespacing=1.4,
        )  # fmt: skip


def draw_legend(axes: Axes, scene: Scene) -> None:
    """Write what every sign means that is drawn."""
    axes.set_axis_off()
    handles = _handles(scene)
    axes.legend(
        list(handles.values()), list(handles), loc="upper left" if scene.is_tall else "lower left",
        bbox_to_anchor=(-0.02, 1.0 if scene.is_tall else 0.0),
        frameon=False, fontsize=8, labelspacing=0.68, handlelength=2.4, borderpad=0,
        handler_map={tuple: HandlerTuple(ndivide=1)},
    )  # fmt: skip


def draw_caution(axes: Axes, scene: Scene) -> None:
    """Write the caution over the whole width, framed."""
    axes.set_xticks([])
    axes.set_yticks([])
    axes.set_facecolor("#fff4f2")
    for side in axes.spines.values():
        side.set_color(style.WARN)
        side.set_linewidth(1.6)
    text = scene.statements.get("caution", CAUTION)
    axes.text(
        0.5, 0.5, "\n".join(textwrap.wrap(text, 150)), ha="center", va="center", size=10,
        weight="bold", color=style.WARN, linespacing=1.3, transform=axes.transAxes,
    )  # fmt: skip


def _facts(scene: Scene) -> list[str]:
    facts = [
        f"surveyed {scene.statements.get('surveyed', '–')}",
        f"coordinates: {scene.crs_name}",
        scene.statements.get("levels", ""),
        "Lengths, levels and depths in metres."
        if scene.unit == "m"
        else "Labels in feet; along the edges metres, at right and top of the profile feet.",
        "",
    ]
    lines = scene.layers["pipe_centreline"].sort_values("length_m", ascending=False)
    for line in lines.head(MOST_LINES).itertuples():
        pipe = " ".join(filter(None, (line.line_id, line.material, line.nominal)))
        facts.append(
            f"{pipe}: {scene.length(line.length_m, both=True)} long, "
            f"grade {number(line.mean_grade, '{:.2%}')}"
        )
        facts.append(
            f"    widest 95 % half axis {scene.length(line.semi_major_95_max_m, both=True)}"
        )
        facts.append(f"    {_cover(scene, line)}")
    if len(lines) > MOST_LINES:
        facts.append(f"and {len(lines) - MOST_LINES} shorter lines")
    rules = scene.layers["dig_zone"][["rule_title", "tolerance_m"]].drop_duplicates()
    facts += [
        f"dig zone by: {r.rule_title}, {r.tolerance_m:.3f} m "
        f"({r.tolerance_m / METRES_PER['in']:.0f} in) each side"
        for r in rules.itertuples()
    ]
    if len(rules):
        facts.append(
            "The pipe runs on past both ends of the located line; nothing there is located."
        )
    facts.append("± is half the 95 % interval, here as on the sheet and the page.")
    counts = [
        f"{n} {severity}{'s' if n > 1 and severity != 'info' else ''}"
        for severity in ("error", "warning", "info")
        if (n := scene.findings[severity])
    ]
    found = f"{', '.join(counts)}; read them before use" if counts else "none"
    facts += ["", f"findings: {found}"]
    lost = scene.layers["transmitter_fixes"]
    lost = lost[lost["status"] == "unsolved"]
    if len(lost):
        stops = ", ".join(f"{r.run_id}/{r.stop_id}" for r in lost.itertuples())
        facts.append(f"not located: stop {stops}")
    return [part for fact in facts for part in textwrap.wrap(fact, _CHARACTERS) or [""]]


def _handles(scene: Scene) -> dict[str, Any]:
    """Return the legend: name → sign, only what is drawn."""
    handles: dict[str, Any] = {}
    for layer, looks in (("field_marks", style.MARKS), ("pipe_nodes", style.NODES)):
        for kind in [k for k in looks if k in set(scene.layers[layer]["kind"])]:
            handles[looks[kind].name] = _point(looks[kind])
    if len(scene.layers["transmitter_fixes"]):
        ring = Line2D([], [], marker="o", ms=13, mfc="none", mec=style.FIX, ls="none")
        handles[style.FIX_LOOK.name] = (ring, _point(style.FIX_LOOK))
    if len(scene.layers["pipe_observations"]):
        handles[style.SEEN_LOOK.name] = _point(style.SEEN_LOOK)
    pipe: dict[str, Any] = {"color": style.PIPE}
    handles["pipe axis; in profile: invert"] = Line2D([], [], lw=2.4, **pipe)
    if len(scene.carried_on):
        handles["not located: carried on by the counter"] = Line2D([], [], **style.CARRIED_ON)
    if len(scene.control):
        handles[style.CONTROL_LOOK.name] = _point(style.CONTROL_LOOK)
    if (scene.layers["pipe_segments"]["shape"] == "undecided").any():
        handles["pipe, shape undecided: add a stop"] = Line2D(
            [], [], lw=2.4, ls=(0, (3, 1.5)), **pipe
        )
    handles["flow"] = Line2D([], [], lw=0, marker=r"$\rightarrow$", ms=13, **pipe)
    handles["crown (profile)"] = Line2D([], [], lw=1.0, ls=(0, (5, 2)), **pipe)
    handles["95 % corridor; in profile: 95 % of the invert"] = Patch(
        fc=style.CORRIDOR, ec=style.PIPE, lw=0.5, alpha=0.75
    )
    handles["dig zone: tolerance about the corridor"] = Patch(
        fc=style.ZONE, ec=style.ZONE_EDGE, lw=1.3
    )
    handles["tolerance about the pipe as located"] = Line2D(
        [], [], color=style.ZONE_EDGE, lw=0.9, ls=(0, (4, 2.5))
    )
    handles["ground (profile); figures: depth of the fix"] = Line2D(
        [], [], color=style.GROUND, lw=2.0
    )
    return handles


def _point(look: Look) -> Line2D:
    return Line2D(
        [], [], marker=look.marker, ms=look.size, mfc=look.face, mec=look.edge, mew=0.9, ls="none"
    )


def _cover(scene: Scene, line: Any) -> str:
    """Say the least cover with its bound; "at least" is said of the bound alone."""
    if scene.length(line.cover_min_m) == number(None):
        return "cover unknown"
    bound = scene.least_cover_95_m(line.line_id)
    sure = "no bound" if isnan(bound) else f"at least {scene.length(bound, both=True)}"
    return f"least cover {scene.length(line.cover_min_m, both=True)}, {sure} (95 %)"
