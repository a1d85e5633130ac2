"""Least-squares adjustment of one small network, with the statistics that judge it.

Gauss–Newton on dense normal equations for observations with any covariance (with Marquardt's
damping where a plain step makes it worse), then the quantities of Baarda's test theory. Residuals
are *computed minus observed* (v = A·x̂ − l); the covariance of the unknowns is a priori and never
rescaled. A network whose unknowns are not all determined gives NaN everywhere.

Source of the formulas: the examples collected in Krumm, *Geodetic Network Adjustment Examples*
(Stuttgart, rev. 3.5, 2020), which tests/published reproduces.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple, TypeAlias

import numpy as np
import numpy.typing as npt
from scipy.linalg import solve_triangular

Floats: TypeAlias = npt.NDArray[np.float64]

#: x (n,) → computed minus observed (m,), and its Jacobian (m, n).
Equations: TypeAlias = Callable[[Floats], tuple[Floats, Floats]]

#: Two-sided test of one standardised residual at α = 0.001 (Baarda).
W_LIMIT = 3.2905
#: Non-centrality at which that test finds a blunder with power 0.80, as a multiple of σ.
W_DETECTABLE = 4.132

_SINGULAR = 1e-13  # share of an unknown's information that the others leave it


class Outliers(NamedTuple):
    """Outlier tests of g alternatives, each of q columns."""

    statistic: Floats  # (g,) χ² of q degrees of freedom when the alternative is false
    size: Floats  # (g, q) estimated error of the observations along the alternative's columns


@dataclass(frozen=True, slots=True)
class Adjustment:
    """An adjusted network: m observations, n unknowns (biases last)."""

    x: Floats  # (n,)
    cov: Floats  # (n, n) a priori
    v: Floats  # (m,) computed minus observed
    redundancy: Floats  # (m,) sums to dof
    w: Floats  # (m,) standardised residuals; NaN where an observation is not controlled
    chi2: float
    dof: int
    iterations: int
    converged: bool
    weighted_v: Floats  # (m,) P·v
    weighted_cov_v: Floats  # (m, m) P·Qvv·P

    @property
    def s0(self) -> float:
        """A-posteriori σ of unit weight; NaN without redundancy."""
        return float(np.sqrt(self.chi2 / self.dof)) if self.dof > 0 else float("nan")

    def test(self, alternatives: Floats) -> Outliers:
        """Test alternatives (g, m, q): which way observations would be off, one column per freedom.

        T = uᵀ K⁻¹ u with u = HᵀPv and K = HᵀP·Qvv·PH; for one column √T is Baarda's |w|. NaN
        where the network could not see such an error.
        """
        h = np.asarray(alternatives, float)
        u = np.einsum("gmq,m->gq", h, self.weighted_v)
        g, m, q = h.shape
        columns = h.transpose(1, 0, 2).reshape(m, g * q)
        spread = (self.weighted_cov_v @ columns).reshape(m, g, q).transpose(1, 2, 0)
        k = spread @ h
        seen = np.linalg.eigvalsh(k)[:, 0] > 1e-9 * np.maximum(
            np.einsum("gmq,gmq->g", h, h), 1e-300
        ) * np.max(np.abs(np.diag(self.weighted_cov_v)), initial=1e-300)
        k = np.where(seen[:, None, None], k, np.eye(h.shape[2]))
        size = -np.linalg.solve(k, u[..., None])[..., 0]
        statistic = -np.einsum("gq,gq->g", u, size)
        return Outliers(
            np.where(seen, statistic, np.nan),
            np.where(seen[:, None], size, np.nan),
        )


def adjust(
    equations: Equations,
    cov: npt.ArrayLike,
    start: npt.ArrayLike,
    *,
    biases: Floats | None = None,
    iterations: int = 40,
    tolerance: float = 1e-6,
) -> Adjustment:
    """Return the least-squares adjustment of a network.

    cov: (m, m) covariance of the observations, or (m,) variances.
    start: (n,) unknowns to start from.
    biases: (m, b) columns of unknown errors of observations, estimated along with the rest: an
        observation with its own bias is left out exactly, and its error is known.
    tolerance: stop when a step moves nothing by more than this part of its own σ.
    """
    x = np.array(start, float)
    q = np.asarray(cov, float)
    q = np.diag(q) if q.ndim == 1 else q
    h = np.zeros((len(q), 0)) if biases is None else biases
    n = len(x)
    x = np.concatenate([x, np.zeros(h.shape[1])])
    root = np.linalg.cholesky(q)

    def whitened(x: Floats) -> tuple[Floats, Floats]:
        v, a = equations(x[:n])
        full = np.column_stack([v + h @ x[n:], a, h])
        full = solve_triangular(root, full, lower=True, check_finite=False)
        return full[:, 0], full[:, 1:]

    v, a = whitened(x)
    converged = False
    done, damping = 0, 0.0  # Gauss–Newton, until a step does not help: then Marquardt
    while not converged and done < iterations:
        done += 1
        normal = a.T @ a
        inverse = _inverse(normal + damping * np.diag(np.diag(normal)))
        step = -inverse @ (a.T @ v)
        if not np.isfinite(step).all():
            if damping > 1:
                break
            damping = max(1e-4, 10 * damping)
            continue
        trial = whitened(x + step)
        short = bool(np.all(np.abs(step) <= tolerance * np.sqrt(np.diag(inverse))))
        if short or trial[0] @ trial[0] <= v @ v:
            x, (v, a) = x + step, trial
            # A step that damping made short is no sign of being there.
            converged = short and damping < 1e-3
            damping = damping / 10 if damping > 1e-7 else 0.0
        else:
            damping = max(1e-4, 10 * damping)
    return _statistics(x, v, a, root, done, converged)


def _inverse(normal: Floats) -> Floats:
    """Inverse of a normal matrix, scaled first; NaN when an unknown is not determined."""
    scale = np.sqrt(np.diag(normal))
    with np.errstate(invalid="ignore", divide="ignore"):
        unit = normal / np.outer(scale, scale)
    try:
        factor = np.linalg.cholesky(unit)
    except np.linalg.LinAlgError:
        return np.full_like(normal, np.nan)
    if not np.min(np.diag(factor)) ** 2 > _SINGULAR:
        return np.full_like(normal, np.nan)
    half = solve_triangular(factor, np.diag(1 / scale), lower=True)
    return np.asarray(half.T @ half)


def _statistics(
    x: Floats, v: Floats, a: Floats, root: Floats, iterations: int, converged: bool
) -> Adjustment:
    """Everything that is said of a solution, from its whitened residuals and Jacobian."""
    cov = _inverse(a.T @ a)
    determined = bool(np.isfinite(cov).all())
    m = len(v)
    projector = np.eye(m) - a @ cov @ a.T
    back = solve_triangular(root, np.eye(m), lower=True)  # root⁻¹
    redundancy = np.sum((root @ projector) * back.T, axis=1)
    weighted_cov_v = back.T @ projector @ back
    weighted_v = back.T @ v
    spread = np.diag(weighted_cov_v)
    with np.errstate(invalid="ignore", divide="ignore"):
        controlled = spread > 1e-9 * np.einsum("ji,ji->i", back, back)
        w = np.where(controlled, weighted_v / np.sqrt(np.where(controlled, spread, 1.0)), np.nan)
    nan = float("nan")
    return Adjustment(
        x=x if determined else np.full_like(x, np.nan),
        cov=cov,
        v=root @ v,
        redundancy=redundancy,
        w=w,
        chi2=float(v @ v) if determined else nan,
        dof=m - len(x),
        iterations=iterations,
        converged=converged and determined,
        weighted_v=weighted_v,
        weighted_cov_v=weighted_cov_v,
    )
