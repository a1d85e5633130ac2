"""What was written by version 1 of the schemas, under the names of version 2.

A table or section is brought to the names of today before anything else is asked of it, so that
every door takes both versions and messages speak of today's columns. Both names of one quantity in
one file are a fault: nobody knows which of the two was meant.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Final

from lateralline.ingest.ledger import Ledger
from lateralline.ingest.tables import TextTable
from lateralline.renamed import (
    Names,
    input_columns,
    input_values,
    polar_columns,
    section_keys,
    section_values,
)

#: The value of `method` in whose rows version 1 had other quantities in the same columns.
POLAR: Final = "polar"
_NOTE: Final = "as version 1 of the schemas named it: "


def with_names_of_today(name: str, table: TextTable, ledger: Ledger) -> TextTable:
    """Return input table `name` with the columns and values of version 2, and a note of each."""
    columns, polar = input_columns(name), polar_columns(name)
    for old in dict.fromkeys(h for h in table.header if h in columns):
        if new := next((n for n in (columns[old], polar.get(old)) if n in table.header), ""):
            must = f"must not stand beside {new}: version 1 of the schemas called the same so"
            hint = f"keep one of the two; `lateralline upgrade` writes {new}"
            table.fault(ledger, table.header_line, old, "", must, hint)
            columns = {o: n for o, n in columns.items() if o != old}
    table = _polar_apart(table, {o: n for o, n in polar.items() if o in columns})
    return _values(name, _columns(table, columns))


def _columns(table: TextTable, names: Names) -> TextTable:
    """Return a table with its columns renamed."""
    found = {old: new for old, new in names.items() if old in table.header}
    if not found:
        return table
    return replace(table.renamed(found), notes=_noted(table, found))


def _polar_apart(table: TextTable, names: Names) -> TextTable:
    """Return a table whose polar rows have columns of their own, behind those they stood in."""
    there = [old for old in names if old in table.header]
    if not there or "method" not in table.header:
        return table
    how = table.header.index("method")
    polar = {line for line, cells in table.rows if cells[how].strip().casefold() == POLAR}
    if not polar:
        return table
    at = [table.header.index(old) for old in there]
    behind = max(at) + 1

    def parted(line: int, cells: tuple[str, ...]) -> tuple[str, ...]:
        own = tuple(cells[i] if line in polar else "" for i in at)
        rest = tuple("" if line in polar and i in at else c for i, c in enumerate(cells))
        return (*rest[:behind], *own, *rest[behind:])

    new = tuple(names[old] for old in there)
    moved = {old: names[old] for old in there}
    units, letters = dict(table.units), dict(table.letters)
    units |= {moved[o]: u for o, u in table.units.items() if o in moved and o == there[0]}
    letters |= {moved[o]: letter for o, letter in table.letters.items() if o in moved}
    return replace(
        table,
        header=(*table.header[:behind], *new, *table.header[behind:]),
        rows=tuple((line, parted(line, cells)) for line, cells in table.rows),
        units=units,
        letters=letters,
        bad=frozenset((line, moved.get(h, h) if line in polar else h) for line, h in table.bad),
    )


def _values(name: str, table: TextTable) -> TextTable:
    """Return a table with its values renamed."""
    taken: list[str] = []
    for column, names in input_values(name).items():
        if column not in table.header:
            continue
        at, rows = table.header.index(column), []
        for line, cells in table.rows:
            new = names.get(as_key(cells[at]))
            if new is not None:
                taken.append(as_key(cells[at]))
                cells = (*cells[:at], new, *cells[at + 1 :])
            rows.append((line, cells))
        table = replace(table, rows=tuple(rows))
    return replace(table, notes=_noted(table, taken)) if taken else table


def _noted(table: TextTable, names: Iterable[str]) -> tuple[str, ...]:
    """Return the notes of a table and one that says which names of version 1 were read."""
    one = f"{_NOTE}{', '.join(dict.fromkeys(names))}"
    before = [note for note in table.notes if note.startswith(_NOTE)]
    if not before:
        return (*table.notes, one)
    return tuple(f"{n}, {one.removeprefix(_NOTE)}" if n in before else n for n in table.notes)


def as_key(cell: str) -> str:
    """Return a cell of known values as the schemas write them.

    >>> as_key(" Outside-top")
    'outside_top'
    """
    return cell.strip().casefold().replace(" ", "_").replace("-", "_")


def section_of_today(
    table: str, section: str, given: Mapping[str, object]
) -> tuple[dict[str, object], dict[str, str]]:
    """Return a section with the keys and values of version 2, and the keys renamed: new → old.

    A key that stands there under both names keeps the old one too, which no schema knows.
    """
    keys, values = section_keys(table, section), section_values(table, section)
    renamed = {new: old for old, new in keys.items() if old in given and new not in given}
    old_of = {old: new for new, old in renamed.items()}
    today: dict[str, object] = {}
    for key, value in given.items():
        new = old_of.get(key, key)
        names = {as_key(old): name for old, name in values.get(new, {}).items()}
        known = isinstance(value, str) and as_key(value) in names
        today[new] = names[as_key(str(value))] if known else value
    return today, renamed
