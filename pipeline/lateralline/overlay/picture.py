"""The comparison of one region as a plan picture."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import shapely

from lateralline.overlay import rows as as_rows
from lateralline.overlay.run import Comparison
from lateralline.summary import CAUTION
from lateralline.write.clearance_picture import Approach, ClearancePlan, draw_clearance


def draw(made: Comparison, out: Path, *, replace: bool = False) -> None:
    """Draw the region with most pairs: lines and works that have one, numbered as in the table.

    Raises as `draw_clearance` does.
    """
    part = max(made.parts, key=lambda p: len(p.pairs))
    lines = part.lines
    number = {
        (r["site_id"], r["line_id"], r["work_id"]): n for n, r in enumerate(made.rows, start=1)
    }
    approaches = []
    for pair in part.pairs:
        row = as_rows.pair_row(lines, pair, part.moved.sigma_m)
        name = row["work_name"] or row["work_id"]
        approaches.append(
            Approach(
                number[row["site_id"], row["line_id"], row["work_id"]],
                as_rows.approach(pair)[0],
                pair.is_conflict,
                f"{row['line_id']}, {name}: {row['what']}",
            )
        )
    shown = sorted({pair.line for pair in part.pairs}) or list(range(len(lines.line)))
    works = {pair.work.id: pair.work for pair in part.pairs}
    pipes = shapely.buffer(lines.path_m[shown], lines.outside_diameter_m[shown] / 2)
    sites = ", ".join(sorted({str(lines.site[n]) for n in shown})[:4])
    draw_clearance(
        ClearancePlan(
            title=f"Planned works beside {sites}",
            paths=list(lines.path_m[shown]),
            line_ids=[f"line {lines.line[n]}" for n in shown],
            corridors=list(lines.corridor_m[shown]),
            pipes=list(np.asarray(pipes, dtype=object)),
            works=[(w.name or w.id, w.footprint) for w in works.values()],
            approaches=sorted(approaches, key=lambda a: a.number),
            notes=" ".join(made.notes),
            caution=CAUTION,
        ),
        out,
        replace=replace,
    )
