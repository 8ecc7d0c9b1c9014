"""Other ways to a lower bound: cautious, customs, no distribution assumed, batches, and bounds for comparison."""

from __future__ import annotations

import math
from collections.abc import Callable

from lowtail._shared.numbers import percent_down
from lowtail._shared.sample import Sample
from lowtail.claims.basis import Basis
from lowtail.claims.strength.answer import LowerBound, floor3, make_low
from lowtail.claims.strength.batches import batch_bound
from lowtail.errors import NoAnswerError
from lowtail.models.bounds import cautious
from lowtail.models.bounds.hanson_koopmans import hanson_koopmans
from lowtail.models.bounds.likelihood_bounds import large_sample_bound, likelihood_ratio_bound, true_coverage
from lowtail.models.bounds.nonparametric import attribute_low, attribute_statement, order_statistic
from lowtail.models.bounds.tolerance import factor_fraction
from lowtail.models.distributions.common_error import added_confidence
from lowtail.models.distributions.families import Family

__all__ = ["CUSTOM_CONFIDENCE", "OTHER_METHODS", "cautious_confidence", "cautious_low", "mean_minus_ks", "none_broken"]

CUSTOM_CONFIDENCE = 0.95  # at which a habit without a confidence of its own says what it demonstrates


def none_broken(sample: Sample, basis: Basis) -> LowerBound:
    """State what a group shows of which none broke, or refuse and say how many must hold."""
    shown = attribute_statement(sample.load, basis.fraction_below, basis.confidence)
    if shown.n < shown.n_needed:
        raise NoAnswerError(
            f"{sample.who}: none of {shown.n} specimens broke, and no spread is known. They show with "
            f"{100 * basis.confidence:g} % confidence only that at least {100 * (1 - shown.fraction_shown):.3g} % are "
            f"stronger than {floor3(shown.load)} kN; {basis.name} needs {shown.n_needed} that hold. Load until "
            "they break, or give `shape=` from an earlier series."
        )
    low = attribute_low(sample.lower, basis.fraction_below, basis.confidence)
    note = "None broke: the attribute statement, no strength distribution assumed; loads must have been set beforehand."
    return make_low(sample, basis, "none assumed", "attribute", low, [note])


def mean_minus_ks(sample: Sample, basis: Basis) -> LowerBound:
    """``mean - 3 s`` and the prediction limit: customs on the normal distribution, complete samples only."""
    if sample.n_censored or sample.n < 2:
        need = "survivors make mean and s meaningless" if sample.n_censored else "it needs at least 2 specimens"
        raise NoAnswerError(
            f"{sample.who}: {basis.name} cannot be stated, since {need}. Use a tolerance basis instead."
        )
    mean, s = float(sample.load.mean()), float(sample.load.std(ddof=1))
    factor = basis.factor(sample.n)
    weaker = factor_fraction(sample.n, factor, CUSTOM_CONFIDENCE)
    shown = (
        f"Demonstrated at {percent_down(CUSTOM_CONFIDENCE)} confidence: {percent_down(1 - weaker)} are stronger "
        f"(normal distribution, n = {sample.n})."
    )
    note = f"A prediction for one further specimen. {shown}" if basis.kind == "prediction" else shown
    return make_low(sample, basis, "normal", basis.kind, max(0.0, mean - factor * s), [note], common="")


def _by_order(sample: Sample, basis: Basis, law: Family) -> LowerBound:
    found = order_statistic(sample.lower, basis.fraction_below, basis.confidence)
    note = f"Rank {found.rank} of {sample.n}; confidence reached {found.confidence_reached:.4f}."
    return make_low(sample, basis, "none assumed", "order statistic", found.low, [note])


def _by_hanson_koopmans(sample: Sample, basis: Basis, law: Family) -> LowerBound:
    found = hanson_koopmans(sample.load, basis.fraction_below, basis.confidence, broke=sample.broke)
    note = (
        f"Ranks 1 and {found.rank}, factor {found.factor:.4g}; valid for distributions log-concave in ln load, not "
        "for a second "
        "failure mode."
    )
    return make_low(sample, basis, "none assumed", "Hanson-Koopmans", found.low, [note])


def _by_batches(sample: Sample, basis: Basis, law: Family) -> LowerBound:
    found = batch_bound(sample, fraction_below=basis.fraction_below, confidence=basis.confidence, family=law)
    return make_low(sample, basis, law.name, "batches", found.low, found.notes, common="said")


def _by_caution(sample: Sample, basis: Basis, law: Family) -> LowerBound:
    return cautious_low(sample, basis)


def _for_comparison(function: Callable[..., float], method: str) -> Callable[..., LowerBound]:
    def by(sample: Sample, basis: Basis, law: Family) -> LowerBound:
        low = function(sample.load, sample.broke, law, basis.fraction_below, basis.confidence)
        size = min(max(sample.n_broken, 2), 100)
        real = true_coverage(method, size, basis.fraction_below, basis.confidence, law.name)
        note = (
            f"For comparison only: called {100 * basis.confidence:g} %, with {size} breaks it holds about "
            f"{100 * real:.0f} % of the time (own simulation, complete samples)."
        )
        return make_low(sample, basis, law.name, method, low, [note])

    return by


OTHER_METHODS: dict[str, Callable[..., LowerBound]] = {
    "order statistic": _by_order,
    "Hanson-Koopmans": _by_hanson_koopmans,
    "cautious": _by_caution,
    "batches": _by_batches,
    "likelihood ratio": _for_comparison(likelihood_ratio_bound, "likelihood ratio"),
    "large sample": _for_comparison(large_sample_bound, "large sample"),
}


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
