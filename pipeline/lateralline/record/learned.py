"""Accuracies learned from built records: variance components of what all their residuals say.

Each record keeps sums (`accuracy_evidence`) that add up over sites, so one record or thousands are
read row by row and only the sums are held. Solved, the sums are Helmert's estimate of each
variance: unbiased whatever the truth is, and restricted maximum likelihood once records were built
with what it gives (`kernels.variance`). A number of bends per metre is summed and solved alike,
by Fisher's scores of a count (`link.learning`).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np

from lateralline import contract
from lateralline.distributions import chi2
from lateralline.kernels.variance import solved
from lateralline.output.keep import tell_if_changed
from lateralline.output.proof import reading
from lateralline.record import geopackages_in
from lateralline.records import Floats
from lateralline.wording import counted

#: What is learned, in the order of the schema.
KEYS: Final = tuple(
    c.name for c in contract.load("site").field if c.section == "accuracy" and c.type == "real"
)
#: A number of events per metre: sums hold the rate as such, of a σ its square.
_RATES: Final = frozenset(key for key in KEYS if key.endswith("_per_m"))
_POWER: Final = np.array([1.0 if key in _RATES else 2.0 for key in KEYS])
#: An estimate with fewer degrees of freedom is told and not claimed by: at 20 an accuracy is
#: known to a sixth of itself. Common practice, no source.
LEAST_DEGREES: Final = 20.0
_LAYER: Final = "accuracy_evidence"
_QUERY: Final = (
    "SELECT site_id, receiver, surveyor, accuracy, beside, reckoned_with, beside_with, squares, "
    f"spare, overlap FROM {_LAYER}"
)
_STOPS: Final = "SELECT site_id, record_version, run_id, stop_id, counter_m FROM transmitter_fixes"
#: Records of one site id are of one site when they share more than this of the fewer stops, each
#: under its name with its counter as read; two sites may have one id.
_SAME: Final = 0.5

CrewKey = tuple[str, str]  # receiver, surveyor


@dataclass(frozen=True, slots=True)
class Learned:
    """One accuracy as records show it, 1 σ in the unit of its key, or a number per metre."""

    key: str
    value: float
    sigma: float  # of the value
    degrees: float  # of freedom
    lower_95: float
    upper_95: float

    @property
    def sure(self) -> bool:
        """Whether it rests on enough to claim by."""
        return self.degrees >= LEAST_DEGREES

    @property
    def rests_on(self) -> str:
        """What it rests on, in words: of n counted bends as much is known as of 2 n squares."""
        if self.key in _RATES:
            return f"{self.degrees / 2.0:.0f} bends"
        return f"{self.degrees:.0f} degrees of freedom"


@dataclass
class VarianceSums:
    """Sums over records of one crew, or of all: equations of the variances, and of rates."""

    right: Floats = field(default_factory=lambda: np.zeros(len(KEYS)))
    overlap: Floats = field(default_factory=lambda: np.zeros((len(KEYS), len(KEYS))))
    relative: Floats = field(default_factory=lambda: np.zeros(len(KEYS)))  # of overlap, unscaled

    def add(self, i: int, j: int, row: tuple[float, float, float, float, float]) -> None:
        """Add one row: reckoned with, beside with, squares, spare, overlap."""
        value, beside, squares, spare, overlap = row
        own = value ** _POWER[i]
        self.overlap[i, j] += overlap / (own * beside ** _POWER[j])
        self.right[i] += overlap / own
        if i == j:
            self.right[i] += (squares - spare) / own
            self.relative[i] += overlap

    def learned(self) -> list[Learned]:
        """Return every accuracy the sums tell, in the order of the schema."""
        free = np.diag(self.overlap) > 0.0
        variance, cov = np.zeros(len(KEYS)), np.zeros((len(KEYS), len(KEYS)))
        while free.any():
            part = np.ix_(free, free)
            variance[:] = 0.0
            variance[free] = solved(self.overlap[part], self.right[free])
            if (variance[free] > 0.0).all():
                inverse = np.column_stack(
                    [solved(self.overlap[part], e) for e in np.eye(int(free.sum()))]
                )
                # errors larger than reckoned with scatter their estimate as much more
                with_it = np.sqrt(self.relative[free] / np.diag(self.overlap)[free])
                times = variance[free] / with_it
                # a square of normal errors scatters by √2 of itself, a count by its own root
                wide = np.where(
                    _POWER[free] == 2.0, np.sqrt(2.0) * np.maximum(times, 1.0), np.sqrt(times)
                )
                cov[part] = inverse * np.outer(wide, wide)
                break
            free &= variance > 0.0  # no such error shows
        told = (
            _learned(KEYS[i], float(_POWER[i]), float(variance[i]), float(cov[i, i]))
            for i in np.flatnonzero(free)
        )
        return [one for one in told if one is not None]


def _learned(key: str, power: float, variance: float, of_variance: float) -> Learned | None:
    """Return an accuracy from its variance, or a rate; None of less than one degree of freedom."""
    degrees = 2.0 * variance**2 / max(of_variance, 1e-300)
    if degrees < 1.0:
        return None
    value = variance ** (1.0 / power)
    most, least = (float(chi2.isf(p, degrees)) / degrees for p in (0.025, 0.975))
    # squares are χ² about the truth; a count is Poisson, whose truth is χ² about it
    lower, upper = (
        (value * least, value * most)
        if key in _RATES
        else (
            (variance / most) ** 0.5,
            (variance / least) ** 0.5,
        )
    )
    sigma = of_variance**0.5 / (power * value ** (power - 1.0))
    return Learned(key, value, sigma, degrees, lower, upper)


@dataclass(frozen=True, slots=True)
class CountedOnce:
    """A site of which several records were given, with the same readings."""

    site: str
    counted: Path  # the GeoPackage of the newest version
    left: tuple[Path, ...]


@dataclass(frozen=True, slots=True)
class Calibration:
    """What records say: of all crews together, and of each."""

    sites: int
    together: list[Learned]
    crews: dict[CrewKey, list[Learned]]
    once: tuple[CountedOnce, ...] = ()

    @property
    def told(self) -> bool:
        """Whether any accuracy rests on enough to claim by."""
        return any(one.sure for one in self.together)


def calibrated(records: Iterable[Path]) -> Calibration:
    """Return what built records, folders or GeoPackages, say of accuracies.

    Readings of a site that several records hold count once, as the newest version has them. Raises
    UnreadableError for what cannot be read. A record without the layer, of an older build, tells
    nothing.
    """
    paths = list(dict.fromkeys(path for record in records for path in geopackages_in(record)))
    for path in paths:
        tell_if_changed(path)
    again, once = _again(paths)
    together, crews, sites = VarianceSums(), dict[CrewKey, VarianceSums](), 0
    for path in paths:
        last = None
        for site, crew, keys, row in _rows(path):
            if (path, site) in again:
                continue
            sites += site != last
            last = site
            together.add(*keys, row)
            if KEYS[keys[0]] not in _RATES:  # of the pipe, whoever surveyed it
                crews.setdefault(crew, VarianceSums()).add(*keys, row)
    learned = {crew: sums.learned() for crew, sums in sorted(crews.items())}
    return Calibration(sites, together.learned(), learned, once)


def _again(paths: Sequence[Path]) -> tuple[set[tuple[Path, str]], tuple[CountedOnce, ...]]:
    """Return the sites of records (path, id) whose readings a newer version of the site holds."""
    by_site: dict[str, list[tuple[int, Path, frozenset[object]]]] = {}
    for path in paths:
        for site, (version, stops) in _stops(path).items():
            by_site.setdefault(site, []).append((version, path, stops))
    again, once = set[tuple[Path, str]](), []
    for site, given in by_site.items():
        rest = sorted(given, key=lambda one: -one[0])
        while rest:
            (_, counted, stops), *rest = rest
            same = [p for _, p, s in rest if len(s & stops) > _SAME * min(len(s), len(stops))]
            rest = [one for one in rest if one[1] not in same]
            again |= {(path, site) for path in same}
            if same:
                once.append(CountedOnce(site, counted, tuple(same)))
    return again, tuple(once)


def _stops(path: Path) -> dict[str, tuple[int, frozenset[object]]]:
    """Return version and stops, with their counters as read, of each site of a record."""
    found: dict[str, tuple[int, set[object]]] = {}
    with reading(path) as database:
        if _has(database, _LAYER) and _has(database, "transmitter_fixes"):
            for site, version, *stop in database.execute(_STOPS):
                _, stops = found.setdefault(str(site), (int(version or 1), set()))
                stops.add(tuple(stop))
    return {site: (version, frozenset(stops)) for site, (version, stops) in found.items()}


def _has(database: sqlite3.Connection, layer: str) -> bool:
    known = database.execute("SELECT 1 FROM sqlite_master WHERE name = ?", (layer,))
    return known.fetchone() is not None


def _rows(
    path: Path,
) -> Iterator[tuple[str, CrewKey, tuple[int, int], tuple[float, float, float, float, float]]]:
    """Yield site, crew, the two accuracies and the numbers of each row of a record."""
    at = {key: i for i, key in enumerate(KEYS)}
    with reading(path) as database:
        if not _has(database, _LAYER):
            return
        for site, receiver, surveyor, key, beside, *numbers in database.execute(_QUERY):
            if key in at and beside in at:
                value, other, squares, spare, overlap = (float(n or 0.0) for n in numbers)
                row = (value, other, squares, spare, overlap)
                yield str(site), (receiver or "", surveyor or ""), (at[key], at[beside]), row


def as_toml(calibration: Calibration) -> str:
    """Return the file that `[accuracy] from` of a site reads.

    Accuracies of too few degrees of freedom stand in it as remarks.
    """
    out = [
        f"# Accuracies learned from {counted(calibration.sites, 'site')}, 1 sigma but what is",
        "# per metre; name this file under",
        '# [accuracy] of site.toml as from = "…". What site.toml gives itself goes before.',
        *_section("accuracy", calibration.together),
    ]
    for (receiver, surveyor), learned in calibration.crews.items():
        names = [f"receiver = {_quoted(receiver)}", f"surveyor = {_quoted(surveyor)}"]
        out += _section("[crew]", learned, names)
    return "\n".join(out) + "\n"


def _section(name: str, learned: list[Learned], first: Iterable[str] = ()) -> list[str]:
    lines = ["", f"[{name}]", *first]
    for one in learned:
        remark = f"95 %: {one.lower_95:.4g} to {one.upper_95:.4g}, {one.rests_on}"
        lines.append(f"{'' if one.sure else '# '}{one.key} = {one.value:.4g}  # {remark}")
    return lines


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
