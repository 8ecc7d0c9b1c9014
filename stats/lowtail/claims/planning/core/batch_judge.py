"""Whether simulated batches reach a claim, by the rule that judges real ones (`lowtail.claims.strength.governing`)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail.claims.basis import Basis
from lowtail.claims.planning.core.judge import FAR, governing_reaches
from lowtail.claims.planning.core.weibull_batches import weibull_batch_confidence
from lowtail.models.batches.normal_batches import chi_square_nodes

__all__ = ["batches_reach", "normal_batch_confidence"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_NODES, _FEW = 36, {1: 144, 2: 72}  # of a chi-square distribution; more where few degrees spread it wide


def batches_reach(u: Array, broke: Flags, filled: Flags, basis: Basis) -> Flags:
    """Whether the bound for a batch yet to come reaches the claim, for each set of batches.

    Parameters
    ----------
    u : (B, a, m) array
        ln(load / claim); places that a shorter batch leaves free hold ``-inf`` and did not break.
    broke : (B, a, m) array of bool
    filled : (a, m) array of bool
        Which places hold a specimen; the same for every set.
    basis : Basis
        With content and confidence.
    """
    p, g = basis.fraction_below, basis.confidence
    flat, flags = u[:, filled], broke[:, filled]
    out = np.zeros(u.shape[0], dtype=bool)
    rows = np.flatnonzero(governing_reaches(flat, None if flags.all() else flags, basis))
    whole = flags[rows].all(axis=1)
    if whole.any():  # the normal bound over batches takes breaks only
        passed = normal_batch_reaches(np.exp(np.clip(u[rows], -FAR, FAR)), filled, p, g)
        rows = rows[passed | ~whole]
    rows = rows[weibull_batch_confidence(u[rows], broke[rows], 0.0, p) >= g]
    out[rows] = True
    return out


def normal_batch_reaches(load: Array, filled: Flags, fraction_below: float, confidence: float) -> Flags:
    """Whether the normal bound over batches of loads (B, a, m), over the claim, reaches 1; all of them breaks."""
    sizes = filled.sum(axis=1)
    means = np.where(filled, load, 0.0).sum(axis=2) / sizes
    centre = means.mean(axis=1)
    squares = ((means - centre[:, None]) ** 2).sum(axis=1)
    within = np.where(filled, (load - means[:, :, None]) ** 2, 0.0).sum(axis=(1, 2))
    got = normal_batch_confidence(
        centre - 1,
        squares,
        within,
        sizes.size,
        float(np.mean(1 / sizes)),
        int(sizes.sum()) - sizes.size,
        fraction_below,
    )
    return got >= confidence


def normal_batch_confidence(
    centre: Array, squares: Array, within: Array, number: int, inverse_size: float, degrees: int, fraction_below: float
) -> Array:
    """Confidence that the percentile across batches is at least 0, by the generalised pivotal quantity.

    ``centre`` is the mean of the batch means less the claim, ``squares`` the sum of squares of the batch means about
    their mean, ``within`` the sum of squares within batches, each of shape (B,); ``inverse_size`` the mean of one over
    the size of a batch, ``degrees`` the specimens less the batches.
    """
    u, w_u = chi_square_nodes(number - 1, _FEW.get(number - 1, _NODES))
    v, w_v = chi_square_nodes(degrees, _FEW.get(degrees, _NODES))
    keep_u, keep_v = w_u > 1e-8, w_v > 1e-8
    u, w_u, v, w_v = u[keep_u], w_u[keep_u], v[keep_v], w_v[keep_v]
    z = float(special.ndtri(fraction_below))
    out = np.zeros(centre.size)
    squares = np.maximum(squares, 1e-300)
    for i in range(u.size):
        total = (squares / u[i])[:, None] + (1 - inverse_size) * within[:, None] / v
        edge = (centre[:, None] + z * np.sqrt(total)) / np.sqrt(squares / (number * u[i]))[:, None]
        out += w_u[i] * (special.ndtr(edge) @ w_v)
    return out
