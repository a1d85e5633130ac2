"""A surveyed site as a folder of field records, with its truth beside it.

`truth.json` is for whoever checks a solution; readers of field records pass it by. The same truth
and seed give the same bytes.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from math import degrees
from pathlib import Path
from typing import Final

import numpy as np

from lateralline import contract, csv_file
from lateralline.output import whole_folder
from lateralline.simulate.survey import Row, Surveyed, shown
from lateralline.simulate.truth import Steps, TrueRun

_HEADING = "# Practice site: invented ground, pipe and people; readings simulated with known truth."


#: The rule of where Quarry Hill would lie; a site that names none is warned.
DIG_RULE: Final = "cga"


def site_toml(site: Surveyed) -> str:
    """Return the text of `site.toml`."""
    t = site.truth
    steps = t.steps
    out = [
        _HEADING,
        "[site]",
        f'id = "{t.id}"',
        f'name = "{t.name}"',
        f"surveyed = {t.surveyed}",
        'surveyor = "practice crew"',
        "",
        "[crs]",
        f'horizontal = "{t.horizontal}"',
        f'vertical = "{t.vertical}"',
        *(['bearings = "grid"'] if t.crew.compass else []),
        "",
        "[units]",
        f'tape = "{steps.tape[0]}"',
        f'level = "{steps.level[0]}"',
        f'depth = "{steps.depth[0]}"',
        f'counter = "{steps.counter[0]}"',
        f'pipe = "{steps.pipe[0]}"',
    ]
    for line in t.lines:
        out += ["", "[[pipe]]", f'line = "{line.line}"', f'material = "{line.material}"']
        out += [f'nominal = "{line.nominal}"', f'service = "{line.service}"']
    for r in t.runs:
        out += ["", *run_section(r, steps)]
    for line in t.lines:
        if line.line in site.at_counter:
            run, counter = site.at_counter[line.line]
            out += ["", "[[branch]]", f'line = "{line.line}"', f'joins = "{line.joins}"']
            out += [f"at_counter = {counter}", f'run = "{run}"']
    out += ["", "[dig]", f'rule = "{DIG_RULE}"', ""]
    out += ["[receiver]", "aerial_height = 0.0", "aerial_height_sigma = 0.0"]  # on the ground
    return "\n".join(out) + "\n"


def run_section(run: TrueRun, steps: Steps) -> list[str]:
    """Return the lines of a run's section."""
    return [
        "[[run]]",
        f'id = "{run.id}"',
        f'line = "{run.line}"',
        f'entry = "{run.entry}"',
        f"counter_at_entry = {shown(run.counter_at_entry_m, steps.counter)}",
        f'flow = "{run.flow}"',
        f"transmitter_lag = {shown(run.transmitter_lag_m, (steps.counter[0], 0.01))}",
        f"ride_height = {shown(run.ride_height_m, steps.pipe)}",
    ]


def csv_text(table: str, rows: Iterable[Row]) -> str:
    """Return a table as csv text: declared columns that hold anything, then the crew's own."""
    kept = list(rows)
    declared = contract.load(table).field
    used = {name for row in kept for name, cell in row.items() if cell != ""}
    needed = {c.name for c in declared if c.required}
    columns = [c.name for c in declared if c.name in used | needed]
    columns += [name for row in kept[:1] for name in row if name not in {c.name for c in declared}]
    return csv_file.table(columns, kept)


def truth_json(site: Surveyed) -> str:
    """Return what is true: every transmitter and every line, in the site CRS, levels in metres."""
    t, p = site.truth, site.poses
    plan = site.to_crs(p.xyz_m[:, :2])
    stops = [
        {
            "run": p.run[i],
            "stop": p.stop[i],
            "x": round(float(plan[i, 0]), 9),
            "y": round(float(plan[i, 1]), 9),
            "level_m": round(float(p.xyz_m[i, 2]), 4),
            "heading_deg": round(degrees(float(p.heading_rad[i])), 3),
            "tilt_deg": round(degrees(float(p.tilt_rad[i])), 3),
            "depth_m": round(float(p.depth_m[i]), 4),
            "chainage_m": round(float(p.chainage_m[i]), 4),
        }
        for i in range(len(p.run))
    ]
    lines = [
        {
            "line": line.line,
            "nodes": list(line.nodes),
            "axis": [
                [round(float(x), 9), round(float(y), 9), round(float(z), 4)]
                for x, y, z in np.column_stack([site.to_crs(line.axis_m[:, :2]), line.axis_m[:, 2]])
            ],
        }
        for line in t.lines
    ]
    whole = {
        "what": "Truth behind a practice site: invented, for checking solutions. "
        "x and y in the CRS of site.toml, levels in metres of the transmitter's axis, "
        "headings from grid north the way the camera travels, chainage from downstream.",
        "site": t.id,
        "horizontal": t.horizontal,
        "vertical": t.vertical,
        "stops": stops,
        "lines": lines,
    }
    return json.dumps(whole, indent=1) + "\n"


def files_of(site: Surveyed) -> dict[str, str]:
    """Return every file of a site folder by name; optional tables only when they hold rows."""
    files = {"site.toml": site_toml(site)}
    tables = {
        "control": site.control,
        "marks": site.marks,
        "stops": site.stops,
        "exposures": site.exposures,
        "observations": site.observations,
    }
    for table, rows in tables.items():
        if rows or table in ("marks", "stops"):
            files[f"{table}.csv"] = csv_text(table, rows)
    files["truth.json"] = truth_json(site)
    return files


def write_files(
    folder: Path, files: dict[str, str], pictures: Mapping[str, bytes] | None = None
) -> None:
    """Write texts and pictures into a new folder; OutputExistsError when it is there already."""
    with whole_folder(folder) as made:
        for name, text in files.items():
            (made / name).write_text(text, encoding="utf-8", newline="\n")
        for name, data in (pictures or {}).items():
            (made / name).parent.mkdir(exist_ok=True)
            (made / name).write_bytes(data)
