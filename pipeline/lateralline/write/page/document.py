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
from typing import Any, Final

import pandas as pd
from bokeh.core.json_encoder import serialize_json
from bokeh.document import Document
from bokeh.resources import Resources
from jinja2 import Environment, FunctionLoader, StrictUndefined

from lateralline import __version__
from lateralline.lineage import CAUTION
from lateralline.wording import in_unit, in_words
from lateralline.write.page import legend, places, plan, profile, section, sources
from lateralline.write.page.facts import UNIT_NAMES, Fact, known, measured, said
from lateralline.write.page.paint import style_sheet
from lateralline.write.page.payload import longest_first, payload, units
from lateralline.write.page.places import Place, Target
from lateralline.write.page.works import Works
from lateralline.write.page.works import places as places_of_works
from lateralline.write.picture.scene import Scene

#: Scripts of a page, in the order they are run, as one.
SCRIPTS: Final = (
    "units.js", "drawing.js", "naming.js", "pointing.js", "choosing.js", "measuring.js", "theme.js",
    "keys.js", "start.js",
)  # fmt: skip
_ASSETS: Final = files("lateralline.write.page") / "assets"
_STATEMENTS: Final = ("levels", "directions")


def document(
    scene: Scene,
    note: str = "",
    back: str = "",
    works: Works | None = None,
    generator: str = "",
) -> str:
    """Return the page of one site.

    `note` stands at its top, `back` is a link to an index, `works` are planned works near it,
    `generator` says what made it.
    """
    found = {
        "stops": places.stops(scene),
        "nodes": places.nodes(scene),
        "seen": places.seen(scene),
    }
    if works is not None:
        found["works"] = places_of_works(works)
    of = sources.sources(scene, found, works)
    lines = profile.profiles(scene)
    drawings = Document()
    drawings.add_root(plan.draw(scene, of, works))
    drawings.add_root(section.draw(of, lines))
    bokeh, script = _bokeh(), _script(*SCRIPTS)
    findings, targets = _findings(scene)
    page: str = template("page.html").render(
        scene=scene,
        name=scene.statements.get("site", scene.site_id),
        caution=scene.statements.get("caution", CAUTION),
        note=note,
        generator=generator,
        back=back,
        version=__version__,
        statements=[scene.statements[s] for s in _STATEMENTS if s in scene.statements],
        lines=[_line_facts(scene, row) for row in longest_first(scene)],
        zones=_zones(scene),
        switches=legend.switches(scene, works),
        units=units(scene),
        unit=scene.unit,
        works=works,
        tables=[
            (kind, title, first, columns, _table(found[kind], columns))
            for kind, (title, first, columns) in _TABLES.items()
            if kind in found
        ],
        numbers=_NUMBERS,
        findings=findings,
        said=lambda fact, with_unit=False: said(fact, scene.unit, with_unit=with_unit),
        in_unit=lambda text: in_unit(text, scene.unit, UNIT_NAMES[scene.unit]),
        style=style_sheet() + asset("page.css"),
        bokeh=bokeh,
        script=script,
        policy=policy(bokeh, script),
        data=safe_json(payload(scene, found, lines, targets)),
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


def safe_json(value: Any) -> str:
    """Return JSON that may stand in a script element, whatever text is in it.

    >>> safe_json({"a": "</script>"})
    '{"a":"\\\\u003c/script>"}'
    """
    text = json.dumps(value, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    return text.replace("<", "\\u003c")


@cache
def template(name: str) -> Any:
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
    "stops": ("Stops", "run/stop", ("chainage", "depth", "95 % half axis, long", "status")),
    "nodes": ("Nodes", "node", ("chainage", "invert", "cover", "bend")),
    "seen": ("Seen by the camera", "code", ("what", "chainage", "cover")),
}
_WORST_FIRST: Final = {"error": 0, "warning": 1, "info": 2}


#: Columns that hold numbers, and stand to the right.
_NUMBERS: Final = {
    "separation", "lower 95 %", "required", "chainage", "depth", "95 % half axis, long", "invert",
    "cover", "bend",
}  # fmt: skip


def _table(found: Sequence[Place], columns: Sequence[str]) -> list[tuple[Place, list[Fact | None]]]:
    by_name = [(place, {fact.name: fact for fact in place.facts}) for place in found]
    return [(place, [facts.get(c) for c in columns]) for place, facts in by_name]


def _findings(scene: Scene) -> tuple[list[dict[str, str]], list[Target]]:
    """Return the findings as text, the worst first, and where each points."""
    told = [
        {column: "" if _missing(v) else str(v) for column, v in row._asdict().items()}
        for row in scene.layers["findings"].itertuples()
    ]
    for finding in told:
        for column in ("what", "by_how_much"):
            finding[column] = in_words(finding[column])
    pairs = sorted(
        zip(told, places.targets(scene), strict=True),
        key=lambda pair: _WORST_FIRST.get(pair[0]["severity"], 0),
    )
    return [finding for finding, _ in pairs], [target for _, target in pairs]


def _missing(value: object) -> bool:
    return value is None or bool(pd.isna(value))


def _line_facts(scene: Scene, row: Any) -> tuple[str, list[Fact]]:
    name = " ".join(filter(None, (row.line_id, row.material, row.nominal, f"({row.service})")))
    facts = [
        Fact("length", float(row.length_m), None, "length"),
        *measured("mean grade", row.mean_grade, row.grade_sigma, "grade"),
        *measured("deepest stop", row.depth_max_m),
        *measured("widest 95 % half axis", row.semi_major_95_max_m),
    ]
    facts[1:1] = _cover_facts(scene, row)
    return name, facts


def _cover_facts(scene: Scene, row: Any) -> Iterator[Fact]:
    """Yield the least cover, and the bound that "at least" stands for; what is unknown too."""
    least, bound = known(row.cover_min_m), known(scene.least_cover_95_m(row.line_id))
    if least is None:
        yield Fact("cover", "unknown")
        return
    yield Fact("least cover, as located", least, None, "length")
    at_least = "cover at least (95 %)"
    yield Fact(at_least, "no bound") if bound is None else Fact(at_least, bound, None, "length")


def _zones(scene: Scene) -> list[tuple[str, Fact]]:
    rules = scene.layers["dig_zone"][["rule_title", "source", "tolerance_m"]].drop_duplicates()
    return [
        (f"{r.rule_title} ({r.source})", Fact("tolerance", float(r.tolerance_m), None, "length"))
        for r in rules.itertuples()
    ]


def _plain(drawings: Document) -> Any:
    """Return what bokeh's script embeds, ids counted from one: equal records give equal pages.

    Each root goes into the element of its own name.
    """
    ids: dict[str, str] = {}

    def walk(part: Any) -> Any:
        if isinstance(part, list):
            return [walk(p) for p in part]
        if not isinstance(part, dict):
            return part
        return {
            k: ids.setdefault(v, f"m{len(ids) + 1}") if k == "id" else walk(v)
            for k, v in part.items()
        }

    made = walk(json.loads(serialize_json(drawings.to_json(deferred=False))))
    homes = {root["id"]: root["attributes"]["name"] for root in made["roots"]}
    return [{"": made}, [{"docid": "", "roots": homes, "root_ids": list(homes)}]]
