"""One site as one HTML document that needs no network, and alone nothing beside it.

All text goes through Jinja's escaping or through JSON with every `<` written as \\u003c. The
document's own content security policy lets only the scripts run whose hashes it names, and
nothing be fetched. Pages of one folder share `page.js` and `page.css` beside them; then the policy
names a nonce made of the page's own text, which no text within it can know.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterator, Sequence
from functools import cache
from importlib.resources import files
from math import isnan
from typing import Final

from jinja2 import Environment, FunctionLoader, StrictUndefined, Template

from lateralline import __version__
from lateralline.findings import title_of
from lateralline.page import places
from lateralline.page.columns import columns_of
from lateralline.page.joined import columns_of_connections, places_of_connections
from lateralline.page.payload import payload, units
from lateralline.page.photos import page_photos
from lateralline.page.places import (
    UNIT_NAMES,
    Fact,
    PagePlace,
    PageTarget,
    Works,
    fact_text,
    measured,
)
from lateralline.page.reasons import MOST_EXPLAINED, told_why
from lateralline.page.signs import PALETTE, style_sheet, switches
from lateralline.record.connections import ConnectionRow
from lateralline.record.ends import SAID, located_alone
from lateralline.record.profile import line_profile
from lateralline.record.rows import CentrelineRow, FindingRow, ZoneRow
from lateralline.record.view import RecordView
from lateralline.terms import region_of, reworded
from lateralline.wording import SEVERITY_NAMES, in_unit

#: Scripts of a page, in the order they are run, as one.
SCRIPTS: Final = (
    "units.js", "drawing.js", "naming.js", "pointing.js", "choosing.js", "measuring.js", "theme.js",
    "keys.js", "reaching.js", "telling.js", "start.js",
)  # fmt: skip
_ASSETS: Final = files("lateralline.page") / "assets"


def document(
    view: RecordView,
    note: str = "",
    back: str = "",
    works: Works | None = None,
    generator: str = "",
    joined: Sequence[ConnectionRow] | None = None,
    *,
    shared: bool = False,
) -> str:
    """Return the page of one site.

    `note` stands at its top, `back` is a link to an index, `works` are planned works near it,
    `joined` where lines meet mains, `generator` says what made it. With `shared` the page looks for
    the files of `shared_files` beside it.
    """
    found = {
        "stops": places.stops(view),
        "nodes": places.nodes(view),
        "seen": places.seen(view),
        "control": places.control(view),
    }
    if works is not None:
        found["works"] = places.places_of_works(view, works)
    if joined is not None:
        found["joined"] = places_of_connections(view, joined)
    mains = None if joined is None else columns_of_connections(view, joined)
    lines = [line_profile(view, line) for line in view.lines]
    columns = columns_of(view, found, lines, works, mains)
    inches = view.measure.unit == "ft-in"
    rows, findings, targets = _findings(view)
    why = told_why(view, rows)
    data = safe_json(payload(view, found, columns, lines, targets) | {"why": why})
    page: str = template("page.html").render(
        view=view,
        name=view.name,
        caution=view.caution,
        note=note,
        generator=generator,
        back=back,
        version=__version__,
        statements=_statements(view),
        lines=[_line_facts(view, row) for row in view.centrelines],
        zones=_zones(view),
        left_out=located_alone(node.ref for node in view.nodes if node.carried_on),
        open_ends=SAID,
        switches=switches(view, works, joined),
        units=units(view),
        unit=view.unit,
        along=view.word("distance along pipe"),
        works=works,
        tables=[
            (kind, title, first, heads, _table(found[kind], [name for name, _, _ in heads]))
            for kind, (title, first, columns) in _TABLES.items()
            if kind in found
            for heads in [_heads(view, columns)]
        ],
        photos=page_photos(view),
        why=why,
        most_explained=MOST_EXPLAINED,
        findings=findings,
        called=SEVERITY_NAMES,
        fact_text=lambda fact, with_unit=False: fact_text(
            fact, view.unit, with_unit=with_unit, inches=inches
        ),
        in_unit=lambda text: in_unit(text, view.unit, UNIT_NAMES[view.unit]),
        nonce=_NONCE if shared else "",
        policy=_SHARED_POLICY if shared else _own_policy(),
        style="" if shared else style(),
        scripts=() if shared else _own_scripts(),
        data=data,
    )
    return _with_nonce(page) if shared else page


def policy(*scripts: str) -> str:
    """Return a content security policy: these scripts may run, and nothing may be fetched."""
    hashes = " ".join(f"'sha256-{_hash(s)}'" for s in scripts)
    return (
        f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; img-src data: blob:"
    )


#: Stands for the nonce until all else is written.
_NONCE: Final = "nonce"
#: The policy of a page whose script and style lie beside it, read from a disk or not.
_SHARED_POLICY: Final = (
    f"default-src 'none'; script-src 'nonce-{_NONCE}'; "
    "style-src 'self' file: 'unsafe-inline'; img-src data: blob:"
)


def _with_nonce(page: str) -> str:
    """Return a page with its nonce, made of all that is written on it.

    It stands in the policy, before all text of a site, and in the last script, behind all of it.
    """
    head, _, rest = page.partition(f"-{_NONCE}&")
    text, _, tail = rest.rpartition(f'"{_NONCE}"')
    nonce = _hash(page)
    return f'{head}-{nonce}&{text}"{nonce}"{tail}'


def _hash(text: str) -> str:
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


@cache
def _own_policy() -> str:
    return policy(*_own_scripts())


def safe_json(value: object) -> str:
    """Return JSON that may stand in a script element, whatever text is in it.

    >>> safe_json({"a": "</script>"})
    '{"a":"\\\\u003c/script>"}'
    """
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return text.replace("<", "\\u003c")


@cache
def template(name: str) -> Template:
    """Return a template whose text is escaped."""
    env = Environment(
        loader=FunctionLoader(asset), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    return env.get_template(name)


def asset(name: str) -> str:
    """Return a template, script or style sheet as it is shipped."""
    return (_ASSETS / name).read_text(encoding="utf-8")


def style() -> str:
    """Return the style sheet of pages and index."""
    return style_sheet() + asset("page.css")


def shared_files() -> dict[str, str]:
    """Return what the pages of one folder share, by the names of the files."""
    return {"page.js": "\n".join(_own_scripts()), "page.css": style()}


@cache
def _own_scripts() -> tuple[str, ...]:
    """Return bokeh's own script, for figures alone, and ours with the drawings it fills."""
    from bokeh.resources import Resources

    from lateralline.page.drawings import drawings

    known = {"DRAWINGS": drawings(), "PALETTE": PALETTE}
    told = "".join(f"const {name} = {safe_json(value)};\n" for name, value in known.items())
    bokeh = "\n".join(Resources(mode="inline", components=["bokeh"]).js_raw)
    return bokeh, script(*SCRIPTS, told=told)


def script(*names: str, told: str = "") -> str:
    """Return assets as one script that keeps its names to itself."""
    return '"use strict";\n(async () => {\n' + told + "\n".join(map(asset, names)) + "})();\n"


#: Kind of place → title, head and columns of its table, by the names of facts.
_TABLES: Final = {
    "works": (
        "Planned works",
        "work · line",
        ("verdict", "separation", "lower 95 %", "required", "chance of less"),
    ),
    "joined": (
        "Connections to the main",
        "line → main",
        ("meeting", "along the main", "side", "angle", "gap to the main"),
    ),
    "stops": ("Stops", "run/stop", ("distance along pipe", "depth", "position ±", "status")),
    "nodes": ("Nodes", "node", ("distance along pipe", "invert", "cover", "bend")),
    "seen": ("Seen by the camera", "code", ("what", "distance along pipe", "cover")),
    "control": (
        "Control points",
        "point",
        ("east of the corner", "north of the corner", "position ±"),
    ),
}
#: Texts of a finding.
_PROSE: Final = ("what", "by_how_much", "what_to_do")
_WORST_FIRST: Final = {"error": 0, "warning": 1, "info": 2}


#: Columns that hold numbers, and stand to the right: the kind of each.
_KINDS: Final = {
    "separation": "length", "lower 95 %": "length", "required": "length", "depth": "tape",
    "along the main": "length", "gap to the main": "length", "angle": "angle",
    "distance along pipe": "length", "position ±": "off", "invert": "length", "cover": "tape",
    "bend": "angle", "east of the corner": "length", "north of the corner": "length",
}  # fmt: skip
#: Columns that are called as the region of the site does.
_WORDED: Final = ("distance along pipe", "position ±", "invert")


def _heads(view: RecordView, columns: Sequence[str]) -> list[tuple[str, str, str]]:
    """Return name, kind and unit of each column."""
    tape = view.measure.head
    units = {"length": view.unit, "tape": tape, "off": tape, "angle": "°"}
    return [
        (view.word(c) if c in _WORDED else c, kind, units.get(kind, ""))
        for c in columns
        for kind in [_KINDS.get(c, "text")]
    ]


def _table(
    found: Sequence[PagePlace], columns: Sequence[str]
) -> list[tuple[PagePlace, list[Fact | None]]]:
    by_name = [(place, {fact.name: fact for fact in place.facts}) for place in found]
    return [(place, [facts.get(c) for c in columns]) for place, facts in by_name]


def _findings(
    view: RecordView,
) -> tuple[list[FindingRow], list[dict[str, object]], list[PageTarget]]:
    """Return the findings, the worst first, the same as text, and where each points."""
    rows, region = view.rows(FindingRow), region_of(view.lineage.tape_unit)
    pairs = sorted(
        zip(rows, places.targets(view), strict=True),
        key=lambda pair: (bool(pair[0].accepted), _WORST_FIRST.get(pair[0].severity, 0)),
    )
    told = [
        dict(row.values)
        | {name: reworded(str(row.values[name]), region) for name in _PROSE}
        | {"title": row.title or title_of(row.code), "accepted": row.accepted}
        for row, _ in pairs
    ]
    return [row for row, _ in pairs], told, [target for _, target in pairs]


def _statements(view: RecordView) -> list[str]:
    """Return what a reader must know of levels and directions.

    Directions are shown from the north of the drawing, so what the record says of its own holds
    only where both are one.
    """
    directions = "" if view.ground.turn_deg else view.lineage.directions
    return [text for text in (view.lineage.levels, directions) if text]


def _line_facts(view: RecordView, row: CentrelineRow) -> tuple[str, list[Fact]]:
    name = " ".join(filter(None, (row.line_id, row.material, row.nominal, f"({row.service})")))
    facts = [
        Fact("length", row.length_m, None, "length"),
        *_fall_fact(view, row),
        *measured("smallest low point shown (80 %)", row.low_point_shown_80_m, kind="tape"),
        *measured("greatest depth of invert", row.invert_depth_max_m, kind="tape"),
        *measured(f"widest {view.word('position ±')}", row.position_95_max_m, kind="off"),
    ]
    facts[1:1] = _cover_facts(view, row)
    facts += [Fact(title.lower(), text) for title, text in view.register(row.line_id)]
    return name, facts


def _fall_fact(view: RecordView, row: CentrelineRow) -> Iterator[Fact]:
    """Yield the mean gradient, or that levels show none."""
    name = f"mean {view.word('fall of the pipe')}"
    if row.fall_shown:
        yield from measured(name, row.gradient, row.gradient_sigma, "grade")
    elif not isnan(row.gradient):
        yield Fact(name, "not shown by the levels")


def _cover_facts(view: RecordView, row: CentrelineRow) -> Iterator[Fact]:
    """Yield the least cover, and the bound that "at least" stands for; what is unknown too."""
    if isnan(row.cover_min_m):
        yield Fact("cover", "unknown")
        return
    yield Fact("least cover, as located", row.cover_min_m, None, "tape")
    bound = view.least_cover_95_m(row.line_id)
    at_least = "cover at least (95 %)"
    yield Fact(at_least, "no bound") if isnan(bound) else Fact(at_least, bound, None, "least")


def _zones(view: RecordView) -> list[tuple[str, Fact]]:
    rules = dict.fromkeys((z.rule_title, z.source, z.tolerance_m) for z in view.rows(ZoneRow))
    return [
        (f"{title} ({source})", Fact("tolerance", tolerance_m, None, "tape"))
        for title, source, tolerance_m in rules
    ]
