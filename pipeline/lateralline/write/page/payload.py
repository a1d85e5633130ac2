"""What the page's script knows of a site beside the drawings, as JSON."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import Any

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.units import METRES_PER
from lateralline.write.page import profile
from lateralline.write.page.facts import UNIT_NAMES, known
from lateralline.write.page.opening import opening
from lateralline.write.page.paint import PALETTE
from lateralline.write.page.places import Place, Target, centreline
from lateralline.write.picture.scene import IN_FEET, Scene


def payload(
    scene: Scene,
    found: Mapping[str, Sequence[Place]],
    lines: Sequence[profile.LineProfile],
    targets: Sequence[Target],
) -> dict[str, Any]:
    """Return what the script knows: places by kind, lines, where each finding points, units."""
    drawn = {p.line: p for p in lines}
    return {
        "unit": scene.unit,
        "per": {unit: METRES_PER[unit] for unit, _ in units(scene)},
        "names": UNIT_NAMES,
        "palette": PALETTE,
        "box": opening(scene),
        "level": "level" if profile.has_levels(scene) else "below ground taken as level",
        "places": {kind: [asdict(p) for p in places] for kind, places in found.items()},
        "lines": [_line(scene, row, drawn.get(row.line_id)) for row in longest_first(scene)],
        "grades": list(_grades(scene)),
        "findings": [asdict(t) for t in targets],
    }


def units(scene: Scene) -> list[tuple[str, str]]:
    """Return the units a reader may choose, with their names: metres, and the crew's foot."""
    foot = scene.unit if scene.unit in IN_FEET else "ft"
    return [(unit, UNIT_NAMES[unit]) for unit in ("m", foot)]


def longest_first(scene: Scene) -> Iterator[Any]:
    """Yield the rows of the centrelines, the longest first."""
    yield from scene.layers["pipe_centreline"].sort_values("length_m", ascending=False).itertuples()


def _grades(scene: Scene) -> Iterator[dict[str, Any]]:
    """Yield each segment's grade ± 95 % in words, and the middle of the segment."""
    for row in scene.layers["pipe_segments"].itertuples():
        grade, sigma = known(row.grade), known(row.grade_sigma)
        if grade is not None:
            spread = "" if sigma is None else f" ± {100 * INTERVAL_95 * sigma:.1f}"
            at = (row.from_chainage_m + row.to_chainage_m) / 2
            words = f"{100 * grade:.1f}{spread} %"
            yield {"line": row.line_id, "chainage": at, "name": words}


def _line(scene: Scene, row: Any, drawn: profile.LineProfile | None) -> dict[str, Any]:
    path = centreline(scene, row.line_id)
    segments = scene.of_line("pipe_segments", row.line_id)
    sure = segments[["from_chainage_m", "to_chainage_m", "semi_major_95_max_m"]].dropna()
    carried = scene.carried_on[scene.carried_on["line_id"] == row.line_id]["chainage_m"]
    box = None if drawn is None else drawn.reach()
    if box is not None and len(carried):
        ends = [box[0], box[2], *map(float, carried.dropna())]
        box = (min(ends), box[1], max(ends), box[3])
    return {
        "id": row.line_id,
        "chainage": path[:, 0].round(4).tolist(),
        "x": path[:, 1].round(4).tolist(),
        "y": path[:, 2].round(4).tolist(),
        "box": box,
        "sure": sure.to_numpy(dtype=float).round(4).tolist(),
        "joins": _joins(scene, row),
        "invert": None if drawn is None else drawn.path(),
    }


def _joins(scene: Scene, row: Any) -> dict[str, Any] | None:
    """Return the line this one runs into and the chainage there; None when it joins none."""
    nodes = scene.layers["pipe_nodes"]
    there = nodes[
        (nodes["kind"] == "junction")
        & (nodes["line_id"] == row.joins_line_id)
        & (nodes["ref"] == row.line_id)
    ]
    if not row.joins_line_id or not len(there):
        return None
    return {"line": row.joins_line_id, "chainage": float(there["chainage_m"].iloc[0])}
