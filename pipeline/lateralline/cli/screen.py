"""What came of sites on one screen: a row a line, then what asks for action, each cause once.

All of it is in `--full`, in `--json` and in the file of `--report`; here stands what a person does
something about. Three hundred lines are as many rows as a screen has: the least sure of them, and
the rest in one row.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from rich.text import Text

from lateralline.api.screens import (
    FindingGroup,
    Told,
    grouped,
    located_alone,
    region_of,
    reworded,
    spoken,
    word,
)
from lateralline.cli.report import STYLES, own_length, said_range, taped_range
from lateralline.cli.terminal import print_indented
from lateralline.measure import Measure
from lateralline.wording import counted

if TYPE_CHECKING:
    from rich.console import Console

    from lateralline.api import LineSummary, SiteSummary

#: Rows of lines, and causes, that a screen shows.
_MOST_LINES: Final = 12
_MOST_CAUSES: Final = 8
_LEGEND: Final = "depth: ground to transmitter; top at least and ±: 95 of 100 times, where worst"


@dataclass(frozen=True, slots=True)
class _Of:
    """A line, and the site it is of."""

    site: SiteSummary
    line: LineSummary

    @property
    def rank(self) -> tuple[bool, float]:
        """What sorts lines, the one to look at first last: errors, then the position ±."""
        off = self.line.sideways_95_m
        return self.site.errors_of(self.line) > 0, math.inf if math.isnan(off) else off


def print_screen(
    out: Console, sites: Sequence[SiteSummary], terms: Literal["metric", "us"] | None = None
) -> None:
    """Print sites on one screen, in the words of a region, else of the first site's tape."""
    if not sites:
        return
    with spoken(terms):
        region = region_of(sites[0].length_unit)
        _print_all(out, sites, region)


def _print_all(out: Console, sites: Sequence[SiteSummary], region: Literal["metric", "us"]) -> None:
    head = (
        "line",
        "length",
        "depth",
        "top at least",
        word("position ±", region),
        word("level ±", region),
        "worst place",
        "stops",
    )
    one = len(sites) == 1
    out.print(_named(sites), style="bold")
    _print_lines(out, [_Of(site, line) for site in sites for line in site.lines], head, one=one)
    for site in [site for site in sites if not site.lines][:_MOST_CAUSES]:
        out.print(f"  {'' if one else site.site_id + ': '}no line could be drawn")
    told = [
        Told("" if one else site.site_id, site.length_unit, found)
        for site in sites
        for found in site.findings
    ]
    out.print()
    _print_causes(out, grouped(told), region)
    out.print(f"  {_counts(sites)}")
    out.print()


def _named(sites: Sequence[SiteSummary]) -> str:
    days = sorted({site.surveyed for site in sites})
    day = f"surveyed {days[0]}" + (f" to {days[-1]}" if len(days) > 1 else "")
    if len(sites) > 1:
        return f"{len(sites)} sites, {day}"
    [site] = sites
    own = "" if site.name in ("", site.site_id) else f"  {site.name}"
    return f"{site.site_id}{own}, {day}"


def _print_lines(out: Console, lines: Sequence[_Of], head: tuple[str, ...], *, one: bool) -> None:
    if not lines:
        return
    least_sure = sorted(lines, key=lambda of: of.rank, reverse=True)[:_MOST_LINES]
    shown = [of for of in lines if any(of is worst for worst in least_sure)]
    rows = [(() if one else ("site",)) + head]
    rows += [(() if one else (of.site.site_id,)) + _row(of) for of in shown]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for n, row in enumerate(rows):
        text = "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        out.print(f"  {text}".rstrip(), style="dim" if n == 0 else "", soft_wrap=True)
    out.print(f"  {_LEGEND}", style="dim")
    entries = [
        name if one else f"{of.site.site_id} {name}" for of in shown for name in of.line.carried_on
    ]
    print_indented(out, f"top at least: {located_alone(entries)}", 2, style="dim")
    open_shapes = [
        f"{'' if one else of.site.site_id + ' '}{of.line.line} in {counted(n, 'segment')}"
        for of in shown
        if (n := of.line.undecided)
    ]
    if open_shapes:
        print_indented(out, f"shape not shown: {', '.join(open_shapes)}", 2)
    left = len(lines) - len(shown)
    if left:
        rest = [of for of in lines if not any(of is there for there in shown)]
        many = "1 more line, surer" if left == 1 else f"{left} more lines, each surer"
        tape = _tape(rest[0].site, rest[0].site.length_unit)
        ends = [of.line.sideways_95_m for of in rest]
        said = said_range(tape.off(min(ends)), tape.off(max(ends)), tape)
        out.print(f"  and {many}: position ± {said}")


def _tape(site: SiteSummary, unit: str) -> Measure:
    return Measure.of_record(unit, taped=site.taped)


def _row(of: _Of) -> tuple[str, ...]:
    line, unit = of.line, of.site.length_unit
    tape, down = _tape(of.site, unit), _tape(of.site, of.site.depth_unit)
    bound, off = line.cover_lower_95_m, line.sideways_95_m
    return (
        line.line,
        own_length(line.length_m, unit),
        taped_range(line.shallowest_m, line.deepest_m, down),
        down.least(max(bound, 0.0)) if math.isfinite(bound) else "unknown",
        tape.off(off) if math.isfinite(off) else "no bound",
        own_length(line.level_95_m, unit, off=True),
        line.sideways_95_at.removeprefix("between ").replace(" and ", "–"),
        of.site.stops_of(of.line),
    )


def _print_causes(
    out: Console, groups: Sequence[FindingGroup], region: Literal["metric", "us"]
) -> None:
    errors = sum(group.severity == "error" for group in groups)
    shown = max(_MOST_CAUSES, errors)
    for group in groups[:shown]:
        out.print(Text(f"  {group.severity:<8}", style=STYLES[group.severity]), end="")
        figure = f"; {group.figure}" if group.figure else ""
        sentence = reworded(f"{group.sentence}{figure}", region)
        print_indented(out, sentence, 10, hanging=True, tail=group.code)
        if group.action:
            print_indented(out, reworded(f"→ {group.action}", region), 10)
        if group.follows:
            print_indented(out, f"may follow from this: {_severities(group.follows)}", 10)
    if left := groups[shown:]:
        told = [t for group in left for t in (*group.members, *group.follows)]
        out.print(f"  {len(left)} more causes: {_severities(told)}")


def _severities(told: Iterable[Told]) -> str:
    found: list[str] = [t.found.severity for t in told]
    return ", ".join(counted(n, word) for word in STYLES if (n := found.count(word)))


def _counts(sites: Sequence[SiteSummary]) -> str:
    counts = [counted(n, w) for w in STYLES if (n := sum(site.count(w) for site in sites))]
    if accepted := sum(len(site.accepted) for site in sites):
        counts.append(f"{accepted} accepted")
    if not counts:
        return "No findings."
    return f"In all {', '.join(counts)}: --full prints each, --report FILE writes them down."
