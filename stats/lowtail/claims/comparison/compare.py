"""Does one arm break lower than another: shock against slow pull, or any two groups."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lowtail._shared.checks import door
from lowtail._shared.choices import FamilyName, FamilyOrAuto, TestOrAuto
from lowtail._shared.parallel import Seed
from lowtail._shared.sample import Sample, SampleLike, as_sample
from lowtail.claims.comparison.answer import Comparison, names
from lowtail.claims.comparison.arm_checks import check_arguments, check_arms
from lowtail.claims.comparison.deciding import Difference, Ends, Margin, equivalent, fails, keeps, stronger, weaker
from lowtail.claims.comparison.designs import answer_blocks, answer_pairs
from lowtail.claims.comparison.ratios import LowRatio, low_ratios, scatter
from lowtail.claims.comparison.typical import Answer, answer_independent
from lowtail.errors import InputError, NoAnswerError
from lowtail.models.distributions.rounded import half_step
from lowtail.models.two_samples.permutation import Alternative, check_alternative
from lowtail.models.two_samples.t_tests import scatter_permutation

__all__ = ["compare"]

Array = NDArray[np.float64]
LOW_FRACTIONS = (0.01, 0.05, 0.10)


@door
def compare(
    reference: SampleLike,
    other: SampleLike,
    *,
    family: FamilyOrAuto = "auto",
    test: TestOrAuto = "auto",
    margin: float | None = None,
    confidence: float = 0.95,
    alternative: Alternative = "two-sided",
    low_fraction: float = 0.10,
    low_family: FamilyName = "weibull",
    pair: Sequence[Any] | str | None = None,
    block: Sequence[Any] | str | None = None,
    under_read: tuple[float, float] = (0.0, 0.0),
    rng: Seed = 0,
) -> Comparison:
    """Compare the strength of two arms: the ratio with its interval first, the p value beside it.

    Every specimen broke: ratio of geometric means from log loads, each arm with a scatter of its own. The confidence
    distribution of the log ratio is half Behrens-Fisher (normal ln load) and half its counterpart for Weibull loads;
    interval and two-sided p are read from it. Some held: ratio of medians from the two arms' Weibull confidence
    distributions, tested by the Weibull likelihood ratio with a shape for each arm, calibrated by simulation, or by
    those distributions where the numbers differ by more than one. Breaks between two loads (in steps no wider than the
    scatter of their middles), and a load uncertainty that all loads of an arm have in common: by those distributions
    too. Statements on one side (``margin``, an
    ``alternative`` other than "two-sided") take the farther of the normal and the Weibull limit.
    Pairs and blocks: paired t, or a linear model with robust errors; with survivors each end is the farther of two: by
    a distribution with the levels of pairs or blocks taken out, and by those with every survivor taken as broken. Low
    strengths always from the confidence distributions. Assumes independent specimens of one population an arm, and
    survivors that held for reasons that have nothing to do with their own strength.

    Parameters
    ----------
    reference, other : Sample or array_like
        The two arms, loads in kN, at least 2 different loads at break in each.
    family : {"auto", "lognormal", "normal", "weibull"}
        Distribution behind the typical ratio. "auto": lognormal where every specimen broke, Weibull otherwise.
        "normal": ratio of means by Fieller's interval (complete samples only).
    test : str
        "auto", or a name of ``lowtail.claims.comparison.named_tests.TESTS``. The interval does not follow the test.
    margin : float, optional
        Share of the reference strength the other must keep, between 0 and 1: 0.9 asks "keeps at least 90 %".
    confidence : float
        Between 0.5 and 1 (ends excluded); two-sided for intervals, one-sided for the margin.
    alternative : {"two-sided", "less", "greater"}
        Of the p values and of the difference; "less": the other arm is weaker.
    low_fraction, low_family : float, str
        Fraction below and distribution of the low strengths compared.
    pair : sequence or "batch", optional
        Pair label of each specimen, reference first, then other: the same rope length or batch in both arms, each label
        once in each arm. "batch": the samples' own batch labels. With survivors, both must have broken in at least
        2 pairs.
    block : sequence or "batch", optional
        Block label of each specimen (batch, age), reference first, then other; at least one block with both arms. Pairs
        and blocks have a test and a family of their own: leave ``test`` and ``family`` at "auto".
    under_read : (float, float)
        Shares by which the peaks of reference and other may read low at worst, 0 to below 1 (`under_read_flank`).
    rng : int or Generator
        Seed; the same seed gives the same answer.

    Returns
    -------
    Comparison

    Raises
    ------
    InputError
        If an argument is out of range.
    NoAnswerError
        If an arm has a single specimen, no scatter, or too few breaks; the message says what can still be said.

    See Also
    --------
    compare_table : every group of a log.
    compare_levels : more than two arms.
    two_sample_test : one test by its name.
    plan.comparison : how many specimens such a comparison needs.

    References
    ----------
    Fisher (1935) Annals of Eugenics 6:391-398; Schuirmann (1987) Journal of Pharmacokinetics and Biopharmaceutics
    15:657-680; Lawless (1978) Technometrics 20:355-364 (all from memory). Error rates: ``compare_type1.csv``,
    ``compare_margins.csv`` (one-sided, and several groups), ``compare_survivors.csv`` and ``compare_designs.csv``;
    coverage: ``compare_margins.csv`` (every specimen broke) and ``compare_intervals.csv``, all in ``tests/truth``.

    Examples
    --------
    >>> slow = Sample([24.1, 25.3, 24.6, 25.0, 24.4], label="slow pull")
    >>> shock = Sample([22.0, 23.1, 21.4, 22.6, 22.9], label="shock")
    >>> result = compare(slow, shock, margin=0.8)
    >>> round(result.ratio, 3), str(result.verdict)
    (0.907, 'shown')
    """
    reference = as_sample(reference)
    other = as_sample(other)
    check_arguments(margin, confidence, low_fraction, under_read)
    check_alternative(alternative)
    check_arms(reference, other)
    if pair is not None and block is not None:
        raise InputError("Give `pair` or `block`, not both: a pair is already a block.")
    if (pair is not None or block is not None) and (test, family) != ("auto", "auto"):
        raise InputError(
            f"`pair` and `block` have a test and a family of their own, but test={test!r} and family={family!r} were "
            'given. Leave both at "auto", or leave `pair` and `block` out.'
        )
    if (pair is not None or block is not None) and (reference.common_uncertainty or other.common_uncertainty):
        raise NoAnswerError(
            "Pairs and blocks have no place for a load uncertainty that all loads of an arm have in common. If both "
            "arms were measured with one load cell it cancels in the ratio: make the samples without it."
        )
    if pair is not None:
        answer = answer_pairs(reference, other, pair, alternative, rng)
    elif block is not None:
        answer = answer_blocks(reference, other, block, alternative, rng)
    else:
        answer = answer_independent(reference, other, family, test, alternative, rng)
    notes = [*answer.notes]
    lows = _lows(reference, other, low_family, low_fraction, confidence, rng, notes)
    spread = _scatter(reference, other, confidence, rng, notes)
    if answer.smallest_p > 1 - confidence:
        notes.append(
            f"No permutation test can show a difference here: the smallest p these numbers can reach is "
            f"{answer.smallest_p:.2g}."
        )
    return _assemble(
        reference,
        other,
        answer,
        margin=margin,
        confidence=confidence,
        alternative=alternative,
        lows=lows,
        spread=spread,
        under_read=under_read,
        notes=notes,
    )


def _lows(
    reference: Sample, other: Sample, family: str, fraction: float, confidence: float, rng: Any, notes: list[str]
) -> tuple[LowRatio, tuple[LowRatio, ...]]:
    """The ratio of low strengths asked for, and those at 1, 5 and 10 %; NaN with a note where the data carry none."""
    try:
        if half_step(reference) or half_step(other):
            raise NoAnswerError("the loads are recorded in steps wider than twice their scatter.")
        found = low_ratios(reference, other, family, (fraction, *LOW_FRACTIONS), confidence, rng)
    except NoAnswerError as refusal:
        notes.append(f"No ratio of low strengths: {refusal}")
        nan = float("nan")
        found = tuple(
            LowRatio(fraction_below=p, ratio=nan, low=nan, high=nan, confidence=confidence, family=family)
            for p in (fraction, *LOW_FRACTIONS)
        )
    if np.isfinite(found[0].low) and found[0].high > 2 * found[0].low:
        notes.append(
            f"The {fraction * 100:g} % strengths' ratio is known to a factor {found[0].high / found[0].low:.2g} only: "
            "with so few breaks low strengths can hardly be compared."
        )
    return found[0], found[1:]


def _scatter(
    reference: Sample, other: Sample, confidence: float, rng: Any, notes: list[str]
) -> tuple[float, float, float, float]:
    ratio, low, high = scatter(reference, other, confidence, rng)
    if low > 1 or high < 1:
        notes.append(f"The scatter differs: ratio {ratio:.2g} ({low:.2g} to {high:.2g}).")
    if any(s.n_censored or s.n_between for s in (reference, other)) or min(reference.n, other.n) < 3:
        return ratio, low, high, float("nan")
    return ratio, low, high, scatter_permutation(np.log(reference.load), np.log(other.load), rng=rng).p_value


def _difference(ends: Ends, alternative: str) -> Difference:
    if weaker(ends, alternative):
        return Difference.WEAKER
    return Difference.STRONGER if stronger(ends, alternative) else Difference.NONE


def _verdict(ends: Ends, margin: float | None, difference: Difference) -> tuple[Margin | Difference, str]:
    """The verdict on the margin, and equivalence within it."""
    if margin is None:
        return difference, ""
    verdict = Margin.SHOWN if keeps(ends, margin) else Margin.FAILS if fails(ends, margin) else Margin.NOT_SHOWN
    return verdict, Margin.SHOWN if equivalent(ends, margin) else Margin.NOT_SHOWN


def _assemble(
    reference: Sample,
    other: Sample,
    answer: Answer,
    *,
    margin: float | None,
    confidence: float,
    alternative: str,
    lows: tuple[LowRatio, tuple[LowRatio, ...]],
    spread: tuple[float, float, float, float],
    under_read: tuple[float, float],
    notes: Sequence[str],
) -> Comparison:
    law = answer.law
    low, high = law.interval(confidence)
    ends = law.ends(confidence)
    difference = _difference(ends, alternative)
    verdict, equivalence = _verdict(ends, margin, difference)
    low_read, high_read = low * (1 - under_read[0]), high / (1 - under_read[1])
    explains = (difference is Difference.WEAKER and high_read >= 1) or (
        difference is Difference.STRONGER and low_read <= 1
    )
    first, second = names(reference, other)
    return Comparison(
        reference=first,
        other=second,
        n_reference=reference.n,
        n_other=other.n,
        n_broken_reference=reference.n_broken,
        n_broken_other=other.n_broken,
        family=answer.family,
        typical=answer.typical,
        typical_reference=answer.typical_reference,
        typical_other=answer.typical_other,
        ratio=law.estimate,
        ratio_low=low,
        ratio_high=high,
        confidence=confidence,
        alternative=alternative,
        test=answer.test,
        p_value=answer.p_value,
        permutation_test=answer.permutation_test,
        permutation_p=answer.permutation_p,
        smallest_p=answer.smallest_p,
        detectable_ratio=law.detectable(confidence, alternative == "two-sided"),
        difference=difference,
        margin=margin,
        keeps_low=float(np.exp(ends.one_low)),
        keeps_high=float(np.exp(ends.one_high)),
        verdict=verdict,
        equivalence=equivalence,
        low_fraction=lows[0].fraction_below,
        low_family=lows[0].family,
        low_ratio=lows[0].ratio,
        low_ratio_low=lows[0].low,
        low_ratio_high=lows[0].high,
        low_ratios=lows[1],
        scatter_ratio=spread[0],
        scatter_ratio_low=spread[1],
        scatter_ratio_high=spread[2],
        scatter_p=spread[3],
        under_read_reference=under_read[0],
        under_read_other=under_read[1],
        ratio_low_read=low_read,
        ratio_high_read=high_read,
        under_read_explains=explains,
        notes=tuple(notes),
        samples=(reference, other),
    )
