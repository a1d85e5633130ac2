"""A site folder ready to be filled in, with every column explained: made from the schemas."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from datetime import date
from textwrap import wrap
from typing import Final

from lateralline import contract, csv_file
from lateralline.contract import Column, Table

_WIDTH: Final = 96

#: What stands in the template; all of it to be changed.
_START: Final[Mapping[tuple[str, str], object]] = {
    ("pipe", "line"): "L1",
    ("pipe", "service"): "unknown",
    ("run", "id"): "R1",
    ("run", "line"): "L1",
    ("run", "entry"): "CO1",
    ("run", "counter_at_entry"): 0.0,
    ("run", "flow"): "with, against or unknown",
}

#: What stands in place of a value that only the crew knows: `check` names it.
_TO_FILL: Final = ("write the day", _START["run", "flow"])
_NO_DAY: Final = _TO_FILL[0]

#: What stands above a key beside its words.
_DRAWINGS: Final[Mapping[tuple[str, str], tuple[str, ...]]] = {
    ("run", "flow"): (
        "which way water runs, seen from the entry; chainage counts from the downstream end:",
        "    with      entry o====camera==>===  water runs -->   chainage 0 at the far end",
        "    against   entry o====camera==>===  <-- water runs   chainage 0 at the entry",
        "    unknown   an answer too: levels tell, else chainage counts from the entry",
    ),
}

#: Remarks on a section beside its keys.
_REMARKS: Final[Mapping[str, str]] = {
    "accuracy": "Standard deviations, 1 sigma; the values shown hold until changed. Common "
    "practice, no source: put your own in their place.",
    "branch": "One for each line that joins another; remove the # to use it.",
    "asset": "What your register knows of the site; any other key becomes a column asset_KEY.",
    "accepted": "One for each finding that somebody answers for; `lateralline accept` writes them.",
    "dig": "No rule here is a clearance to dig: the local one-call service and local codes come "
    "first, and pipes are proven by exposing them by hand or vacuum.",
}

#: Example rows, written as comments.
_EXAMPLES: Final[Mapping[str, tuple[Mapping[str, str], ...]]] = {
    "control": ({"point": "P1", "x": "0", "y": "0"}, {"point": "P2", "x": "20", "y": "0"}),
    "marks": (
        {
            "mark": "1A", "run": "R1", "stop": "1", "kind": "end_null", "method": "offset",
            "base_from": "P1", "base_to": "P2", "base_distance": "3.40", "base_offset": "-1.20",
        },
        {
            "mark": "1B", "run": "R1", "stop": "1", "kind": "end_null", "method": "ties",
            "ties": "P1:6.32;P2:4.85", "side": "left",
        },
    ),
    "stops": ({"run": "R1", "stop": "1", "counter": "4.30", "depth_reading": "1.40"},),
    "exposures": (
        {
            "name": "CO1", "run": "R1", "counter": "0", "method": "offset", "base_from": "P1",
            "base_to": "P2", "base_distance": "0", "base_offset": "0", "depth": "1.10",
            "measured_to": "invert",
        },
    ),
    "photos": (
        {"file": "photos/kerb.jpg", "run": "R1", "stop": "1", "note": "paint beside the kerb"},
        {"file": "photos/pit.jpg", "exposure": "CO1", "private": "true"},
    ),
    "assets": ({"line_id": "L1", "asset_id": "LAT-0815", "parcel": "12/3"},),
    "observations": (
        {"run": "R1", "counter": "6.20", "clock_from": "12", "code": "BAF", "text": "in words"},
    ),
}  # fmt: skip


def new_site_files(
    site_id: str,
    name: str = "",
    surveyed: date | None = None,
    unit: str = "m",
    horizontal: str = "local",
    vertical: str = "none",
) -> dict[str, str]:
    """Return file name → text of a site folder that lacks nothing but what a crew knows.

    `unit` is that of tapes, levels, depths and the counter. Without `surveyed` a placeholder
    stands there, which `check` names: today would be wrong, unseen, for a site typed up later. So
    it does with the flow of the run, which nothing else may show to be the wrong way round.
    What is given is not checked here: `check` does that, and `api.new_site` before it.

    >>> new_site_files("EX-001", unit="ft")["stops.csv"].splitlines()[-1]
    'run,stop,counter,depth_reading,tilt_deg,metal,note'
    """
    values = _start(site_id, name, surveyed or _NO_DAY, unit, horizontal, vertical)
    text = _site_toml(contract.load("site"), values)
    tables = (t for t in contract.INPUTS if t not in ("site", *contract.KEPT))
    return {"site.toml": text} | {f"{t}.csv": _csv(contract.load(t), unit) for t in tables}


def new_site_settings(
    site_id: str,
    name: str = "",
    surveyed: date | None = None,
    unit: str = "m",
    horizontal: str = "local",
    vertical: str = "none",
) -> dict[str, list[dict[str, object]]]:
    """Return section → keys, as often as the section is there, of such a site; for a book.

    Arguments are those of `new_site_files`; without `surveyed` there is no such key.

    >>> new_site_settings("EX-001")["run"]
    [{'id': 'R1', 'line': 'L1', 'entry': 'CO1', 'counter_at_entry': 0.0}]
    """
    sections: dict[str, list[dict[str, object]]] = {}
    values = _start(site_id, name, surveyed or _NO_DAY, unit, horizontal, vertical)
    for (section, key), value in values.items():
        if value not in _TO_FILL:
            sections.setdefault(section, [{}])[0][key] = value
    return sections


def _start(
    site_id: str, name: str, surveyed: object, unit: str, horizontal: str, vertical: str
) -> dict[tuple[str, str], object]:
    """Return what a new site says, by section and key."""
    return dict(_START) | {
        ("site", "id"): site_id,
        ("site", "name"): name or site_id,
        ("site", "surveyed"): surveyed,
        ("crs", "horizontal"): horizontal,
        ("crs", "vertical"): vertical,
        ("units", "tape"): unit,
        ("units", "level"): unit,
        ("units", "depth"): unit,
        ("units", "counter"): unit,
    }


def _site_toml(table: Table, values: Mapping[tuple[str, str], object]) -> str:
    lines = [*_comment(table.description), "# Lines that begin with # are comments."]
    for section in dict.fromkeys(c.section for c in table.field):
        heading = f"[[{section}]]" if section in table.repeated else f"[{section}]"
        lines += ["", f"# {heading}" if section in ("branch", "accepted") else heading]
        lines += _comment(_REMARKS.get(section, ""), "#   ")
        for column in (c for c in table.field if c.section == section):
            lines += [f"#   {drawn}" for drawn in _DRAWINGS.get((section, column.name), ())]
            lines += _key(column, values.get((section, column.name)), brief=section == "accuracy")
    return "\n".join(lines) + "\n"


def _key(column: Column, value: object, *, brief: bool) -> Iterator[str]:
    """Yield a key with its explanation: set when there is a value, else as a comment."""
    if brief:
        yield f"# {column.name} = {toml_literal(column.default)}  # {column.title}"
        return
    yield from _comment(f"{column.title}. {column.description}{_choices(column)}", "#   ")
    if value is not None:
        yield f"{column.name} = {toml_literal(value)}"
    else:
        blank = '"…"' if column.type == "text" else "…"
        default = blank if column.default is None else toml_literal(column.default)
        yield f"# {column.name} = {default}"


def _choices(column: Column) -> str:
    return f" One of {', '.join(column.enum)}." if column.values else ""


def with_below(text: str, lines: Iterable[str]) -> str:
    r"""Return the text of a TOML file with lines below it after an empty one, in its line ends.

    >>> with_below("a = 1\r\nb = 2", ["[c]"])
    'a = 1\r\nb = 2\r\n\r\n[c]\r\n'
    """
    newline = "\r\n" if "\r\n" in text else "\n"
    ended = text if text.endswith("\n") else text + newline
    return ended + newline + "".join(line + newline for line in lines)


def toml_literal(value: object) -> str:
    r"""Return a text, number, day or yes/no as TOML writes it.

    >>> toml_literal('6" PVC\x7f'), toml_literal(True), toml_literal(date(2026, 5, 6))
    ('"6\\" PVC\\u007f"', 'true', '2026-05-06')
    """
    match value:
        case bool():
            return str(value).lower()
        case str():
            # The escapes of JSON but one are those of TOML, which wants DEL escaped as well.
            return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
        case _:
            return str(value)


def _csv(table: Table, unit: str) -> str:
    """Return a table without rows: each column explained in comments, then the header.

    All of it in ASCII: a spreadsheet that saves in another encoding then breaks nothing.
    """
    lines = _comment(table.description)
    for column in table.field:
        need = "" if column.required else " Optional."
        # Levels may come in the vertical CRS's own unit, as the description says.
        its_unit = unit if column.unit_from and column.name != "z" else column.unit
        head = f"{column.name} [{its_unit}]" if its_unit else column.name
        lines += _comment(f"{head}: {column.title}. {column.description}{need}", "# ")
        lines += [f"#     {v.value}: {v.description}" for v in column.values]
    header, *examples = csv_file.table(table.names, _EXAMPLES[table.name]).splitlines()
    lines += ["# For example, without the #:", *(f"# {row}" for row in examples)]
    return "\n".join([*lines, header]).replace("…", "...") + "\n"


def _comment(text: str, lead: str = "# ") -> list[str]:
    return [lead + line for line in wrap(text, _WIDTH - len(lead))]
