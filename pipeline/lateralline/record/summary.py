"""What a technician reads after a run: per line how long, how deep, how sure; and what to do.

Pure data: numbers in metres, nothing formatted. The command line puts it into words and units.
Every number is one that stands in the record, so the two never disagree.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from lateralline.derive.dates import survey_days
from lateralline.derive.ellipses import INTERVAL_95
from lateralline.derive.level_band import least_cover_95_m
from lateralline.findings import Finding
from lateralline.measure import Measure
from lateralline.records import FieldRecord, Product
from lateralline.wording import counted

if TYPE_CHECKING:
    from lateralline.record.layers import AnyFrame
    from lateralline.record.view import RecordView

_SEVERITIES: Final = ("error", "warning", "info")
_SUMMARISED: Final = (
    "transmitter_fixes",
    "pipe_centreline",
    "pipe_segments",
    "pipe_nodes",
    "node_lines",
    "level_band",
)
_LOCATED: Final = ("located", "weak", "two_positions", "contradicted")


@dataclass(frozen=True, slots=True)
class NodeSummary:
    """A bend or junction found on a line."""

    kind: str  # "bend" or "junction"
    chainage_m: float
    bend_deg: float  # NaN at a junction
    other: str  # the line that meets it at a junction, else ""


@dataclass(frozen=True, slots=True)
class LineSummary:
    """One line in metres; NaN where nothing is known."""

    line: str
    pipe: str  # "PVC DN110"
    length_m: float  # along the 3-D centreline
    shallowest_m: float  # ground to transmitter, over the fixes
    deepest_m: float
    cover_min_m: float  # ground to outside top of pipe, along the located line alone: estimate
    cover_lower_95_m: float  # the least of its lower 95 % bounds; NaN where nothing bounds it
    sideways_95_m: float  # farthest off in plan at 95 % along the line; NaN without bound
    sideways_95_at: str  # "between R1/5 and R1/4"
    level_95_m: float  # widest half of the 95 % intervals in level along the line
    stops_used: int
    stops: int
    undecided: int  # stretches whose shape the data do not settle
    nodes: tuple[NodeSummary, ...] = ()  # bends and junctions, from downstream
    carried_on: tuple[str, ...] = ()  # entries drawn beyond the located line: not located

    def __str__(self) -> str:
        """Say length, least cover and position ± in metres, bounds rounded as bounds are."""
        m = Measure("m")
        return (
            f"{self.line} {m.length(self.length_m)}, "
            f"cover at least {m.least(self.cover_lower_95_m)}, "
            f"position ± {m.off(self.sideways_95_m)}, {self.stops_used} of {self.stops} stops"
        )


@dataclass(frozen=True, slots=True, repr=False)
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
    taped: bool = False  # any mark, so that feet are feet and inches

    def __repr__(self) -> str:
        """Say site, lines and findings in a line; fields hold the numbers."""
        lines = "; ".join(map(str, self.lines)) or "no line"
        found = ", ".join(counted(self.count(s), s) for s in _SEVERITIES)
        return f"<{self.site_id}, surveyed {self.surveyed}: {lines}; {found}>"

    def count(self, severity: str) -> int:
        """How many findings are of this severity and not accepted."""
        return sum(f.severity == severity and f.asked for f in self.findings)

    def stops_of(self, line: LineSummary) -> str:
        """Say what a line rests on, and whether an error of it or of the site forbids its use.

        Errors that somebody answers for forbid nothing.
        """
        said = f"{line.stops_used} of {line.stops}"
        return said + (", do not use" if self.errors_of(line) else "")

    def errors_of(self, line: LineSummary) -> int:
        """How many errors speak of a line, or of the whole site."""
        return sum(f.open_error and f.line_id in ("", line.line) for f in self.findings)

    @property
    def accepted(self) -> tuple[Finding, ...]:
        """The findings that somebody answers for."""
        return tuple(f for f in self.findings if not f.asked)


def summarise(
    record: FieldRecord, products: Iterable[Product], findings: tuple[Finding, ...]
) -> SiteSummary:
    """Return the summary of one derived site; `findings` are those of every stage."""
    settings = record.settings
    layers = {p.layer: list(_rows(p)) for p in products}
    return SiteSummary(
        site_id=settings.id,
        name=settings.name,
        surveyed=survey_days(record).last.isoformat(),
        length_unit=settings.units["tape"],
        depth_unit=settings.units["depth"],
        relative_levels=settings.vertical == "none",
        sketch=settings.horizontal == "local",
        lines=tuple(_line(line, layers) for line in layers["pipe_centreline"]),
        unlocated_stops=_unlocated(layers["transmitter_fixes"]),
        findings=by_severity(findings),
        taped=any(row["method"] != "gnss" for row in layers.get("field_marks", ())),
    )


def summary_of(view: RecordView, findings: Iterable[Finding]) -> SiteSummary:
    """Return the summary of one site of a built record; `findings` are those of that site."""
    of_view = {name: _frame_rows(view.layers[name]) for name in _SUMMARISED}
    return SiteSummary(
        site_id=view.site_id,
        name=view.name,
        surveyed=view.lineage.last_surveyed,
        length_unit=view.lineage.tape_unit,
        depth_unit=view.lineage.depth_unit,
        relative_levels=view.lineage.vertical_crs in ("relative", "none"),
        sketch=view.crs is None,
        lines=tuple(_line(line, of_view) for line in of_view["pipe_centreline"]),
        unlocated_stops=_unlocated(of_view["transmitter_fixes"]),
        findings=by_severity(findings),
        taped=view.taped,
    )


def by_severity(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return findings with errors first, then warnings, in the order of the stages within."""
    return tuple(sorted(findings, key=lambda f: (not f.asked, _SEVERITIES.index(f.severity))))


Row = dict[str, object]


def _unlocated(fixes: Iterable[Row]) -> tuple[str, ...]:
    return tuple(
        f"{fix['run_id']}/{fix['stop_id']}: {fix['reason'] or 'no position'}"
        for fix in fixes
        if fix["status"] not in _LOCATED
    )


def _frame_rows(frame: AnyFrame) -> list[Row]:
    """Return the rows of a layer; what is empty is None, as in a product."""
    from lateralline.record.layers import GEOMETRY  # brings pandas, which a check does without

    plain = frame.drop(columns=GEOMETRY, errors="ignore").astype(object)
    rows: list[Row] = plain.where(plain.notna(), None).to_dict("records")
    return rows


def _line(line: Row, layers: dict[str, list[Row]]) -> LineSummary:
    name = line["line_id"]
    own, segments, of_line, band = (
        [row for row in layers[layer] if row["line_id"] == name]
        for layer in ("transmitter_fixes", "pipe_segments", "pipe_nodes", "level_band")
    )
    depths = [d for fix in own if math.isfinite(d := _number(fix["transmitter_depth_m"]))]
    unsure = max(segments, key=_widest, default=None)
    return LineSummary(
        line=str(name),
        pipe=" ".join(str(line[c]) for c in ("material", "nominal") if line[c]),
        length_m=_number(line["length_m"]),
        shallowest_m=min(depths, default=math.nan),
        deepest_m=max(depths, default=math.nan),
        cover_min_m=_number(line["cover_min_m"]),
        cover_lower_95_m=least_cover_95_m(
            np.array([_number(station["cover_lower_95_m"]) for station in band])
        ),
        sideways_95_m=_number(line["position_95_max_m"]),
        sideways_95_at=f"between {unsure['from_ref']} and {unsure['to_ref']}" if unsure else "",
        level_95_m=INTERVAL_95 * _number(line["invert_sigma_max_m"]),
        stops_used=int(_number(line["stops"])),
        stops=len(own),
        undecided=int(_number(line["undecided_segments"])),
        nodes=(
            *_joined(str(name), layers),
            *(_node(n) for n in of_line if n["kind"] in ("bend", "junction")),
        ),
        carried_on=tuple(str(n["ref"]) for n in of_line if n["placed_by"] == "carried_on"),
    )


def _joined(line: str, layers: dict[str, list[Row]]) -> Iterator[NodeSummary]:
    """Yield the junctions of a line that are nodes of the lines it joins."""
    owner = {n["node_id"]: n["line_id"] for n in layers["pipe_nodes"]}
    for at in layers["node_lines"]:
        other = owner.get(at["node_id"], line)
        if at["line_id"] == line and other != line:
            yield NodeSummary("junction", _number(at["chainage_m"]), math.nan, str(other))


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
    widest = _number(segment["position_95_max_m"])
    return math.inf if math.isnan(widest) else widest


def _rows(product: Product) -> Iterator[Row]:
    names = list(product.columns)
    for values in zip(*product.columns.values(), strict=True):
        yield dict(zip(names, values, strict=True))


def _number(value: object) -> float:
    """Return a cell as a plain float; NaN for one that is empty."""
    return math.nan if value is None else float(str(value))
