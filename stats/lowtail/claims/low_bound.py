"""How strong, at least, is this group? The lower confidence bound of a low percentile, and the reverse question."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from lowtail._record import Record
from lowtail.claims.basis import Basis, check_fraction, get_basis
from lowtail.claims.hanson_koopmans import hanson_koopmans
from lowtail.claims.nonparametric import attribute_low, attribute_statement, order_statistic
from lowtail.errors import InputError, LowtailError, NoAnswerError
from lowtail.models.calibrated import calibrated_bound
from lowtail.models.confidence_law import ConfidenceLaw, SpreadPrior, confidence_law
from lowtail.models.families import Family, get_family
from lowtail.models.fit import fit
from lowtail.models.other_bounds import large_sample_bound, likelihood_ratio_bound, true_coverage
from lowtail.models.tolerance import factor_fraction
from lowtail.records.sample import Sample

__all__ = ["METHODS", "Demonstrated", "LowBound", "confidence_that", "low_bound"]

METHODS = (
    "auto",
    "confidence law",
    "order statistic",
    "Hanson-Koopmans",
    "batches",
    "likelihood ratio",
    "calibrated",
    "large sample",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LowBound(Record):
    """A lower bound of a low percentile of strength.

    Attributes
    ----------
    group, basis, family, method : str
        What it is a bound of, and how it was obtained. ``family`` is "none assumed" where no strength law is used.
    n, n_broken : int
        Specimens, and how many of them broke.
    fraction_below, confidence : float
        At most this fraction of the population is weaker than ``low``, at this one-sided confidence.
    estimate : float
        Maximum-likelihood value of the percentile in kN, no margin in it; NaN where no law is fitted.
    low : float
        The bound in kN, at least 0.
    notes : tuple of str
        Assumptions and doubts the reader must see with the number.
    """

    group: str
    basis: str
    family: str
    method: str
    n: int
    n_broken: int
    fraction_below: float
    confidence: float
    estimate: float
    low: float
    notes: tuple[str, ...] = ()

    @property
    def unusable(self) -> str:
        """Why the number must not be used as a bound, or an empty text."""
        if self.low <= 0:
            return "the bound is zero: these specimens show no useful low strength on this basis"
        if self.method in ("large sample", "likelihood ratio"):
            return "for comparison only: its real coverage is far below the confidence it is called by"
        return ""

    def __str__(self) -> str:
        who = f"{self.group}: " if self.group else ""
        held = f", {self.n - self.n_broken} held" if self.n > self.n_broken else ""
        if self.method in ("mean minus spreads", "prediction"):
            return (
                f"{who}{self.basis} is {floor3(self.low)} kN ({self.n} specimens{held}). {' '.join(self.notes)}".strip()
            )
        law = "no strength law assumed" if self.family == "none assumed" else f"{self.family} law"
        return (
            f"{who}{100 * (1 - self.fraction_below):g} % are stronger than {floor3(self.low)} kN with "
            f"{100 * self.confidence:g} % confidence ({self.basis}; {law}, {self.method}; {self.n} specimens{held})."
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
        shown = np.floor(1000 * self.confidence) / 10
        return (
            f"{who}these {self.n} specimens ({self.n_broken} broke) show with {shown:g} % confidence that "
            f"{100 * (1 - self.fraction_below):g} % are stronger than {self.load:.4g} kN ({self.family} law)."
        )


def floor3(value: float) -> str:
    """Three significant figures, rounded down: a bound is never rounded up."""
    if not np.isfinite(value):
        return "no value"
    if value <= 0:
        return "0"
    digits = 2 - int(np.floor(np.log10(value)))
    rounded = np.floor(np.nextafter(value * 10.0**digits, np.inf)) / 10.0**digits
    return f"{rounded:.{max(digits, 0)}f}"


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
    rng: int | np.random.Generator = 0,
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
        "auto" is the confidence law: exact for complete samples and samples stopped after a set number of breaks,
        conservative where specimens held at random loads. Where none broke it is the attribute statement, if n
        suffices. "order statistic" and "Hanson-Koopmans" assume no law; "batches" is the between-batch bound;
        "likelihood ratio" and "large sample" are there for comparison (their coverage falls short); "calibrated" is
        the signed root calibrated by simulation, tighter with survivors. None is ever chosen for you.
    shape, cv : float, optional
        Known Weibull shape, or known coefficient of variation (normal families); printed as an assumption.
    shared_spread : sequence of Sample, optional
        Sibling groups that share the spread of this one.
    prior : SpreadPrior, optional
        Spread from earlier series, with a width of its own.
    rng : int or Generator
        Seed of the "calibrated" method.

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
    steel oval, major axis: 90 % are stronger than 20.1 kN with 95 % confidence (B-basis; normal law, confidence law;
    5 specimens).
    """
    law = get_family(family)
    wanted = _basis(basis, fraction_below, confidence)
    if method not in METHODS:
        raise InputError(f"`method` must be one of {', '.join(map(repr, METHODS))}, got {method!r}.")
    if wanted.kind != "tolerance":
        return _by_custom(sample, wanted)
    outside = {"shape": shape, "cv": cv, "shared_spread": shared_spread, "prior": prior}
    given = [name for name, value in outside.items() if value is not None]
    if given and method not in ("auto", "confidence law"):
        raise InputError(f"`{given[0]}` belongs to the confidence law, not to method {method!r}.")
    if method == "auto" and sample.n_broken == 0 and not given:
        return _none_broken(sample, wanted)
    if method in ("auto", "confidence law"):
        found = confidence_law(sample, law, shape=shape, cv=cv, shared_spread=shared_spread, prior=prior)
        return _record(
            sample,
            wanted,
            law.name,
            _law_method(found, shared_spread),
            found.low(wanted.fraction_below, wanted.confidence),
            _law_notes(sample, found, shared_spread, wanted),
            shape,
        )
    return _OTHER[method](sample, wanted, law, rng)


def _record(
    sample: Sample,
    basis: Basis,
    family: str,
    method: str,
    low: float,
    notes: Sequence[str] = (),
    shape: float | None = None,
) -> LowBound:
    estimate = float("nan")
    if family != "none assumed":
        try:
            known = shape if family == "weibull" else None
            estimate = float(fit(sample, family, shape=known).strength_below(basis.fraction_below))
        except LowtailError:
            estimate = float("nan")
    return LowBound(
        group=sample.label,
        basis=basis.name,
        family=family,
        method=method,
        n=sample.n,
        n_broken=sample.n_broken,
        fraction_below=basis.fraction_below,
        confidence=basis.confidence,
        estimate=max(estimate, 0.0) if np.isfinite(estimate) else estimate,
        low=float(low),
        notes=tuple(notes),
    )


def _law_method(law: ConfidenceLaw, shared: Sequence[Sample] | None) -> str:
    if law.known is not None:
        return "known spread"
    if law.prior is not None:
        return "confidence law, prior spread"
    return "confidence law, shared spread" if shared else "confidence law"


def _law_notes(sample: Sample, law: ConfidenceLaw, shared: Sequence[Sample] | None, basis: Basis) -> list[str]:
    notes = []
    if law.known is not None:
        notes.append(f"Assumption: {law.known.assumption}. A shape assumed too high makes the bound unsafe.")
    if law.prior is not None:
        notes.append(f"Assumption: {law.prior}.")
    if shared:
        groups = len(law.groups)
        breaks = sum(int(g.r[0]) for g in law.groups)
        notes.append(f"Assumption: {groups} groups share one spread ({breaks} breaks in all).")
    if sample.n_held and law.known is None:
        notes.append("Survivors make this bound conservative.")
    if sample.n_broken == 2 and not shared and law.known is None and law.prior is None:
        notes.append("Only 2 breaks: honest but nearly useless; break more, or share the spread of sibling groups.")
    if law.family.name != "weibull" and basis.fraction_below <= 0.05:
        notes.append("If the strengths are Weibull, a normal-family bound this far down covers less than it says.")
    return notes


def _none_broken(sample: Sample, basis: Basis) -> LowBound:
    shown = attribute_statement(sample.load, basis.fraction_below, basis.confidence)
    if shown.n < shown.n_needed:
        raise NoAnswerError(
            f"{sample.who}: none of {shown.n} specimens broke, and no spread is known. They show with "
            f"{100 * basis.confidence:g} % confidence only that at most {100 * shown.fraction_shown:.3g} % are weaker "
            f"than {floor3(shown.load)} kN; {basis.name} needs {shown.n_needed} that hold. Load until they break, or "
            "give `shape=` from an earlier series."
        )
    low = attribute_low(sample.load, basis.fraction_below, basis.confidence)
    note = "None broke: the attribute statement, no strength law assumed; loads must have been set beforehand."
    return _record(sample, basis, "none assumed", "attribute", low, [note])


def _by_custom(sample: Sample, basis: Basis) -> LowBound:
    """``mean - 3 s`` and the prediction limit: customs on the normal law, complete samples only."""
    if sample.n_held or sample.n < 2:
        need = "survivors make mean and s meaningless" if sample.n_held else "it needs at least 2 specimens"
        raise NoAnswerError(
            f"{sample.who}: {basis.name} cannot be stated, since {need}. Use a tolerance basis instead."
        )
    mean, s = float(sample.load.mean()), float(sample.load.std(ddof=1))
    if basis.kind == "prediction":
        factor = float(stats.t.ppf(1 - basis.fraction_below, sample.n - 1) * np.sqrt(1 + 1 / sample.n))
        note = "A prediction for one further specimen, not a bound at a stated confidence."
    else:
        factor = float(-stats.norm.ppf(basis.fraction_below))
        if basis.name == "mean - 3 s":
            factor = 3.0
        weaker = factor_fraction(sample.n, factor, 0.95)
        note = (
            f"At 95 % confidence it demonstrates that {np.floor(1000 * (1 - weaker)) / 10:g} % are stronger "
            f"(normal law, n = {sample.n})."
        )
    return _record(sample, basis, "normal", basis.kind, max(0.0, mean - factor * s), [note])


def _by_order(sample: Sample, basis: Basis, law: Family, rng: int | np.random.Generator) -> LowBound:
    found = order_statistic(sample.load, basis.fraction_below, basis.confidence)
    note = f"Rank {found.rank} of {sample.n}; confidence reached {found.confidence_reached:.4f}."
    return _record(sample, basis, "none assumed", "order statistic", found.low, [note])


def _by_hanson_koopmans(sample: Sample, basis: Basis, law: Family, rng: int | np.random.Generator) -> LowBound:
    found = hanson_koopmans(sample.load, basis.fraction_below, basis.confidence, broke=sample.broke)
    note = (
        f"Ranks 1 and {found.rank}, factor {found.factor:.4g}; valid for laws log-concave in ln load, not for a second "
        "failure mode."
    )
    return _record(sample, basis, "none assumed", "Hanson-Koopmans", found.low, [note])


def _by_batches(sample: Sample, basis: Basis, law: Family, rng: int | np.random.Generator) -> LowBound:
    from lowtail.claims.batches import batch_bound

    found = batch_bound(sample, fraction_below=basis.fraction_below, confidence=basis.confidence, family=law)
    return _record(sample, basis, law.name, "batches", found.low, found.notes)


def _for_comparison(function: Callable[..., float], method: str) -> Callable[..., LowBound]:
    def by(sample: Sample, basis: Basis, law: Family, rng: int | np.random.Generator) -> LowBound:
        low = function(sample.load, sample.broke, law, basis.fraction_below, basis.confidence)
        size = min(max(sample.n_broken, 3), 100)
        real = true_coverage(method, size, basis.fraction_below, basis.confidence, law.name)
        note = (
            f"For comparison only: called {100 * basis.confidence:g} %, with {size} breaks it holds about "
            f"{100 * real:.0f} % of the time (own simulation, complete samples)."
        )
        return _record(sample, basis, law.name, method, low, [note])

    return by


def _by_calibration(sample: Sample, basis: Basis, law: Family, rng: int | np.random.Generator) -> LowBound:
    low = calibrated_bound(sample.load, sample.broke, law, basis.fraction_below, basis.confidence, rng=rng)
    note = "Signed root calibrated by simulation with the Kaplan-Meier law of the loads held (seeded)."
    return _record(sample, basis, law.name, "calibrated", low, [note])


_OTHER: dict[str, Callable[..., LowBound]] = {
    "order statistic": _by_order,
    "Hanson-Koopmans": _by_hanson_koopmans,
    "batches": _by_batches,
    "likelihood ratio": _for_comparison(likelihood_ratio_bound, "likelihood ratio"),
    "large sample": _for_comparison(large_sample_bound, "large sample"),
    "calibrated": _by_calibration,
}


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
    return Demonstrated(
        group=sample.label,
        family=law.family.name,
        load=float(load),
        fraction_below=check_fraction(fraction_below, "fraction_below"),
        confidence=law.confidence_that(load, fraction_below),
        n=sample.n,
        n_broken=sample.n_broken,
        notes=tuple(_law_notes(sample, law, shared_spread, Basis("asked", fraction_below, 0.5))),
    )
