"""Share of the variance that lies between batches drawn at random, beside a regression: estimate, cross-checked."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from lowtail.errors import NoAnswerError
from lowtail.models.distributions.families import Family
from lowtail.models.regression.mixed import random_batches
from lowtail.models.regression.mixed_distribution import MixedLaw
from lowtail.models.regression.mixed_line import batched_line
from lowtail.models.regression.mixed_normal import MixedNormal

__all__ = ["between_share"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Labels = NDArray[np.intp]

_POINTS = 2**9
_AGREE = 0.01  # log-likelihood by which two optimisers may differ
_FLAT = 1e-4  # log-likelihood below which none between batches is as good
_DOWN = 10.0  # ln rho below the first node to search where that is the highest


def between_share(
    load: Array,
    broke: Flags,
    design: Array,
    labels: Labels,
    law: Family,
    bound: MixedNormal | MixedLaw,
    *,
    who: str = "This sample",
) -> float:
    """Share by the maximum of the restricted likelihood (line and spread integrated out).

    Complete normal samples: `random_batches`, held against statsmodels. Otherwise the likelihood of ``bound``'s grid is
    climbed by bounded search about its highest node, and by simplex search from both sides of it.

    Raises
    ------
    NoAnswerError
        If the two ways disagree.
    """
    if isinstance(bound, MixedNormal):
        ratio = random_batches(np.asarray(law.transform(load), dtype=float), design, labels, who=who).ratio
        return ratio / (1 + ratio)
    batches = batched_line(load, broke, design, labels, law, who)
    start = np.zeros(design.shape[1] + 1)

    def minus(u: float) -> float:
        return -batches.lay(float(np.exp(min(u, 40.0))), start, _POINTS, who)[2]

    nodes = np.log(bound.rho[1:])
    best = int(bound.log_like[1:].argmax())
    lower = nodes[best - 1] if best else nodes[0] - _DOWN
    ends = float(lower), float(nodes[min(best + 1, nodes.size - 1)])
    near = optimize.minimize_scalar(minus, bounds=ends, method="bounded", options={"xatol": 1e-3})
    loose = {"xatol": 1e-2, "fatol": _FLAT, "maxiter": 60}
    others = [
        optimize.minimize(lambda v: minus(float(v[0])), nodes[best] + away, method="Nelder-Mead", options=loose)
        for away in (-1.5, 1.5)
    ]
    other = min(others, key=lambda found: float(found.fun))
    top, second = float(near.fun), float(other.fun)
    if -batches.lay(0.0, start, _POINTS, who)[2] <= min(top, second) + _FLAT:
        return 0.0
    if abs(top - second) > _AGREE:
        raise NoAnswerError(
            f"{who}: two ways of fitting batches at random disagree (squared ratio of spreads {np.exp(near.x):.4g} "
            f"against {np.exp(float(other.x[0])):.4g}). Test more batches, or omit the batch labels and say so."
        )
    between = float(np.exp(near.x))
    return between / (between + float(law.standard.var()))
