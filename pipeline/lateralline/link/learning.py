"""Evidence on how many bends a metre of pipe has: what a record keeps for `calibrate`.

Whether a stretch bends is seldom sure: its paths say how likely. Were the rate of bends λ times the
one reckoned with, stretches of r expected bends each would have the score Σ (n − r) at λ = 1, n the
bends their paths expect, and by Fisher the information Σ r² / (eʳ − 1) less what nobody saw: the
scatter of n over the paths. What the data say nothing of adds nothing to either. (Louis, "Finding
the observed information matrix when using the EM algorithm", 1982: from memory, not read.)
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from lateralline.kernels.expected import AGAIN
from lateralline.records import AccuracyEvidence, SampledPaths
from lateralline.settings import Accuracy

_KEY: Final = "bends_per_m"


def bend_evidence(
    lines: Sequence[SampledPaths], accuracy: Accuracy
) -> tuple[AccuracyEvidence, ...]:
    """Return the evidence of the paths of a site's lines, as one row; none of no line.

    `accuracy`: that the lines were adjusted with.
    """
    found = expected = told = 0.0
    for paths in lines:
        bent = 1.0 - paths.shape_share[:, 0]
        before = np.concatenate([[0.0], bent[:-1]])
        rate = accuracy.bends_per_m * paths.stretch_m * (1.0 + (AGAIN - 1.0) * before)
        rate = np.maximum(rate, 1e-9)
        if_bent = rate / -np.expm1(-rate)  # bends of a stretch that has some
        found += float(np.sum(bent * if_bent))
        expected += float(rate.sum())
        unseen = if_bent**2 * bent * (1.0 - bent)
        told += float(np.sum(rate**2 / np.expm1(rate) - unseen))
    if not expected:
        return ()
    reckoned = accuracy.bends_per_m
    return (AccuracyEvidence("", "", _KEY, _KEY, reckoned, reckoned, found, expected, told),)
