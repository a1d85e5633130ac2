"""The file of accuracies that `calibrate` wrote, as a site names it under [accuracy]."""

from __future__ import annotations

from collections.abc import Collection
from functools import partial
from pathlib import Path

from lateralline.ingest.cells import declared_unit
from lateralline.ingest.intake import decode, is_file, read_input
from lateralline.ingest.ledger import Ledger, nearest
from lateralline.ingest.rows import InputRow
from lateralline.ingest.sections import (
    RawSection,
    checked,
    fault_of_toml,
    find_lines,
    line_of_section,
    load_toml,
)

_OF_CREW = ("receiver", "surveyor")


def learned_accuracies(
    path: Path, crews: Collection[tuple[str, str]], row: InputRow, ledger: Ledger
) -> dict[str, float]:
    """Return accuracies by key, in the units of `site.toml`, with a fault for what will not do.

    `crews` are receiver and surveyor of the site's runs; `row` is the section that names the file.
    """
    if not is_file(path):
        row.fault(ledger, "from", "must be a file that lateralline calibrate wrote")
        return {}
    data = read_input(path, ledger)
    text = None if data is None else decode(path.name, data, ledger)
    if text is None:
        return {}
    try:
        said = load_toml(text)
    except ValueError as e:
        fault_of_toml(path.name, text, e, ledger)
        return {}
    lines = find_lines(text)
    for name in said.keys() - {"accuracy", "crew"}:
        line = line_of_section(lines, name)
        hint = nearest(name, ("accuracy", "crew"))
        ledger.fault(path.name, line, name, "", "must be [accuracy] or [[crew]]", hint)
    several = said.get("crew", [])
    of_crews = several if isinstance(several, list) else [several]
    found: dict[str, float] = {}
    numbered = [("crew", n, given) for n, given in enumerate(of_crews)]
    for name, n, given in (("accuracy", 0, said.get("accuracy", {})), *numbered):
        at = {key: line for (section, i, key), line in lines.items() if (section, i) == (name, n)}
        if not isinstance(given, dict):
            ledger.fault(path.name, at.get("", 0), name, "", "must be a section")
            continue
        own = {key: value for key, value in given.items() if key not in _OF_CREW or not name}
        section = RawSection(path.name, own, at, strict=True)
        read = checked("site", "accuracy", section, partial(declared_unit, units={}), ledger)
        if read.given("from"):
            read.fault(ledger, "from", "must not stand in a file that is named by from")
        crew = tuple(str(given.get(key, "")) for key in _OF_CREW)
        if name == "accuracy" or set(crews) == {crew}:
            found |= {key: read.number(key) for key in read.cells if key != "from"}
    return found
