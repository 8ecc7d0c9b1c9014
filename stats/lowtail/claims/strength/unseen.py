"""What a bound cannot see: a weaker kind of which no piece was tested."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lowtail._shared.checks import door
from lowtail._shared.numbers import percent_up
from lowtail._shared.record import Record
from lowtail._shared.sample import Sample, SampleLike, as_sample
from lowtail.claims.basis import Basis, get_basis
from lowtail.claims.strength.answer import floor3, usable_low
from lowtail.errors import InputError, NoAnswerError
from lowtail.models.bounds.unseen import counted, missed_share, mixture_low
from lowtail.models.confidence.distribution import confidence_distribution
from lowtail.models.distributions.rounded import at_lower_edge

__all__ = ["UnseenMinority", "unseen_minority"]


@dataclass(frozen=True, slots=True, kw_only=True)
class UnseenMinority(Record):
    """How large a weaker kind could have been missed, and the bound if it is there.

    Attributes
    ----------
    group, basis : str
    n : int
        Specimens tested.
    n_counted : int
        Those that would have shown a weaker kind, all taken to be of the main kind: they broke, or held at the median
        break or above. What held at a lower load could be weaker and not have shown it.
    share : float
        Share of the population that could have been missed, at 95 % confidence.
    low : float
        The bound that is quoted, kN.
    low_15, low_30 : float
        The bound if that share is 15 % and 30 % weaker, kN: ``low``, lowered in the proportion in which the Weibull
        bound of the main kind would be; NaN where the sample carries no Weibull bound.
    """

    group: str
    basis: str
    n: int
    n_counted: int
    share: float
    low: float
    low_15: float
    low_30: float

    def __str__(self) -> str:
        pieces = f"the {self.n} tested"
        if self.n_counted < self.n:
            pieces = f"the {self.n_counted} of {self.n} tested that broke or held as high as the median break"
        text = (
            f"Holds for pieces like {pieces}. A weaker kind making up as much as {percent_up(self.share)} "
            "could have been missed (95 % confidence)"
        )
        if not math.isfinite(self.low_30) or not self.low > 0:
            return f"{text}."
        return (
            f"{text}; if it is 15 % weaker the bound is {floor3(self.low_15)} kN, if 30 % weaker "
            f"{floor3(self.low_30)} kN, not {floor3(self.low)}."
        )


@door
def unseen_minority(sample: SampleLike, basis: str | Basis = "B-basis", *, low: float | None = None) -> UnseenMinority:
    """Say how large a weaker kind these specimens could have missed, and what the bound is if it is there.

    The share is the exact limit with none seen, 1 - 0.05^(1/n), n the pieces that would have shown a weaker kind. The
    bounds are ``low`` times the ratio of two Weibull bounds: of the mixture's percentile, all those pieces taken to be
    of the main kind, and of the main kind's. For the Weibull bound of a sample without early holds that is the bound of
    the mixture itself. A break between two loads counts at their middle. Coverage, also on real strengths and for a
    batch yet to come: ``tests/truth/unseen.csv``.

    Parameters
    ----------
    sample : Sample or array_like
        Loads in kN with survivors.
    basis : str or Basis
        A basis with content and confidence.
    low : float, optional
        The bound that is quoted, kN, at least 0; default that of the Weibull distribution.

    Returns
    -------
    UnseenMinority

    Raises
    ------
    InputError
        If the basis has no content and confidence.
    NoAnswerError
        If ``low`` is not given and the sample carries no bound.

    See Also
    --------
    governing : the bound beside which this is said.

    References
    ----------
    Clopper and Pearson (1934), Biometrika 26:404-413 (from memory).

    Examples
    --------
    >>> sample = Sample([24.1, 25.3, 22.8, 26.0, 23.9, 25.1, 24.4, 23.2, 25.8, 24.7])
    >>> print(unseen_minority(sample, "B-basis"))
    Holds for pieces like the 10 tested. A weaker kind making up as much as 26 % could have been missed (95 %
    confidence); if it is 15 % weaker the bound is 19.6 kN, if 30 % weaker 16.4 kN, not 21.4.
    """
    sample = as_sample(sample)
    wanted = get_basis(basis)
    if not wanted.tolerance:
        raise InputError(f"`basis` must have a content and a confidence, got '{wanted.name}' ({wanted.content}).")
    p, g = wanted.fraction_below, wanted.confidence
    if low is None:
        if sample.lacks:
            raise NoAnswerError(f"{sample.who}: no Weibull bound to speak of: {sample.lacks}.")
        sample = at_lower_edge(sample)
        low = confidence_distribution(sample).low(p, g)
    n_counted = int(counted(sample.middle, sample.broke).sum())
    share = missed_share(n_counted)
    low_15, low_30 = _lowered(sample, low, p, g, share)
    return UnseenMinority(
        group=sample.label,
        basis=wanted.name,
        n=sample.n,
        n_counted=n_counted,
        share=share,
        low=low,
        low_15=low_15,
        low_30=low_30,
    )


def _lowered(sample: Sample, low: float, p: float, g: float, share: float) -> list[float]:
    """The bound if a share is 15 and 30 % weaker, kN; NaN without a Weibull bound to take the proportion from."""
    if sample.lacks or np.ptp(sample.middle[sample.broke]) == 0:
        return [math.nan, math.nan]
    plain, *mixed = (
        mixture_low(sample.middle, sample.broke, p, g, e, d) for e, d in ((0.0, 0.0), (share, 0.15), (share, 0.30))
    )
    return [usable_low(low * min(1.0, m / plain) if plain > 0 else 0.0, sample.lower) for m in mixed]
