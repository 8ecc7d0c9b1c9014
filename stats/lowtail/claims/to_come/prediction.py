"""What the next specimens hold: a lower prediction bound for one, and for the lowest of several."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from lowtail._shared.checks import check_fraction, door
from lowtail._shared.numbers import nearest, percent_down
from lowtail._shared.record import Record
from lowtail._shared.sample import Sample, SampleLike, SlipsMean, as_sample
from lowtail.claims.strength.answer import floor3, usable_low
from lowtail.claims.strength.batches import batch_parts
from lowtail.claims.strength.governing import batch_names, treatments
from lowtail.claims.strength.notes import EARLY, between_note, common_note, held_note, lowered_words, uncertainty_note
from lowtail.errors import InputError, NoAnswerError
from lowtail.models.batches.weibull_batches import WeibullBatches
from lowtail.models.confidence.distribution import ConfidenceDistribution, confidence_distribution
from lowtail.models.distributions.common_error import added_low
from lowtail.models.distributions.families import Family, get_family, name_of
from lowtail.models.distributions.rounded import at_lower_edge, coarse_note
from lowtail.models.early.holds import ENOUGH, samples_for
from lowtail.models.prediction.lowest import lowest_low
from lowtail.models.prediction.next_batch import NextBatch, normal_next_batch, weibull_next_batch

__all__ = ["Prediction", "next_batch_of", "prediction"]

MOST = 1000  # specimens to come
LEAST_CONFIDENCE = 0.5
ROBUST = {  # per cent, the lowest for a stated 95, by specimens to come: tests/truth/prediction_wrong.csv
    "lower": {1: 90, 5: 78, 20: 54},
    "weibull": {1: 89, 5: 77, 20: 50},
    "normal": {1: 89, 5: 74, 20: 51},
    "lognormal": {1: 89, 5: 71, 20: 47},
}
POPULATIONS = 16
BETWEEN = (
    "Batches are taken as drawn at random, with normal scatter between them: few batches cannot show whether it is."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Prediction(Record):
    """A lower prediction bound of the lowest of the next m specimens.

    Attributes
    ----------
    group : str
    m : int
        Specimens to come.
    confidence : float
        Chance, over series like this one and the specimens that follow, that each of the m holds at least ``low``.
    n, n_broken, n_held, n_slipped, n_batches : int
        Specimens in hand, what became of them, and named batches (0: not recorded for every specimen).
    low : float
        The bound in kN: ``next_batch`` where there is one, else ``these_batches``; 0: no useful bound.
    family, governed_by : str
        Distribution that set the bound ("weibull", "normal" or "lognormal"), and what made it the lowest: the
        distribution or "batches", with "slips as failures" or "slips as held" where that reading is the lower one.
    these_batches : float
        Bound for further specimens like these, kN.
    next_batch : float
        Bound for specimens of one batch yet to come, kN; NaN with fewer than 2 named batches or where they carry none.
    robust : str
        How far the bound rests on the distribution, as measured; to stand beside it wherever it is quoted.
    notes : tuple of str
        Assumptions and doubts that belong with the number.
    """

    group: str
    m: int
    confidence: float
    n: int
    n_broken: int
    n_held: int
    n_slipped: int
    n_batches: int
    low: float
    family: str
    governed_by: str
    these_batches: float
    next_batch: float
    robust: str
    notes: tuple[str, ...] = ()

    @property
    def unusable(self) -> str:
        """Why the number must not be used, or an empty text."""
        if self.low > 0:
            return ""
        return "the bound is zero: these specimens say nothing useful of the next ones at this confidence"

    def __str__(self) -> str:
        who = f"{self.group}: " if self.group else ""
        batch = math.isfinite(self.next_batch)
        if not self.low > 0:
            what = "specimen" if self.m == 1 else f"{self.m} specimens"
            return f"{who}no useful prediction bound for the next {what} at {100 * self.confidence:g} % confidence."
        if self.m == 1:
            next_ones = "the next specimen, of a batch yet to come," if batch else "the next specimen"
        else:
            next_ones = f"each of the next {self.m:,} specimens{', all of one batch yet to come,' if batch else ''}"
        law = f"{name_of(self.family)} distribution"
        rest = "" if self.governed_by == name_of(self.family) else f"; governed by {self.governed_by}"
        held = f", {self.n - self.n_broken} held" if self.n > self.n_broken else ""
        return (
            f"{who}{'with' if who else 'With'} {100 * self.confidence:g} % confidence {next_ones} holds at least "
            f"{floor3(self.low)} kN ({law}{rest}; {self.n} specimens{held}). {self.robust}"
        )


@door
def prediction(
    sample: SampleLike,
    m: int = 1,
    *,
    confidence: float = 0.95,
    family: str | Family | None = None,
    slips: SlipsMean | None = None,
) -> Prediction:
    """Lower prediction bound of the next specimen, or of the lowest of the next m.

    Exact for complete samples and samples stopped after a set number of breaks, if strength follows the distribution
    (``tests/truth/prediction.csv``): over series and the specimens that follow, the next m all hold at least the bound
    as often as stated. It says nothing of a percentile of the population; for that see `lower_bound`.

    Parameters
    ----------
    sample : Sample or array_like
        Loads in kN with survivors, slips, batches and uncertainties, as in `governing`. Where specimens held below the
        highest break the bound is checked by simulation (below 1,000 breaks) and lowered if need be
        (``tests/truth/prediction_held.csv``). With two or more named batches the specimens to come are those of one
        batch yet to come (``tests/truth/prediction_batches.csv``).
    m : int
        Specimens to come, 1 to 1,000.
    confidence : float
        From 0.5 to below 1.
    family : str or Family, optional
        "weibull", "normal" or "lognormal". Default: the lower of the Weibull and the normal bound.
    slips : str, optional
        What a slip means, "failure" or "held". Default: what the sample says, else the lower of the two bounds.

    Returns
    -------
    Prediction

    Raises
    ------
    NoAnswerError
        If the sample carries no bound; the message says what is missing.
    InputError
        If an argument is out of range.

    See Also
    --------
    governing : the bound of a low percentile that judges a group.
    accept_batch : whether a new lot is accepted.
    plan.new_series : how many specimens a claim takes.

    References
    ----------
    Hahn and Meeker (1991) Statistical Intervals, chapter 4 (from memory).

    Examples
    --------
    >>> series = Sample([24.1, 25.3, 22.8, 26.0, 23.9], label="steel oval, major axis")
    >>> answer = prediction(series, family="normal")
    >>> round(answer.low, 2), answer.governed_by
    (21.5, 'normal')
    """
    sample = as_sample(sample)
    if not 1 <= m <= MOST:
        raise InputError(f"`m` must be a whole number from 1 to {MOST:,}, got {m!r}. It counts the specimens to come.")
    g = check_fraction(confidence, "confidence")
    if g < LEAST_CONFIDENCE:
        raise InputError(f"`confidence` must be at least {LEAST_CONFIDENCE:g} for a lower bound, got {g!r}.")
    laws = [get_family(f) for f in (("weibull", "normal") if family is None else (family,))]
    found = {reading: _one(each, m, g, laws) for reading, each in treatments(sample, slips).items()}
    reading, lowest = min(found.items(), key=lambda item: (item[1].low, item[1].these))
    by = lowest.governed_by
    notes = list(lowest.notes)
    if len({one.low for one in found.values()}) > 1:
        by = f"{by}, slips as {'failures' if reading == 'failure' else 'held'}"
    if sample.n_slipped:
        what = "not stated what a slip means: the lower of both readings stands" if len(found) > 1 else reading
        notes.insert(0, f"{sample.n_slipped} of {sample.n} specimens slipped; slips: {what}.")
    return Prediction(
        group=sample.label,
        m=m,
        confidence=g,
        n=sample.n,
        n_broken=sample.n_broken,
        n_held=sample.n_held,
        n_slipped=sample.n_slipped,
        n_batches=len(batch_names(sample)),
        low=lowest.low,
        family=lowest.family,
        governed_by=by,
        these_batches=min(one.these for one in found.values()),
        next_batch=lowest.following,
        robust=_robust(m, "lower" if family is None else laws[0].name),
        notes=(*notes, *_free(sample, m)),
    )


@dataclass(frozen=True, slots=True)
class _Bounds:
    low: float
    family: str
    governed_by: str
    these: float
    following: float
    notes: tuple[str, ...]


def _one(sample: Sample, m: int, confidence: float, laws: list[Family]) -> _Bounds:
    """The bound of one reading of a sample: the lower of the distributions, and of a batch yet to come."""
    rounded, edge = coarse_note(sample), at_lower_edge(sample)
    each, notes = {}, []
    for law in laws:
        found = confidence_distribution(edge, law)
        low, plain = lowest_low(found, m, confidence)
        each[law.name] = usable_low(low, edge.lower)
        notes += _held(found, sample, low, plain, confidence)
    family, these = min(each.items(), key=lambda item: item[1])
    following, by, low = math.nan, name_of(family), these
    if len(batch_names(sample)) > 1:
        apart = at_lower_edge(sample, by_batch=True)
        at = _each_law(laws, lambda law: _next_batch_low(apart, law, m, confidence), notes)
        if at:
            first = min(at, key=lambda name: at[name])
            following = min(at[first], these)
            notes.append(BETWEEN)
            if following < these:
                family, by, low = first, "batches", following
    notes += [between_note(sample, "bound", "averaged"), uncertainty_note(sample, "bound")]
    notes += [common_note(sample, "bound", "added"), rounded]
    return _Bounds(low, family, by, these, following, tuple(dict.fromkeys(n for n in notes if n)))


def _held(found: ConfidenceDistribution, sample: Sample, low: float, plain: float, confidence: float) -> list[str]:
    """What the survivors do to the bound by one distribution."""
    if not sample.n_held:
        return []
    law = f"{name_of(found.family.name)} bound"
    if not found.held_early:
        return ["Survivors held at or above the highest break: this bound is exact or cautious."]
    if not found.calibrated or sample.n_broken >= ENOUGH:
        return [f"{EARLY}; with {sample.n_broken:,} breaks among {sample.n:,} the {law} is not calibrated for that."]
    return [held_note(law, lowered_words("kN", floor3, plain, low), samples_for(confidence))]


def _each_law(laws: list[Family], make: Callable[[Family], float], notes: list[str]) -> dict[str, float]:
    """Bounds over batches by distribution; where the Weibull one cannot be had and was asked for, none."""
    out: dict[str, float] = {}
    reasons = []
    for law in laws:
        try:
            out[law.name] = make(law)
        except NoAnswerError as reason:
            reasons.append(str(reason))
            if law.name == "weibull":
                break
    if not out:
        notes.append(f"No bound for a batch yet to come: {reasons[0]}")
    return out


def next_batch_of(sample: Sample, law: Family) -> NextBatch:
    """One more batch of a sample with named batches, by one distribution.

    Raises
    ------
    NoAnswerError
        As `batch_bound`.
    """
    parts = batch_parts(sample, law)
    return weibull_next_batch(parts) if isinstance(parts, WeibullBatches) else normal_next_batch(parts)


def _next_batch_low(sample: Sample, law: Family, m: int, confidence: float) -> float:
    y = next_batch_of(sample, law).low(law, m, confidence)
    low = max(0.0, float(law.inverse(y)))
    return usable_low(added_low(low, sample.common_uncertainty, confidence), sample.lower)


def _robust(m: int, judged_by: str) -> str:
    """What was measured where strength followed no such distribution."""
    least = ROBUST[judged_by]
    studied = next((k for k in least if m <= k), max(least))
    what = f"on {POPULATIONS} real or spoiled populations a stated 95 % held for {least[studied]} to 100 %"
    if m == 1:
        return f"How far this rests on the distribution: {what} of the next specimens."
    more = "" if m == studied else ("; for fewer it holds more often" if m < studied else "; for more, less often")
    return f"This rests on the distribution: {what} where the next {studied} were to hold{more}."


def _free(sample: Sample, m: int) -> list[str]:
    """What holds whatever the distribution is, for complete samples."""
    if sample.n_broken < sample.n or sample.n_between or len(batch_names(sample)) > 1:
        return []
    n, all_m = sample.n, "the next specimen holds" if m == 1 else f"the next {m:,} all hold"
    lowest = nearest(float(np.min(sample.load)))
    return [
        f"Whatever the distribution, {all_m} at least the lowest load of these {n} ({lowest} kN) "
        f"with {percent_down(n / (n + m))} confidence, if they are drawn as these were."
    ]
