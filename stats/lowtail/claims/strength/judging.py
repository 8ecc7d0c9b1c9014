"""Does it meet its rating? The verdict on one rated value, by the bound that governs: the one home of its words."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from lowtail._shared import numbers as _numbers
from lowtail._shared.checks import door
from lowtail._shared.record import Record
from lowtail._shared.sample import Sample, SampleLike, SlipsMean, as_sample, check_slips
from lowtail.claims.basis import Basis, get_basis
from lowtail.claims.strength.answer import floor3
from lowtail.claims.strength.governing import Governing, governing, treatments
from lowtail.claims.strength.lower_bound import confidence_that, lower_bound
from lowtail.claims.strength.methods import cautious_confidence
from lowtail.errors import InputError, LowtailError
from lowtail.models.distributions.common_error import added_confidence

__all__ = ["Judged", "Verdict", "demonstrated", "judge", "judge_bound"]


class Verdict(StrEnum):
    """What may be said of a rating; the text is what a reader sees first."""

    BROKE_BELOW = "broke below its rating"
    SLIPPED_BELOW = "slipped below its rating"
    BACKED = "backed"
    THESE_BATCHES = "backed for these batches only"
    ONE_BATCH = "backed for this one batch"
    LIKE_THESE = "batch not recorded: backed for specimens like these"
    IF_WEIBULL = "backed only if strength is Weibull"
    NOT_SHOWN = "not shown"
    NO_ANSWER = "cannot be judged"
    SEVERAL = "several ratings"
    REACHED = "reached"
    NOT_REACHED = "not reached"

    @property
    def backed(self) -> bool:
        """Whether the data back the rating for some population, named in the verdict."""
        return self in (Verdict.BACKED, Verdict.THESE_BATCHES, Verdict.ONE_BATCH, Verdict.LIKE_THESE)

    @property
    def below(self) -> bool:
        """Whether a specimen broke or slipped below the rating."""
        return self in (Verdict.BROKE_BELOW, Verdict.SLIPPED_BELOW)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged(Record):
    """A rating against the data.

    Attributes
    ----------
    group, basis : str
    rating : float
        kN.
    verdict : Verdict
    sentence : str
        The verdict with its numbers.
    low : float
        The governing bound in kN; NaN where the group carries none.
    governed_by : str
    these_batches, next_batch : float
        Bounds for specimens like these and for a batch yet to come, kN.
    confidence : float
        Confidence already demonstrated that the rating holds at the content of the basis, for specimens like these.
    broke_below, slipped_below : int
        Specimens that broke, and that slipped, below the rating.
    n : int
    reason : str
        Why there is no bound, or an empty text.
    """

    group: str
    basis: str
    rating: float
    verdict: Verdict
    sentence: str
    low: float
    governed_by: str
    these_batches: float
    next_batch: float
    confidence: float
    broke_below: int
    slipped_below: int
    n: int
    reason: str = ""

    @property
    def unusable(self) -> str:
        """Why it cannot be judged, or an empty text."""
        return self.reason

    def __str__(self) -> str:
        return f"{self.group}: {self.sentence}" if self.group else self.sentence


@door
def judge(
    sample: SampleLike, rating: float, basis: str | Basis = "B-basis", *, slips: SlipsMean | None = None
) -> Judged:
    """Judge a rating of one group by the bound that governs; what the group cannot answer is said in the verdict.

    Parameters
    ----------
    sample : Sample or array_like
    rating : float
        kN, greater than 0.
    basis : str or Basis
        A basis without content and confidence is judged in its own words and says what it demonstrates.
    slips : str, optional
        What a slip means, see `governing`.

    Returns
    -------
    Judged

    Raises
    ------
    InputError
        If an argument is out of range.

    See Also
    --------
    rating_check : every group of a log.

    Examples
    --------
    >>> print(judge(Sample([24.1, 25.3, 22.8, 26.0, 23.9], batch=list("aaaaa")), 15))
    backed for this one batch: B-basis 16.5 kN (governed by cautious bound) reaches 15 kN
    """
    sample = as_sample(sample)
    wanted = get_basis(basis)
    if not (math.isfinite(rating) and rating > 0):
        raise InputError(f"`rating` must be a strength in kN greater than 0, got {rating!r}.")
    if slips is not None:
        check_slips(slips)
    if not wanted.tolerance:
        return _in_its_own_words(sample, rating, wanted)
    try:
        bound, reason = governing(sample, wanted, slips=slips), ""
        shown = demonstrated(sample, rating, wanted, slips)
    except LowtailError as missing:
        bound, reason, shown = None, str(missing), math.nan
    return judge_bound(sample, rating, wanted, bound, shown, reason)


def judge_bound(
    sample: Sample, rating: float, basis: Basis, bound: Governing | None, shown: float, reason: str = ""
) -> Judged:
    """The verdict where the governing bound is known already (None: there is none, for that reason)."""
    broke, slid = _below(sample, rating)
    if broke or slid:
        verdict = Verdict.BROKE_BELOW if broke else Verdict.SLIPPED_BELOW
    elif bound is None:
        verdict = Verdict.NO_ANSWER
    else:
        verdict = _verdict(bound, rating)
    return Judged(
        group=sample.label,
        basis=basis.name,
        rating=float(rating),
        verdict=verdict,
        sentence=_sentence(verdict, sample, rating, basis, bound, shown, reason, (broke, slid)),
        low=bound.low if bound else math.nan,
        governed_by=bound.governed_by if bound else "",
        these_batches=bound.these_batches if bound else math.nan,
        next_batch=bound.next_batch if bound else math.nan,
        confidence=shown,
        broke_below=broke,
        slipped_below=slid,
        n=sample.n,
        reason=reason,
    )


def _below(sample: Sample, rating: float) -> tuple[int, int]:
    low = sample.lower < rating
    return int((low & sample.broke).sum()), int((low & sample.slipped).sum())


def _verdict(bound: Governing, rating: float) -> Verdict:
    if bound.low >= rating and math.isfinite(bound.next_batch):
        return Verdict.BACKED
    if bound.these_batches >= rating:
        if bound.n_batches > 1:
            return Verdict.THESE_BATCHES
        return Verdict.ONE_BATCH if bound.n_batches == 1 else Verdict.LIKE_THESE
    return Verdict.IF_WEIBULL if bound.weibull >= rating else Verdict.NOT_SHOWN


def _sentence(
    verdict: Verdict,
    sample: Sample,
    rating: float,
    basis: Basis,
    bound: Governing | None,
    shown: float,
    reason: str,
    below: tuple[int, int],
) -> str:
    if verdict.below:
        astride = (sample.lower < rating) & sample.between & (sample.upper > rating)
        broke = "broke, or may have broken," if astride.any() else "broke"
        parts = [f"{k} of {sample.n} {w}" for k, w in zip(below, (broke, "slipped"), strict=True) if k]
        return f"{verdict}: {' and '.join(parts)} under {rating:g} kN"
    if bound is None:
        return f"{verdict}: {reason}"
    asked = f"{basis.name} {floor3(bound.low)} kN (governed by {bound.governed_by})"
    these = f"{basis.name} {floor3(bound.these_batches)} kN"
    if verdict is Verdict.BACKED:
        return f"{verdict}: {asked} reaches {rating:g} kN, for a batch yet to come"
    if verdict is Verdict.THESE_BATCHES:
        ahead = (
            f"for a batch yet to come {floor3(bound.next_batch)} kN"
            if math.isfinite(bound.next_batch)
            else "nothing can be said of a batch yet to come"
        )
        return f"{verdict}: {these} reaches {rating:g} kN for these {bound.n_batches} batches; {ahead}"
    if verdict.backed:
        return f"{verdict}: {asked} reaches {rating:g} kN"
    if verdict is Verdict.IF_WEIBULL:
        some = f" for these {bound.n_batches} batches" if bound.n_batches > 1 else ""
        return (
            f"{verdict} down to the {basis.percentile}: Weibull {floor3(bound.weibull)} kN reaches {rating:g} kN"
            f"{some}, {these} does not"
        )
    return (
        f"{verdict}: {asked} is under {rating:g} kN (demonstrated for specimens like these with "
        f"{_numbers.confidence(shown)} confidence, {100 * basis.confidence:g} % asked)"
    )


def demonstrated(sample: Sample, load: float, basis: Basis, slips: SlipsMean | None = None) -> float:
    """Confidence already demonstrated that the load holds at the content of the basis, by the rule that governs.

    The lowest of what the Weibull, the normal and the cautious bound demonstrate, in the worse reading of slips, for
    specimens like these; it reaches the confidence of the basis exactly where the governing bound of these specimens
    reaches the load.
    """
    return min(_demonstrated(each, load, basis) for each in treatments(sample, slips).values())


def _demonstrated(sample: Sample, load: float, basis: Basis) -> float:
    p = basis.fraction_below
    if sample.n_broken == 0:
        return added_confidence(
            lambda x: 1 - (1 - p) ** int((sample.lower >= x).sum()), load, sample.common_uncertainty
        )
    found = [confidence_that(sample, load, p, family=family).confidence for family in ("weibull", "normal")]
    third = cautious_confidence(sample, load, basis)
    return min([*found, third]) if math.isfinite(third) else min(found)


def _in_its_own_words(sample: Sample, rating: float, basis: Basis) -> Judged:
    """A rating against a limit that is no bound: in its own words, with what the limit demonstrates."""
    broke, slid = _below(sample, rating)
    low, reason, shows = math.nan, "", ""
    try:
        found = lower_bound(sample, basis)
        low, shows = found.low, " ".join(found.notes)
    except LowtailError as missing:
        reason = str(missing)
    if broke or slid:
        verdict = Verdict.BROKE_BELOW if broke else Verdict.SLIPPED_BELOW
        sentence = _sentence(verdict, sample, rating, basis, None, math.nan, reason, (broke, slid))
    elif reason:
        verdict, sentence = Verdict.NO_ANSWER, f"{Verdict.NO_ANSWER}: {reason}"
    else:
        verdict = Verdict.REACHED if low >= rating else Verdict.NOT_REACHED
        than = "is above" if low > rating else "equals" if low == rating else "is under"
        sentence = f"{verdict}: {basis.name} {floor3(low)} kN {than} {rating:g} kN. {shows}"
    return Judged(
        group=sample.label,
        basis=basis.name,
        rating=float(rating),
        verdict=verdict,
        sentence=sentence,
        low=low,
        governed_by=basis.name,
        these_batches=math.nan,
        next_batch=math.nan,
        confidence=math.nan,
        broke_below=broke,
        slipped_below=slid,
        n=sample.n,
        reason=reason,
    )
