"""What `import-points` shows: how files were understood, and what each point becomes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from math import isnan
from typing import Final

from rich.console import Console
from rich.table import Table
from rich.text import Text

from lateralline.api.points import (
    ORDER_WORDS,
    Cells,
    ClassifiedPoint,
    ImportedPoints,
    OrderDetection,
    StopKey,
    unmapped,
)
from lateralline.cli.terminal import print_indented

_FIRST_ROWS: Final = 5


def print_detections(
    out: Console, detections: Iterable[OrderDetection], yes: bool, *, asking: bool = False
) -> None:
    """Print what is known of each file's order, its first rows, and the option that settles it."""
    for d in detections:
        text = d.text
        out.print(f"{text.file}: {', '.join(text.notes)}", style="bold")
        for notes in d.evidence:
            print_indented(out, notes, 2)
        out.print(_first_rows(d))
        if d.order is None:
            out.print("  The order of the coordinates cannot be told from the file.")
        else:
            clear = "clearly" if d.unambiguous else "as it seems, not for certain"
            out.print(f"  This is {clear} {d.order}: {ORDER_WORDS[d.order]}.")
        if asking:
            continue
        if yes and not d.unambiguous:
            out.print("  --yes takes an order only where the evidence is clear.")
        if d.order is None:
            out.print("  Nothing was written. Say which it is: --order pnezd or --order penzd")
        else:
            out.print(f"  Nothing was written. If that is right, add: --order {d.order}")


def print_files(out: Console, imported: ImportedPoints) -> None:
    """Print how each file was read and brought to the site's CRS."""
    for b in imported.transformed:
        out.print(f"{b.points.file}: {len(b.points)} points", style="bold")
        for notes in (*b.points.notes, *b.notes):
            print_indented(out, notes, 2)
        if b.z_unit:
            out.print(f"  levels in {b.z_unit}, {_level_base(imported)}")
        for warning in (*b.points.warnings, *b.warnings):
            print_indented(out, f"warning: {warning}", 2)


def print_points(out: Console, imported: ImportedPoints) -> None:
    """Print what every point becomes, file by file."""
    horizontal = imported.systems.horizontal
    decimals = 8 if horizontal is not None and horizontal.is_geographic else 3
    for f, b in enumerate(imported.transformed):
        out.print(b.points.file, style="bold")
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
        for heading in ("row", "point", "x", "y", "z"):
            right = heading != "point"
            table.add_column(heading, justify="right" if right else "left", no_wrap=True)
        for heading in ("code", "becomes"):
            table.add_column(heading, overflow="fold")
        for s in (s for s in imported.found if s.file == f):
            table.add_row(
                str(b.points.row[s.at]),
                str(b.points.name[s.at]),
                *(_number(v, decimals) for v in (b.x[s.at], b.y[s.at])),
                _number(b.z[s.at], 3),
                s.code,
                Text(becomes(s), style="" if s.table else "dim"),
            )
        out.print(table)


def print_counts(out: Console, imported: ImportedPoints, stops: Mapping[StopKey, Cells]) -> None:
    """Print how many points went where, what fits nothing, and which stops lack their counter."""
    counts = Counter[str](s.table or "left out" for s in imported.found)
    words = {"marks": "mark", "control": "control point", "exposures": "exposure"}
    notes = [_counted(counts[t], word) for t, word in words.items() if counts[t]]
    notes += [_counted(len(stops), "stop")] if stops else []
    notes += [f"{counts['left out']} left out"] if counts["left out"] else []
    out.print("; ".join(notes) or "no points")
    for code, n in unmapped(imported.found).items():
        times = f" ({n} points)" if n > 1 else ""
        print_indented(out, f'left out, no pattern fits: "{code}"{times}', 2)
    bare = [f"{run}/{stop}" for (run, stop), row in stops.items() if not row.get("counter")]
    if bare:
        why = f"no counter reading: {', '.join(bare)}; give it as c=12.40 in a description, "
        print_indented(out, why + "in a file with --stops, or in stops.csv afterwards", 2)


def becomes(s: ClassifiedPoint) -> str:
    """Say what a point becomes: "R1/3 end_null, counter 12.40" or why it is left out."""
    if not s.table:
        return f"ignored: {s.reason}"
    head = {
        "marks": " ".join(filter(None, (f"{s.run}/{s.stop}" if s.belongs else "", s.kind))),
        "control": f"control {s.name}",
        "exposures": f"exposure {s.name} of {s.run or s.line}, {s.to}",
    }[s.table]
    readings = (("counter", s.counter), ("depth", s.depth), ("tilt", s.tilt_deg))
    readings_given = [f"{what} {value}" for what, value in readings if value]
    return ", ".join([head, *readings_given, *([f"note: {s.note}"] if s.note else [])])


def _first_rows(d: OrderDetection) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 2))
    for heading in d.text.header or ("1", "2", "3", "4", "5"):
        table.add_column(heading or " ")
    for _, cells in d.text.rows[:_FIRST_ROWS]:
        table.add_row(*cells)
    return table


def _level_base(imported: ImportedPoints) -> str:
    """Say what levels count from."""
    match imported.systems.levels:
        case "relative":
            return "relative: no vertical CRS is named"
        case "ellipsoidal":
            return "above the ellipsoid"
    vertical = imported.systems.vertical
    return vertical.name if vertical is not None else ""


def _counted(n: int, word: str) -> str:
    return f"{n} {word}" + ("s" if n != 1 else "")


def _number(value: float, decimals: int) -> Text:
    return Text("" if isnan(value) else f"{float(value):.{decimals}f}")
