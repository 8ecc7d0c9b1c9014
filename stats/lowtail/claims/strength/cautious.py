"""The cautious bound of a group: right for nearly every distribution, at the price of a lower number."""

from __future__ import annotations

import math

from lowtail.claims.basis import Basis
from lowtail.claims.strength.answer import LowerBound, make_low
from lowtail.errors import NoAnswerError
from lowtail.logs.sample import Sample
from lowtail.models.bounds import cautious
from lowtail.models.distributions.common_error import added_confidence

__all__ = ["cautious_confidence", "cautious_low"]


def cautious_low(sample: Sample, basis: Basis) -> LowerBound:
    """The cautious bound of one group on a tolerance basis, see `lowtail.models.bounds.cautious`.

    Raises
    ------
    NoAnswerError
        If too few broke, or ties, leave no such bound; the message says what is missing.
    """
    try:
        found = cautious.placed_bound(sample.lower, sample.upper, basis.fraction_below, basis.confidence)
    except NoAnswerError as reason:
        raise NoAnswerError(f"{sample.who}: no cautious bound: {reason}.") from reason
    if found.method == "order statistic":
        note = f"Cautious bound: the {found.rank}. smallest load, whatever the distribution."
    else:
        note = (
            f"Cautious bound: Hanson-Koopmans from the 1. and the {found.rank}. smallest load at break; for "
            "distributions log-concave in ln load."
        )
    if found.left_out:
        note += f" {found.left_out} of {sample.n} specimens held below the lowest break and take no part in it."
    return make_low(sample, basis, "none assumed", "cautious", found.low, [note])


def cautious_confidence(sample: Sample, load: float, basis: Basis) -> float:
    """Confidence at which the cautious bound reaches a load, its ranks those of the basis; NaN where there is none."""
    try:
        return added_confidence(
            lambda x: cautious.placed_confidence(sample.lower, sample.upper, x, basis.fraction_below, basis.confidence),
            load,
            sample.common_uncertainty,
        )
    except NoAnswerError:
        return math.nan
