"""A built record against the truth: by how many metres its 95 % claims are missed."""

from __future__ import annotations

import numpy as np
import shapely
from pyproj import CRS, Transformer

from lateralline.errors import FrameError
from lateralline.frames import Frame
from lateralline.proof.coverage import ELLIPSE_95, INTERVAL_95
from lateralline.records import Floats, Line, Product
from lateralline.simulate.survey import Surveyed
from lateralline.stages import SiteResult

#: What the true pipe is taken to be off where coordinates lead nowhere near the site at all.
NOWHERE_M = 9999.0
_STEP_M = 0.05

Claims = dict[str, float]  # by claim: the worst metres that the truth lies outside it; 0 = held


def missed(result: SiteResult, truth: Surveyed, levels_m: float) -> Claims:
    """Return how far the truth lies outside each claim of a record at worst.

    corridor: the true pipe between the outermost stops of each line drawn. band: the true invert at
    every place of the level band. stops: where the transmitter stood. depths: how deep. seen: where
    the camera saw what the record has as an observation.
    """
    layers = {p.layer: p for p in result.work["products"]}
    local = _Truth(truth, result.work["placed"].frame, levels_m)
    lines = result.work["linked"].lines
    return {
        "corridor": _corridor(layers["position_corridor"], lines, local),
        "band": _band(layers["level_band"], local),
        "stops": max((_stops(line, local) for line in lines), default=0.0),
        "depths": _depths(layers["transmitter_fixes"], local),
        "seen": _seen(layers["pipe_observations"], local),
    }


class _Truth:
    """What is true, in the site metres of a record."""

    def __init__(self, truth: Surveyed, frame: Frame, levels_m: float) -> None:
        self.truth, self.frame, self.levels_m = truth, frame, levels_m
        poses = truth.poses
        xyz = self.local(poses.xyz_m)
        runs = {r.id: r for r in truth.truth.runs}
        self.stop = {
            f"{run}/{stop}": (xyz[i], float(poses.depth_m[i]), float(poses.chainage_m[i]))
            for i, (run, stop) in enumerate(zip(poses.run, poses.stop, strict=True))
        }
        self.line_of = {r.id: r.line for r in runs.values()}
        self.ride_m = truth.truth.runs[0].ride_height_m
        ends = {ln.line: ln.length_m for ln in truth.truth.lines}
        self.axis = {name: self.between(name, 0.0, end) for name, end in ends.items()}

    def between(self, line: str, low_m: float, high_m: float) -> Floats:
        count = max(2, int((high_m - low_m) / _STEP_M))
        return self.local(self.truth.truth.line(line).at(np.linspace(low_m, high_m, count)))

    def local(self, xyz_m: Floats) -> Floats:
        """Return the record's site metres of the truth's own."""
        x, y = self.truth.to_crs(xyz_m[:, :2]).T
        own, named = self.truth.truth.horizontal, self.frame.horizontal
        if own != "local" and named is not None and CRS(own) != named:
            x, y = Transformer.from_crs(CRS(own), named, always_xy=True).transform(x, y)
        try:
            local = self.frame.to_local(x, y, xyz_m[:, 2] + self.levels_m)
        except FrameError:
            local = np.full(xyz_m.shape, np.nan)
        plan = np.nan_to_num(local[:, :2], nan=NOWHERE_M, posinf=NOWHERE_M, neginf=NOWHERE_M)
        return np.column_stack([plan, xyz_m[:, 2] + self.levels_m])


def _corridor(product: Product, lines: tuple[Line, ...], truth: _Truth) -> float:
    worst = 0.0
    names = [str(name) for name in product.columns["line_id"]]
    for line in lines:
        if line.line not in names or product.geometry is None:
            continue
        region = product.geometry[names.index(line.line)]
        drawn: dict[str, list[float]] = {}
        for ref in (str(r) for r in line.ref[line.kind == "fix"]):
            if ref in truth.stop:
                drawn.setdefault(truth.line_of[ref.split("/")[0]], []).append(truth.stop[ref][2])
        for name, at in drawn.items():
            pipe = truth.between(name, min(at), max(at))
            off = shapely.distance(shapely.points(pipe[:, :2]), region)
            worst = max(worst, float(off.max()))
    return min(worst, NOWHERE_M)


def _band(product: Product, truth: _Truth) -> float:
    worst = 0.0
    if product.geometry is None:
        return worst
    low, high = (_numbers(product, f"invert_{b}_95_m") for b in ("lower", "upper"))
    for name in set(map(str, product.columns["line_id"])):
        if name not in truth.axis:
            continue
        rows = np.array([str(n) == name for n in product.columns["line_id"]])
        at = shapely.get_coordinates(product.geometry)[rows]
        axis = truth.axis[name]
        square = ((at[:, None, :2] - axis[None, :, :2]) ** 2).sum(axis=2)
        invert = axis[square.argmin(axis=1), 2] - truth.ride_m
        off = np.fmax(low[rows] - invert, invert - high[rows])
        worst = max(worst, float(np.nan_to_num(off).max(initial=0.0)))
    return worst


def _stops(line: Line, truth: _Truth) -> float:
    worst = 0.0
    for i in np.flatnonzero(line.kind == "fix").tolist():
        known = truth.stop.get(str(line.ref[i]))
        if known is not None:
            off = line.xyz_m[i, :2] - known[0][:2]
            worst = max(worst, _outside(off, line.cov_m2[i, :2, :2]))
    return min(worst, NOWHERE_M)


def _outside(off_m: Floats, cov_m2: Floats) -> float:
    """Return how far a point lies outside the 95 % ellipse, along the line to its middle."""
    far = float(np.hypot(*off_m))
    times = float(np.sqrt(off_m @ np.linalg.solve(cov_m2, off_m) / ELLIPSE_95))
    return far * max(0.0, 1.0 - 1.0 / times) if times > 0.0 else 0.0


def _depths(product: Product, truth: _Truth) -> float:
    depth, sigma = (_numbers(product, f"transmitter_depth{end}_m") for end in ("", "_sigma"))
    worst = 0.0
    rows = zip(product.columns["run_id"], product.columns["stop_id"], strict=True)
    for i, (run, stop) in enumerate(rows):
        known = truth.stop.get(f"{run}/{stop}")
        if known is not None and np.isfinite(depth[i]):
            worst = max(worst, abs(depth[i] - known[1]) - INTERVAL_95 * sigma[i])
    return worst


def _seen(product: Product, truth: _Truth) -> float:
    worst = 0.0
    sights = {(s.run, s.code): s for s in truth.truth.truth.sights}
    keys = zip(product.columns["run_id"], product.columns["code"], strict=True)
    east, north = (_numbers(product, f"{axis}_sigma_m") for axis in ("east", "north"))
    both = _numbers(product, "east_north_covariance_m2")
    for i, key in enumerate(keys):
        sight = sights.get((str(key[0]), str(key[1])))
        point = None if product.geometry is None else product.geometry[i]
        if sight is None or point is None or point.is_empty or not np.isfinite(east[i]):
            continue
        run = truth.truth.truth.run(sight.run)
        at = run.chainage_m(truth.truth.truth.line(run.line), sight.travel_m)
        true = truth.between(run.line, float(at), float(at))[0]
        cov = np.array([[east[i] ** 2, both[i]], [both[i], north[i] ** 2]])
        off = shapely.get_coordinates(point)[0, :2] - true[:2]
        worst = max(worst, _outside(off, cov))
    return min(worst, NOWHERE_M)


def _numbers(product: Product, name: str) -> Floats:
    return np.asarray(product.columns[name], dtype=np.float64)
