"""What is wrong with a `site.toml` that is no TOML, in the words of the key that breaks it.

The TOML reader stops at the first sign it cannot place; what the crew needs is how that key is
written.
"""

from __future__ import annotations

import re
from typing import Final

from lateralline import contract
from lateralline.contract import Column
from lateralline.read.cells import hint_for, must_be
from lateralline.read.files import SITE_FILE
from lateralline.read.ledger import Ledger
from lateralline.read.toml_lines import find_lines

_VALUE: Final = re.compile(r"[^=]*=\s*(.*?)\s*(?:#.*)?$")


def fault_of_toml(text: str, error: Exception, ledger: Ledger) -> None:
    """Note why `site.toml` could not be read: the key and its value, when the line holds one."""
    at = re.search(r"line (\d+)", str(error))
    line = int(at[1]) if at else 0
    found = _key_on(text, line)
    if found is None:
        hint = "text stands in quotes; see https://toml.io" if at else ""
        ledger.fault(SITE_FILE, line, "file", "", f"must be TOML: {error}", hint)
        return
    column, value = found
    must, hint = _written(column, value)
    ledger.fault(SITE_FILE, line, column.name, value, must, hint)


def _key_on(text: str, line: int) -> tuple[Column, str] | None:
    """Return the key that stands on a line, and what was written behind it; None = no known key."""
    named = ((section, key) for (section, _, key), n in find_lines(text).items() if n == line)
    section, key = next(named, ("", ""))
    columns = (c for c in contract.load("site").field if (c.section, c.name) == (section, key))
    value = _VALUE.match(text.splitlines()[line - 1]) if line else None
    if (column := next(columns, None)) is None or value is None:
        return None
    return column, value[1]


def _written(column: Column, value: str) -> tuple[str, str]:
    """Return what the value must be, and how it would be written."""
    must = must_be(column)
    bare = value.strip("\"'")
    if column.type == "text":
        return f"{must} in quotes", f'write {column.name} = "{bare}"' if bare else ""
    if column.type == "boolean":
        known = bare.casefold() if bare.casefold() in ("true", "false") else ""
        return must, f"write {known}" if known else ""
    if not bare.strip("?- "):
        return must, f"put # before {column.name} when it is not known"
    quoted = value.replace('"', '\\"')
    return must, hint_for(column, bare) or (f'write "{quoted}"' if column.unit_from else "")
