"""What `match` and `connect` found of lines, for people and for machines."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from rich.table import Table

from lateralline.cli.command import head, json_text
from lateralline.cli.report import print_last_words
from lateralline.cli.terminal import console, print_indented
from lateralline.wording import with_own_unit

if TYPE_CHECKING:
    from lateralline.api.matching import Connections, RegisterMatch


def judged_json(made: RegisterMatch | Connections, out: Path | None, exit_code: int) -> str:
    """Return all rows as one JSON document of the command that made them."""
    from lateralline.api import matching

    if isinstance(made, matching.RegisterMatch):
        command, rows = "match", [matching.cells_of(matching.MATCHES, m) for m in made.matches]
        called = "matches"
    else:
        command, rows = "connect", [matching.cells_of(matching.CONNECTIONS, c) for c in made.found]
        called = "connections"
    return json_text(
        {
            **head(command, out, exit_code),
            "counts": dict(made.counts),
            "notes": made.notes,
            called: [{k: v for k, v in row.items() if k != "caution"} for row in rows],
        }
    )


def print_judged(
    made: RegisterMatch | Connections,
    table: Table,
    said: Iterable[tuple[str, str]],
    unit: str,
    wrote: Sequence[Path | None],
    nothing: str,
) -> None:
    """Print rows, what was found of them (words and style), what all rests on, and how many.

    `nothing` is said where there is no row.
    """
    to = console()
    to.print(table)
    for text, style in said:
        print_indented(to, with_own_unit(text, unit), 2, style)
    for note in made.notes:
        print_indented(to, with_own_unit(note, unit))
    counts = ", ".join(f"{n} {name.replace('_', ' ')}" for name, n in made.counts.items() if n)
    paths = ", ".join(str(path) for path in wrote if path is not None)
    print_last_words((counts or nothing) + (f"; wrote {paths}" if paths else ""))
