"""The cautious bound of a group: right for nearly every distribution, at the price of a lower number."""

from __future__ import annotations

import numpy as np
from scipy import optimize

from lowtail.claims.basis import Basis
from lowtail.claims.strength.hanson_koopmans import hanson_koopmans
from lowtail.claims.strength.low_record import LowBound, make_low
from lowtail.claims.strength.nonparametric import order_statistic
from lowtail.errors import NoAnswerError
from lowtail.records.sample import Sample

__all__ = ["cautious_confidence", "cautious_low"]


def cautious_low(sample: Sample, basis: Basis) -> LowBound:
    """Order statistic where n carries one, else Hanson-Koopmans."""
    try:
        found = order_statistic(sample.load, basis.fraction_below, basis.confidence)
        return make_low(sample, basis, "none assumed", "cautious", found.low, [])
    except NoAnswerError:
        low = hanson_koopmans(sample.load, basis.fraction_below, basis.confidence, broke=sample.broke).low
        return make_low(sample, basis, "none assumed", "cautious", low, [])


def cautious_confidence(sample: Sample, load: float, fraction_below: float) -> float:
    """Confidence at which the cautious bound reaches the load; NaN where there is none."""

    def gap(g: float) -> float:
        return cautious_low(sample, Basis("asked", fraction_below, g)).low - load

    try:
        if gap(0.999) >= 0:
            return 0.999
        if gap(0.01) < 0:
            return 0.01
        return float(optimize.brentq(gap, 0.01, 0.999, xtol=1e-4))
    except (NoAnswerError, ValueError):
        return float(np.nan)
