"""How strong, at least, is this group? The lower confidence bound of a low percentile, and the reverse question."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, get_args

import numpy as np

from lowtail._shared.checks import door
from lowtail._shared.record import Record
from lowtail._shared.sample import Sample, SampleLike, as_sample
from lowtail.claims.basis import Basis, check_fraction, get_basis
from lowtail.claims.strength.answer import LowerBound, floor3, make_low
from lowtail.claims.strength.borrowed import EQUAL, EQUAL_COVERED, borrow
from lowtail.claims.strength.methods import OTHER_METHODS, mean_minus_ks, none_broken
from lowtail.claims.strength.notes import EARLY, held_note, load_notes, lowered_words
from lowtail.errors import InputError
from lowtail.models.confidence.distribution import ConfidenceDistribution, ScalePrior, confidence_distribution
from lowtail.models.confidence.siblings import floor_confidence
from lowtail.models.distributions.families import Family, get_family, name_of
from lowtail.models.distributions.rounded import at_lower_edge, coarse_note
from lowtail.models.early.holds import samples_for

__all__ = ["METHODS", "Demonstrated", "LowerBound", "confidence_that", "floor3", "lower_bound"]

Method = Literal[
    "auto",
    "confidence distribution",
    "equal scatter",
    "order statistic",
    "Hanson-Koopmans",
    "cautious",
    "batches",
    "likelihood ratio",
    "large sample",
]
METHODS: tuple[str, ...] = get_args(Method)
OwnOrEqual = Literal["auto", "equal scatter"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Demonstrated(Record):
    """With what confidence a series shows a strength.

    ``confidence`` is that with which at most ``fraction_below`` of the population is weaker than ``load`` (kN). With
    borrowed scatter ``own`` is that by the group alone, ``conflict_p`` and ``pooling_refused`` as in `LowerBound`.
    """

    group: str
    family: str
    load: float
    fraction_below: float
    confidence: float
    n: int
    n_broken: int
    notes: tuple[str, ...] = ()
    own: float = float("nan")
    conflict_p: float = float("nan")
    pooling_refused: bool = False

    def __str__(self) -> str:
        who = f"{self.group}: " if self.group else ""
        shown = _percent(self.confidence)
        law, average, alone = f"{name_of(self.family)} distribution", "", ""
        if self.pooling_refused:
            law = f"{law}, own scatter, pooling refused"
        elif np.isfinite(self.own):
            law, average = f"{law}, borrowed scatter", " on average over groups whose scatters differ as these do"
            least = _percent(floor_confidence(self.confidence)) if 0 < self.confidence < 1 else shown
            alone = f" For this group alone, whatever the others are, at least {least} %; by its own scatter "
            alone += f"{_percent(self.own)} %."
        return (
            f"{who}these {self.n} specimens ({self.n_broken} broke) show with {shown} % confidence{average} that "
            f"{100 * (1 - self.fraction_below):g} % are stronger than {self.load:.4g} kN ({law}).{alone}"
        )


def _basis(basis: str | Basis | None, fraction_below: float | None, confidence: float | None) -> Basis:
    if fraction_below is None and confidence is None:
        return get_basis("B-basis" if basis is None else basis)
    if basis is not None:
        raise InputError("Give either `basis` or `fraction_below` with `confidence`, not both.")
    if fraction_below is None or confidence is None:
        missing = "fraction_below" if fraction_below is None else "confidence"
        raise InputError(f"`{missing}` is missing: a bound needs both `fraction_below` and `confidence`.")
    p, g = check_fraction(fraction_below, "fraction_below"), check_fraction(confidence, "confidence")
    return Basis(f"{100 * p:g} %, {100 * g:g} %", p, g)


@door
def lower_bound(
    sample: SampleLike,
    basis: str | Basis | None = None,
    *,
    fraction_below: float | None = None,
    confidence: float | None = None,
    family: str | Family = "weibull",
    method: Method = "auto",
    shape: float | None = None,
    cv: float | None = None,
    siblings: Sequence[Sample] | None = None,
    prior: ScalePrior | None = None,
) -> LowerBound:
    """Lower confidence bound of the low percentile of one group.

    Parameters
    ----------
    sample : Sample or array_like
        Loads in kN; specimens that held are right-censored. Loads recorded in steps wider than a quarter of their
        standard deviation are placed where no bound gains by the rounding (`lowtail.models.distributions.rounded`).
        Breaks between two loads are taken as such, where the steps are no wider than the scatter of their middles, else
        the bound is the lowest over all loads at which they can have broken; an uncertainty that all loads have in
        common lowers it. A note says which was done. Coverage: ``rounded_loads.csv``, ``interval_loads.csv`` and
        ``common_error.csv``, all in ``tests/truth``.
    basis : str or Basis, optional
        A name in `BASES` or a Basis of your own; default "B-basis". Or give the next two.
    fraction_below, confidence : float, optional
        Both between 0 and 1.
    family : str or Family
        "weibull" (default), "lognormal" or "normal".
    method : str
        "auto" is the confidence distribution: exact for complete samples and samples stopped after a set number of
        breaks. Where specimens held below the highest break it is checked by simulation (1,024 samples, fixed seed)
        and lowered if need be; a known or equal scatter is not, and a note says so. Where none broke it is the
        attribute statement, if n suffices. "equal scatter" takes the siblings to have exactly the scatter of this
        group: where they have less, the bound is far too high, and a note says how far. "order statistic" and
        "Hanson-Koopmans" assume no distribution, and "cautious" is the one of them that n calls for; "batches" is the
        between-batch bound; "likelihood ratio" and "large sample" are there for comparison (their coverage falls
        short). None is ever chosen for you.
    shape, cv : float, optional
        Known Weibull shape, or known coefficient of variation (normal families); printed as an assumption.
    siblings : sequence of Sample, optional
        Groups of the same kind that lend their scatter, not their strength (Weibull and lognormal; from 75 %
        confidence on); the group itself may be among them. The confidence then holds on average over groups whose
        scatters differ as these do; for this group alone, whatever the others are, a lower one holds (80 % for 95 %,
        50 % for 75 %), since the bound is never above the own bound at that. If the group is more scattered than its
        siblings let expect (conflict p below 0.05), it is the own bound. The group needs 2 different loads at break.
        Coverage: ``tests/truth/borrowed_scatter.csv``.
    prior : ScalePrior, optional
        Scatter from earlier series (`scale_prior`) or stated, by the same rule.

    Returns
    -------
    LowerBound

    Raises
    ------
    NoAnswerError
        If the sample cannot carry the bound; the message says what is missing.
    InputError
        If an argument is out of range or does not fit the others.

    See Also
    --------
    governing : the bound that judges a group.
    confidence_that : the confidence already demonstrated for a load.
    strength_table : every group of a log.
    many.lower_bound : many samples at once.

    References
    ----------
    Lawless (1978) Technometrics 20:355-364 (Weibull); Owen (1963) SCR-607, noncentral t (normal); both from memory.

    Examples
    --------
    >>> series = Sample([24.1, 25.3, 22.8, 26.0, 23.9], label="steel oval, major axis")
    >>> print(lower_bound(series, "B-basis", family="normal"))
    steel oval, major axis: with 95 % confidence, at least 90 % of the population is stronger than 20.1 kN (B-basis;
    normal distribution, confidence distribution; 5 specimens).
    """
    sample = as_sample(sample)
    law = get_family(family)
    wanted = _basis(basis, fraction_below, confidence)
    if method not in METHODS:
        raise InputError(f"`method` must be one of {', '.join(map(repr, METHODS))}, got {method!r}.")
    if wanted.kind != "tolerance":
        return mean_minus_ks(sample, wanted)
    given = _one_source(method, {"shape": shape, "cv": cv, "siblings": siblings, "prior": prior})
    if (note := coarse_note(sample)) and method != "batches":  # which places its loads batch by batch
        placed = lower_bound(
            at_lower_edge(sample), wanted, family=law, method=method, shape=shape, cv=cv, siblings=siblings, prior=prior
        )
        return replace(placed, notes=(*placed.notes, note))
    siblings = None if siblings is None else [at_lower_edge(each) for each in siblings]
    if given in ("siblings", "prior") and method != "equal scatter":
        return borrow(sample, law, siblings, prior).low(wanted)
    if method == "auto" and sample.n_broken == 0 and not given:
        return none_broken(sample, wanted)
    if method in ("auto", "confidence distribution", "equal scatter"):
        found = confidence_distribution(sample, law, shape=shape, cv=cv, equal_scatter=siblings)
        p, g = wanted.fraction_below, wanted.confidence
        low = found.low(p, g)
        plain = found.plain_low(p, g) if found.calibrated else low
        how = _law_method(found, method) + (", lowered for early holds" if low < plain else "")
        lowered = lowered_words("kN", floor3, plain, low)
        notes = [*_law_notes(sample, found, method, p), *_held_notes(sample, found, "bound", lowered, g)]
        return make_low(sample, wanted, law.name, how, low, notes, shape, "averaged")
    return OTHER_METHODS[method](sample, wanted, law)


def _one_source(method: str, outside: dict[str, object]) -> str:
    """The one thing given from outside the group, or an empty text; it must fit the method."""
    given = [name for name, value in outside.items() if value is not None]
    if len(given) > 1:
        raise InputError(
            f"Give only one of {', '.join(f'`{name}`' for name in outside)}: each one settles the scatter."
        )
    if method == "equal scatter" and given != ["siblings"]:
        raise InputError("Method 'equal scatter' takes the scatter of `siblings`; give that, and nothing else.")
    if given and method not in ("auto", "confidence distribution", "equal scatter"):
        raise InputError(f"`{given[0]}` belongs to the confidence distribution, not to method {method!r}.")
    return given[0] if given else ""


def _law_method(law: ConfidenceDistribution, method: str) -> str:
    if law.known is not None:
        return "known spread"
    return "equal scatter" if method == "equal scatter" else "confidence distribution"


def _law_notes(sample: Sample, law: ConfidenceDistribution, method: str, p: float) -> list[str]:
    notes = []
    if law.known is not None:
        notes.append(f"Assumption: {law.known.assumption}. A shape assumed too high makes the bound unsafe.")
    if method == "equal scatter":
        groups = len(law.groups)
        breaks = sum(int(g.r[0]) for g in law.groups)
        notes.append(f"Assumption: {groups} groups have exactly one scatter ({breaks} breaks in all).")
        notes.append(EQUAL.format(EQUAL_COVERED))
    if sample.n_broken == 2 and method != "equal scatter" and law.known is None:
        notes.append("Only 2 breaks: honest but nearly useless; break more, or borrow the scatter of sibling groups.")
    if law.family.name != "weibull" and p <= 0.05:
        notes.append("If the strengths are Weibull, a normal-family bound this far down covers less than it says.")
    return notes


def _held_notes(sample: Sample, law: ConfidenceDistribution, what: str, lowered: str, confidence: float) -> list[str]:
    """What the survivors of this sample do to the answer; ``lowered`` says how far it was lowered, if it was."""
    if not law.held_early:
        plain = law.known is None and len(law.groups) == 1
        passed = f"Survivors held at or above the highest break: this {what} is exact or cautious."
        return [passed] if sample.n_held and plain else []
    if not law.calibrated:
        if law.known is None and len(law.groups) == 1:
            return [
                f"{EARLY}; with {sample.n_broken:,} breaks among {sample.n:,} this {what} is not calibrated for that."
            ]
        source = "known scatter" if law.known else "equal scatter"
        return [f"{EARLY}; with {source} this {what} is not calibrated for that."]
    return [held_note(what, lowered, samples_for(confidence))]


@door
def confidence_that(
    sample: SampleLike,
    load: float,
    fraction_below: float,
    *,
    family: str | Family = "weibull",
    shape: float | None = None,
    cv: float | None = None,
    siblings: Sequence[Sample] | None = None,
    prior: ScalePrior | None = None,
    method: OwnOrEqual = "auto",
) -> Demonstrated:
    """With what confidence the series shows that at most ``fraction_below`` are weaker than ``load``.

    Parameters
    ----------
    sample : Sample or array_like
    load : float
        Strength asked about, in kN, greater than 0.
    fraction_below : float
        Between 0 and 1.
    family, shape, cv, siblings, prior
        As in `lower_bound`, and consistent with it: the confidence at which the bound is ``load``.
    method : {"auto", "equal scatter"}

    Returns
    -------
    Demonstrated

    See Also
    --------
    lower_bound : the strength at a stated confidence.
    judge : the verdict on a rating.

    Examples
    --------
    >>> shown = confidence_that(Sample([24.1, 25.3, 22.8, 26.0, 23.9]), 20.0, 0.05, family="normal")
    >>> round(shown.confidence, 3)
    0.911
    """
    sample = as_sample(sample)
    if method not in get_args(OwnOrEqual):
        raise InputError(f"`method` must be 'auto' or 'equal scatter', got {method!r}.")
    given = _one_source(method, {"shape": shape, "cv": cv, "siblings": siblings, "prior": prior})
    pooled = given in ("siblings", "prior") and method != "equal scatter"
    rounded, sample = coarse_note(sample), at_lower_edge(sample)
    siblings = None if siblings is None else [at_lower_edge(each) for each in siblings]
    lent = borrow(sample, get_family(family), siblings, prior) if pooled else None
    law = confidence_distribution(sample, family, shape=shape, cv=cv, equal_scatter=None if pooled else siblings)
    p = check_fraction(fraction_below, "fraction_below")
    shown = law.confidence_that(load, p)
    plain = law.plain_confidence_that(load, p) if law.calibrated else shown
    lowered = lowered_words("%", _percent, plain, shown)
    notes = [*_law_notes(sample, law, method, p), *_held_notes(sample, law, "confidence", lowered, 0.5)]
    notes += load_notes(sample, "confidence", "averaged")
    more: dict[str, Any] = {}
    if lent is not None:
        more = {"own": shown, "conflict_p": lent.conflict_p, "pooling_refused": lent.refused}
        shown, notes = lent.confidence_that(load, p, shown), list(lent.notes)
    return Demonstrated(
        group=sample.label,
        family=law.family.name,
        load=float(load),
        fraction_below=p,
        confidence=shown,
        n=sample.n,
        n_broken=sample.n_broken,
        notes=(*notes, rounded) if rounded else tuple(notes),
        **more,
    )


def _percent(confidence: float) -> str:
    return f"{np.floor(1000 * confidence) / 10:g}"
