"""Both records side by side: their axes, and points of the new site frame in the old one.

The frame of a site begins in the middle of what was measured and has the scale of that spot. What
is added moves both a little, so nothing of the new frame may be compared as it stands.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from lateralline.derive.axis import Axis, axis_of, ground_sigmas_m
from lateralline.frames import Frame
from lateralline.records import Floats, Product
from lateralline.stages import SiteWork


@dataclass(frozen=True, slots=True, eq=False)
class Side:
    """The site frames of both records."""

    old: Frame
    new: Frame

    @property
    def same_levels(self) -> bool:
        """True when both records count levels from the same datum."""
        return self.old.level_datum == self.new.level_datum


def moved_into(side: Side, xyz_m: Floats) -> Floats:
    """Return points (n, 3) of the new site frame in the old one; levels are the same in both."""
    if not len(xyz_m):
        return xyz_m
    x, y, _ = side.new.to_site_crs(xyz_m).T
    return side.old.to_local(x, y, xyz_m[:, 2])


def axes(work: SiteWork) -> dict[str, Axis]:
    """Return the axis of every line that is drawn, by line, as its layers were made from."""
    record, placed, linked = work["record"], work["placed"], work["linked"]
    settings = record.settings
    unknown = settings.accuracy.unknown_ground_m
    ground_sigma = ground_sigmas_m(placed.marks, linked.fixes, unknown)
    drawn = set(layer(work, "pipe_centreline").columns["line_id"])
    return {
        line.line: axis_of(line, linked.fixes, ground_sigma, placed.exposures, settings)
        for line in linked.lines
        if line.line in drawn
    }


def corridors(work: SiteWork) -> dict[str, shapely.Geometry]:
    """Return the corridor issued for every line, by line."""
    product = layer(work, "position_corridor")
    assert product.geometry is not None
    names = map(str, product.columns["line_id"])
    return dict(zip(names, product.geometry.tolist(), strict=True))


def layer(work: SiteWork, name: str) -> Product:
    """Return one product; a layer without rows is there too."""
    return next(p for p in work["products"] if p.layer == name)


def plan_in_ellipse(move_m: Floats, cov_m2: Floats) -> Floats:
    """Return the lengths of plan moves (n, 2) counted in standard ellipses of (n, 2, 2)."""
    squared = np.einsum("ni,nij,nj->n", move_m, np.linalg.pinv(cov_m2, hermitian=True), move_m)
    return np.asarray(np.sqrt(np.maximum(squared, 0.0)))
