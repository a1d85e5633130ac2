"""Ids, days and nodes of a site before and after a second visit, and after a rebuild, as Markdown.

python -m tests.support.ids_table

The site is the sample gnss-bend-branch, the visit the sample's own. A segment that was split stands
with what it became.
"""

from __future__ import annotations

import csv
import shutil
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

import pandas as pd

import lateralline
from lateralline.api.visits import update
from tests.support.places import SAMPLES

SAMPLE = "gnss-bend-branch"
_HEAD = (
    "| {} | {} | before | after a second visit | after a rebuild | became |\n" + "| --- " * 6 + "|"
)


def three_records(home: Path) -> tuple[list[lateralline.Record], Path]:
    """Return the record of the sample, of the visited site and of that anew, and its files."""
    site, visited = home / "site", home / "visited"
    shutil.copytree(SAMPLES / SAMPLE, site)
    (site / "ids.csv").unlink()
    first = lateralline.build(site, home / "first")
    update(site, SAMPLES / "added" / SAMPLE, visited, build=home / "second")
    again = lateralline.build(visited, home / "third")
    return [first, lateralline.load(home / "second"), again], visited


def markdown(records: list[lateralline.Record], visited: Path) -> str:
    """Return a table of nodes and one of segments: what each row of the three records holds."""
    text = (visited / "ids.csv").read_text(encoding="utf-8").splitlines()
    rows = list(csv.DictReader(line for line in text if not line.startswith("#")))
    became = {row["id"]: row["became"] or "-" for row in rows if row["event"] == "ended"}
    out = []
    for layer, key, what in (
        ("pipe_nodes", "node_id", "kind"),
        ("pipe_segments", "segment_id", "shape"),
    ):
        frames = [pd.DataFrame(record.layers[layer]).set_index(key) for record in records]
        out += ["", _HEAD.format(key, what) + "| --- " * 6 + "|"]
        for name in dict.fromkeys(str(name) for frame in frames for name in frame.index):
            held = [frame.loc[name] if name in frame.index else None for frame in frames]
            kinds = dict.fromkeys(str(row[what]) for row in held if row is not None)
            cells = [_cell(row) for row in held]
            out.append(f"| {name} | {' → '.join(kinds)} | {' | '.join(cells)} | "
                       f"{became.get(name, '')} |")  # fmt: skip
    return "\n".join(out[1:]) + "\n"


def _cell(row: pd.Series | None) -> str:
    if row is None:
        return ""
    ends = f"{row['from_node_id']} → {row['to_node_id']}; " if "from_node_id" in row else ""
    day = pd.Timestamp(row["surveyed_on"]).date() if pd.notna(row["surveyed_on"]) else "no day"
    return f"{ends}uid {row['uid'][:8]}, {day}, version {row['record_version']}"


if __name__ == "__main__":
    with TemporaryDirectory() as home:
        sys.stdout.write(markdown(*three_records(Path(home))))
