"""A sample whose stop was marked elsewhere, as of a base that stood wrong for a while."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import numpy as np

from tests.support.places import SAMPLES


def moved_stop(site: Path, stop: int, along_m: float, across_m: float) -> Path:
    """Return a sample, copied to `site`, with all marks of a stop of R1 moved along or across."""
    shutil.copytree(SAMPLES / "gnss-bend-branch", site)
    marks = site / "marks.csv"
    rows = list(csv.DictReader(marks.read_text().splitlines()))
    mid = {
        int(row["stop"]): np.array([float(row["x"]), float(row["y"])])
        for row in rows
        if (row["run"], row["kind"]) == ("R1", "mid_null")
    }
    way = mid[stop + 1] - mid[stop - 1]
    way /= np.hypot(*way)
    off = along_m * way + across_m * np.array([-way[1], way[0]])
    for row in rows:
        if (row["run"], row["stop"]) == ("R1", str(stop)):
            row |= {"x": f"{float(row['x']) + off[0]:.3f}", "y": f"{float(row['y']) + off[1]:.3f}"}
    with marks.open("w", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    return site
