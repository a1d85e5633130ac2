r"""Comma-separated text, written so that no spreadsheet runs what stands in a cell, and read back.

A spreadsheet takes a cell for a formula when it begins with `=`, `+`, `-` or `@`, their full-width
forms too, and some take one that begins with a tab or a line break. Such a cell gets an apostrophe
before it, the spreadsheets' own sign for text; so does what follows a semicolon, tab or line break
within a cell, because those part cells where the comma is the decimal sign. Plain numbers stay as
they are: -3.2 is a number to everyone.

`records` takes the apostrophe off again, and it alone: what `guarded` wrote reads back to the
letter, apostrophes that were there before included. A cell of somebody else's file that begins
with an apostrophe and one of these signs is read as a spreadsheet shows it, without.

Everything that writes or reads tables as comma-separated text does it here. Source of the signs:
"CSV Injection" of the OWASP community pages (from memory); apostrophe: common practice, no source.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Final

_STARTS: Final = "=+\\-@＝＋－＠﹦﹢﹣﹫\t\r\n"
_PARTED: Final = r"(\A|[;\t]|\r\n|\r(?!\n)|(?<!\r)\n)"  # where a cell begins, or a part of one
_RISKY: Final = re.compile(rf"{_PARTED}(?=['\s]*[{_STARTS}])")
#: Not between a CR and an LF: without it they would be one line end where there were two.
_GUARD: Final = re.compile(rf"(?!\r'\n){_PARTED}'(?=['\s]*[{_STARTS}])")
#: Raised with what is wrong and the line a record begins on.
Error: Final = csv.Error

_NUMBER: Final = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)


def guarded(cell: str) -> str:
    """Return the text of a cell as it is written.

    >>> guarded("=1+1"), guarded("-3.2"), guarded("- wet"), guarded("'=x"), guarded("a;@b")
    ("'=1+1", '-3.2', "'- wet", "''=x", "a;'@b")
    """
    return cell if _NUMBER.fullmatch(cell.strip(" ")) else _RISKY.sub(r"\1'", cell)


def unguarded(cell: str) -> str:
    """Return the text of a cell as it was before `guarded`.

    >>> unguarded("'=1+1"), unguarded("-3.2"), unguarded("''=x"), unguarded("'60s pipe")
    ('=1+1', '-3.2', "'=x", "'60s pipe")
    """
    return _GUARD.sub(r"\1", cell)


def record(cells: Iterable[object], newline: str = "\n") -> str:
    """Return one record with its line end; None is an empty cell."""
    texts = ["" if cell is None else guarded(str(cell)) for cell in cells]
    out = io.StringIO()
    # Quotes where a reader would lose something: a line break, a leading space, a # before others.
    lost = any("\r" in text or "\n" in text or text.startswith(" ") for text in texts)
    lost |= len(texts) > 1 and texts[0].startswith("#")
    csv.writer(
        out, lineterminator=newline, quoting=csv.QUOTE_ALL if lost else csv.QUOTE_MINIMAL
    ).writerow(texts)
    return out.getvalue()


def table(names: Sequence[str], rows: Iterable[Mapping[str, object]], newline: str = "\n") -> str:
    """Return a header and a record for each row, of the columns that are named."""
    body = [record((row.get(name) for name in names), newline) for row in rows]
    return record(names, newline) + "".join(body)


def parted(line: str, separator: str = ",") -> list[str] | None:
    """Return the cells of one line as they stand; None when a quote does not close.

    >>> parted('1;"kerb; top"', ";"), parted('1,"kerb')
    (['1', 'kerb; top'], None)
    """
    try:
        return next(csv.reader([line], delimiter=separator, skipinitialspace=True, strict=True), [])
    except csv.Error:
        return None


def records(text: str, separator: str = ",") -> Iterator[tuple[int, int, list[str]]]:
    """Yield each record with its first line and the one after its last, counted from 1.

    Comments, lines that begin with #, come without cells; a quoted cell may hold line breaks, and
    a #. Raises csv.Error with what is wrong and the line the record begins on.
    """
    begins = True  # the next line drawn begins a record, so a # there begins a comment

    def lines() -> Iterator[str]:
        nonlocal begins
        for line in io.StringIO(text, newline=""):
            comment, begins = begins and line.lstrip().startswith("#"), False
            yield "\n" if comment else line

    reader = csv.reader(lines(), delimiter=separator, strict=True, skipinitialspace=True)
    while True:
        first, begins = reader.line_num + 1, True
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as e:
            raise csv.Error(str(e), first) from e
        yield first, reader.line_num + 1, list(map(unguarded, cells))


def neutral(text: str) -> str:
    r"""Return somebody's file with risky cells guarded; every other line of it as it came.

    >>> neutral('mark, note\n 1 ,x\n2,=A1\n# so, -wet\n')
    'mark, note\n 1 ,x\n2,\'=A1\n"# so, -wet"\n'
    """
    lines, out = list(io.StringIO(text, newline="")), []
    for first, end, cells in records(text):
        came = "".join(lines[first - 1 : end - 1])
        bare = came.rstrip("\r\n")
        ending = came[len(bare) :]
        # A comment is no record, but a spreadsheet parts it at its commas like any other line.
        parts = cells or next(csv.reader([bare], skipinitialspace=True), [])
        if any(part != guarded(part) for part in parts):
            came = record(cells or [bare.strip()], "") + ending
        out.append(came)
    return "".join(out)
