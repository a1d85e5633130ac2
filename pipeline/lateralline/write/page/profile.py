"""What the profile draws: a line's ground, top, crown and invert with 95 % bounds, over chainage.

A site without levels is drawn downwards from a ground taken as level at 0, and says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.records import Floats
from lateralline.write.page.facts import known
from lateralline.write.picture.scene import Scene

_BAND: Final = [
    "chainage_m", "ground_level_m", "top_level_m", "crown_level_m", "invert_level_m",
    "invert_lower_95_m", "invert_upper_95_m",
]  # fmt: skip
DEPTH_ONLY: Final = "depth only"


@dataclass(frozen=True, slots=True)
class LineProfile:
    """Levels along one line, m; each an array (n) over `chainage`, NaN where not known."""

    line: str
    chainage: Floats
    ground: Floats
    top: Floats
    crown: Floats
    invert: Floats
    lower: Floats
    upper: Floats

    def path(self) -> dict[str, list[float]]:
        """Return chainage and level of the invert, or of the top where no bore is known."""
        level = self.invert if np.isfinite(self.invert).any() else self.top
        there = np.isfinite(level)
        return {"chainage": self.chainage[there].tolist(), "y": level[there].tolist()}

    def reach(self) -> tuple[float, float, float, float] | None:
        """Return chainage and level bounds: least, least, most, most; None without a level."""
        levels = np.concatenate([self.ground, self.top, self.invert, self.lower, self.upper])
        if not np.isfinite(levels).any():
            return None
        return (
            float(self.chainage.min()), float(np.nanmin(levels)),
            float(self.chainage.max()), float(np.nanmax(levels)),
        )  # fmt: skip


def has_levels(scene: Scene) -> bool:
    """Tell whether any level is known; else the profile shows depths below ground."""
    lines = scene.layers["pipe_centreline"]
    return not len(lines) or bool((lines["level_datum"] != DEPTH_ONLY).any())


def profiles(scene: Scene) -> list[LineProfile]:
    """Return the profile of every line, longest first."""
    made = (_profile(scene, line) for line in scene.lines)
    return [p for p in made if len(p.chainage)]


def _profile(scene: Scene, line: str) -> LineProfile:
    band = scene.of_line("level_band", line).sort_values("chainage_m")
    if not len(band):
        return _from_located_points(scene, line)
    if has_levels(scene):
        return LineProfile(line, *band[_BAND].to_numpy(dtype=float).T)
    pipe = scene.of_line("pipe_centreline", line).iloc[0]
    cover = band["cover_m"].to_numpy(dtype=float)
    half = INTERVAL_95 * band["cover_sigma_m"].to_numpy(dtype=float)
    wall, bore = (known(pipe[c]) for c in ("wall_m", "inside_diameter_m"))
    crown = -cover - (np.nan if wall is None else wall)
    invert = crown - (np.nan if bore is None else bore)
    chainage = band["chainage_m"].to_numpy(dtype=float)
    return LineProfile(
        line, chainage, np.zeros_like(cover), -cover, crown, invert, invert - half, invert + half
    )


def _from_located_points(scene: Scene, line: str) -> LineProfile:
    """Return what segments tell at their ends, for records built before there was a level band."""
    parts = [
        scene.of_line("pipe_segments", line)[columns].to_numpy(dtype=float)
        for columns in (
            ["from_chainage_m", "invert_down_m", "invert_down_sigma_m"],
            ["to_chainage_m", "invert_up_m", "invert_up_sigma_m"],
        )
    ]
    points = np.vstack(parts)
    points = points[np.isfinite(points[:, 0])]
    _, first = np.unique(points[:, 0].round(4), return_index=True)
    chainage, invert, sigma = points[first].T
    pipe = scene.of_line("pipe_centreline", line).iloc[0]
    wall, bore = (known(pipe[c]) for c in ("wall_m", "inside_diameter_m"))
    crown = invert + (np.nan if bore is None else bore)
    top = crown + (np.nan if wall is None else wall)
    shots = scene.of_line("transmitter_fixes", line)[["chainage_m", "ground_level_m"]]
    shots = shots.dropna().sort_values("chainage_m").to_numpy(dtype=float)
    ground = np.interp(chainage, *shots.T) if len(shots) else np.full_like(invert, np.nan)
    half = INTERVAL_95 * sigma
    return LineProfile(line, chainage, ground, top, crown, invert, invert - half, invert + half)


def level_of(scene: Scene, layer: str, row: Any) -> float:
    """Return where a stop, node or observation stands in the profile, m; NaN when not known."""
    if layer == "transmitter_fixes":
        level = row.level_m if has_levels(scene) else -_number(row.depth_m)
        return _number(level)
    if has_levels(scene):
        return _number(row.invert_level_m)
    pipe = scene.of_line("pipe_centreline", row.line_id)
    if not len(pipe):
        return np.nan
    inside = _number(pipe["inside_diameter_m"].iloc[0])
    return -_number(row.cover_m) - _number(pipe["wall_m"].iloc[0]) - inside


def _number(value: object) -> float:
    number = known(value)
    return np.nan if number is None else number
