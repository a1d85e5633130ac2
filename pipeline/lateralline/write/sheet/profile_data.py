"""What the profile of one line is drawn from: heights over chainage, levels or minus depths."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.records import Floats
from lateralline.write.sheet.site import Site

_BAND: Final = (
    "chainage_m", "invert_level_m", "invert_lower_95_m", "invert_upper_95_m", "ground_level_m",
    "cover_m", "cover_sigma_m",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Profile:
    """One line's heights, m: levels, or, in a record of depths alone, depths counted downwards."""

    line: str
    inverts: Floats  # (n, 4) chainage, invert, its 95 % bounds; NaN where not known
    ground: Floats  # (n, 2) chainage, ground
    bore_m: float  # invert to crown
    top_m: float  # invert to outside top; NaN when not known
    fixes: Any  # rows with chainage, y, ground_y
    nodes: Any
    seen: Any
    grades: Any  # segments
    drawn: Floats  # (n, 2) every height that is drawn, over chainage
    reach: tuple[float, float]  # chainage of both ends of all that is drawn

    def heights(self, low: float, high: float) -> tuple[float, float]:
        """Return the least and greatest height drawn between two chainages."""
        at, height = self.drawn.T
        here = height[(at >= low - 1e-6) & (at <= high + 1e-6)]
        here = here if len(here) else height
        return (float(here.min()), float(here.max())) if len(here) else (0.0, 1.0)


def profile_of(site: Site, line: str) -> Profile:
    """Return the profile of a line, from the level band where the file has one."""
    pipe = site.of_line("pipe_centreline", line).iloc[0]
    bore, wall = _real(pipe["inside_diameter_m"]), _real(pipe["wall_m"])
    top = bore + wall
    depth_only = site.depth_only
    nodes, seen = (site.of_line(n, line).copy() for n in ("pipe_nodes", "pipe_observations"))
    fixes = site.of_line("transmitter_fixes", line).copy()
    for rows in (nodes, seen):
        rows["y"] = (
            -(rows["cover_m"].astype(float) + top)
            if depth_only
            else rows["invert_level_m"].astype(float)
        )
    fixes["y"] = -fixes["depth_m"].astype(float) if depth_only else fixes["level_m"].astype(float)
    fixes["ground_y"] = 0.0 if depth_only else fixes["ground_level_m"].astype(float)
    fixes["half_95"] = INTERVAL_95 * fixes["depth_sigma_m" if depth_only else "sigma_u_m"]
    inverts, ground = _of_band(site, line, top) or _of_nodes(site, line, nodes, fixes, top)
    fixes, nodes, seen = map(_on, (fixes, nodes, seen))
    drawn = _drawn(inverts, ground, 0.0 if np.isnan(top) else top, (fixes, nodes))
    at = drawn[:, 0] if len(drawn) else np.array([0.0, 1.0])
    return Profile(
        line, inverts, ground, bore, top, fixes, nodes, seen,
        site.of_line("pipe_segments", line).sort_values("from_chainage_m"), drawn,
        (float(at.min()), float(at.max())),
    )  # fmt: skip


def _drawn(inverts: Floats, ground: Floats, top: float, spots: tuple[Any, ...]) -> Floats:
    parts = [inverts[:, [0, k]] for k in (1, 2, 3)]
    parts += [inverts[:, :2] + [0.0, top], ground]
    parts += [rows[["chainage_m", "y"]].to_numpy(dtype=float) for rows in spots]
    drawn = np.vstack(parts)
    return np.asarray(drawn[np.isfinite(drawn).all(axis=1)])


def _of_band(site: Site, line: str, top: float) -> tuple[Floats, Floats] | None:
    band = site.of_line("level_band", line)
    if not len(band) or not set(_BAND) <= set(band.columns):
        return None
    chainage, invert, low, high, ground, cover, sigma = (
        band.sort_values("chainage_m")[list(_BAND)].to_numpy(dtype=float).T
    )
    if site.depth_only:
        invert, ground = -(cover + top), np.zeros(len(chainage))
        low, high = invert - INTERVAL_95 * sigma, invert + INTERVAL_95 * sigma
    if not np.isfinite(invert).any():
        return None
    return np.column_stack([chainage, invert, low, high]), _known(chainage, ground)


def _of_nodes(site: Site, line: str, nodes: Any, fixes: Any, top: float) -> tuple[Floats, Floats]:
    """Return the same from nodes and segments: of a file without a level band."""
    segments = site.of_line("pipe_segments", line)
    if site.depth_only:
        parts = [nodes[nodes["placed_by"] != "carried_on"][["chainage_m", "y", "cover_sigma_m"]]]
        if np.isnan(top):  # nothing known but how deep the transmitter stood
            parts = [fixes[["chainage_m", "y", "depth_sigma_m"]]]
    else:
        parts = [
            segments[["from_chainage_m", "invert_down_m", "invert_down_sigma_m"]],
            segments[["to_chainage_m", "invert_up_m", "invert_up_sigma_m"]],
            nodes[nodes["placed_by"] != "carried_on"][
                ["chainage_m", "invert_level_m", "invert_sigma_m"]
            ],
        ]
    points = np.vstack([p.to_numpy(dtype=float) for p in parts])
    points = points[np.isfinite(points[:, :2]).all(axis=1)]
    _, once = np.unique(points[:, 0].round(4), return_index=True)
    at, invert, sigma = points[once].T
    half = INTERVAL_95 * sigma
    spots = [fixes[["chainage_m", "ground_y"]].to_numpy(dtype=float)]
    if not site.depth_only:
        spots.append(nodes[["chainage_m", "ground_level_m"]].to_numpy(dtype=float))
    ground = np.vstack(spots)
    return np.column_stack([at, invert, invert - half, invert + half]), _known(*ground.T)


def _known(at: Floats, height: Floats) -> Floats:
    points = np.column_stack([at, height])
    points = points[np.isfinite(points).all(axis=1)]
    _, once = np.unique(points[:, 0].round(4), return_index=True)
    return np.asarray(points[once])


def _on(rows: Any) -> Any:
    """Return the rows that stand somewhere along the line, from downstream."""
    known = np.isfinite(rows["chainage_m"].astype(float)) & np.isfinite(rows["y"].astype(float))
    return rows[known].sort_values("chainage_m")


def _real(value: object) -> float:
    return float("nan") if value is None else float(str(value))
