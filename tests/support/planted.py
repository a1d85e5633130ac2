"""Practice sites with one slip planted in their files, and what is told of them."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

from lateralline.findings import Finding
from lateralline.simulate import SCENARIOS, make_site
from lateralline.stages import SiteResult, run_site
from tests.support.finding_names import called

Row = dict[str, str]
Change = Callable[[list[Row]], None]
#: Practice sites with nothing wrong and in the right place.
SOUND = ("tape-ties", "gnss-bend-branch", "slope-levels", "local-sketch")


def planted(folder: Path, scenario: str, seed: int, **changes: Change) -> SiteResult:
    """A practice site whose tables somebody changed, through all stages but the last.

    `changes` are by table: marks, stops, exposures, control.
    """
    make_site(SCENARIOS[scenario], seed, folder)
    for table, change in changes.items():
        path = folder / f"{table}.csv"
        with path.open(encoding="utf-8") as file:
            rows = list(csv.DictReader(file))
        change(rows)
        with path.open("w", encoding="utf-8", newline="") as file:
            out = csv.DictWriter(file, list(rows[0]))
            out.writeheader()
            out.writerows(rows)
    return through(folder)


def through(folder: Path) -> SiteResult:
    """A site through all stages but the last."""
    result = run_site(folder, until="derive")
    assert isinstance(result, SiteResult), result
    return result


def set_unit(folder: Path, key: str, unit: str) -> None:
    """Set one unit of a site to another, its numbers as they are."""
    path = folder / "site.toml"
    lines = path.read_text(encoding="utf-8").splitlines()
    lines = [f'{key} = "{unit}"' if x.startswith(f"{key} = ") else x for x in lines]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def told(result: SiteResult, *codes: str) -> list[Finding]:
    """The findings of these codes."""
    return [f for f in result.findings if called(f) in codes]


def codes(result: SiteResult, *severities: str) -> set[str]:
    """The codes of findings, of these severities where any are given."""
    return {called(f) for f in result.findings if not severities or f.severity in severities}


def column(result: SiteResult, layer: str, name: str) -> list[Any]:
    """One column of one layer."""
    return list(next(p for p in result.work["products"] if p.layer == layer).columns[name])
