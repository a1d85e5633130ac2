"""What moved between two built records of a site, from their layers alone.

`compare` has the measurements of both and judges a new line along its whole length. Records have
their nodes, each with its covariance, and the old corridor: here each node that is in both is
judged, and of a line as a whole what both say of it stands side by side. Nodes keep their ids over
records, so a node of one id is one place of the pipe.
"""

from __future__ import annotations

from collections.abc import Iterable
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
from lateralline.revise.changes import Figures, LineChange, Moved, Noted, SiteChanges
from lateralline.revise.compare import figures_of
from lateralline.revise.containment import ROUNDING_M, outside, plan_in_ellipse, projected

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
    come, gone = _noted(new, old), _noted(old, new)
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
        findings_come=come,
        findings_gone=gone,
        errors=sum(f.severity == "error" and not f.accepted_by for f in new.rows(FindingRow)),
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
    before, after = a.cov_m2[was], b.cov_m2[now]
    known = np.isfinite(before[:, :2, :2]).all(axis=(1, 2))
    share = np.full(len(pairs), nan)
    share[known] = plan_in_ellipse(plan[known], before[known, :2, :2]) / ELLIPSE_95
    halves = [INTERVAL_95 * np.sqrt(cov[:, 2, 2]) for cov in (before, after)]
    held = _held(line, old, b.plan_m[now], after)
    sure = [ends["position_95_m"].to_numpy(dtype=float) for ends in (a.frame, b.frame)]
    # A bend may lie farther off than its ellipse, over all paths its marks allow: within a circle.
    wider = sure[0][was] > a.frame["ellipse_major_95_m"].to_numpy(dtype=float)[was] + ROUNDING_M
    share[wider] = np.hypot(*plan[wider].T) / sure[0][was][wider]
    chainage = [ends["chainage_m"].to_numpy(dtype=float) for ends in (a.frame, b.frame)]
    called = b.called
    with np.errstate(divide="ignore", invalid="ignore"):
        of_level = np.abs(up) / halves[0]
    return tuple(
        Moved(
            line=line,
            kind=str(b.frame["kind"].iloc[j]),
            ref=called[j],
            chainage_m=float(chainage[1][j]),
            old_chainage_m=float(chainage[0][i]),
            east_m=float(plan[n, 0]),
            north_m=float(plan[n, 1]),
            up_m=float(up[n]),
            plan_m=float(np.hypot(plan[n, 0], plan[n, 1])),
            of_old_95=float(share[n]),
            of_old_level_95=float(of_level[n]),
            held=held[n],
            x=float(b.file_xy[j, 0]),
            y=float(b.file_xy[j, 1]),
            invert_m=float(b.invert_m[j]),
            old_x=float(a.file_xy[i, 0]),
            old_y=float(a.file_xy[i, 1]),
            old_position_95_m=float(sure[0][i]),
            new_position_95_m=float(sure[1][j]),
            old_level_95_m=float(halves[0][n]),
            new_level_95_m=float(halves[1][n]),
        )
        for n, (i, j) in enumerate(pairs)
    )


def _held(line: str, old: RecordView, plan_m: Floats, cov_m2: Floats) -> list[bool | None]:
    """Return whether places (n, 2) lie in the old corridor; None beyond what it located."""
    corridors = old.of_line("position_corridor", line).geometry
    paths = [row.geometry for row in old.centrelines if row.line_id == line]
    if corridors.empty or not paths or paths[0] is None:
        return [None] * len(plan_m)
    off, _ = outside(corridors.iloc[0], plan_m, np.nan_to_num(cov_m2))
    _, beside = projected(shapely.get_coordinates(paths[0]), plan_m)
    return [
        bool(far == 0.0) if by or far == 0.0 else None
        for far, by in zip(off.tolist(), beside.tolist(), strict=True)
    ]


def _noted(of: RecordView, but: RecordView) -> tuple[Noted, ...]:
    """Return the findings of one record whose like the other has not."""

    def keyed(rows: Iterable[FindingRow]) -> dict[tuple[str, str, str], FindingRow]:
        return {(f.code, f.variant, f.subject): f for f in rows}

    known = keyed(but.rows(FindingRow))
    return tuple(
        Noted(f.severity, f.code, f.variant, f.subject, f.what)
        for key, f in keyed(of.rows(FindingRow)).items()
        if key not in known
    )
