"""The cautious bound of a group: right for nearly every distribution, at the price of a lower number."""

from __future__ import annotations

import numpy as np
from scipy import stats

from lowtail.claims.basis import Basis
from lowtail.claims.strength.hanson_koopmans import hanson_koopmans, hanson_koopmans_confidence
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


def cautious_confidence(sample: Sample, load: float, basis: Basis) -> float:
    """Confidence of the cautious bound of this basis (its ranks fixed) at a load; NaN where there is no such bound."""
    p, n = basis.fraction_below, sample.n
    values = np.sort(sample.load)
    try:
        rank = order_statistic(sample.load, p, basis.confidence).rank
    except NoAnswerError:
        rank = 0
    if rank:
        ranks = np.flatnonzero(values >= load)
        return float(stats.binom.sf(ranks[0], n, p)) if ranks.size else 0.0
    try:
        bound = hanson_koopmans(sample.load, p, basis.confidence, broke=sample.broke)
    except NoAnswerError:
        return float(np.nan)
    low, high = values[0], values[bound.rank - 1]
    factor = np.log(high / load) / np.log(high / low)
    if factor < 1:
        return float(stats.binom.sf(0, n, p)) if load <= low else 0.0
    return hanson_koopmans_confidence(n, p, bound.rank, float(factor))
