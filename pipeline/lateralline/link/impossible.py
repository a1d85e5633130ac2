"""What a stretch says by itself: a chord longer than its cable, a shape nothing decides."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.stats import norm

from lateralline.kernels.curves import chainage
from lateralline.link.equations import counter_variance
from lateralline.link.parts import Part
from lateralline.link.points import Point
from lateralline.records import Finding
from lateralline.settings import Accuracy, Settings
from lateralline.units import METRES_PER
from lateralline.wording import metres

#: A chord beyond this many σ over its counter (α = 0.0002, one-sided) is impossible, not unlucky: a
#: straight pipe's chord is as often over its counted length as under, and a line has many.
_Z_BEYOND = float(norm.isf(2e-4))


def impossible_lengths(
    points: Sequence[Point], accuracy: Accuracy
) -> tuple[list[Finding], set[str]]:
    """Return each pair of neighbours on a run that lie further apart than the cable reached.

    Always said, whatever the adjustment makes of it. `points` are all of a line, of every run. Then
    the names of exposures that contradict each other so.
    """
    out: list[Finding] = []
    names: set[str] = set()
    for run in dict.fromkeys(r for p in points for r in p.readings):
        mine = sorted((p for p in points if run in p.readings), key=lambda p: p.readings[run])
        if len(mine) < 2:
            continue
        counted = np.diff([p.readings[run] for p in mine])
        chord = np.diff([p.xyz_m for p in mine], axis=0)
        length = np.linalg.norm(chord, axis=1)
        unit = chord / np.maximum(length, 1e-9)[:, None]
        cov = np.array([p.cov[:3, :3] for p in mine])
        spread = cov[:-1] + cov[1:]
        chord_var = np.einsum("si,sij,sj->s", unit, spread, unit)
        # Errors across a chord lengthen it, on average by their variance over twice its length.
        across_var = np.einsum("sii->s", spread) - chord_var
        length = np.maximum(length - across_var / (2 * np.maximum(length, 0.1)), 0.0)
        sigma = np.sqrt(
            chord_var
            + counter_variance(counted, accuracy)
            + (accuracy.counter_scale_ratio * counted) ** 2
        )
        for s in np.flatnonzero(length - counted > _Z_BEYOND * sigma).tolist():
            a, b = mine[s], mine[s + 1]
            names |= {a.ref, b.ref} if a.fix < 0 and b.fix < 0 else set()
            out.append(
                Finding(
                    "error",
                    "link",
                    "chord-exceeds-counter",
                    b.subject,
                    f"lies further from {a.subject} than the cable of run {run} reached: "
                    f"{metres(length[s])} apart, {metres(counted[s])} counted",
                    f"{metres(length[s] - counted[s])} too far "
                    f"(by chance up to {metres(_Z_BEYOND * sigma[s])})",
                    "read the counter at both again, and mark both again",
                    b.where or a.where,
                    about=(a.subject,),
                )
            )
    return out, names


def undecided_shapes(part: Part, settings: Settings) -> list[Finding]:
    """Return a finding on each stretch that is undecided, unless a turn at a stop says why."""
    shapes = part.shapes
    return [
        _undecided(part, i, settings)
        for i, shape in enumerate(shapes.shape)
        if shape == "undecided" and not shapes.told_by_turn[i]
    ]


def _midway(part: Part, s: int, settings: Settings) -> str:
    """Where a crew finds the middle of a stretch: by the counter that was read nearest about it."""
    along = chainage([p.xyz_m for p in part.points])
    best, middle = len(along), "midway between them"
    for run in settings.runs:
        read = np.array([p.readings.get(run.id, np.nan) for p in part.points])
        known = np.flatnonzero(np.isfinite(read))
        before, after = known[known <= s], known[known > s]
        if len(before) and len(after) and after[0] - before[-1] < best:
            best = int(after[0] - before[-1])
            at = np.interp(along[s : s + 2].mean(), along[known], read[known])
            unit = settings.units.get("counter", "m")
            face = (at + run.transmitter_lag_m) / METRES_PER[unit]
            middle = f"near counter {face:.2f} {unit} of run {run.id}"
    return middle


def _undecided(part: Part, s: int, settings: Settings) -> Finding:
    a, b = part.points[s], part.points[s + 1]
    middle = _midway(part, s, settings)
    shapes = part.shapes
    about = (f"between {a.subject} and {b.subject}",)
    if shapes.contradicted[s]:
        return Finding(
            "warning",
            "link",
            "shape-contradiction",
            f"line {part.line}",
            f"neither a straight pipe nor a bend fits between {a.subject} and {b.subject}: "
            "headings, chord and counter disagree; it is drawn straight and called undecided",
            f"χ² = {shapes.chi2[s, 0]:.1f} on {int(shapes.dof[s, 0])} conditions of a straight",
            f"add a stop {middle}, and check headings and counters of both",
            b.where or a.where,
            about=about,
        )
    if np.isfinite(shapes.step_m[s]).any():
        across, up = np.nan_to_num(shapes.step_m[s])
        return Finding(
            "warning",
            "link",
            "step-suspected",
            f"line {part.line}",
            f"the pipe steps between {a.subject} and {b.subject}, or one of them lies elsewhere: "
            "the directions beside them do not lead from one to the other; by what bends cannot be "
            "told, so it is drawn straight and called undecided",
            f"about {metres(up)} in level, {metres(across)} aside",
            f"add a stop {middle}",
            b.where or a.where,
            about=about,
        )
    if shapes.alike[s]:
        return Finding(
            "warning",
            "link",
            "shape-undecided",
            f"line {part.line}",
            f"between {a.subject} and {b.subject} one bend and two explain the line equally well: "
            "it is drawn straight and called undecided",
            "χ² no further apart than chance",
            f"add a stop {middle}",
            b.where or a.where,
            about=about,
        )
    return Finding(
        "info",
        "link",
        "shape-undecided",
        f"line {part.line}",
        f"a bend between {a.subject} and {b.subject} would not have shown: the stretch is drawn "
        "straight and called undecided",
        f"a 45° bend midway would stand out by {np.sqrt(shapes.hidden_bend[s]):.1f} σ; "
        "4.1 are needed",
        f"add a stop {middle}",
        b.where or a.where,
        about=about,
    )
