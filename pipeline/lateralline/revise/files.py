"""The changes as files: all of it as JSON, points as CSV and GeoJSON, moves as a GeoPackage."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Final, TypeAlias

import numpy as np
import shapely

from lateralline import __version__, contract, csv_file, wording
from lateralline.errors import FrameError
from lateralline.frames import Frame
from lateralline.output import stamp, whole_file
from lateralline.output.keep import OF_UPDATE
from lateralline.record import CAUTION
from lateralline.record.layers import to_table
from lateralline.revise.changes import SiteChanges, Verdict
from lateralline.write import read_back
from lateralline.write.geopackage import GeoPackageSink
from lateralline.write.manifest import created_at

#: Folder inside an output, and the stem of its files.
FOLDER: Final = OF_UPDATE

#: Layers of the GeoPackage, the first gives it its name.
LAYERS: Final = ("record_changes", "record_departures")
#: What a verdict is called in them.
VERDICTS: Final[dict[Verdict, str]] = {
    "held": "holds",
    "left": "doubtful",
    "failed": "contradicted",
    "withheld": "not_judged",
    "untested": "not_compared",
}
_OUTSIDE: Final = ("left", "failed", "withheld")
#: Columns of `record_changes` that points and exposures have under the same name.
_PLAIN: Final = (
    "ref", "old_chainage_m", "old_position_95_m", "new_position_95_m", "old_level_95_m",
    "new_level_95_m",
)  # fmt: skip

#: Columns of the points, in order, with what they mean.
COLUMNS: Final = {
    "site_id": "site",
    "line_id": "line",
    "kind": "fix, exposure, junction or bend that is in both records; corridor_left and "
    "level_band_left: the worst spot of a part of the new line outside what the old record claimed",
    "ref": "run/stop, an exposure's name, the other line; between which points",
    "x": "of the new point, in the site's horizontal CRS",
    "y": "of the new point, in the site's horizontal CRS",
    "chainage_m": "along the new line, from its downstream end",
    "old_chainage_m": "the same on the old line",
    "moved_e_m": "new less old, towards grid east, metres on the ground",
    "moved_n_m": "new less old, towards grid north",
    "moved_u_m": "new less old, up",
    "moved_plan_m": "in plan",
    "of_old_95": "plan move over the old 95 % ellipse in its direction; 1 is on its edge",
    "of_old_level_95": "level move over half of the old 95 % interval",
    "held": "true inside the old corridor; empty where the old record located nothing",
    "off_m": "how far outside the old corridor, or off the old level band",
    "own_95_m": "half of the new line's own 95 % interval there, in that direction",
    "caution": "to be read before a point guides anyone",
}

_SAME: Final = ("kind", "ref", "x", "y", "chainage_m", "old_chainage_m", "of_old_95",
                "of_old_level_95", "held")  # fmt: skip
#: Column → field of a point that is in both records.
_OF_MOVED: Final = {name: name for name in _SAME} | {
    "moved_e_m": "east_m",
    "moved_n_m": "north_m",
    "moved_u_m": "up_m",
    "moved_plan_m": "plan_m",
}


def plain(changes: SiteChanges) -> dict[str, object]:
    """Return all of the changes as what JSON can hold, but for NaN."""
    content = asdict(changes)
    for line, given in zip(changes.lines, content["lines"], strict=True):
        for region, of in (("plan", line.plan), ("level", line.level)):
            given[region]["departures"] = [
                {k: v for k, v in asdict(d).items() if k != "path"} | {"significant": d.significant}
                for d in of.departures
            ]
    return {"held": changes.held, **content}


def write_changes(folder: Path, changes: SiteChanges, frame: Frame) -> None:
    """Write the changes into a new folder `changes` of an output folder.

    `frame` is the new site's. GeoJSON is left out where the site has no longitude and latitude.
    """
    into = folder / FOLDER
    into.mkdir()
    whole = {
        "lateralline": __version__,
        "caution": CAUTION,
        "columns": COLUMNS,
        **plain(changes),
    }
    text = json.dumps(wording.for_json(whole), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    (into / f"{FOLDER}.json").write_text(text, encoding="utf-8", newline="\n")
    rows = list(points(changes))
    cells = ({k: _cell(k, v) for k, v in row.items()} for row in rows)
    table = csv_file.table(list(COLUMNS), cells)
    (into / f"{FOLDER}.csv").write_text(table, encoding="utf-8", newline="")
    _write_geojson(into / f"{FOLDER}.geojson", rows, frame)
    _fill_layers(into / f"{LAYERS[0]}.gpkg", changes, frame, "")


# ---- layers ---------------------------------------------------------------------------------


def write_layers(out: Path, changes: SiteChanges, frame: Frame, *, replace: bool = False) -> None:
    """Write what moved as a GeoPackage in the site's horizontal CRS, put in place read back.

    Raises OutputExistsError, ReadBackError, OutputError.
    """
    with whole_file(out, "record-changes", replace=replace) as made:
        _fill_layers(made, changes, frame, stamp("record-changes"))


def _fill_layers(path: Path, changes: SiteChanges, frame: Frame, remark: str) -> None:
    crs = None if frame.is_local else frame.horizontal
    sink = GeoPackageSink(path, crs, stamp=created_at(), names=LAYERS)
    rows = {"record_changes": list(_moves(changes)), "record_departures": list(_parts(changes))}
    for name, of in rows.items():
        columns = {c: [row.get(c) for _, row in of] for c in contract.load(name).names}
        shapes = np.empty(len(of), dtype=object)
        shapes[:] = [shapely.LineString(path) for path, _ in of]
        sink.append({name: to_table(name, columns, shapes)})
    about = (
        f"Site {changes.site_id}; levels are {'' if changes.levels_compared else 'not '}compared"
    )
    sink.close(f"{about}. {remark}".strip())
    read_back.check(path, sink.tallies, None if sink.crs is None else sink.crs.name)


_Row: TypeAlias = "tuple[Sequence[tuple[float, float]], dict[str, object]]"


def _moves(changes: SiteChanges) -> Iterator[_Row]:
    """Yield way and columns of `record_changes`."""
    own = {"site_id": changes.site_id, "caution": CAUTION}
    for line in changes.lines:
        for m in line.moved:
            outside: Verdict = line.plan.verdict if line.plan.verdict in _OUTSIDE else "left"
            verdict: Verdict = "untested" if m.held is None else "held" if m.held else outside
            yield (
                ((m.old_x, m.old_y), (m.x, m.y)),
                {
                    **own,
                    **{name: getattr(m, name) for name in _PLAIN},
                    "line_id": line.line,
                    "kind": m.kind,
                    "verdict": VERDICTS[verdict],
                    "chainage_m": m.chainage_m,
                    "moved_m": m.plan_m,
                    "moved_east_m": m.east_m,
                    "moved_north_m": m.north_m,
                    "moved_up_m": m.up_m,
                    "moved_of_old_95": m.of_old_95,
                },
            )
    for e in changes.exposures:
        yield (
            ((e.old_x, e.old_y), (e.x, e.y)),
            {
                **own,
                **{name: getattr(e, name) for name in _PLAIN if name != "ref"},
                "line_id": e.line,
                "kind": "exposure_measured",
                "ref": e.name,
                "verdict": VERDICTS[e.plan],
                "moved_m": e.from_line_m,
                "moved_up_m": e.level_from_line_m,
                "off_m": e.off_m,
            },
        )


def _parts(changes: SiteChanges) -> Iterator[_Row]:
    """Yield path and columns of `record_departures`."""
    for line in changes.lines:
        for region, of in (("corridor", line.plan), ("level_band", line.level)):
            for d in of.departures:
                yield (
                    d.path,
                    {
                        "site_id": changes.site_id,
                        "line_id": line.line,
                        "region": region,
                        "verdict": VERDICTS[of.verdict],
                        "between": d.between,
                        "from_chainage_m": d.from_chainage_m,
                        "to_chainage_m": d.to_chainage_m,
                        "worst_chainage_m": d.worst_chainage_m,
                        "off_m": d.off_m,
                        "new_95_m": d.own_95_m,
                        "caution": CAUTION,
                    },
                )


# ---- points ---------------------------------------------------------------------------------


def points(changes: SiteChanges) -> Iterator[dict[str, object]]:
    """Yield a row of `COLUMNS` for each point that is in both records, and each departure."""
    for line in changes.lines:
        own: dict[str, object] = {"site_id": changes.site_id, "line_id": line.line}
        own["caution"] = CAUTION
        for m in line.moved:
            yield own | {name: getattr(m, field) for name, field in _OF_MOVED.items()}
        for kind, of in (("corridor_left", line.plan), ("level_band_left", line.level)):
            for d in of.departures:
                yield own | {
                    "kind": kind,
                    "ref": f"between {d.between}",
                    "x": d.x,
                    "y": d.y,
                    "chainage_m": d.worst_chainage_m,
                    "held": False,
                    "off_m": d.off_m,
                    "own_95_m": d.own_95_m,
                }


def _write_geojson(path: Path, rows: list[dict[str, object]], frame: Frame) -> None:
    if frame.is_local or not rows:
        return
    xy = np.array([[row["x"], row["y"]] for row in rows], dtype=np.float64)
    try:
        there = frame.to_lonlat(frame.to_local(xy[:, 0], xy[:, 1], np.zeros(len(rows))))[:, :2]
    except FrameError:
        return  # reported where the layers were left out
    features = [
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [round(float(v), 7) for v in at]},
            "properties": {
                name: wording.for_json(row.get(name)) for name in COLUMNS if name not in "xy"
            },
        }
        for at, row in zip(there, rows, strict=True)
    ]
    whole = {"type": "FeatureCollection", "features": features}
    path.write_text(json.dumps(whole, ensure_ascii=False) + "\n", encoding="utf-8", newline="\n")


def _cell(name: str, value: object) -> object:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        digits = ".12g" if name in ("x", "y") else ".4f"  # easting or longitude
        return f"{value:{digits}}" if math.isfinite(value) else ""
    return "" if value is None else value
