"""What the owner's register says: `[asset]` of a site, its lines and runs, and `assets.csv`.

Keys are the user's own beside a few of ours. Each has one type through a site: that of TOML, or
that of `[asset.types]`, or in tables of text the one that all cells of the column have. Whole and
other numbers together are numbers; any other two types of one key are a fault.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from math import isfinite
from typing import Final, cast, get_args

from lateralline import contract
from lateralline.ingest.ledger import Ledger, nearest
from lateralline.ingest.limits import CELL
from lateralline.ingest.rows import InputRow, InputRows
from lateralline.ingest.sections import SiteSettings
from lateralline.names import wrong_sign
from lateralline.settings import Assets, AssetType, AssetValue

#: Keys of `[asset]` that say something of the others.
_ABOUT: Final = ("private", "public", "types")
_KEY: Final = re.compile(r"[a-z][a-z0-9_]{0,39}", re.ASCII)
_TYPES: Final = get_args(AssetType)
_WHOLE: Final = re.compile(r"[+-]?(0|[1-9]\d{0,17})", re.ASCII)  # 007 is a name, no number
_REAL: Final = re.compile(r"[+-]?((0|[1-9]\d{0,17})\.\d*|\.\d+)([eE][+-]?\d{1,2})?", re.ASCII)
_MOST_KEYS: Final = 40
_IS: Final = {
    "text": "text",
    "integer": "a whole number",
    "real": "a number",
    "boolean": "true or false",
    "date": "a day such as 2026-05-06",
}


@dataclass(frozen=True, slots=True)
class _Said:
    """One value as it was written, and of what it is said: "" of the site."""

    key: str
    value: object
    row: InputRow
    line: str = ""
    run: str = ""
    typed: bool = True  # by TOML; else a text whose content decides


def read_assets(site: SiteSettings, table: InputRows | None, ledger: Ledger) -> Assets:
    """Return what the register says of a site, noting a fault for each key and value at fault."""
    own = tuple(c.name for c in contract.own_assets())
    head = site.one("asset")
    said = [s for s in _said(site, table) if _sound(s, own, ledger)]
    declared = _declared_types(head, own, ledger)
    types: dict[str, AssetType] = dict(declared)
    where: dict[str, tuple[str, int]] = {}
    for s in said:
        if s.key not in own and s.typed:
            _take_type(s, _type_of(s.value), types, where, declared, ledger)
    texts: dict[str, list[_Said]] = {}
    for s in said:
        if s.key not in own and not s.typed:
            texts.setdefault(s.key, []).append(s)
    for key, cells in texts.items():
        where.setdefault(key, (cells[0].row.file, cells[0].row.line_of(key)))
        types.setdefault(key, _type_of_texts([str(s.value) for s in cells]))
    if len(where) > _MOST_KEYS:
        must = f"must be at most {_MOST_KEYS} keys of your own; there are {len(where)}"
        ledger.fault(head.file, head.line, "asset", "", must)
    values: dict[tuple[str, str], dict[str, AssetValue]] = {}
    for s in said:
        kind = "text" if s.key in own else types[s.key]
        if (value := _value(s, kind, ledger)) is not None:
            of = values.setdefault((s.line, s.run), {})
            if s.key in of and of[s.key] != value:
                must = f"must be what is said of line {s.line} elsewhere, {of[s.key]}"
                s.row.fault(ledger, s.key, must, "say it in one place")
            of.setdefault(s.key, value)
    return Assets(
        site=values.get(("", ""), {}),
        line={line: v for (line, run), v in values.items() if line and not run},
        run={run: v for (_, run), v in values.items() if run},
        types={key: kind for key, kind in types.items() if key in where},
        where=where,
        private=_private(head, own, frozenset(where), ledger),
    )


def _said(site: SiteSettings, table: InputRows | None) -> Iterator[_Said]:
    """Yield every value, those of the site first."""
    head = site.one("asset")
    for key in _keys(head):
        if key not in _ABOUT:
            yield _Said(key, head.cells[key], head, typed=head.file.endswith(".toml"))
    for name in ("pipe", "run"):
        for row, extra in zip(site.sections[name], site.assets[name], strict=True):
            for key in _keys(extra):
                line = row.text("line")
                run = row.text("id") if name == "run" else ""
                yield _Said(key, extra.cells[key], extra, line, run)
    for row in table or ():
        for key in _keys(row):
            if key != "line_id":
                yield _Said(key, row.cells[key], row, row.text("line_id"), typed=False)


def _keys(row: InputRow) -> list[str]:
    return [key for key in row.cells if key not in row.bad]


def _sound(s: _Said, own: tuple[str, ...], ledger: Ledger) -> bool:
    """Whether key and value can become a column and its value; a fault where not."""
    if s.key in own:
        if not isinstance(s.value, str):
            s.row.fault(ledger, s.key, "must be text", "write it in quotes")
            return False
    elif s.key in (*_ABOUT, "id") or not _KEY.fullmatch(s.key):
        must = "must be a key of small letters, digits and _, 40 at most, and begin with a letter"
        s.row.fault(ledger, s.key, must, "asset_id is there" if s.key == "id" else "")
        return False
    if isinstance(s.value, str):
        long = f"it has {len(s.value)} characters: {CELL} at most" * (len(s.value) > CELL)
        if hint := wrong_sign(s.value) or long:
            s.row.fault(ledger, s.key, "must be text", hint)
            return False
    if _type_of(s.value) is None:
        s.row.fault(ledger, s.key, "must be text, a number, true or false, or a day")
        return False
    return True


def _type_of(value: object) -> AssetType | None:
    """Return the type of a value of TOML; None for what is none of them."""
    match value:
        case bool():
            return "boolean"
        case int():
            return "integer" if abs(value) < 2**63 else None
        case float():
            return "real" if isfinite(value) else None
        case str():
            return "text"
        case date() if not isinstance(value, datetime):
            return "date"
    return None


def _type_of_texts(cells: list[str]) -> AssetType:
    """Return the type that all cells of a column have.

    >>> _type_of_texts(["12", "-3"]), _type_of_texts(["12", "1.5"]), _type_of_texts(["007", "12"])
    ('integer', 'real', 'text')
    """
    if all(map(_WHOLE.fullmatch, cells)):
        return "integer"
    if all(_WHOLE.fullmatch(c) or _REAL.fullmatch(c) for c in cells):
        return "real"
    if all(c.casefold() in ("true", "false") for c in cells):
        return "boolean"
    return "date" if all(_day(c) is not None for c in cells) else "text"


def typed_text(text: str) -> AssetValue:
    """Return a text as what its content is.

    >>> typed_text("12"), typed_text("007"), typed_text("true"), typed_text("2026-05-06")
    (12, '007', True, datetime.date(2026, 5, 6))
    """
    match _type_of_texts([text]):
        case "integer":
            return int(text)
        case "real":
            return float(text)
        case "boolean":
            return text.casefold() == "true"
        case "date":
            return _day(text) or text
    return text


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text) if re.fullmatch(r"\d{4}-\d\d-\d\d", text) else None
    except ValueError:
        return None


def _take_type(
    s: _Said,
    kind: AssetType | None,
    types: dict[str, AssetType],
    where: dict[str, tuple[str, int]],
    declared: Mapping[str, AssetType],
    ledger: Ledger,
) -> None:
    """Take the type of a value for its key, or note that the key has another one."""
    assert kind is not None
    known = types.setdefault(s.key, kind)
    where.setdefault(s.key, (s.row.file, s.row.line_of(s.key)))
    if known == kind or (known, kind) == ("real", "integer"):
        return
    if (known, kind) == ("integer", "real") and s.key not in declared:
        types[s.key] = "real"
        return
    file, line = where[s.key]
    place = "[asset.types]" if s.key in declared else f"{file}:{line}"
    s.row.fault(ledger, s.key, f"must be {_IS[known]}, as {place} has it: a key has one type")


def _declared_types(head: InputRow, own: tuple[str, ...], ledger: Ledger) -> dict[str, AssetType]:
    """Return the types that `[asset.types]` gives."""
    given: object = head.cells.get("types", {})
    if not isinstance(given, dict):
        head.fault(ledger, "types", "must be a section", "write [asset.types]")
        return {}
    types: dict[str, AssetType] = {}
    for key, kind in given.items():
        if kind not in _TYPES or key in own:
            must = f"must be one of {', '.join(_TYPES)}" if key not in own else "is text"
            line = head.lines.get(f"types.{key}", head.line_of("types"))
            ledger.fault(head.file, line, key, kind, must, nearest(str(kind), _TYPES))
        else:
            types[key] = cast(AssetType, kind)
    return types


def _value(s: _Said, kind: AssetType, ledger: Ledger) -> AssetValue | None:
    """Return a value of its key's type; None, with a fault, for a text that is none."""
    if s.typed or kind == "text":
        return float(cast(float, s.value)) if kind == "real" else cast(AssetValue, s.value)
    text = str(s.value)
    match kind:
        case "integer" if _WHOLE.fullmatch(text):
            return int(text)
        case "real" if _WHOLE.fullmatch(text) or _REAL.fullmatch(text):
            return float(text)
        case "boolean" if text.casefold() in ("true", "false"):
            return text.casefold() == "true"
        case "date" if (day := _day(text)) is not None:
            return day
    s.row.fault(ledger, s.key, f"must be {_IS[kind]}, as elsewhere in this site")
    return None


def _private(
    head: InputRow, own: tuple[str, ...], free: frozenset[str], ledger: Ledger
) -> frozenset[str]:
    """Return the keys that are private: by themselves, and as `private` and `public` say."""
    found: dict[str, list[str]] = {"private": [], "public": []}
    for name, keys in found.items():
        given = head.cells.get(name, "")
        each = given if isinstance(given, (list, tuple)) else str(given).split(",")
        for key in (str(k).strip() for k in each if str(k).strip()):
            if key not in own and key not in free:
                hint = nearest(key, [*own, *sorted(free)])
                head.fault(ledger, name, f"must name keys that are there; {key} is not", hint)
            keys.append(key)
    if both := set(found["private"]) & set(found["public"]):
        head.fault(ledger, "public", f"must not name {', '.join(sorted(both))}, which is private")
    by_itself = {c.name for c in contract.own_assets() if c.private}
    return frozenset((by_itself | set(found["private"])) - set(found["public"]))
