"""Can two arms be compared at all: the refusals, each with what can still be said."""

from __future__ import annotations

from math import comb

import numpy as np

from lowtail._shared.numbers import p_text
from lowtail._shared.sample import Sample
from lowtail.claims.comparison.named_tests import two_sample_test
from lowtail.errors import InputError, NoAnswerError

__all__ = ["check_arguments", "check_arms"]


def check_arguments(
    margin: float | None, confidence: float, low_fraction: float, under_read: tuple[float, float]
) -> None:
    """Raise InputError for numbers out of range."""
    if margin is not None and not (np.isfinite(margin) and 0 < margin < 1):
        raise InputError(
            f"`margin` must lie between 0 and 1 (ends excluded), got {margin!r}. It is the share of the reference "
            "strength that the other must keep: 0.9 asks whether it keeps at least 90 %."
        )
    if not 0.5 < confidence < 1:
        raise InputError(f"`confidence` must lie between 0.5 and 1 (ends excluded), got {confidence!r}. Usual: 0.95.")
    if not 0 < low_fraction < 1:
        raise InputError(
            f"`low_fraction` must lie between 0 and 1 (ends excluded), got {low_fraction!r}. Give a "
            "fraction: 0.05, not 5."
        )
    if len(under_read) != 2 or not all(np.isfinite(u) and 0 <= u < 1 for u in under_read):
        raise InputError(
            "`under_read` must hold two shares, for reference and other, from 0 to below 1, got "
            f"{under_read!r}. A peak that may read 13 % low is 0.13."
        )


def check_arms(reference: Sample, other: Sample) -> None:
    """Raise NoAnswerError where an arm carries no scatter or too few breaks."""
    for sample in (reference, other):
        if sample.n == 1:
            best = 2 / comb(reference.n + other.n, 1) if reference.n + other.n > 2 else 1.0
            raise NoAnswerError(
                f"{sample.who}: a single specimen ({sample.lower[0]:.4g} kN) says nothing of the scatter, so that no "
                "interval of the ratio can be given; at best a permutation test could reach "
                f"{p_text(min(best, 1.0))} here. Test at least 2 more in this arm."
            )
    for sample in (reference, other):
        if sample.n_broken == 0:
            raise NoAnswerError(
                f"{sample.who}: none of {sample.n} specimens broke, so that its strength is only known to lie above "
                f"the loads held ({sample.load.min():.4g} to {sample.load.max():.4g} kN) and no ratio can be given. "
                f"{_log_rank_text(reference, other)}Test on until at least 2 break at different loads."
            )
    for sample in (reference, other):
        if sample.n_between:
            continue  # its confidence distribution says what it lacks
        different, lowest = sample.different, float(sample.lower[sample.broke].min())
        if sample.n_censored == 0 and different == 1:
            raise NoAnswerError(
                f"{sample.who}: all {sample.n} loads are equal ({lowest:.4g} kN). Zero scatter is not credible in "
                "break tests and would make the interval too narrow. Record the loads to a finer resolution, or test "
                "more. "
                f"{_permutation_text(reference, other)}"
            )
        if different < 2 or (sample.n_censored and lowest >= sample.load.max()):
            raise NoAnswerError(
                f"{sample.who}: a ratio needs at least 2 different loads at break in each arm, but {sample.n_broken} "
                f"of {sample.n} specimens broke. {_log_rank_text(reference, other)}Test on until more break."
            )


def _log_rank_text(reference: Sample, other: Sample) -> str:
    if not (reference.n_broken or other.n_broken):
        return ""
    result = two_sample_test(reference, other, "permutation log-rank")
    return f"The permutation log-rank test alone gives {p_text(result.p_value)}. "


def _permutation_text(reference: Sample, other: Sample) -> str:
    if reference.n_censored or other.n_censored:
        return _log_rank_text(reference, other).strip()
    result = two_sample_test(reference, other, "permutation Welch")
    return f"The exact permutation test alone gives {p_text(result.p_value)}."
