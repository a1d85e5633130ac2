"""What a technician reads after a run: per line how long, how deep, how sure; and what to do.

Pure data: numbers in metres, nothing formatted. The command line puts it into words and units.
Every number is one that stands in the record, so the two never disagree.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from lateralline import contract
from lateralline.derive.cover import least_cover_95_m
from lateralline.derive.ellipses import INTERVAL_95
from lateralline.findings import Finding
from lateralline.records import FieldRecord, Product

#: Stands at the end of everything that could guide digging; said once, in the schemas.
CAUTION: Final = contract.load("dig_zone").caution

_SEVERITIES: Final = ("error", "warning", "info")
_LOCATED: Final = ("solved", "weak", "ambiguous")


@dataclass(frozen=True, slots=True)
class NodeSummary:
    """A bend or junction found on a line."""

    kind: str  # "bend" or "junction"
    chainage_m: float
    bend_deg: float  # NaN at a junction
    other: str  # the line that meets it at a junction, else ""


@dataclass(frozen=True, slots=True)
class LineSummary:
    """One line in metres; NaN where there is nothing to say."""

    line: str
    pipe: str  # "PVC DN110"
    length_m: float  # along the 3-D centreline
    shallowest_m: float  # ground to transmitter, over the fixes
    deepest_m: float
    cover_min_m: float  # ground to outside top of pipe, along the located line alone: estimate
    cover_least_95_m: float  # the least of its lower 95 % bounds; NaN where nothing bounds it
    sideways_95_m: float  # farthest off in plan at 95 % along the line; NaN without bound
    sideways_95_at: str  # "between R1/5 and R1/4"
    level_95_m: float  # widest half of the 95 % intervals in level along the line
    stops_used: int
    stops: int
    undecided: int  # stretches whose shape the data do not settle
    nodes: tuple[NodeSummary, ...] = ()  # bends and junctions, from downstream
    carried_on: tuple[str, ...] = ()  # entries drawn beyond the located line: not located


@dataclass(frozen=True, slots=True)
class SiteSummary:
    """One site, as its technician wants to hear it."""

    site_id: str
    name: str
    surveyed: str  # ISO date
    length_unit: str  # the site's own, a key of units.METRES_PER
    depth_unit: str
    relative_levels: bool
    sketch: bool  # invented axes: drawn, never exported with a CRS
    lines: tuple[LineSummary, ...]
    unlocated_stops: tuple[str, ...]  # "R1/3: one end null only"
    findings: tuple[Finding, ...]  # errors first

    def count(self, severity: str) -> int:
        """How many findings are of this severity."""
        return sum(f.severity == severity for f in self.findings)


def summarise(
    record: FieldRecord, products: Iterable[Product], findings: tuple[Finding, ...]
) -> SiteSummary:
    """Return the summary of one derived site; `findings` are those of every stage."""
    settings = record.settings
    layers = {p.layer: list(_rows(p)) for p in products}
    fixes = layers["transmitter_fixes"]
    return SiteSummary(
        site_id=settings.id,
        name=settings.name,
        surveyed=settings.surveyed.isoformat(),
        length_unit=settings.units["tape"],
        depth_unit=settings.units["depth"],
        relative_levels=settings.vertical == "none",
        sketch=settings.horizontal == "local",
        lines=tuple(_line(line, layers) for line in layers["pipe_centreline"]),
        unlocated_stops=tuple(
            f"{fix['run_id']}/{fix['stop_id']}: {fix['reason'] or 'no position'}"
            for fix in fixes
            if fix["status"] not in _LOCATED
        ),
        findings=by_severity(findings),
    )


def by_severity(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return findings with errors first, then warnings, in the order of the stages within."""
    return tuple(sorted(findings, key=lambda f: _SEVERITIES.index(f.severity)))


Row = dict[str, object]


def _line(line: Row, layers: dict[str, list[Row]]) -> LineSummary:
    name = line["line_id"]
    own, segments, of_line, band = (
        [row for row in layers[layer] if row["line_id"] == name]
        for layer in ("transmitter_fixes", "pipe_segments", "pipe_nodes", "level_band")
    )
    depths = [d for fix in own if math.isfinite(d := _number(fix["depth_m"]))]
    unsure = max(segments, key=_widest, default=None)
    return LineSummary(
        line=str(name),
        pipe=" ".join(str(line[c]) for c in ("material", "nominal") if line[c]),
        length_m=_number(line["length_m"]),
        shallowest_m=min(depths, default=math.nan),
        deepest_m=max(depths, default=math.nan),
        cover_min_m=_number(line["cover_min_m"]),
        cover_least_95_m=least_cover_95_m(
            np.array([_number(station["cover_least_95_m"]) for station in band])
        ),
        sideways_95_m=_number(line["semi_major_95_max_m"]),
        sideways_95_at=f"between {unsure['from_ref']} and {unsure['to_ref']}" if unsure else "",
        level_95_m=INTERVAL_95 * _number(line["sigma_u_max_m"]),
        stops_used=int(_number(line["stops"])),
        stops=len(own),
        undecided=int(_number(line["undecided_stretches"])),
        nodes=tuple(_node(n) for n in of_line if n["kind"] in ("bend", "junction")),
        carried_on=tuple(str(n["ref"]) for n in of_line if n["placed_by"] == "carried_on"),
    )


def _node(node: Row) -> NodeSummary:
    bend = node["kind"] == "bend"
    return NodeSummary(
        kind=str(node["kind"]),
        chainage_m=_number(node["chainage_m"]),
        bend_deg=_number(node["bend_deg"]) if bend else math.nan,
        other="" if bend else str(node["ref"] or ""),
    )


def _widest(segment: Row) -> float:
    """How far a segment may be off in plan; what nothing bounds is the widest."""
    widest = _number(segment["semi_major_95_max_m"])
    return math.inf if math.isnan(widest) else widest


def _rows(product: Product) -> Iterator[Row]:
    names = list(product.columns)
    for values in zip(*product.columns.values(), strict=True):
        yield dict(zip(names, values, strict=True))


def _number(value: object) -> float:
    """Return a cell as a plain float; NaN for one that is empty."""
    return math.nan if value is None else float(str(value))
