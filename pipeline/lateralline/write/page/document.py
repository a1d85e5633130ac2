"""One site as one HTML document that needs nothing else: no network, no folder beside it.

All text goes through Jinja's escaping or through JSON with every `<` written as \\u003c. The
document's own content security policy lets only the scripts run whose hashes it names, and
nothing be fetched.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict
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
from lateralline.units import METRES_PER
from lateralline.write.page import legend, places, plan, profile, section, sources
from lateralline.write.page.facts import UNIT_NAMES, Fact, known, said
from lateralline.write.page.paint import PALETTE, style_sheet
from lateralline.write.page.places import Place
from lateralline.write.picture.scene import IN_FEET, Scene

#: Scripts of a page, in the order they are run, as one.
SCRIPTS: Final = (
    "units.js", "drawing.js", "choosing.js", "measuring.js", "theme.js", "keys.js", "start.js",
)  # fmt: skip
_ASSETS: Final = files("lateralline.write.page") / "assets"
_STATEMENTS: Final = ("levels", "directions")


def document(scene: Scene, note: str = "", back: str = "") -> str:
    """Return the page of one site; `note` stands at its top, `back` is a link to an index."""
    stops, nodes, seen = places.stops(scene), places.nodes(scene), places.seen(scene)
    of = sources.sources(scene, stops, nodes, seen)
    lines = profile.profiles(scene)
    drawings = Document()
    drawings.add_root(plan.draw(scene, of))
    drawings.add_root(section.draw(scene, of, lines))
    bokeh, script = _bokeh(), _script(*SCRIPTS)
    findings = scene.layers["findings"]
    page: str = template("page.html").render(
        scene=scene,
        name=scene.statements.get("site", scene.site_id),
        caution=scene.statements.get("caution", CAUTION),
        note=note,
        back=back,
        version=__version__,
        statements=[scene.statements[s] for s in _STATEMENTS if s in scene.statements],
        lines=[_line_facts(scene, row) for row in _rows(scene, "pipe_centreline")],
        zones=_zones(scene),
        switches=legend.switches(scene),
        units=_units(scene),
        unit=scene.unit,
        tables=[
            ("stops", "Stops", _STOP_COLUMNS, _table(stops, _STOP_COLUMNS)),
            ("nodes", "Nodes", _NODE_COLUMNS, _table(nodes, _NODE_COLUMNS)),
            ("seen", "Seen by the camera", _SEEN_COLUMNS, _table(seen, _SEEN_COLUMNS)),
        ],
        findings=[{c: _text(v) for c, v in row._asdict().items()} for row in findings.itertuples()],
        said=lambda fact: said(fact, scene.unit, with_unit=False),
        style=style_sheet() + asset("page.css"),
        bokeh=bokeh,
        script=script,
        policy=policy(bokeh, script),
        data=safe_json(_payload(scene, stops, nodes, seen, lines)),
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


_STOP_COLUMNS: Final = ("chainage", "depth", "95 % ellipse, half long axis", "status")
_NODE_COLUMNS: Final = ("chainage", "invert", "cover", "bend")
_SEEN_COLUMNS: Final = ("what", "chainage", "cover")


def _table(found: Sequence[Place], columns: Sequence[str]) -> list[tuple[Place, list[Fact | None]]]:
    by_name = [(place, {fact.name: fact for fact in place.facts}) for place in found]
    return [(place, [facts.get(c) for c in columns]) for place, facts in by_name]


def _rows(scene: Scene, layer: str) -> Any:
    frame = scene.layers[layer]
    return (frame.sort_values("length_m", ascending=False)).itertuples()


def _line_facts(scene: Scene, row: Any) -> tuple[str, list[Fact]]:
    name = " ".join(filter(None, (row.line_id, row.material, row.nominal, f"({row.service})")))
    facts = [
        Fact("length", float(row.length_m), None, "length"),
        *(
            Fact(what, value, sigma, kind)
            for what, value, sigma, kind in (
                ("mean grade", known(row.mean_grade), known(row.grade_sigma), "grade"),
                ("least cover", known(row.cover_min_m), None, "length"),
                ("deepest stop", known(row.depth_max_m), None, "length"),
                ("widest 95 % half axis", known(row.semi_major_95_max_m), None, "length"),
            )
            if value is not None
        ),
    ]
    return name, facts


def _zones(scene: Scene) -> list[tuple[str, Fact]]:
    rules = scene.layers["dig_zone"][["rule_title", "source", "tolerance_m"]].drop_duplicates()
    return [
        (f"{r.rule_title} ({r.source})", Fact("tolerance", float(r.tolerance_m), None, "length"))
        for r in rules.itertuples()
    ]


def _units(scene: Scene) -> list[tuple[str, str]]:
    foot = scene.unit if scene.unit in IN_FEET else "ft"
    return [(unit, UNIT_NAMES[unit]) for unit in ("m", foot)]


def _payload(
    scene: Scene,
    stops: Sequence[Place],
    nodes: Sequence[Place],
    seen: Sequence[Place],
    lines: Sequence[profile.LineProfile],
) -> dict[str, Any]:
    drawn = {p.line: p for p in lines}
    return {
        "unit": scene.unit,
        "per": {unit: METRES_PER[unit] for unit, _ in _units(scene)},
        "names": UNIT_NAMES,
        "palette": PALETTE,
        "box": scene.box,
        "level": "level" if profile.has_levels(scene) else "below ground taken as level",
        "places": {
            "stops": [p.payload() for p in stops],
            "nodes": [p.payload() for p in nodes],
            "seen": [p.payload() for p in seen],
        },
        "lines": [
            _line_payload(scene, row, drawn.get(row.line_id))
            for row in _rows(scene, "pipe_centreline")
        ],
        "findings": [asdict(t) for t in places.targets(scene)],
    }


def _line_payload(scene: Scene, row: Any, drawn: profile.LineProfile | None) -> dict[str, Any]:
    path = places.centreline(scene, row.line_id)
    segments = scene.of_line("pipe_segments", row.line_id)
    sure = segments[["from_chainage_m", "to_chainage_m", "semi_major_95_max_m"]].dropna()
    carried = scene.carried_on[scene.carried_on["line_id"] == row.line_id]["chainage_m"]
    box = None if drawn is None else drawn.reach()
    if box is not None and len(carried):
        ends = [box[0], box[2], *map(float, carried.dropna())]
        box = (min(ends), box[1], max(ends), box[3])
    return {
        "id": row.line_id,
        "chainage": path[:, 0].round(4).tolist(),
        "x": path[:, 1].round(4).tolist(),
        "y": path[:, 2].round(4).tolist(),
        "box": box,
        "sure": sure.to_numpy(dtype=float).round(4).tolist(),
        "joins": _joins(scene, row),
        "invert": None if drawn is None else drawn.path(),
    }


def _joins(scene: Scene, row: Any) -> dict[str, Any] | None:
    """Return the line this one runs into and the chainage there; None when it joins none."""
    nodes = scene.layers["pipe_nodes"]
    there = nodes[
        (nodes["kind"] == "junction")
        & (nodes["line_id"] == row.joins_line_id)
        & (nodes["ref"] == row.line_id)
    ]
    if not row.joins_line_id or not len(there):
        return None
    return {"line": row.joins_line_id, "chainage": float(there["chainage_m"].iloc[0])}


def _text(value: object) -> str:
    return "" if value is None or pd.isna(value) else str(value)


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
