"""The bound that judges, and what governs it: the one home of that rule.

Table, rating check, first lines, figures, command, plans and every file written take the bound of a group from here.

The rule, for a group and a basis with content and confidence:

- specimens like these: the lowest of the Weibull bound, the normal bound and the cautious bound, which assumes far less
  of the distribution (`lowtail.models.bounds.cautious`);
- slips: read as failures and as loads held, the lower of the two answers, unless the log or the caller says what a slip
  means;
- a batch yet to come: with two or more named batches the bound over batches, never above the first.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from lowtail._shared.checks import door
from lowtail._shared.record import Record
from lowtail._shared.sample import Sample, SampleLike, SlipsMean, as_sample, check_slips
from lowtail.claims.basis import Basis, get_basis
from lowtail.claims.strength.answer import floor3, usable_low
from lowtail.claims.strength.batches import batch_low
from lowtail.claims.strength.lower_bound import LowerBound, lower_bound
from lowtail.claims.strength.methods import cautious_low
from lowtail.claims.strength.unseen import unseen_minority
from lowtail.errors import InputError, NoAnswerError
from lowtail.models.distributions.rounded import at_lower_edge

__all__ = ["Governing", "batch_names", "governing", "next_batch_low", "treatments"]

NAMES = {"weibull": "Weibull", "normal": "normal", "lognormal": "lognormal"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Governing(Record):
    """The lower bound that judges a group on a basis, and what governs it.

    Attributes
    ----------
    group, basis : str
    fraction_below, confidence : float
        Of the basis.
    n, n_broken, n_held, n_slipped, n_batches : int
        Specimens, what became of them, and named batches (0: not recorded for every specimen).
    low : float
        The bound that judges, kN: ``next_batch`` where there is one, else ``these_batches``.
    governed_by : str
        What sets it: "Weibull", "normal", "cautious bound", "batches" or "no distribution" (none broke), with "slips as
        failures" or "slips as held" where that reading of the slips is the lower one.
    these_batches : float
        Bound for specimens like these, kN: the lowest of the next three.
    next_batch : float
        Bound for a batch yet to come, kN; NaN with fewer than 2 named batches or where they carry none.
    weibull, normal, cautious : float
        Bounds by one distribution each, and the one that assumes far less, kN; NaN where there is none.
    estimate : float
        Best estimate of the percentile by the Weibull distribution, kN, no margin in it.
    slips : str
        How slips were read: "" (none), "failure", "held", "failure (as stated)" or "held (as stated)".
    unseen : str
        What the bound cannot see: the sentence of `unseen_minority`, to stand beside the bound wherever it is quoted.
    notes : tuple of str
        Assumptions and doubts that belong with the number.
    """

    group: str
    basis: str
    fraction_below: float
    confidence: float
    n: int
    n_broken: int
    n_held: int
    n_slipped: int
    n_batches: int
    low: float
    governed_by: str
    these_batches: float
    next_batch: float
    weibull: float
    normal: float
    cautious: float
    estimate: float
    slips: str = ""
    unseen: str = ""
    notes: tuple[str, ...] = ()

    @property
    def population(self) -> str:
        """Whom the bound speaks of, e.g. "a batch yet to come", "this one batch", "specimens like these"."""
        if math.isfinite(self.next_batch):
            return "a batch yet to come"
        if self.n_batches > 1:
            return f"these {self.n_batches} batches"
        return "this one batch" if self.n_batches == 1 else "specimens like these"

    @property
    def unusable(self) -> str:
        """Why the number must not be used, or an empty text."""
        if self.low > 0:
            return ""
        return "the bound is zero: these specimens show no useful low-percentile strength on this basis"

    def __str__(self) -> str:
        who = f"{self.group}: " if self.group else ""
        if not self.low > 0:
            return f"{who}no useful {self.basis} bound for {self.population} (governed by {self.governed_by})."
        return (
            f"{who}{'with' if who else 'With'} {100 * self.confidence:g} % confidence, at least "
            f"{100 * (1 - self.fraction_below):g} % of the population is stronger than {floor3(self.low)} kN "
            f"({self.basis} for {self.population}; governed by {self.governed_by}; {self.n} specimens: "
            f"{self._counts()}). {self.unseen}".rstrip()
        )

    def _counts(self) -> str:
        parts = ((self.n_broken, "broke"), (self.n_held, "held"), (self.n_slipped, "slipped"))
        return ", ".join(f"{number} {word}" for number, word in parts if number)


def batch_names(sample: Sample) -> tuple[str, ...]:
    """Names of the batches where every specimen has one; else none."""
    if sample.batch is None or any(not str(b).strip() for b in sample.batch):
        return ()
    return tuple(dict.fromkeys(str(b) for b in sample.batch))


def treatments(sample: Sample, slips: SlipsMean | None = None) -> dict[str, Sample]:
    """The readings of a sample's slips that must be weighed: one where they are stated or there are none, else two."""
    stated = sample.slips if slips is None else check_slips(slips)
    if not sample.n_slipped:
        return {"": sample}
    if stated:
        return {f"{stated} (as stated)": sample.with_slips(stated)}
    return {"failure": sample.with_slips("failure"), "held": sample.with_slips("held")}


@door
def governing(sample: SampleLike, basis: str | Basis = "B-basis", *, slips: SlipsMean | None = None) -> Governing:
    """The lower bound that judges a group, and what governs it.

    The lowest of the Weibull, the normal and the cautious bound; with slips the lower of both readings; with two or
    more named batches the bound for a batch yet to come. For one named distribution or method see `lower_bound`.

    Parameters
    ----------
    sample : Sample or array_like
        Loads in kN, with survivors, slips and batches.
    basis : str or Basis
        A basis with content and confidence ("tolerance").
    slips : str, optional
        What a slip means: "failure" (it failed at that load) or "held" (at least that strong). Default: what the sample
        says, else the lower of the two.

    Returns
    -------
    Governing

    Raises
    ------
    NoAnswerError
        If the sample carries no bound; the message says what is missing.
    InputError
        If the basis is of a kind without content and confidence.

    See Also
    --------
    lower_bound : one bound by name.
    rating_check : the verdict on a rating by this rule.

    Examples
    --------
    >>> print(governing(Sample([24.1, 25.3, 22.8, 26.0, 23.9], label="steel oval"), "B-basis"))
    steel oval: with 95 % confidence, at least 90 % of the population is stronger than 16.5 kN (B-basis for specimens
    like these; governed by cautious bound; 5 specimens: 5 broke). Holds for pieces like the 5 tested. A weaker kind
    making up as much as 46 % could have been missed (95 % confidence); if it is 15 % weaker the bound is 14.9 kN, if
    30 % weaker 12.5 kN, not 16.5.
    """
    sample = as_sample(sample)
    wanted = get_basis(basis)
    if not wanted.tolerance:
        raise InputError(
            f"`basis` must have a content and a confidence to govern; '{wanted.name}' is {wanted.content}. Use "
            "lt.lower_bound, which says what it demonstrates."
        )
    found = {reading: _one(each, wanted) for reading, each in treatments(sample, slips).items()}
    reading, lowest = min(found.items(), key=lambda item: (item[1].low, item[1].these_batches))
    these = min(one.these_batches for one in found.values())
    differ = len(found) > 1 and len({one.low for one in found.values()}) > 1
    by = lowest.governed_by
    notes = list(lowest.notes)
    if differ:
        by = f"{by}, slips as {'failures' if reading == 'failure' else 'held'}"
    if sample.n_slipped:
        notes.insert(0, _slip_note(sample, reading, list(found)))
    return Governing(
        group=sample.label,
        basis=wanted.name,
        fraction_below=wanted.fraction_below,
        confidence=wanted.confidence,
        n=sample.n,
        n_broken=sample.n_broken,
        n_held=sample.n_held,
        n_slipped=sample.n_slipped,
        n_batches=len(batch_names(sample)),
        low=lowest.low,
        governed_by=by,
        these_batches=these,
        next_batch=lowest.next_batch,
        weibull=lowest.weibull,
        normal=lowest.normal,
        cautious=lowest.cautious,
        estimate=lowest.estimate,
        slips=reading,
        unseen=str(unseen_minority(lowest.sample, wanted, low=lowest.low)),
        notes=tuple(dict.fromkeys(notes)),
    )


def _slip_note(sample: Sample, reading: str, readings: list[str]) -> str:
    slid = f"{sample.n_slipped} of {sample.n} specimens slipped"
    if len(readings) > 1:
        return (
            f"{slid}; it is not stated what a slip means: the lower of both readings stands (here slips as "
            f"{'failures' if reading == 'failure' else 'held'})."
        )
    return f"{slid}; assumption, as stated: a slip is {'a failure' if reading.startswith('f') else 'a load held'}."


@dataclass(frozen=True, slots=True, kw_only=True)
class _Bounds:
    """Bounds of one reading of a sample."""

    sample: Sample
    low: float
    governed_by: str
    these_batches: float
    next_batch: float
    weibull: float
    normal: float
    cautious: float
    estimate: float
    notes: tuple[str, ...]


def _one(sample: Sample, basis: Basis) -> _Bounds:
    main = lower_bound(sample, basis)
    sample, apart = at_lower_edge(sample), at_lower_edge(sample, by_batch=True)
    notes = list(main.notes)
    normal = cautious = math.nan
    if main.family == "none assumed":  # none broke
        by, these = "no distribution", main.low
    else:
        normal = lower_bound(sample, basis, family="normal").low
        third = _attempt(lambda: cautious_low(sample, basis), notes, "No bound with fewer assumptions: ")
        cautious = third.low if third is not None else math.nan
        each = {"Weibull": main.low, "normal": normal, "cautious bound": cautious}
        by, these = min(((k, v) for k, v in each.items() if math.isfinite(v)), key=lambda item: item[1])
    following = next_batch_low(apart, basis, notes)
    low = these
    if math.isfinite(following):
        following = min(following, these)
        low, by = following, ("batches" if following < these else by)
    if note := basis.sampling_note(sample.n, len(batch_names(sample))):
        notes.append(note)
    return _Bounds(
        sample=sample,
        low=low,
        governed_by=by,
        these_batches=these,
        next_batch=following,
        weibull=main.low,
        normal=normal,
        cautious=cautious,
        estimate=main.estimate,
        notes=tuple(notes),
    )


def _attempt(make: Callable[[], LowerBound], notes: list[str], what: str) -> LowerBound | None:
    try:
        return make()
    except NoAnswerError as reason:
        notes.append(f"{what}{reason}")
        return None


def next_batch_low(sample: Sample, basis: Basis, notes: list[str] | None = None) -> float:
    """Lower bound for a batch yet to come, kN: the lower of Weibull and normal scatter within batches.

    NaN with fewer than 2 named batches, or where they carry no such bound (then ``notes`` gains the reason).
    """
    if len(batch_names(sample)) < 2 or basis.fraction_below > 0.5:
        return math.nan
    lows: list[float] = []
    reasons: list[str] = []
    for family in ("weibull", "normal"):
        try:
            low = batch_low(sample, basis.fraction_below, basis.confidence, family)
            lows.append(usable_low(low, sample.lower))
        except NoAnswerError as reason:
            reasons.append(str(reason))
            if family == "weibull":  # without it nothing is said: the normal alone is too bold for Weibull scatter
                break
    if not lows:
        if notes is not None:
            notes.append(f"No bound for a batch yet to come: {reasons[0]}")
        return math.nan
    return min(lows)
