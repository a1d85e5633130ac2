"""The site's settings in SI: what its sections say, as `Settings`."""

from __future__ import annotations

from dataclasses import fields
from datetime import date
from math import isnan, radians
from pathlib import Path
from typing import cast

from lateralline import contract
from lateralline.findings import finding
from lateralline.ingest.coordinate_system import crs_texts, georeference
from lateralline.ingest.ledger import Ledger, nearest
from lateralline.ingest.pipe_sizes import PipeSize, SizeMatch, is_made_of, look_up, pipe_table
from lateralline.ingest.rows import InputRow
from lateralline.ingest.sections import SiteSettings, unit_keys
from lateralline.published import DigRule, dig_rules
from lateralline.settings import Accuracy, Branch, Flow, Pipe, Run, Settings


def settings(site: SiteSettings, folder: Path, ledger: Ledger) -> Settings:
    """Return the settings in SI, noting what was assumed; values at fault come out as NaN or "".

    `folder` is where `site.toml` lies: paths in it count from there.
    """
    head, crs, dig = site.one("site"), site.one("crs"), site.one("dig")
    surveyed = head.cells.get("surveyed")
    horizontal, vertical = crs_texts(crs)
    rule = dig.text("rule", _default("dig", "rule"))
    if rule not in dig_rules():
        dig.fault(ledger, "rule", "must be a known dig rule", nearest(rule, dig_rules(), 20))
    elif not dig.given("rule") and not dig.given("tolerance"):
        _rule_assumed(dig_rules()[rule], ledger)
    epoch = crs.number("epoch")
    if isinstance(surveyed, date) and epoch > surveyed.year + 2:
        ledger.findings.append(
            finding(
                "epoch-after-survey",
                "site",
                where=crs.where_of("epoch"),
                epoch=epoch,
                surveyed=str(surveyed),
            )
        )
    return Settings(
        id=head.text("id"),
        name=head.text("name") or head.text("id"),
        surveyed=surveyed if isinstance(surveyed, date) else date.min,
        surveyor=head.text("surveyor"),
        horizontal=horizontal,
        vertical=vertical,
        epoch=None if isnan(epoch) else epoch,
        slope_tape=site.one("units").cells.get("slope_tape", False) is True,
        units={k: site.units.get(k, "") for k in unit_keys()},
        accuracy=_accuracy(site.one("accuracy")),
        pipes=tuple(_pipe(row, site, ledger) for row in site.sections["pipe"]),
        runs=tuple(_run(row, site, ledger) for row in site.sections["run"]),
        branches=tuple(
            Branch(
                row.text("line"),
                row.text("joins"),
                row.number("at_counter") * site.metres("counter"),
                row.text("run"),
            )
            for row in site.sections["branch"]
        ),
        dig_rule=rule,
        dig_tolerance_m=dig.number("tolerance") * site.metres("tape"),
        aerial_height_m=site.one("receiver").number("aerial_height", 0.0) * site.metres("depth"),
        georeference=georeference(crs, folder, ledger),
    )


def _rule_assumed(rule: DigRule, ledger: Ledger) -> None:
    """Warn that zones are drawn by a rule nobody chose, which may be too narrow there."""
    ledger.findings.append(
        finding(
            "dig-rule-assumed",
            "site",
            rule=rule.title,
            width=rule.tolerance,
            unit=rule.unit,
            width_metres=rule.tolerance_m,
            rules=dig_rules(),
        )
    )


def _accuracy(row: InputRow) -> Accuracy:
    values: dict[str, float] = {}
    for f in fields(Accuracy):
        name = f.name.removesuffix("_rad") + "_deg" if f.name.endswith("_rad") else f.name
        value = row.number(name, float(_default("accuracy", name)))
        values[f.name] = radians(value) if name.endswith("_deg") else value
    return Accuracy(**values)


def _run(row: InputRow, site: SiteSettings, ledger: Ledger) -> Run:
    counter, pipe = site.metres("counter"), site.metres("pipe")
    assumed = {
        "transmitter_lag": "transmitter-lag-assumed",
        "ride_height": "ride-height-assumed",
    }
    for key, code in assumed.items():
        if not row.given(key):
            ledger.findings.append(finding(code, f"run {row.text('id')}", where=row.where))
    return Run(
        id=row.text("id"),
        line=row.text("line"),
        entry=row.text("entry"),
        counter_at_entry_m=row.number("counter_at_entry", 0.0) * counter,
        flow=cast(Flow, row.text("flow")),
        transmitter_lag_m=row.number("transmitter_lag", 0.0) * counter,
        ride_height_m=row.number("ride_height", 0.0) * pipe,
        rod_length_m=row.number("rod_length") * pipe,
        receiver=row.text("receiver"),
    )


def _pipe(row: InputRow, site: SiteSettings, ledger: Ledger) -> Pipe:
    """Return a line's pipe: what was measured first, the published table for the rest."""
    unit = site.metres("pipe")
    inside, wall = row.number("inside_diameter") * unit, row.number("wall") * unit
    measured = row.given("inside_diameter") or row.given("wall")
    complete = row.given("inside_diameter") and row.given("wall")
    nominal, material = row.text("nominal"), row.text("material")
    found = look_up(nominal, material) if nominal and not complete else SizeMatch(None)
    outside, sources = inside + 2 * wall, [row.file] if measured else []
    if found.size is not None:
        # Standards hold the outside true; a measured wall or bore takes the rest of it.
        outside = found.size.outside_diameter_m
        if isnan(wall):
            wall = found.size.wall_m if isnan(inside) else (outside - inside) / 2
        inside = outside - 2 * wall
        sources.append(found.size.citation)
        _say_what_was_taken(row, found, found.size, ledger)
    elif nominal and not complete:
        sizes = [s.nominal for s in found.open_to or pipe_table()]
        must = "must be in the pipe table, or inside_diameter and wall given"
        near = f"say which: {', '.join(sizes)}" if found.open_to else nearest(nominal, sizes, 20)
        row.fault(ledger, "nominal", must, near)
    for key, value, least in (("inside_diameter", inside, 0.02), ("wall", wall, 0.0)):
        if not isnan(value) and not least < value < 5.0:
            must = f"must be between {least:g} and 5 m; it comes out as {value:.4g} m"
            row.fault(ledger, key, must, f"the unit of pipe is {site.units.get('pipe', '')}")
    return Pipe(
        line=row.text("line"),
        material=material,
        nominal=nominal,
        service=row.text("service", _default("pipe", "service")),
        standard_bends=row.text("bends", _default("pipe", "bends")) == "standard",
        inside_diameter_m=inside,
        wall_m=wall,
        dimensions_from="; ".join(sources),
        outside_diameter_m=outside,
    )


def _say_what_was_taken(row: InputRow, found: SizeMatch, size: PipeSize, ledger: Ledger) -> None:
    material = row.text("material")
    subject = f"line {row.text('line')}"
    where = row.where_of("nominal")
    if len(found.open_to) > 1:
        inside_mm = [1000 * s.inside_diameter_m for s in found.open_to]
        ledger.findings.append(
            finding(
                "nominal-open",
                subject,
                where=where,
                nominal=row.text("nominal"),
                open_to=[s.nominal for s in found.open_to],
                taken=size.nominal,
                least_mm=min(inside_mm),
                most_mm=max(inside_mm),
            )
        )
    if isnan(size.wall) and not row.given("wall"):
        ledger.findings.append(finding("wall-unknown", subject, where=where, nominal=size.nominal))
    if material and not is_made_of(size, material):
        ledger.findings.append(
            finding(
                "material-differs",
                subject,
                where=where,
                nominal=size.nominal,
                materials=size.materials,
                material=material,
            )
        )


def _default(section: str, name: str) -> str:
    return str(contract.load("site").column(name, section).default)
