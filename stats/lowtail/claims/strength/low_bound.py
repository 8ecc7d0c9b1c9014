"""How strong, at least, is this group? The lower confidence bound of a low percentile, and the reverse question."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lowtail._checks import door
from lowtail._record import Record
from lowtail.claims.basis import Basis, check_fraction, get_basis
from lowtail.claims.strength.early_notes import EARLY, held_note, lowered_words
from lowtail.claims.strength.low_record import LowBound, floor3, make_low
from lowtail.claims.strength.low_roads import OTHER_ROADS, by_custom, none_broken
from lowtail.errors import InputError
from lowtail.models.confidence_law import ConfidenceLaw, SpreadPrior, confidence_law
from lowtail.models.early_holds import samples_for
from lowtail.models.families import Family, get_family, name_of
from lowtail.records.sample import Sample

__all__ = ["METHODS", "Demonstrated", "LowBound", "confidence_that", "floor3", "low_bound"]

METHODS = (
    "auto",
    "confidence distribution",
    "order statistic",
    "Hanson-Koopmans",
    "cautious",
    "batches",
    "likelihood ratio",
    "large sample",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Demonstrated(Record):
    """With what confidence a series shows a strength.

    ``confidence`` is that with which at most ``fraction_below`` of the population is weaker than ``load`` (kN).
    """

    group: str
    family: str
    load: float
    fraction_below: float
    confidence: float
    n: int
    n_broken: int
    notes: tuple[str, ...] = ()

    def __str__(self) -> str:
        who = f"{self.group}: " if self.group else ""
        shown = _percent(self.confidence)
        return (
            f"{who}these {self.n} specimens ({self.n_broken} broke) show with {shown} % confidence that "
            f"{100 * (1 - self.fraction_below):g} % are stronger than {self.load:.4g} kN ({name_of(self.family)} "
            "distribution)."
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
def low_bound(
    sample: Sample,
    basis: str | Basis | None = None,
    *,
    fraction_below: float | None = None,
    confidence: float | None = None,
    family: str | Family = "weibull",
    method: str = "auto",
    shape: float | None = None,
    cv: float | None = None,
    shared_spread: Sequence[Sample] | None = None,
    prior: SpreadPrior | None = None,
) -> LowBound:
    """Lower confidence bound of the low percentile of one group.

    Parameters
    ----------
    sample : Sample
        Loads in kN; specimens that held are right-censored.
    basis : str or Basis, optional
        A name in `BASES` or a Basis of your own; default "B-basis". Or give the next two.
    fraction_below, confidence : float, optional
        Both between 0 and 1.
    family : str or Family
        "weibull" (default), "lognormal" or "normal".
    method : str
        "auto" is the confidence distribution: exact for complete samples and samples stopped after a set number of
        breaks. Where specimens held below the highest break it is checked by simulation (1,024 samples, fixed seed)
        and lowered if need be; known, shared and prior spreads are not, and a note says so. Where none broke it is the
        attribute statement, if n suffices. "order statistic" and "Hanson-Koopmans" assume no distribution, and
        "cautious" is the one of them that n calls for; "batches" is the between-batch bound; "likelihood ratio" and
        "large sample" are there for comparison (their coverage falls short). None is ever chosen for you.
    shape, cv : float, optional
        Known Weibull shape, or known coefficient of variation (normal families); printed as an assumption.
    shared_spread : sequence of Sample, optional
        Sibling groups that share the spread of this one.
    prior : SpreadPrior, optional
        Spread from earlier series, with a width of its own.

    Returns
    -------
    LowBound

    Raises
    ------
    NoAnswerError
        If the sample cannot carry the bound; the message says what is missing.
    InputError
        If an argument is out of range or does not fit the others.

    References
    ----------
    Lawless (1978) Technometrics 20:355-364 (Weibull); Owen (1963) SCR-607, noncentral t (normal); both from memory.

    Examples
    --------
    >>> series = Sample([24.1, 25.3, 22.8, 26.0, 23.9], label="steel oval, major axis")
    >>> print(low_bound(series, "B-basis", family="normal"))
    steel oval, major axis: with 95 % confidence, at least 90 % of the population is stronger than 20.1 kN (B-basis;
    normal distribution, confidence distribution; 5 specimens).
    """
    law = get_family(family)
    wanted = _basis(basis, fraction_below, confidence)
    if method not in METHODS:
        raise InputError(f"`method` must be one of {', '.join(map(repr, METHODS))}, got {method!r}.")
    if wanted.kind != "tolerance":
        return by_custom(sample, wanted)
    outside = {"shape": shape, "cv": cv, "shared_spread": shared_spread, "prior": prior}
    given = [name for name, value in outside.items() if value is not None]
    if given and method not in ("auto", "confidence distribution"):
        raise InputError(f"`{given[0]}` belongs to the confidence distribution, not to method {method!r}.")
    if method == "auto" and sample.n_broken == 0 and not given:
        return none_broken(sample, wanted)
    if method in ("auto", "confidence distribution"):
        found = confidence_law(sample, law, shape=shape, cv=cv, shared_spread=shared_spread, prior=prior)
        p, g = wanted.fraction_below, wanted.confidence
        low = found.low(p, g)
        plain = found.plain_low(p, g) if found.calibrated else low
        how = _law_method(found, shared_spread) + (", lowered for early holds" if low < plain else "")
        lowered = lowered_words("kN", floor3, plain, low)
        notes = [*_law_notes(sample, found, shared_spread, p), *_held_notes(sample, found, "bound", lowered, g)]
        return make_low(sample, wanted, law.name, how, low, notes, shape)
    return OTHER_ROADS[method](sample, wanted, law)


def _given(shared: Sequence[Sample] | None) -> bool:
    """Whether sibling samples were handed over, as a list or an array."""
    return shared is not None and len(shared) > 0


def _law_method(law: ConfidenceLaw, shared: Sequence[Sample] | None) -> str:
    if law.known is not None:
        return "known spread"
    if law.prior is not None:
        return "confidence distribution, prior spread"
    return "confidence distribution, shared spread" if _given(shared) else "confidence distribution"


def _law_notes(sample: Sample, law: ConfidenceLaw, shared: Sequence[Sample] | None, p: float) -> list[str]:
    notes = []
    if law.known is not None:
        notes.append(f"Assumption: {law.known.assumption}. A shape assumed too high makes the bound unsafe.")
    if law.prior is not None:
        notes.append(f"Assumption: {law.prior}.")
    if _given(shared):
        groups = len(law.groups)
        breaks = sum(int(g.r[0]) for g in law.groups)
        notes.append(f"Assumption: {groups} groups share one spread ({breaks} breaks in all).")
    if sample.n_broken == 2 and not _given(shared) and law.known is None and law.prior is None:
        notes.append("Only 2 breaks: honest but nearly useless; break more, or share the spread of sibling groups.")
    if law.family.name != "weibull" and p <= 0.05:
        notes.append("If the strengths are Weibull, a normal-family bound this far down covers less than it says.")
    return notes


def _held_notes(sample: Sample, law: ConfidenceLaw, what: str, lowered: str, confidence: float) -> list[str]:
    """What the survivors of this sample do to the answer; ``lowered`` says how far it was lowered, if it was."""
    if not law.held_early:
        plain = law.known is None and law.prior is None and len(law.groups) == 1
        passed = f"Survivors held at or above the highest break: this {what} is exact or cautious."
        return [passed] if sample.n_held and plain else []
    if not law.calibrated:
        if law.known is None and law.prior is None and len(law.groups) == 1:
            return [
                f"{EARLY}; with {sample.n_broken:,} breaks among {sample.n:,} this {what} is not calibrated for that."
            ]
        source = "known scatter" if law.known else "scatter from earlier series" if law.prior else "shared scatter"
        return [f"{EARLY}; with {source} this {what} is not calibrated for that."]
    return [held_note(what, lowered, samples_for(confidence))]


@door
def confidence_that(
    sample: Sample,
    load: float,
    fraction_below: float,
    *,
    family: str | Family = "weibull",
    shape: float | None = None,
    cv: float | None = None,
    shared_spread: Sequence[Sample] | None = None,
) -> Demonstrated:
    """With what confidence the series shows that at most ``fraction_below`` are weaker than ``load``.

    Parameters
    ----------
    sample : Sample
    load : float
        Strength asked about, in kN, greater than 0.
    fraction_below : float
        Between 0 and 1.
    family, shape, cv, shared_spread
        As in `low_bound`.

    Returns
    -------
    Demonstrated

    Examples
    --------
    >>> shown = confidence_that(Sample([24.1, 25.3, 22.8, 26.0, 23.9]), 20.0, 0.05, family="normal")
    >>> round(shown.confidence, 3)
    0.911
    """
    law = confidence_law(sample, family, shape=shape, cv=cv, shared_spread=shared_spread)
    p = check_fraction(fraction_below, "fraction_below")
    shown = law.confidence_that(load, p)
    plain = law.plain_confidence_that(load, p) if law.calibrated else shown
    lowered = lowered_words("%", _percent, plain, shown)
    notes = [*_law_notes(sample, law, shared_spread, p), *_held_notes(sample, law, "confidence", lowered, 0.5)]
    return Demonstrated(
        group=sample.label,
        family=law.family.name,
        load=float(load),
        fraction_below=p,
        confidence=shown,
        n=sample.n,
        n_broken=sample.n_broken,
        notes=tuple(notes),
    )


def _percent(confidence: float) -> str:
    return f"{np.floor(1000 * confidence) / 10:g}"
