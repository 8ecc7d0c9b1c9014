"""The lowest of the next m specimens, given the confidence distribution of one sample.

With W the lowest of m standard values, the lowest of the next m strengths is ``location + spread W``. Averaging the
confidence distribution of ``location + w spread`` over W gives the chance, jointly over series and further specimens,
that it lies below a load; the lower prediction bound is the load at which that chance is 1 - confidence. It is exact
where the confidence distribution is: for complete samples and samples stopped after a set number of breaks (with
``T(k)`` as in `lowtail.models.confidence.nodes` the Weibull average is ``(1 + m exp(k q) / T(k))^-r`` given k, and for
the normal with m = 1 the bound is ``mean - t s sqrt(1 + 1/n)``).

References
----------
Hahn and Meeker (1991) Statistical Intervals, chapter 4; Lawless (1973) Technometrics 15:857-865 (both from memory).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from lowtail.errors import NoAnswerError
from lowtail.models.confidence.distribution import ConfidenceDistribution
from lowtail.models.confidence.nodes import Nodes
from lowtail.models.confidence.normal_location import NormalLocation
from lowtail.models.distributions.common_error import added_low
from lowtail.models.distributions.families import Family
from lowtail.models.distributions.likelihood import Scaled
from lowtail.models.early.holds import ENOUGH, SAMPLES, calibrated_confidence, samples_for

__all__ = ["EARLY_WEIGHT", "early_more", "lowest_below", "lowest_low", "lowest_values", "place_of", "prediction_nodes"]

Array = NDArray[np.float64]
_REACH = 7.5  # normal scores on either side: 3e-14 lies outside
_STEP = 0.12  # between scores; closer where many breaks make the location sharp
_WHOLE = 1000  # specimens up to which survivors of a normal sample are averaged over directly
_FINEST = 0.004  # and no closer: beyond 10,000 breaks the location is as good as known
_DOUBLINGS, _STEPS = 200, 12
_CHECKS, _CHECK_STEP = 7, 0.7  # scores on either side, and between them, at which early holds are checked
EARLY_WEIGHT = 2.0  # of `early_more`: once leaves 93 to 94 for a stated 95, twice keeps it (prediction_held.csv)
_CLOSE = 0.02  # share of the chance of a lower one to which the search among simulated chances keeps


def lowest_values(family: Family, m: int, step: float = _STEP) -> tuple[Array, Array]:
    """Nodes and weights of the lowest of m standard values: even steps of its normal score."""
    score = np.linspace(-_REACH, _REACH, int(np.ceil(2 * _REACH / step)) + 1)
    weight = np.exp(-0.5 * score * score)
    above = special.log_ndtr(-score) / m  # ln of the chance that one value lies above
    if family.name == "weibull":
        value = np.log(-above)
    else:
        below = -np.expm1(above)
        value = np.where(below < 0.5, special.ndtri(np.minimum(below, 0.5)), -special.ndtri_exp(above))
    return value, weight / weight.sum()


def lowest_below(nodes: Nodes, family: Family, q: Array, m: int, breaks: int) -> Array:
    """Probability that the lowest of the next m lies at or below ``q`` (scaled axis), one a row.

    Parameters
    ----------
    nodes : Nodes
    family : Family
    q : (B,) array
    m : int
        Specimens to come, at least 1.
    breaks : int
        In each sample; it sets the spacing.
    """
    value, weight = lowest_values(family, m, max(min(_STEP, 0.4 / np.sqrt(max(breaks, 1))), _FINEST))
    total = np.zeros(np.shape(q))
    for w, share in zip(value, weight, strict=True):
        total += share * nodes.cdf(q, float(w))[0]
    return np.clip(total, 0.0, 1.0)


def place_of(below: Callable[[float], float], tail: float, start: float, stride: float) -> float:
    """Where a rising probability reaches ``tail``: a bracket by doubling, then Brent's method in log odds."""
    goal = float(special.logit(tail))

    def gap(y: float) -> float:
        return float(special.logit(np.clip(below(y), 1e-15, 1 - 1e-15))) - goal

    low = high = start
    left = right = stride
    for _ in range(_DOUBLINGS):
        if gap(low) <= 0:
            break
        high, low, left = low, low - left, 2 * left
    else:
        raise NoAnswerError("The search for a prediction bound did not settle. Ask for a lower confidence.")
    for _ in range(_DOUBLINGS):
        if gap(high) >= 0:
            break
        low, high, right = high, high + right, 2 * right
    return float(optimize.brentq(gap, low, high, xtol=1e-10 * stride, rtol=1e-14))


def _lowered(
    checked: Callable[[float], float], below: Callable[[float], float], top: float, tail: float, stride: float
) -> float:
    """Highest place found at or below ``top`` whose checked chance is at most the tail: `top` where that is so there.

    Each step seeks the plain chance that goes with the tail. Simulated chances jump a little, so that it ends a few
    per cent below.
    """
    y, value, goal, best = top, checked(top), tail, -np.inf
    if value <= tail * (1 + _CLOSE):
        return top
    for _ in range(_STEPS):
        goal *= tail * (1 - _CLOSE) / value
        y = place_of(below, goal, y, stride)
        value = checked(y)
        best = max(best, y) if value <= tail else best
        if (1 - 2 * _CLOSE) * tail <= value <= tail:
            break
    if not np.isfinite(best):
        raise NoAnswerError("The search for a prediction bound did not settle. Ask for a lower confidence.")
    return float(best)


def lowest_low(law: ConfidenceDistribution, m: int, confidence: float) -> tuple[float, float]:
    """Lower prediction bound of the lowest of the next m in kN, and the same before the check of specimens held early.

    Where specimens held early the chance of a lower one is raised by twice what the calibrated confidences of the
    percentiles add to it (`early_more`): the factor rests on simulation alone. An error that all loads have in common
    lowers the bound by its own reach.

    Parameters
    ----------
    law : ConfidenceDistribution
        With nothing given of the scale from outside.
    m : int
        At least 1.
    confidence : float
        From 0.5 to below 1.
    """
    tail, target, family = 1.0 - confidence, law.groups[0], law.family
    nodes = prediction_nodes(law, m, confidence)
    breaks = int(target.r.max())

    survivors = family.name != "weibull" and law.between is None and bool(target.held.any())
    direct = _with_survivors(nodes, target, m) if survivors and int(target.n.max()) <= _WHOLE else None

    def each(y: float) -> Array:
        q = (y - target.centre) / target.scale
        return lowest_below(nodes, family, q, m, breaks) if direct is None else direct(q)

    def below(y: float) -> float:  # several rows are placements of the breaks: the lowest bound counts
        return float(each(y).max())

    stride = float(target.scale.max())
    top = y = place_of(below, tail, float(target.centre.min()), stride)
    if law.calibrated and breaks < ENOUGH:
        samples = samples_for(confidence)

        def checked(y: float) -> float:
            more = early_more(target, family, nodes, (y - target.centre) / target.scale, m, samples)
            return float((each(y) + EARLY_WEIGHT * more).max())

        y = _lowered(checked, below, top, tail, 0.3 * stride)
    low, plain = (max(0.0, float(family.inverse(at))) for at in (y, top))
    return added_low(low, law.common, confidence), added_low(plain, law.common, confidence)


def _with_survivors(nodes: Nodes, s: Scaled, m: int) -> Callable[[Array], Array]:
    """As `lowest_below` for normal samples with survivors, by the density of the location: much faster there.

    Given the spread and the location the lowest of m is in closed form.
    """
    parts = []
    for row in range(s.r.size):
        part, k = NormalLocation(s.rows(np.array([row]))), nodes.k[row]
        low, high = (edge[0] for edge in part.window(k[None]))
        count = min(int(np.ceil(2 * 8.4 * np.sqrt(part.curve) / 0.75)) + 1, 500)
        v = low[:, None] + (high - low)[:, None] * np.linspace(0.0, 1.0, count)
        height = part.log_density(k[:, None] * part.gap[0], np.full(k.size, part.root[0]), v)
        weight = np.exp(height - height.max(axis=1, keepdims=True))
        weight *= (nodes.weight[row] / weight.sum(axis=1))[:, None]
        parts.append((k[:, None], k[:, None] * part.mean[0] + v / part.root[0], weight))

    def below(q: Array) -> Array:
        return np.array(
            [-(w * np.expm1(m * special.log_ndtr(at - k * x))).sum() for x, (k, at, w) in zip(q, parts, strict=True)]
        )

    return below


def prediction_nodes(law: ConfidenceDistribution, m: int, confidence: float) -> Nodes:
    """The grid of a sample, fit for the lowest of m at a confidence."""
    first = -float(np.expm1(np.log1p(confidence - 1.0) / m))
    return law.nodes(float(abs(law.family.quantile(first))), (1.0 - confidence) / 20)


def early_more(s: Scaled, family: Family, nodes: Nodes, q: Array, m: int, samples: int = SAMPLES) -> Array:
    """What specimens held early add to the chance that the lowest of the next m lies at or below ``q``, one a row.

    That chance is the average, over the fraction F(lowest) that lies below the lowest of m, of the confidence that its
    percentile lies below ``q``; the sum is over how much the calibrated confidences fall short of the plain ones.
    """
    score = np.arange(-_CHECKS, _CHECKS + 1) * _CHECK_STEP
    share = np.exp(-0.5 * score * score)
    share /= share.sum()
    more = np.zeros(np.shape(q))
    for p, part in zip(-np.expm1(special.log_ndtr(-score) / m), share, strict=True):
        if part * samples < 0.25:  # weighs less than the simulation can tell
            continue
        plain = np.clip(1.0 - nodes.cdf(q, float(family.quantile(float(p))))[0], 0.0, 1.0)
        more += part * (plain - calibrated_confidence(s, family, float(p), q, plain, samples))
    return more
