"""One site as one HTML document that needs nothing else: no network, no folder beside it.

All text goes through Jinja's escaping or through JSON with every `<` written as \\u003c. The
document's own content security policy lets only the scripts run whose hashes it names, and
nothing be fetched.
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

from bokeh.core.json_encoder import serialize_json
from bokeh.document import Document
from bokeh.resources import Resources
from jinja2 import Environment, FunctionLoader, StrictUndefined, Template

from lateralline import __version__
from lateralline.explain.content import compared, said
from lateralline.explain.refs import explain_stops
from lateralline.findings import title_of
from lateralline.page import places, sources
from lateralline.page.drawings import draw_plan, draw_profile
from lateralline.page.figures import style_sheet, switches
from lateralline.page.joined import columns_of_connections, places_of_connections
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
from lateralline.page.sources import payload, units
from lateralline.record.connections import ConnectionRow
from lateralline.record.profile import line_profile
from lateralline.record.rows import CentrelineRow, FindingRow, ZoneRow
from lateralline.record.view import RecordView
from lateralline.terms import region_of, reworded
from lateralline.wording import SEVERITY_NAMES, in_unit

#: Scripts of a page, in the order they are run, as one.
SCRIPTS: Final = (
    "units.js", "drawing.js", "naming.js", "pointing.js", "choosing.js", "measuring.js", "theme.js",
    "keys.js", "reaching.js", "start.js",
)  # fmt: skip
_ASSETS: Final = files("lateralline.page") / "assets"


def document(
    view: RecordView,
    note: str = "",
    back: str = "",
    works: Works | None = None,
    generator: str = "",
    joined: Sequence[ConnectionRow] | None = None,
) -> str:
    """Return the page of one site.

    `note` stands at its top, `back` is a link to an index, `works` are planned works near it,
    `joined` where lines meet mains, `generator` says what made it.
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
    mains = {} if joined is None else columns_of_connections(view, joined)
    of = sources.sources(view, found, works, mains)
    lines = [line_profile(view, line) for line in view.lines]
    drawings = Document()
    drawings.add_root(draw_plan(view, of, works))
    drawings.add_root(draw_profile(of, lines))
    bokeh, script = _bokeh(), _script(*SCRIPTS)
    inches = view.measure.unit == "ft-in"
    findings, targets = _findings(view)
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
        why=explain_stops(view) if len(view.fixes) <= _MOST_EXPLAINED else [],
        said=said,
        compared=compared,
        findings=findings,
        called=SEVERITY_NAMES,
        fact_text=lambda fact, with_unit=False: fact_text(
            fact, view.unit, with_unit=with_unit, inches=inches
        ),
        in_unit=lambda text: in_unit(text, view.unit, UNIT_NAMES[view.unit]),
        style=style_sheet() + asset("page.css"),
        bokeh=bokeh,
        script=script,
        policy=policy(bokeh, script),
        data=safe_json(payload(view, found, lines, targets)),
        drawings=safe_json(_plain(drawings)),
    )
    return page


def policy(*scripts: str) -> str:
    """Return a content security policy: these scripts may run, and nothing may be fetched."""
    hashes = " ".join(
        f"'sha256-{base64.b64encode(hashlib.sha256(s.encode()).digest()).decode()}'"
        for s in scripts
    )
    return (
        f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; img-src data: blob:"
    )


def safe_json(value: object) -> str:
    """Return JSON that may stand in a script element, whatever text is in it.

    >>> safe_json({"a": "</script>"})
    '{"a":"\\\\u003c/script>"}'
    """
    text = json.dumps(value, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
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


@cache
def _script(*names: str) -> str:
    return '"use strict";\n(async () => {\n' + "\n".join(map(asset, names)) + "})();\n"


def index_script() -> str:
    """Return the script of the index."""
    return _script("theme.js", "index.js")


@cache
def _bokeh() -> str:
    """Return bokeh's own script, for figures alone."""
    return "\n".join(Resources(mode="inline", components=["bokeh"]).js_raw)


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
#: Stops that a page tells the reasons of; of more, `lateralline explain` tells each.
_MOST_EXPLAINED: Final = 60
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


def _findings(view: RecordView) -> tuple[list[dict[str, object]], list[PageTarget]]:
    """Return the findings as text, the worst first, and where each points."""
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
    return told, [target for _, target in pairs]


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
    yield Fact(at_least, "no bound") if isnan(bound) else Fact(at_least, bound, None, "tape")


def _zones(view: RecordView) -> list[tuple[str, Fact]]:
    rules = dict.fromkeys((z.rule_title, z.source, z.tolerance_m) for z in view.rows(ZoneRow))
    return [
        (f"{title} ({source})", Fact("tolerance", tolerance_m, None, "tape"))
        for title, source, tolerance_m in rules
    ]


def _plain(drawings: Document) -> object:
    """Return what bokeh's script embeds, ids counted from one: equal records give equal pages.

    Each root goes into the element of its own name.
    """
    ids: dict[str, str] = {}

    def walk(part: object) -> object:
        if isinstance(part, list):
            return [walk(p) for p in part]
        if not isinstance(part, dict):
            return part
        return {
            k: ids.setdefault(str(v), f"m{len(ids) + 1}") if k == "id" else walk(v)
            for k, v in part.items()
        }

    made = walk(json.loads(serialize_json(drawings.to_json(deferred=False))))
    homes = {ids[root.id]: str(root.name) for root in drawings.roots}
    return [{"": made}, [{"docid": "", "roots": homes, "root_ids": list(homes)}]]
