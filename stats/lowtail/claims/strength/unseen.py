"""What a bound cannot see: a weaker kind of which no piece was tested."""

from __future__ import annotations

import math
from dataclasses import dataclass

from lowtail._checks import door
from lowtail._numbers import percent_up
from lowtail._record import Record
from lowtail.claims.basis import Basis, get_basis
from lowtail.claims.strength.low_record import floor3, usable_low
from lowtail.errors import InputError, NoAnswerError
from lowtail.models.unseen import missed_share, mixture_low
from lowtail.records.sample import Sample

__all__ = ["UnseenMinority", "unseen_minority"]

WEAKER = (0.15, 0.30)


@dataclass(frozen=True, slots=True, kw_only=True)
class UnseenMinority(Record):
    """How large a weaker kind could have been missed, and the bound if it is there.

    Attributes
    ----------
    group, basis : str
    n : int
        Specimens tested, all taken to be of the main kind.
    share : float
        Share of the population that could have been missed, at 95 % confidence.
    low : float
        The bound that is quoted, kN.
    low_15, low_30 : float
        The bound if that share is 15 % and 30 % weaker, kN: by the Weibull distribution of the main kind, never above
        ``low``; NaN where the sample carries no Weibull bound.
    """

    group: str
    basis: str
    n: int
    share: float
    low: float
    low_15: float
    low_30: float

    def __str__(self) -> str:
        text = (
            f"Holds for pieces like the {self.n} tested. A weaker kind making up as much as {percent_up(self.share)} "
            "could have been missed (95 % confidence)"
        )
        if not math.isfinite(self.low_30) or not self.low > 0:
            return f"{text}."
        if self.low_30 >= self.low:
            return f"{text}; even if it is 30 % weaker, the bound stands."
        each = [f"{d} % weaker the bound is {floor3(v)} kN" for d, v in ((15, self.low_15), (30, self.low_30))]
        kept = each if self.low_15 < self.low else each[1:]
        return f"{text}; if it is {', if '.join(kept)}, not {floor3(self.low)}."


@door
def unseen_minority(sample: Sample, basis: str | Basis = "B-basis", *, low: float | None = None) -> UnseenMinority:
    """Say how large a weaker kind these specimens could have missed, and what the bound is if it is there.

    The share is the exact limit with none seen, 1 - 0.05^(1/n). The bounds are those of the mixture's percentile under
    the Weibull confidence distribution of the main kind, to which all tested pieces are taken to belong.

    Parameters
    ----------
    sample : Sample
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
    confidence); if it is 15 % weaker the bound is 19.6 kN, if 30 % weaker the bound is 16.4 kN, not 21.4.
    """
    wanted = get_basis(basis)
    if not wanted.tolerance:
        raise InputError(f"`basis` must have a content and a confidence, got '{wanted.name}' ({wanted.content}).")
    p, g = wanted.fraction_below, wanted.confidence
    share = missed_share(sample.n)
    able = not sample.lacks
    if low is None:
        if not able:
            raise NoAnswerError(f"{sample.who}: no Weibull bound to speak of: {sample.lacks}.")
        low = mixture_low(sample.load, sample.broke, p, g, 0.0, 0.0)
    mixed = [
        usable_low(min(low, mixture_low(sample.load, sample.broke, p, g, share, d)), sample.load) if able else math.nan
        for d in WEAKER
    ]
    return UnseenMinority(
        group=sample.label, basis=wanted.name, n=sample.n, share=share, low=low, low_15=mixed[0], low_30=mixed[1]
    )
