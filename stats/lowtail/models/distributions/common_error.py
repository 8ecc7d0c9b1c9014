"""An error that all loads of a sample have in common, such as that of the calibration: carried into a lower bound.

The true strength is the recorded one times ``exp(share Z)``, Z standard normal, one Z for the whole sample: no scatter
of the loads shows it. The confidence that a percentile lies above a load is then the average, over Z, of the confidence
that the recorded percentile lies above ``load exp(-share Z)``. It holds on average over calibrations
(``tests/truth/common_error.csv``).
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from scipy import special
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

__all__ = ["added_confidence", "added_low", "blurred"]

_POINTS = 41  # of Gauss and Hermite, over Z
_SCORES = np.linspace(-4.6, 4.6, 33)  # normal scores of the confidences at which the bound is held
_FAR = 0.999


def blurred(low: Callable[[float], float], share: float) -> tuple[Callable[[float], float], Callable[[float], float]]:
    """Confidence of a load, and lower bound at a confidence, both with the common error, from the bound without it.

    Parameters
    ----------
    low : callable
        Confidence to lower bound in kN, falling; 0 or less where there is none.
    share : float
        Relative standard uncertainty in common, greater than 0.
    """
    scores = [score for score in _SCORES if low(float(special.ndtr(score))) > 0]
    if len(scores) < 3:
        return (lambda load: 0.0), (lambda confidence: 0.0)
    height = np.log([low(float(special.ndtr(score))) for score in scores])
    step = np.maximum.accumulate(-height) + 1e-12 * np.arange(height.size)  # falls strictly
    curve = PchipInterpolator(step, scores)
    ends = [(step[i], scores[i], float(curve(step[i], 1))) for i in (0, -1)]
    z, weight = np.polynomial.hermite_e.hermegauss(_POINTS)
    weight = weight / weight.sum()

    def score_at(x: np.ndarray) -> np.ndarray:
        inside = curve(np.clip(x, step[0], step[-1]))
        below, above = (s + slope * (x - at) for at, s, slope in ends)
        beyond_top = special.ndtri(_FAR) * 10 if scores[-1] < _SCORES[-1] else above
        return np.asarray(np.where(x < step[0], below, np.where(x > step[-1], np.minimum(above, beyond_top), inside)))

    def confidence_of(load: float) -> float:
        return float(weight @ special.ndtr(score_at(-(math.log(load) - share * z))))

    def low_at(confidence: float) -> float:
        reach = 9 * share + 1e-9
        first, last = -step[-1] - reach, -step[0] + reach
        if confidence_of(math.exp(first)) < confidence:
            return 0.0
        return math.exp(brentq(lambda x: confidence_of(math.exp(x)) - confidence, first, last, xtol=1e-12))

    return confidence_of, low_at


def added_low(low: float, share: float, confidence: float) -> float:
    """A bound of any kind, lowered by the common error's own quantile: at least as low as `blurred` makes it.

    For a bound without a confidence distribution. The two reaches are added, where independent errors add as squares.
    """
    return low * math.exp(-share * max(float(special.ndtri(confidence)), 0.0))


def added_confidence(confidence_of: Callable[[float], float], load: float, share: float) -> float:
    """The inverse of `added_low`: the highest confidence at which the lowered bound reaches the load."""
    if not share:
        return confidence_of(load)
    low, high = 0.0, 1.0
    for _ in range(50):
        middle = 0.5 * (low + high)
        reached = confidence_of(load * math.exp(share * max(float(special.ndtri(middle)), 0.0))) >= middle
        low, high = (middle, high) if reached else (low, middle)
    return low
