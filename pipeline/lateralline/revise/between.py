"""What moved between two built records of a site, from their layers alone.

`compare` has the measurements of both and judges a new line along its whole length. Records have
their nodes, each with its covariance, and the old corridor: here each node that is in both is
judged, and of a line as a whole what both say of it stands side by side. Nodes keep their ids over
records, so a node of one id is one place of the pipe.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import nan
from typing import Final

import numpy as np
import shapely

from lateralline.derive.ellipses import ELLIPSE_95, INTERVAL_95
from lateralline.record.layers import AnyFrame
from lateralline.record.rows import FindingRow
from lateralline.record.view import RecordView
from lateralline.records import Floats
from lateralline.revise.changes import (
    Figures,
    LineChange,
    Moved,
    SiteChanges,
    moved_points,
    noted,
)
from lateralline.revise.compare import figures_of
from lateralline.revise.containment import (
    ROUNDING_M,
    held_in,
    outside,
    plan_in_ellipse,
    projected,
)

#: Layers that are compared, beside lineage.
COMPARED: Final = ("pipe_centreline", "pipe_nodes", "position_corridor", "findings")


@dataclass(frozen=True, slots=True, eq=False)
class _Nodes:
    """The located nodes of a line (n), plan in metres on the ground of the old record."""

    frame: AnyFrame
    plan_m: Floats  # (n, 2)
    cov_m2: Floats  # (n, 3, 3); level is that of the invert
    file_xy: Floats  # (n, 2)
    invert_m: Floats

    @property
    def called(self) -> list[str]:
        """What the crew calls each, as an update does: "R1/3"; its id where it has no such name."""
        ids, refs = (self.frame[column].tolist() for column in ("node_id", "ref"))
        return [str(ref or node) for node, ref in zip(ids, refs, strict=True)]


def compare_records(old: RecordView, new: RecordView) -> SiteChanges:
    """Return what changed between two records of a site in one CRS, old to new.

    Corridor and level band along the line are not judged (`untested`; `register.versions` has how
    far lines lie apart); whether each node lies in
    the old corridor is (`Moved.held`). Nothing is said of what was added.
    """
    lines = list(dict.fromkeys([*new.lines, *old.lines]))
    figures = [figures_of(v.layers["pipe_centreline"].to_dict("records")) for v in (old, new)]
    found, found_before = new.rows(FindingRow), old.rows(FindingRow)
    same_levels = old.datum == new.datum
    return SiteChanges(
        site_id=new.site_id,
        name=new.name,
        length_unit=new.lineage.tape_unit,
        added={},
        levels_compared=same_levels,
        lines=tuple(
            _line(one, old, new, (figures[0].get(one), figures[1].get(one)), levels=same_levels)
            for one in lines
        ),
        exposures=(),
        findings_come=noted(found, found_before),
        findings_gone=noted(found_before, found),
        errors=sum(f.open_error for f in found),
        warnings=(),
    )


def _line(
    name: str,
    old: RecordView,
    new: RecordView,
    figures: tuple[Figures | None, Figures | None],
    *,
    levels: bool,
) -> LineChange:
    a, b = _nodes(old, name, old), _nodes(new, name, old)
    ids = [nodes.frame["node_id"].tolist() for nodes in (a, b)]
    at = {node: i for i, node in enumerate(ids[0])}
    pairs = [(at[node], j) for j, node in enumerate(ids[1]) if node in at]
    return LineChange(
        name,
        *figures,
        moved=_moved(name, old, a, b, pairs, levels=levels),
        come=tuple(n for n, node in zip(b.called, ids[1], strict=True) if node not in at),
        gone=tuple(n for n, node in zip(a.called, ids[0], strict=True) if node not in ids[1]),
    )


def _nodes(view: RecordView, line: str, on: RecordView) -> _Nodes:
    """Return the located nodes of a line from downstream, on the ground of `on`."""
    frame = view.located("pipe_nodes")
    frame = frame[frame["line_id"] == line].sort_values("chainage_m", kind="stable")
    file_xy = view.ground.to_file(shapely.get_coordinates(np.asarray(frame.geometry.array)))
    names = ["east_sigma_m", "north_sigma_m", "east_north_covariance_m2", "invert_sigma_m"]
    east, north, both, level = frame[names].to_numpy(dtype=float).T
    cov = np.zeros((len(frame), 3, 3))
    cov[:, 0, 0], cov[:, 1, 1], cov[:, 2, 2] = east**2, north**2, level**2
    cov[:, 0, 1] = cov[:, 1, 0] = both
    invert = frame["invert_level_m"].to_numpy(dtype=float)
    return _Nodes(frame, on.ground.to_ground(file_xy), cov, file_xy, invert)


def _moved(
    line: str,
    old: RecordView,
    a: _Nodes,
    b: _Nodes,
    pairs: list[tuple[int, int]],
    *,
    levels: bool,
) -> tuple[Moved, ...]:
    if not pairs:
        return ()
    was, now = np.array(pairs).T
    plan = b.plan_m[now] - a.plan_m[was]
    up = (b.invert_m[now] - a.invert_m[was]) * (1.0 if levels else nan)
    move = np.column_stack([plan, up])
    before, after = a.cov_m2[was], b.cov_m2[now]
    known = np.isfinite(before[:, :2, :2]).all(axis=(1, 2))
    share = np.full(len(pairs), nan)
    share[known] = plan_in_ellipse(plan[known], before[known, :2, :2]) / ELLIPSE_95
    halves = [INTERVAL_95 * np.sqrt(cov[:, 2, 2]) for cov in (before, after)]
    sure = [ends["position_95_m"].to_numpy(dtype=float) for ends in (a.frame, b.frame)]
    # A bend may lie farther off than its ellipse, over all paths its marks allow: within a circle.
    wider = sure[0][was] > a.frame["ellipse_major_95_m"].to_numpy(dtype=float)[was] + ROUNDING_M
    share[wider] = np.hypot(*plan[wider].T) / sure[0][was][wider]
    chainage = [ends["chainage_m"].to_numpy(dtype=float) for ends in (a.frame, b.frame)]
    called = b.called
    with np.errstate(divide="ignore", invalid="ignore"):
        of_level = np.abs(up) / halves[0]
    return moved_points(
        line,
        [(str(b.frame["kind"].iloc[j]), called[j]) for j in now.tolist()],
        _held(line, old, b.plan_m[now], after),
        move,
        b.file_xy[now],
        a.file_xy[was],
        chainage_m=chainage[1][now],
        old_chainage_m=chainage[0][was],
        of_old_95=share,
        of_old_level_95=of_level,
        invert_m=b.invert_m[now],
        old_position_95_m=sure[0][was],
        new_position_95_m=sure[1][now],
        old_level_95_m=halves[0],
        new_level_95_m=halves[1],
    )


def _held(line: str, old: RecordView, plan_m: Floats, cov_m2: Floats) -> list[bool | None]:
    """Return whether places (n, 2) lie in the old corridor; None beyond what it located."""
    corridors = old.of_line("position_corridor", line).geometry
    paths = [row.geometry for row in old.centrelines if row.line_id == line]
    if corridors.empty or not paths or paths[0] is None:
        return [None] * len(plan_m)
    off, _ = outside(corridors.iloc[0], plan_m, np.nan_to_num(cov_m2))
    _, beside = projected(shapely.get_coordinates(paths[0]), plan_m)
    return held_in(off, beside)
