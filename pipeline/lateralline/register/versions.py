"""One version of a site in a register as drawings and comparisons see a record."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
from sqlalchemy import Connection, text

from lateralline import contract
from lateralline.contract import UID
from lateralline.derive.ellipses import INTERVAL_95
from lateralline.errors import UnknownSiteError
from lateralline.matching.located import lines_in
from lateralline.matching.match import WITHIN_M
from lateralline.matching.pairing import pairs_of, uncertain
from lateralline.record.layers import GEOMETRY as FRAME_GEOMETRY
from lateralline.record.layers import AnyFrame
from lateralline.record.view import view_of
from lateralline.register.declare import GEOMETRY, SCHEMA, VERSION
from lateralline.register.history import versions_of
from lateralline.register.prepare import refuse_unprepared
from lateralline.register.server import connected
from lateralline.revise.between import COMPARED, compare_records
from lateralline.revise.changes import SiteChanges
from lateralline.wording import counted

_READ: Final = (*COMPARED, "pipe_segments", "field_marks", "lineage")


@dataclass(frozen=True, slots=True)
class AlongLine:
    """How far a line lies from where it was, at the place of its whole length where most in σ."""

    line: str
    off_m: float  # NaN where nothing bounds the position
    old_95_m: float  # of the place in either version, on each axis
    new_95_m: float
    limit_m: float  # what chance explains in 99 of 100 lines that were measured twice
    chainage_m: float  # of the new line there
    alongside_m: float  # length of the new line abreast of the old

    @property
    def moved(self) -> bool:
        """Whether chance does not explain it."""
        return self.off_m > self.limit_m


@dataclass(frozen=True, slots=True)
class VersionChanges(SiteChanges):
    """What changed between two versions of a site, node by node and along each line."""

    along: tuple[AlongLine, ...] = ()  # of lines in both that run alongside one another

    @property
    def beyond(self) -> list[str]:
        """What lies elsewhere by more than both versions claim, in words; nothing where all hold.

        Nodes by more than both ± together allow at 95 %, lines by more than chance explains in 99
        of 100, and lines that are drawn no more.
        """
        moved = [m for line in self.lines for m in line.moved]
        plan = sum(m.of_both_95 > 1.0 for m in moved)
        level = sum(m.of_both_level_95 > 1.0 for m in moved)
        gone = [line.line for line in self.lines if line.after is None]
        along = [line.line for line in self.along if line.moved]
        return [
            *([f"{counted(plan, 'node')} in plan"] if plan else []),
            *([f"{counted(level, 'node')} in level"] if level else []),
            *(f"line {line} along its length" for line in along),
            *(f"line {line} is drawn no more" for line in gone),
        ]


def diff(url: str, site: str, old: int, new: int) -> VersionChanges:
    """Return what changed between two versions of a site in a register.

    Lines are held against one another along their whole length as `matching` does it; versions
    share measurements, so that chance moves them less than it reckons with.

    Raises UnknownSiteError for a site or version the register does not hold, RegisterError.
    """
    with connected(url) as connection:
        srid = refuse_unprepared(connection)
        held = [one.version for one in versions_of(connection, site)]
        for version in (old, new):
            if version not in held:
                listed = ", ".join(map(str, held))
                raise UnknownSiteError(f"{site} has no version {version}; there are {listed}")
        crs = pyproj.CRS.from_epsg(srid)
        layers = [
            {name: _frame(connection, name, site, version, crs) for name in _READ}
            for version in (old, new)
        ]
    before, after = (
        view_of(Path(f"version {version}"), site, dict(given), crs)
        for version, given in zip((old, new), layers, strict=True)
    )
    found = compare_records(before, after)
    known = {one.name: getattr(found, one.name) for one in fields(SiteChanges)}
    return VersionChanges(**known, along=tuple(_along(layers[0], layers[1], crs)))


def _along(
    before: dict[str, AnyFrame], after: dict[str, AnyFrame], crs: pyproj.CRS
) -> Iterator[AlongLine]:
    """Yield each line that is in both and runs alongside where it was."""
    given = [(one["pipe_centreline"], one["pipe_segments"]) for one in (before, after)]
    if not all(lines.geometry.notna().any() for lines, _ in given):
        return
    old = lines_in(*given[0], crs)
    new = lines_in(*given[1], old.plane)
    rows = {line: n for n, line in enumerate(old.line.tolist())}
    same = [(n, rows[line]) for n, line in enumerate(new.line.tolist()) if line in rows]
    both = np.array(same, dtype=np.int64).reshape(-1, 2).T
    found = pairs_of(uncertain(new), uncertain(old), (both[0], both[1]), WITHIN_M)
    for n, (i, j) in enumerate(zip(found.ours.tolist(), found.theirs.tolist(), strict=True)):
        if new.line[i] == old.line[j]:
            sigma, was = float(found.sigma_m[n]), float(found.register_sigma_m[n])
            yield AlongLine(
                str(new.line[i]), float(found.off_m[n]), INTERVAL_95 * was, INTERVAL_95 * sigma,
                float(found.limit_sigmas[n]) * float(np.hypot(sigma, was)),
                float(found.share[n] * new.length_m[i]), float(found.alongside_m[n]),
            )  # fmt: skip


def _frame(
    connection: Connection, layer: str, site: str, version: int, crs: pyproj.CRS
) -> AnyFrame:
    declared = contract.load(layer)
    columns = [f'"{c.name}"' for c in declared.field if c.name != UID]
    if declared.geometry:
        columns.append(f"ST_AsBinary({GEOMETRY}) AS {GEOMETRY}")
    found = connection.execute(
        text(f"SELECT {', '.join(columns)} FROM {SCHEMA}.{layer} "
             f"WHERE site_id = :site AND {VERSION} = :version ORDER BY {UID}"),
        {"site": site, "version": version},
    )  # fmt: skip
    frame = pd.DataFrame(found.all(), columns=list(found.keys()))
    texts = [c.name for c in declared.field if c.type == "text" and c.name in frame]
    frame[texts] = frame[texts].astype(object).fillna("")
    numbers = [c.name for c in declared.field if c.type in ("real", "integer")]
    frame[numbers] = frame[numbers].astype(float)
    if not declared.geometry:
        return frame
    shapes = gpd.GeoSeries.from_wkb(frame.pop(GEOMETRY), crs=crs)
    return gpd.GeoDataFrame(frame, geometry=shapes.rename(FRAME_GEOMETRY))
