"""Accuracies learned from built records: variance components of what all their residuals say.

Each record keeps sums (`accuracy_evidence`) that add up over sites, so one record or thousands are
read row by row and only the sums are held. Solved, the sums are Helmert's estimate of each
variance: unbiased whatever the truth is, and restricted maximum likelihood once records were built
with what it gives (`kernels.variance`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
from scipy.stats import chi2

from lateralline import contract
from lateralline.kernels.variance import solved
from lateralline.output.proof import reading
from lateralline.record import GEOPACKAGE
from lateralline.records import Floats

#: What is learned, in the order of the schema.
KEYS: Final = tuple(
    c.name for c in contract.load("site").field if c.section == "accuracy" and c.type == "real"
)
#: An estimate with fewer degrees of freedom is told and not claimed by: at 20 an accuracy is
#: known to a sixth of itself. Common practice, no source.
LEAST_DEGREES: Final = 20.0
_LAYER: Final = "accuracy_evidence"
_QUERY: Final = (
    "SELECT site_id, receiver, surveyor, accuracy, beside, reckoned_with, beside_with, squares, "
    f"spare, overlap FROM {_LAYER}"
)

CrewKey = tuple[str, str]  # receiver, surveyor


@dataclass(frozen=True, slots=True)
class Learned:
    """One accuracy as records show it, 1 σ in the unit of its key."""

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


@dataclass
class VarianceSums:
    """Sums over records of one crew, or of all: equations of the variances themselves."""

    right: Floats = field(default_factory=lambda: np.zeros(len(KEYS)))
    overlap: Floats = field(default_factory=lambda: np.zeros((len(KEYS), len(KEYS))))
    relative: Floats = field(default_factory=lambda: np.zeros(len(KEYS)))  # of overlap, unscaled

    def add(self, i: int, j: int, row: tuple[float, float, float, float, float]) -> None:
        """Add one row: reckoned with, beside with, squares, spare, overlap."""
        value, beside, squares, spare, overlap = row
        self.overlap[i, j] += overlap / (value * beside) ** 2
        self.right[i] += overlap / value**2
        if i == j:
            self.right[i] += (squares - spare) / value**2
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
                larger = np.maximum(variance[free] / with_it, 1.0)
                cov[part] = 2.0 * inverse * np.outer(larger, larger)
                break
            free &= variance > 0.0  # no such error shows
        told = (
            _learned(KEYS[i], float(variance[i]), float(cov[i, i])) for i in np.flatnonzero(free)
        )
        return [one for one in told if one is not None]


def _learned(key: str, variance: float, of_variance: float) -> Learned | None:
    """Return an accuracy from its variance; None where not even one degree of freedom is left."""
    degrees = 2.0 * variance**2 / max(of_variance, 1e-300)
    if degrees < 1.0:
        return None
    value = variance**0.5
    lower, upper = (
        (variance * degrees / float(chi2.isf(p, degrees))) ** 0.5 for p in (0.025, 0.975)
    )
    return Learned(key, value, of_variance**0.5 / (2.0 * value), degrees, lower, upper)


@dataclass(frozen=True, slots=True)
class Calibration:
    """What records say: of all crews together, and of each."""

    sites: int
    together: list[Learned]
    crews: dict[CrewKey, list[Learned]]

    @property
    def told(self) -> bool:
        """Whether any accuracy rests on enough to claim by."""
        return any(one.sure for one in self.together)


def calibrated(records: Iterable[Path]) -> Calibration:
    """Return what built records, folders or GeoPackages, say of accuracies.

    Raises UnreadableError for what cannot be read. A record without the layer, of an older build,
    tells nothing.
    """
    together, crews, sites = VarianceSums(), dict[CrewKey, VarianceSums](), 0
    for record in records:
        last = None
        for site, crew, keys, row in _rows(record):
            sites += site != last
            last = site
            for sums in (together, crews.setdefault(crew, VarianceSums())):
                sums.add(*keys, row)
    return Calibration(
        sites, together.learned(), {crew: sums.learned() for crew, sums in sorted(crews.items())}
    )


def _rows(
    record: Path,
) -> Iterator[tuple[str, CrewKey, tuple[int, int], tuple[float, float, float, float, float]]]:
    """Yield site, crew, the two accuracies and the numbers of each row of a record."""
    path = record / GEOPACKAGE if record.is_dir() else record
    at = {key: i for i, key in enumerate(KEYS)}
    with reading(path) as database:
        there = database.execute("SELECT 1 FROM sqlite_master WHERE name = ?", (_LAYER,))
        if there.fetchone() is None:
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
        f"# Accuracies learned from {calibration.sites} site(s), 1 sigma: name this file under",
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
        remark = f"95 %: {one.lower_95:.4g} to {one.upper_95:.4g}, {one.degrees:.0f} degrees"
        lines.append(f"{'' if one.sure else '# '}{one.key} = {one.value:.4g}  # {remark}")
    return lines


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
