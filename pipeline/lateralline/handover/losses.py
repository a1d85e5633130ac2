"""What a hand-over leaves behind: told by what it was, how much of it, and where it stands."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby
from typing import Final, Literal

Kind = Literal["layer", "features", "columns", "codes", "figures", "texts", "names", "places"]

#: Columns that say how sure something is, or where it comes from.
_SURE: Final = re.compile(
    r"sigma|_95|ellipse|covariance|chi2|\bdof$|_band$|_rule$|misfit|confidence|accuracy|shift"
    r"|undecided|unbounded|residual|redundancy|smallest_blunder"
)
_FROM: Final = re.compile(r"^(source_row|surveyor|receiver|surveyed|record_version|valid_from|uid)")
#: Layers that do.
_SURE_LAYERS: Final = (
    "position_corridor", "level_band", "unlocated", "adjusted_parameters", "accuracy_evidence",
    "findings",
)  # fmt: skip
#: What each kind is called in a report, in its order.
HEADINGS: Final[dict[Kind, str]] = {
    "layer": "Layers left out",
    "features": "Features left out",
    "columns": "Columns left out",
    "codes": "Values without a code",
    "figures": "Figures rounded",
    "texts": "Texts cut",
    "names": "Names changed by the format",
    "places": "Levels and places",
}


@dataclass(frozen=True, slots=True)
class Loss:
    """One thing of a record that does not come through, or comes changed."""

    kind: Kind
    where: str  # layer of the record, or of the register
    item: str  # column, value, name; "" for the whole layer
    count: int  # features or values
    why: str = ""

    @property
    def of(self) -> str:
        """What it tells: "±" how sure something is, "source" where it comes from, "" the rest."""
        if self.kind in ("names", "places", "figures"):
            return ""
        if self.item == "":
            return "±" if self.where in _SURE_LAYERS else "source" * (self.where == "lineage")
        return "±" if is_sure(self.item) else "source" if _FROM.search(self.item) else ""

    @property
    def sentence(self) -> str:
        """It in words, on one line."""
        what = f"{self.where}: {self.item}" if self.item else self.where
        unit = "value" if self.kind in ("columns", "codes", "figures", "texts") else "feature"
        tail = f"; {self.why}" if self.why else ""
        counted = f"{self.count} {unit}{'s' * (self.count != 1)}"
        return f"{what} ({counted}{tail})"


def is_sure(column: str) -> bool:
    """Whether a column of a record tells how sure something is.

    >>> is_sure("position_95_max_m"), is_sure("invert_sigma_m"), is_sure("material")
    (True, True, False)
    """
    return bool(_SURE.search(column))


def report_lines(losses: Iterable[Loss]) -> Iterator[tuple[str, list[str]]]:
    """Yield heading and lines of a report: what tells ± and source first, columns by layer."""
    several = list(losses)
    heads = {
        "±": "± left behind: how sure the record is",
        "source": "Source left behind: where the record comes from",
    }
    for of, heading in heads.items():
        if told := [loss for loss in several if loss.of == of]:
            yield heading, list(_lines(told))
    for kind, heading in HEADINGS.items():
        if told := [loss for loss in several if loss.kind == kind and not loss.of]:
            yield heading, list(_lines(told))


def _lines(losses: list[Loss]) -> Iterator[str]:
    """Yield a line for each loss, the columns of a layer on one."""
    order = list(HEADINGS)
    losses = sorted(losses, key=lambda loss: order.index(loss.kind))  # stable within a kind
    for (kind, where), group in groupby(losses, key=lambda loss: (loss.kind, loss.where)):
        own = list(group)
        if kind == "columns":
            yield f"{where}: " + ", ".join(f"{o.item} ({o.count})" for o in own)
        else:
            yield from (o.sentence for o in own)
