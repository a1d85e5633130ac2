"""Coordinate reference systems ⇄ the site frame: the edge where degrees and grids stop.

Everything between `read` and `write` happens in the *site frame*. `site_frame` builds it from a
record; `Frame` goes both ways, and keeps an account of every operation it would use and how good
that operation is.

Frames and units
----------------
Inside, everything is float64, SI, in the site frame: east, north, up in metres at ground scale,
axes along grid north, `up` = level in metres. Headings are clockwise from grid north, tilts
positive head-up, both in radians. Grids and degrees exist only in `frames` and `write`; units
other than SI only in `read`.
- Grid to ground is one similarity per site: grid coordinates less an origin, divided by scale ×
  height factor R/(R+H). The scale is taken from geodesics along the grid axes, not from
  `Proj.get_factors`: the two agree where both apply, but PROJ treats Web Mercator as a sphere,
  and geodesics also serve feet, other axis orders and grids that are not conformal.
- With `vertical = "none"` levels are relative, the height factor is 1, and `lineage` says so.
- Operations are chosen by PROJ's own accuracy within an area of 0.05°. A ballpark operation is
  never used: GeoJSON is left out with an error finding. A published operation that moves
  nothing (NAD83 to WGS 84) is used, warned of, and its accuracy stated.
- `cov` of a fix is ordered east, north, up, heading, tilt. In the solver it is along, across,
  up, heading, tilt of the transmitter: all marks of a stop share that rotation, so Jacobians
  stay short.

Decisions, with reasons
-----------------------
- Accuracy of an operation. The published figure carries no level of confidence, "needs to be
  treated with caution" and may be no more than the inner precision of a derivation (IOGP 373-7-1,
  6.5.4.1, read as quoted in a vendor's manual). It is taken as one σ on each axis, 2.4477 times
  that at 95 %. It moves a whole site together, so only files in another CRS take it in: σ and
  ellipses in quadrature, corridors and hand-dig zones widened all round. With an accuracy nobody
  knows, σ are null and no zone is drawn; a zone a metre off without a word of it can hurt someone.
- Ballpark. Refused, unless `accept_zero_shift` comes with `shift_accuracy`; then used and
  warned of. Never for heights: a geoid taken for the ellipsoid is tens of metres. PROJ leaves
  some published operations out until ballpark ones are asked for, so both lists are looked at;
  and within an area it goes by way of missing grids only, so ways good all over the world (ITRF
  to WGS 84, 2 m) are looked for without one.
- Time. The published accuracy of a way with rates holds at the epoch only. Without one it
  counts as unknown (σ null, no zones, no levels by a geoid), unless another way needs none or
  `shift_accuracy` is stated. A bound from a guessed epoch would be no bound: coordinates of a
  service may refer to any year.
- Grids. PROJ's search path is set anew for each site and is part of the cache key, or a batch
  would depend on its order. Grid files are hashed into lineage. Which file PROJ stumbled over
  it does not say, so the user's are opened one by one, and the damaged named.
- Slips of coordinates. They contradict nothing, so a witness is needed: extent, else control or
  the other points within 20 km, else the area of the CRS. Of plain slips (exchange, unit,
  degrees, sign) the one nearest the witness's middle is named; other grids are tried only after
  these. By areas of use alone a zone is named where the coordinates lie outside their own and
  inside one sister's or neighbour's, an error from 1° off, a warning before; where they would
  lie as well in a sister's, `coordinates-unconfirmed` says that a wrong zone could not show. What
  no witness shows is not found: 9° E 50° N and 50° E 9° N are both places. One foot for the
  other is 2 ppm: its size is always reported. What is only so because a site lies elsewhere
  (its datum, its area, its foot) is not reported beside the cause; nor, where lengths are wrong
  too, that readings contradict them.
- Levels. `level_datum` is the frame's. No level anywhere is "depths only", whatever `vertical`
  names: no vertical CRS, level columns null, and z counts from ground taken as level at 0.
  Grades are null too: they would be the ground's as much as the pipe's. Ellipsoidal heights
  become levels by the separation given, else by a geoid grid, else not at all. The separation's
  σ is one error shared by all GNSS levels.
- Scale. Grid against ground is a finding from 100 ppm (10 mm in 100 m).
- A sketch on a map (`sketch`). Control points known on both give shift and turn; the scale is the
  grid's, and free on request alone, as then coordinates and tapes no longer go together. Misfit
  beyond 1 % chance is told by the pair whose distance differs most, and widens both by √(χ²/dof).
- Declination is that of the World Magnetic Model of the day, with the error stated for it.
"""

from lateralline.frames.build import site_frame
from lateralline.frames.frame import DEPTH_ONLY, EARTH_RADIUS_M, SITE_ZERO, Frame, levels_by_grid
from lateralline.frames.operations import PLAN_95, Operation
from lateralline.frames.systems import (
    degrees_of,
    horizontal_crs,
    outside_area,
    vertical_crs,
    with_levels,
)

__all__ = [
    "DEPTH_ONLY",
    "EARTH_RADIUS_M",
    "PLAN_95",
    "SITE_ZERO",
    "Frame",
    "Operation",
    "degrees_of",
    "horizontal_crs",
    "levels_by_grid",
    "outside_area",
    "site_frame",
    "vertical_crs",
    "with_levels",
]
