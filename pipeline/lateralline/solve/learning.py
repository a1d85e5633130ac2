"""Evidence on accuracies, summed by receiver and surveyor: what a record keeps for `calibrate`."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from lateralline.distributions import chi2
from lateralline.kernels.variance import Evidence, Networks
from lateralline.records import AccuracyEvidence, Texts
from lateralline.settings import Accuracy, Settings, key_of
from lateralline.solve.doubt import BLUNDER
from lateralline.solve.residuals import OF_STOPS
from lateralline.solve.scale import ReceiverScale
from lateralline.solve.spacing import OF_SPACING

#: Less than this of an observation spare says nothing.
_NOTHING = 1e-6


def evidence_of(
    stops: tuple[Networks, Texts],
    spacing: tuple[Networks, Texts],
    scale: ReceiverScale,
    settings: Settings,
) -> tuple[AccuracyEvidence, ...]:
    """Return the evidence of a solved site; with each set of networks the run of each.

    `settings` are those the site was solved with. Blunders are left out: they are no accuracy.
    """
    crew = {r.id: (r.receiver, r.surveyor or settings.surveyor) for r in settings.runs}
    ones = np.ones(len(OF_STOPS))
    networks, runs = stops
    value, freedom = networks.misfit(ones)
    sound = chi2.sf(value, np.maximum(freedom, 1.0)) > BLUNDER
    networks, runs = networks.pick(sound), runs[sound]
    lengths, of_length = spacing
    limit = float(chi2.isf(BLUNDER, 1))
    out, _ = lengths.wrong_readings(np.ones(len(OF_SPACING)), limit)
    lengths = lengths.without_readings(out)
    found: list[AccuracyEvidence] = []
    for one in sorted(set(crew.values())):
        for nets, of, names in ((networks, runs, OF_STOPS), (lengths, of_length, OF_SPACING)):
            mine = np.array([crew.get(str(r)) == one for r in of], dtype=np.bool_)
            if mine.any():
                said = nets.pick(mine).evidence(np.ones(len(names)))
                found += _rows(one, names, said, settings.accuracy)
    return (*found, *_of_scales(scale, settings))


def _of_scales(scale: ReceiverScale, settings: Settings) -> Iterator[AccuracyEvidence]:
    """Yield what each receiver's depth scale says of how such scales scatter about 1.

    A scale of value v and σ after a prior of σ₀ was 1 + (v − 1)(σ₀² / (σ₀² − σ²)) by itself.
    """
    prior = settings.accuracy.depth_scale_ratio**2
    for g in np.flatnonzero(scale.used > 1):
        gained = prior - float(scale.sigma[g]) ** 2
        name = str(scale.receiver[g])
        crews = {r.surveyor or settings.surveyor for r in settings.runs if r.receiver == name}
        # K = 1 / (prior + variance by itself), and K (1 by itself − 1) = (v − 1) / prior
        k = gained / prior**2
        u = float(scale.value[g] - 1.0) / prior
        said = Evidence(
            np.array([u**2 * prior]), np.array([k * prior]), np.array([[(k * prior) ** 2]])
        )
        surveyor = crews.pop() if len(crews) == 1 else ""
        yield from _rows((name, surveyor), ("depth_scale_ratio",), said, settings.accuracy)


def _rows(
    crew: tuple[str, str], names: Sequence[str], said: Evidence, accuracy: Accuracy
) -> Iterator[AccuracyEvidence]:
    with_it = [key_of(name, getattr(accuracy, name)) for name in names]
    for i, (key, value) in enumerate(with_it):
        if said.spare[i] < _NOTHING:
            continue
        for j, (other, beside) in enumerate(with_it):
            if said.spare[j] < _NOTHING:
                continue
            own = i == j
            yield AccuracyEvidence(
                *crew,
                key,
                other,
                value,
                beside,
                float(said.square[i]) if own else float("nan"),
                float(said.spare[i]) if own else float("nan"),
                float(said.overlap[i, j]),
            )
