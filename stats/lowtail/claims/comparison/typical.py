"""The ratio of typical strengths of two independent arms: which interval and which tests, chosen by the sample."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from lowtail._shared.caution import UNRELATED
from lowtail._shared.choices import NamedTest, TestOrAuto
from lowtail._shared.sample import Sample
from lowtail.claims.comparison.named_tests import HALF_AND_HALF, two_sample_test
from lowtail.claims.comparison.ratios import RatioLaw, farther_of_two, ratio_of_logs, ratio_of_means
from lowtail.errors import NoAnswerError
from lowtail.models.distributions.families import get_family
from lowtail.models.distributions.fit import fit
from lowtail.models.distributions.rounded import half_step
from lowtail.models.two_samples.permutation import Alternative

__all__ = ["Answer", "answer_independent", "settle_family", "typical_law", "typical_strength"]

_EXACT_IF_ALIKE = ("permutation Welch", "Mann-Whitney", "Brunner-Munzel")  # tests/truth/compare_type1.csv


@dataclass(frozen=True, slots=True)
class Answer:
    """The ratio of typical strengths with its tests, before margins and low strengths."""

    law: RatioLaw
    family: str
    typical: str
    typical_reference: float
    typical_other: float
    test: str
    p_value: float
    permutation_test: str
    permutation_p: float
    smallest_p: float
    notes: tuple[str, ...] = ()


def by_laws(reference: Sample, other: Sample) -> bool:
    """Whether the ratio must come from the confidence distributions: not every load is a load at break as it stands."""
    return any(s.n_censored or s.n_between or s.common_uncertainty for s in (reference, other))


def settle_family(family: str, reference: Sample, other: Sample) -> str:
    """Name of the family; "auto": lognormal for complete samples, Weibull where confidence distributions decide."""
    held = reference.n_censored + other.n_censored
    if family == "auto":
        return "weibull" if by_laws(reference, other) else "lognormal"
    name = get_family(family).name
    if name == "normal" and by_laws(reference, other) and not held:
        raise NoAnswerError(
            "The ratio of means by Fieller's interval has no place for breaks between two loads, nor for a load "
            "uncertainty in common. Use family='weibull' or 'lognormal'."
        )
    if name == "normal" and held:
        raise NoAnswerError(
            f"{held} specimens held, and the ratio of means by Fieller's interval has no place for survivors. Use "
            "family='weibull' or 'lognormal'."
        )
    return name


def typical_law(reference: Sample, other: Sample, family: str = "auto", rng: Any = 0) -> tuple[RatioLaw, str, str]:
    """Distribution of the ratio of typical strengths, the name of its strength distribution, and what "typical" is."""
    name = settle_family(family, reference, other)
    if name == "weibull" or by_laws(reference, other):
        return farther_of_two(reference, other, name, rng), name, "median"
    if name == "normal":
        return ratio_of_means(reference.load, other.load), name, "mean"
    return ratio_of_logs(np.log(reference.load), np.log(other.load)), name, "geometric mean"


def typical_strength(sample: Sample, family: str, typical: str) -> float:
    """Typical strength of one arm, kN: "median" by its own fit, else the mean or geometric mean of the loads."""
    if typical == "median":
        return float(fit(sample, family).strength_below(0.5))
    return float(sample.load.mean() if typical == "mean" else np.exp(np.log(sample.load).mean()))


def _at_middles(sample: Sample) -> Sample:
    """The sample for a permutation test, which may read any number that is the same under both labels."""
    return Sample(sample.middle, sample.broke, label=sample.label) if sample.n_between else sample


def _load_notes(reference: Sample, other: Sample, test: str) -> list[str]:
    notes = []
    between = reference.n_between + other.n_between
    if between:
        notes.append(
            f"{between} specimens broke between two loads: taken as such in the ratio (interval terms); the "
            "permutation test reads their middles."
        )
    shares = [s.common_uncertainty for s in (reference, other)]
    if any(shares):
        words = " and ".join(f"{100 * share:.3g} %" for share in shares)
        notes.append(
            f"Load uncertainty in common within each arm, {words} (k = 1): in the intervals, as if the arms were "
            "measured with two load cells. With one cell it cancels in a ratio: make the samples without it."
        )
        if test != "auto":
            notes.append(f"The test '{test}' knows nothing of that uncertainty.")
        notes.append(
            "Nor does the permutation test." if test != "auto" else "The permutation test knows nothing of it."
        )
    return notes


def _default(typical: str, reference: Sample, other: Sample) -> NamedTest:
    """Name of the test, by what is compared and the numbers alone.

    For medians, where they differ by more than one, or loads are not known as they stand, the test that the interval
    belongs to: the likelihood ratio rejects
    up to 7.6 % of true nulls at a nominal 5 % where 3 meet 10 (``tests/truth/compare_survivors.csv``).
    """
    if typical == "median":
        known = not any(s.n_between or s.common_uncertainty for s in (reference, other))
        alike = known and abs(reference.n - other.n) <= 1
        return "Weibull likelihood ratio" if alike else "Weibull confidence distributions"
    return "Welch on load" if typical == "mean" else HALF_AND_HALF


def answer_independent(
    reference: Sample, other: Sample, family: str, test: TestOrAuto, alternative: Alternative, rng: Any
) -> Answer:
    """Ratio, main test and permutation test of two arms of unrelated specimens."""
    law, name, typical = typical_law(reference, other, family, rng)
    held = reference.n_censored + other.n_censored
    name_of_test = _default(typical, reference, other) if test == "auto" else test
    main = two_sample_test(reference, other, name_of_test, alternative=alternative, rng=rng)
    beside = two_sample_test(
        _at_middles(reference),
        _at_middles(other),
        "permutation log-rank" if held else "permutation Welch",
        alternative=alternative,
        rng=rng,
    )
    notes = _load_notes(reference, other, test)
    if main.large_sample:
        notes.append(f"The test '{main.test}' is only right for many specimens or equal spreads: for comparison only.")
    if main.test in _EXACT_IF_ALIKE and abs(reference.n - other.n) > 1:
        notes.append(
            f"'{main.test}' is exact only where both arms scatter alike: with 3 against 10 and twice the scatter among "
            "the 3 it rejects 11 to 13 % of true nulls at 5 %."
        )
    if held:
        notes.append(UNRELATED)
    p_value = main.p_value
    wide = half_step(reference) + half_step(other)
    if wide:
        law = law.moved_apart(wide)
        p_value = max(p_value, law.p_value(alternative))
        notes.append(
            "Loads recorded in steps wider than twice their scatter: the limits are moved out by half a step, and the "
            "p value goes by them."
        )
    return Answer(
        law=law,
        family=name,
        typical=typical,
        typical_reference=typical_strength(reference, name, typical),
        typical_other=typical_strength(other, name, typical),
        test=main.test,
        p_value=p_value,
        permutation_test=beside.test,
        permutation_p=beside.p_value,
        smallest_p=beside.smallest_p,
        notes=tuple(notes),
    )
