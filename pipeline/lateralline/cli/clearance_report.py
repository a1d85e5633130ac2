"""What `clearance` is told in options, and what it says on the terminal."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import typer
from rich.table import Table

from lateralline import wording
from lateralline.api import CAUTION
from lateralline.api.overlays import KINDS, Comparison, LayerUse, column_names, nearest, said
from lateralline.api.overlays import as_rows as rows_of
from lateralline.cli.document import head
from lateralline.cli.options import console, print_indented
from lateralline.cli.report import print_last_words
from lateralline.wording import with_own_unit

_NONE_SHOWN = (
    "No conflict is shown by these records. That is no clearance to dig: it says nothing of pipes "
    "nobody located, of what lies past the ends of a located line, or of other utilities."
)


_VERDICTS = {
    "not_located": "not located",
    "conflict": "conflict",
    "none_shown": "no conflict shown",
}


def columns_said(said: list[str]) -> dict[str, str]:
    """Return --column options as our name → the plan's; typer.BadParameter for what is none."""
    out: dict[str, str] = {}
    for text in said:
        ours, equals, theirs = (part.strip() for part in text.partition("="))
        if not equals or not theirs:
            raise typer.BadParameter(f"OURS=THEIRS; got {text!r}", param_hint="--column")
        _known(ours, "--column")
        out[ours] = theirs
    return out


def layers_said(said: list[str]) -> dict[str, LayerUse]:
    """Return --layer options as layer → its use."""
    out: dict[str, LayerUse] = {}
    for text in said:
        name, _, rest = text.partition("=")
        kind, *more = (part.strip() for part in rest.split(","))
        found = next((k for k in KINDS if k == kind), None)
        if not name.strip() or found is None:
            raise typer.BadParameter(
                f"NAME=KIND with KIND one of {', '.join(KINDS)}; got {text!r}", param_hint="--layer"
            )
        cells: dict[str, object] = {}
        for pair in more:
            key, equals, value = (part.strip() for part in pair.partition("="))
            if not equals:
                raise typer.BadParameter(
                    f"NAME=KIND,attribute=value; got {text!r}", param_hint="--layer"
                )
            _known(key, "--layer")
            cells[key] = value
        out[name.strip()] = LayerUse(found, cells)
    return out


def _known(name: str, option: str) -> None:
    names = column_names()
    if name not in names:
        said = f"no attribute is called {name!r}; {nearest(name, names)}"
        raise typer.BadParameter(said, param_hint=option)


def print_comparison(
    made: Comparison, out: Path | None, picture: Path | None, *, as_json: bool, exit_code: int
) -> None:
    """Print every pair, the riskiest first, what they rest on, and the caution."""
    if as_json:
        typer.echo(_document(made, out, exit_code))
        return
    to = console()
    if made.rows:
        to.print(_table(made.rows, made.unit))
    for n, row in enumerate(made.rows, start=1):
        style = "" if row["verdict"] == "none_shown" else "bold red"
        name = row["work_name"] or row["work_id"]
        print_indented(
            to,
            f"{n} {row['site_id']} {row['line_id']}, {name}: {made.said[rows_of.key(row)]}",
            2,
            style,
        )
    for n, note in enumerate(made.notes):
        bold = "bold red" if n == 0 and made.placeless else ""
        print_indented(to, with_own_unit(note, made.unit), style=bold)
    if made.shows_none:
        print_indented(to, _NONE_SHOWN, style="bold")
    wrote = [str(path) for path in (out, picture) if path is not None]
    counts = f"{made.conflicts} conflict(s) in {len(made.rows)} pair(s) listed"
    if missing := made.not_located + len(made.placeless):
        counts += f", {missing} not located"
    print_last_words(to, counts + (f"; wrote {', '.join(wrote)}" if wrote else ""), CAUTION)


def _table(rows: list[dict[str, Any]], unit: str) -> Table:
    table = Table(
        box=None,
        pad_edge=False,
        collapse_padding=True,
        title=f"in {unit}, the riskiest first",
        title_justify="left",
    )
    table.add_column("", justify="right", no_wrap=True)
    table.add_column("line", no_wrap=True)
    table.add_column("planned")  # the one to wrap
    table.add_column("verdict", no_wrap=True)
    for name in ("apart", "at least", "needed", "P below", "P touch", f"at {unit}"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("by", no_wrap=True)
    for n, row in enumerate(rows, start=1):
        table.add_row(
            str(n),
            f"{row['site_id']} {row['line_id']}",
            row["work_name"] or row["work_id"],
            _VERDICTS[row["verdict"]],
            rows_of.length(row["separation_m"], unit),
            rows_of.at_least(row["lower_95_m"], unit),
            rows_of.length(row["required_m"], unit),
            rows_of.chance(row["probability_below_required"]),
            rows_of.chance(row["probability_contact"]),
            rows_of.length(row["chainage_m"], unit),
            row["levels_by"].partition("_")[0],
            style="" if row["verdict"] == "none_shown" else "bold red",
        )
    return table


def _document(made: Comparison, out: Path | None, exit_code: int) -> str:
    content = {
        **head("clearance", out, exit_code),
        "conflicts": made.conflicts,
        "not_located": [said(row) for row in (*made.placeless, *made.blocked)],
        "none_shown_means": _NONE_SHOWN,
        "notes": [wording.plain(note) for note in made.notes],
        "pairs": [rows_of.plain(row) for row in made.rows],
    }
    return json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False)
