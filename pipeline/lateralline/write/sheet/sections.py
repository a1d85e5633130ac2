"""The tables of a sheet: what stands in which column, as text."""

from __future__ import annotations

from collections.abc import Iterable
from math import isnan
from typing import Any, Final

import numpy as np
import pandas as pd
import shapely

from lateralline.derive.cover import least_cover_95_m
from lateralline.derive.ellipses import INTERVAL_95
from lateralline.wording import in_words, with_own_unit
from lateralline.write.picture.scene import number
from lateralline.write.sheet.flow import Column, Section
from lateralline.write.sheet.site import Site
from lateralline.write.sheet.words import node_name

_ORDER: Final = {"error": 0, "warning": 1, "info": 2}
_SAME_M: Final = 1e-6  # chainages this close are one place
_EACH_95: Final = "± is half the 95 % interval"


def sections(site: Site) -> list[Section]:
    """Return every table that has rows, findings last, errors first among them."""
    built = (
        _lines(site), _stops(site), _nodes(site), _observations(site), _segments(site),
        _control(site), _zones(site), _findings(site),
    )  # fmt: skip
    return [s for s in built if s.rows]


def _lines(site: Site) -> Section:
    u = site.unit
    columns = [
        Column("line", 9), Column("pipe", 22), Column("service", 12), _figure(f"length\n{u}", 11),
        _figure("stops", 8), _figure("mean grade\n%", 17),
        _figure(f"least cover\n(≥ at 95 %), {u}", 16),
        _figure(f"greatest depth\nof invert, {u}", 16), _figure(f"plan 95 %\nat most, {u}", 14),
        _figure(f"level 95 %\nat most, {u}", 14), Column("band by\nPAS 128", 12),
        Column("band by\nAS 5488", 12), _figure("undecided\nstretches", 12),
    ]  # fmt: skip
    rows = [
        [
            r.line_id, " ".join(filter(None, (r.material, r.nominal))), r.service,
            site.say(r.length_m), number(r.stops, "{:.0f}"), _grade(r.mean_grade, r.grade_sigma),
            _least_cover(site, r), site.say(r.depth_max_m), site.say(r.semi_major_95_max_m),
            site.say(INTERVAL_95 * r.sigma_u_max_m), r.pas128_band, r.as5488_band,
            number(r.undecided_stretches, "{:.0f}"),
        ]
        for r in site.frame("pipe_centreline").itertuples()
    ]  # fmt: skip
    note = (
        f"{_EACH_95}; ASCE 38 levels are judged by a licensed professional and are not stated here"
    )
    return Section("Lines", note, columns, rows)


def _stops(site: Site) -> Section:
    u = site.unit
    columns = [
        Column("run/stop", 13), _figure(f"counter\n{u}", 11), _figure(f"chainage\n{u}", 11),
        *_plan(site), _figure(f"depth ±95 %\n{u}", 18),
        *([] if site.depth_only else [_figure(f"invert level ±95 %\n{u}", 22)]),
        _figure(f"semi-major\n95 %, {u}", 14), _figure("heading\n°", 11), _figure("tilt\n°", 9),
        Column("status", 24),
    ]  # fmt: skip
    inverts = _inverts(site)
    rows = []
    for r in _in_order(site.frame("transmitter_fixes")).itertuples():
        ref = f"{r.run_id}/{r.stop_id}"
        rows.append(
            [
                ref, site.say(r.counter_m), site.say(r.chainage_m), *_place(site, r.geometry),
                site.say_95(r.depth_m, r.depth_sigma_m),
                *([] if site.depth_only else [site.say_95(*inverts.get(ref, (None, None)))]),
                site.say(r.semi_major_95_m), number(_turned(site, r.heading_deg), "{:.1f}"),
                number(r.tilt_deg, "{:.1f}"), ": ".join(filter(None, (r.status, r.reason))),
            ]
        )  # fmt: skip
    note = (
        "position and depth are the transmitter's; "
        "counter as read at the camera face; heading the way the camera travelled; tilt head-up"
    )
    return Section("Stops", note, columns, rows)


def _nodes(site: Site) -> Section:
    u = site.unit
    columns = [
        Column("node", 12), Column("what", 44), _figure(f"chainage\n{u}", 11), *_plan(site),
        *([] if site.depth_only else [_figure(f"invert level ±95 %\n{u}", 21)]),
        _figure(f"cover ±95 %\n{u}", 16), _figure(f"plan 95 %\n{u}", 12),
        Column(f"two tapes to find it, {u}", 46),
    ]  # fmt: skip
    rows = [
        [
            r.node_id,
            node_name(r) + (", not located: carried on by counter" * (r.placed_by == "carried_on")),
            site.say(r.chainage_m), *_place(site, r.geometry),
            *([] if site.depth_only else [site.say_95(r.invert_level_m, r.invert_sigma_m)]),
            site.say_95(r.cover_m, r.cover_sigma_m),
            site.say(getattr(r, "plan_95_m", r.semi_major_95_m)), _tie(site, r),
        ]
        for r in site.frame("pipe_nodes").itertuples()
    ]  # fmt: skip
    return Section("Nodes", _EACH_95, columns, rows)


def _observations(site: Site) -> Section:
    u = site.unit
    columns = [
        Column("no.", 11), Column("code", 14), Column("what the camera saw", 38),
        Column("clock", 9), _figure(f"counter\n{u}", 11), _figure(f"chainage ±95 %\n{u}", 18),
        *_plan(site), _figure(f"cover ±95 %\n{u}", 16), Column(f"two tapes to find it, {u}", 46),
    ]  # fmt: skip
    rows = [
        [
            r.observation_id, r.code,
            "; ".join(filter(None, (r.text, r.severity, _said(site, r.reason)))),
            "–".join(filter(None, (r.clock_from, r.clock_to))), site.say(r.counter_m),
            site.say_95(r.chainage_m, r.sigma_along_m), *_place(site, r.geometry),
            site.say_95(r.cover_m, r.cover_sigma_m), _tie(site, r),
        ]
        for r in site.frame("pipe_observations").itertuples()
    ]  # fmt: skip
    return Section("Observations", _EACH_95, columns, rows)


def _segments(site: Site) -> Section:
    u = site.unit
    columns = [
        Column("segment", 13), Column("from", 16), Column("to", 16), _figure(f"chainage\n{u}", 22),
        Column("shape", 16), _figure(f"length\n{u}", 11), _figure("grade ±95 %\n%", 18),
        *([] if site.depth_only else [
            _figure(f"invert down ±95 %\n{u}", 21), _figure(f"invert up ±95 %\n{u}", 21)
        ]),
        _figure(f"least cover\n(≥ at 95 %), {u}", 16), _figure(f"plan 95 %\nat most, {u}", 13),
    ]  # fmt: skip
    rows = [
        [
            r.segment_id, r.from_ref, r.to_ref,
            f"{site.say(r.from_chainage_m)} – {site.say(r.to_chainage_m)}",
            str(r.shape).replace("_", " "), site.say(r.length_m), _grade(r.grade, r.grade_sigma),
            *([] if site.depth_only else [
                site.say_95(r.invert_down_m, r.invert_down_sigma_m),
                site.say_95(r.invert_up_m, r.invert_up_sigma_m),
            ]),
            _least_cover(site, r), site.say(r.semi_major_95_max_m),
        ]
        for r in site.frame("pipe_segments").itertuples()
    ]  # fmt: skip
    note = (
        "grades need levels, and there are none"
        if site.depth_only
        else "positive grade falls downstream"
    )
    return Section("Segments", note, columns, rows)


def _control(site: Site) -> Section:
    u = site.unit
    columns = [
        Column("point", 30), *_plan(site), _figure(f"level\n{u}", 14),
        _figure(f"plan ±95 %\nper axis, {u}", 16), _figure(f"level ±95 %\n{u}", 16),
    ]  # fmt: skip
    rows = [
        [
            r.point, *_place(site, r.geometry), site.say(r.level_m),
            site.say(INTERVAL_95 * r.sigma_h_m), site.say(INTERVAL_95 * r.sigma_v_m),
        ]
        for r in site.frame("control_points").itertuples()
    ]  # fmt: skip
    return Section("Control", "what tapes were hooked to", columns, rows)


def _zones(site: Site) -> Section:
    u = site.unit
    columns = [
        Column("line", 9), Column("rule", 40), _figure(f"each side\n{u}", 12),
        _figure(f"width\n{u}", 12), Column("outside diameter", 20),
        Column("where the rule stands", 80),
    ]  # fmt: skip
    zones = site.frame("dig_zone")
    rows = [
        [
            r.line_id, r.rule_title, site.say(r.tolerance_m, 3), site.say(r.width_m, 3),
            site.say(r.outside_diameter_m, 3) + (" assumed" if r.diameter_assumed else ""),
            r.source,
        ]
        for r in zones[zones["zone"] == "tolerance"].itertuples()
    ]  # fmt: skip
    note = "the corridor comes on top; the pipe runs on past both ends, where nothing is located"
    return Section("Dig zones", note, columns, rows)


def _findings(site: Site) -> Section:
    columns = [
        Column("severity", 12), Column("about", 22), Column("what was found", 62),
        Column("by how much", 44), Column("what to do", 50),
    ]  # fmt: skip
    found = site.frame("findings")
    found = found.assign(order=found["severity"].map(_ORDER)).sort_values("order", kind="stable")
    rows = [
        [str(r.severity).upper() if r.severity == "error" else r.severity, r.subject,
         _said(site, r.what), _said(site, r.by_how_much), _said(site, r.what_to_do)]
        for r in found.itertuples()
    ]  # fmt: skip
    count = found["severity"].value_counts()
    told = ", ".join(f"{count[s]} {s}" for s in _ORDER if s in count)
    return Section("Findings", told, columns, rows)


def _said(site: Site, text: str) -> str:
    return with_own_unit(in_words(text), site.unit)


def _figure(head: str, share: float) -> Column:
    return Column(head, share, "right")


def _plan(site: Site) -> list[Column]:
    """Return the columns of a position."""
    return [_figure(f"{name}\n{site.coordinate_unit}", 19) for name in site.axis_names]


def _place(site: Site, point: Any) -> list[str]:
    if point is None or point.is_empty:
        return [number(None)] * 2
    at = site.coordinates(np.asarray(shapely.get_coordinates(point)))[0]
    return [site.say_coordinate(float(v)) for v in at]


def _grade(grade: object, sigma: object) -> str:
    said = number(grade, "{:.2%}").removesuffix("%")
    return said if _null(grade) or _null(sigma) else f"{said} ± {_percent_95(sigma)}"


def _least_cover(site: Site, row: Any) -> str:
    """Say the least cover of a line or segment and its bound: "1.02 (≥ 0.92)"."""
    if _null(row.cover_min_m):
        return "unknown"
    band = site.of_line("level_band", row.line_id)
    if hasattr(row, "segment_id"):  # both its ends among the stations
        from_m, to_m = row.from_chainage_m - _SAME_M, row.to_chainage_m + _SAME_M
        band = band[band["chainage_m"].between(from_m, to_m)]
    bound = least_cover_95_m(band["cover_least_95_m"].to_numpy(dtype=float))
    return f"{site.say(row.cover_min_m)} (≥ {'?' if isnan(bound) else site.say(bound)})"


def _percent_95(sigma: object) -> str:
    return f"{100 * INTERVAL_95 * float(str(sigma)):.2f}"


def _null(value: object) -> bool:
    return value is None or bool(pd.isna(str(value) if isinstance(value, str) else value))


def _turned(site: Site, heading: object) -> float | None:
    return None if _null(heading) else (float(str(heading)) + site.turn_deg) % 360.0


def _inverts(site: Site) -> dict[str, tuple[Any, Any]]:
    """Return invert level and σ at each located point, by its name."""
    segments = site.frame("pipe_segments")
    down = ["from_ref", "invert_down_m", "invert_down_sigma_m"]
    up = ["to_ref", "invert_up_m", "invert_up_sigma_m"]
    ends: Iterable[Any] = (*segments[down].values, *segments[up].values)
    return {str(ref): (level, sigma) for ref, level, sigma in ends}


def _in_order(fixes: Any) -> Any:
    return fixes.sort_values(["run_id", "counter_m"], kind="stable")


def _tie(site: Site, row: Any) -> str:
    if not row.tie_a_point or not row.tie_b_point:
        return ""
    a, b = (
        f"{site.say(m)} from {p}"
        for m, p in ((row.tie_a_m, row.tie_a_point), (row.tie_b_m, row.tie_b_point))
    )
    return f"{a}, {b}, on the {row.tie_side} looking from the first to the second"
