"""Blunders planted in simulated lines, and whether they are named.

One stop in the middle of every line (two others on either side at least) is put 0.5 m off: once by
all its marks, moved in a random direction in plan, once by its counter reading, more or less. All
else is the line as it was, noise and all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from lateralline.findings import Finding
from lateralline.link.gross_errors import suspects
from lateralline.proof.line_truth import SimulatedSite
from lateralline.records import Ints, Texts

BLUNDER_M = 0.5
#: A finding may name this many stops of which one is wrong.
MOST_NAMED = 2


@dataclass(frozen=True, slots=True, eq=False)
class Planted:
    """A site with one blunder in each line."""

    site: SimulatedSite
    row: Ints  # of each line: the stop's row
    stop: tuple[str, ...]  # of each line: "R1/3"
    kind: Texts  # of each line: across | along | counter


def plant(site: SimulatedSite, rng: np.random.Generator) -> tuple[Planted, Planted]:
    """Return the site with every line's marks of one stop moved, and with its counter misread."""
    row = np.array([_middle(rng, site.rows(line)) for line in site.lines])
    names = tuple(f"{site.stops.run[i]}/{site.stops.stop[i]}" for i in row)
    bearing = rng.uniform(0.0, 2.0 * np.pi, len(row))
    xyz = site.marks.xyz_m.copy()
    of_mark = np.char.add(np.char.add(site.marks.run, "/"), site.marks.stop)
    for name, towards in zip(names, bearing, strict=True):
        xyz[of_mark == name, :2] += BLUNDER_M * np.array([np.sin(towards), np.cos(towards)])
    along = np.abs(np.cos(bearing - site.poses.heading_rad[row])) > np.sqrt(0.5)
    counter = site.stops.counter_m.copy()
    counter[row] += BLUNDER_M * rng.choice((-1.0, 1.0), len(row))
    moved = replace(site, marks=replace(site.marks, xyz_m=xyz))
    misread = replace(site, stops=replace(site.stops, counter_m=counter))
    return (
        Planted(moved, row, names, np.where(along, "along", "across")),
        Planted(misread, row, names, np.full(len(row), "counter")),
    )


def _middle(rng: np.random.Generator, rows: Ints) -> int:
    return int(rng.choice(rows[2:-2]))


def accused(findings: Sequence[Finding]) -> tuple[frozenset[str], ...]:
    """Return the stops each blunder finding names as one that may be wrong."""
    return tuple(
        frozenset(s.removeprefix("stop ") for s in suspects(f) if s.startswith("stop "))
        for f in findings
        if f.severity == "error" and f.code == "link-blunder"
    )


def named(stop: str, findings: Sequence[Finding]) -> bool:
    """True when a finding names the stop, alone or as one of two."""
    return any(stop in stops and len(stops) <= MOST_NAMED for stops in accused(findings))
