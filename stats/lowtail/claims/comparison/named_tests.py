"""Every two-sample test by its name, on samples: what it needs, what it answers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from lowtail._shared.checks import door
from lowtail._shared.choices import NamedTest
from lowtail._shared.numbers import p_text
from lowtail._shared.parallel import Seed
from lowtail._shared.record import Record
from lowtail._shared.sample import Sample, SampleLike, as_sample
from lowtail.errors import InputError, NoAnswerError
from lowtail.models.two_samples import half_and_half
from lowtail.models.two_samples import rank_tests as ranks
from lowtail.models.two_samples import survivor_tests as survivors
from lowtail.models.two_samples import t_tests as complete
from lowtail.models.two_samples.half_and_half import Arms
from lowtail.models.two_samples.permutation import Alternative, check_alternative

__all__ = ["HALF_AND_HALF", "TESTS", "TwoSampleTest", "two_sample_test"]

_Outcome = tuple[float, float, float]  # statistic, p, smallest p (NaN where there is no such limit)


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoSampleTest(Record):
    """Outcome of one named test: a p value, never an answer by itself.

    Attributes
    ----------
    test : str
        Name of the test.
    statistic, p_value : float
        Positive where the other arm is the stronger; p for ``alternative``.
    smallest_p : float
        Smallest p these loads can reach by this test; NaN where the test has no such limit.
    alternative : str
        "two-sided", "less" (the other arm is weaker) or "greater".
    n_reference, n_other : int
        Specimens.
    large_sample : bool
        True where the test is only right for many specimens and stands for comparison.
    """

    test: str
    statistic: float
    p_value: float
    smallest_p: float
    alternative: str
    n_reference: int
    n_other: int
    large_sample: bool

    def __str__(self) -> str:
        limit = f"; the smallest p possible here is {self.smallest_p:.2g}" if np.isfinite(self.smallest_p) else ""
        doubt = "; a large-sample test, for comparison only" if self.large_sample else ""
        return f"{self.test}, {self.n_reference} against {self.n_other}: {p_text(self.p_value)}{limit}{doubt}."


def _contrast(method: Callable[..., complete.Contrast], log: bool) -> Callable[[Sample, Sample, str, Any], _Outcome]:
    def run(reference: Sample, other: Sample, alternative: str, rng: Any) -> _Outcome:
        x, y = (np.log(s.load) if log else s.load for s in (reference, other))
        result = method(x, y, alternative=alternative)
        return result.statistic, result.p_value, float("nan")

    return run


def _half_and_half(reference: Sample, other: Sample, alternative: str, rng: Any) -> _Outcome:
    x, y = complete.arms(np.log(reference.load), np.log(other.load), 2)
    statistic = complete.welch(x, y).statistic  # refuses arms without scatter
    family = "half and half" if check_alternative(alternative) == "two-sided" else "farther"
    p = half_and_half.tail(Arms.of(x[None, :], y[None, :]), alternative, family=family)
    return statistic, float(p[0]), float("nan")


def _permuted(method: Callable[..., Any]) -> Callable[[Sample, Sample, str, Any], _Outcome]:
    def run(reference: Sample, other: Sample, alternative: str, rng: Any) -> _Outcome:
        result = method(np.log(reference.load), np.log(other.load), alternative=alternative, rng=rng)
        return result.statistic, result.p_value, result.smallest_p

    return run


def _mann_whitney(reference: Sample, other: Sample, alternative: str, rng: Any) -> _Outcome:
    result = ranks.mann_whitney(reference.load, other.load, alternative=alternative)
    return result.statistic, result.p_value, result.smallest_p


def _table(method: Callable[..., tuple[float, float]]) -> Callable[[Sample, Sample, str, Any], _Outcome]:
    def run(reference: Sample, other: Sample, alternative: str, rng: Any) -> _Outcome:
        statistic, p = method(reference.load, other.load, alternative=alternative)
        return statistic, p, float("nan")

    return run


def _log_rank_table(reference: Sample, other: Sample, alternative: str, rng: Any) -> _Outcome:
    statistic, p = survivors.log_rank_table(*_pairs(reference, other), alternative=alternative)
    return statistic, p, float("nan")


def _log_rank(reference: Sample, other: Sample, alternative: str, rng: Any) -> _Outcome:
    result = survivors.log_rank(*_pairs(reference, other), alternative=alternative, rng=rng)
    return result.statistic, result.p_value, result.smallest_p


def _weibull(shape: str, table: bool) -> Callable[[Sample, Sample, str, Any], _Outcome]:
    def run(reference: Sample, other: Sample, alternative: str, rng: Any) -> _Outcome:
        arms = _pairs(reference, other, log=True)
        result = survivors.weibull_ratio_test(
            *arms, shape=shape, alternative=alternative, rng=rng, draws=99 if table else survivors.DRAWS
        )
        if table:
            return result.statistic, result.chi_square_p, float("nan")
        return result.statistic, result.p_value, result.smallest_p

    return run


def _laws(reference: Sample, other: Sample, alternative: str, rng: Any) -> _Outcome:
    from lowtail.claims.comparison.ratios import ratio_from_laws

    below = ratio_from_laws(reference, other, "weibull", 0.5, rng).confidence_below_one()
    p = {"two-sided": 2 * min(below, 1 - below), "less": 1 - below, "greater": below}[check_alternative(alternative)]
    return float("nan"), min(max(p, 1e-5), 1.0), 1e-5


def _pairs(reference: Sample, other: Sample, *, log: bool = False) -> Any:
    return tuple((np.log(s.load) if log else np.asarray(s.load), np.asarray(s.broke)) for s in (reference, other))


@dataclass(frozen=True, slots=True)
class _Named:
    run: Callable[[Sample, Sample, str, Any], _Outcome]
    survivors: bool = False
    large_sample: bool = False


HALF_AND_HALF: Final = "half-and-half Behrens-Fisher"  # half for normal, half for Weibull loads
TESTS: dict[NamedTest, _Named] = {
    HALF_AND_HALF: _Named(_half_and_half),
    "Welch on log load": _Named(_contrast(complete.welch, True)),
    "Welch on load": _Named(_contrast(complete.welch, False)),
    "Behrens-Fisher on log load": _Named(_contrast(complete.behrens_fisher, True)),
    "permutation Welch": _Named(_permuted(complete.permutation_welch)),
    "Mann-Whitney": _Named(_mann_whitney),
    "Brunner-Munzel": _Named(_permuted(ranks.brunner_munzel)),
    "Weibull likelihood ratio": _Named(_weibull("own", False), survivors=True),
    "Weibull likelihood ratio, common shape": _Named(_weibull("common", False), survivors=True),
    "Weibull confidence distributions": _Named(_laws, survivors=True),
    "permutation log-rank": _Named(_log_rank, survivors=True),
    "pooled t on log load": _Named(_contrast(complete.pooled_t, True), large_sample=True),
    "permutation of means": _Named(_permuted(complete.permutation_mean), large_sample=True),
    "Mann-Whitney, normal table": _Named(_table(ranks.mann_whitney_normal), large_sample=True),
    "Brunner-Munzel, t table": _Named(_table(ranks.brunner_munzel_t), large_sample=True),
    "log-rank, normal table": _Named(_log_rank_table, survivors=True, large_sample=True),
    "Weibull likelihood ratio, chi-square table": _Named(_weibull("common", True), survivors=True, large_sample=True),
}


@door
def two_sample_test(
    reference: SampleLike, other: SampleLike, test: NamedTest, *, alternative: Alternative = "two-sided", rng: Seed = 0
) -> TwoSampleTest:
    """Run one test of two arms by its name; for the answer itself use `compare`.

    Parameters
    ----------
    reference, other : Sample or array_like
        The two arms, loads in kN.
    test : str
        One of the names in ``lowtail.claims.comparison.named_tests.TESTS``. Tests with "log-rank" or "likelihood
        ratio" in their name take survivors; the others need every specimen broken. Names marked large-sample stand for
        comparison.
    alternative : {"two-sided", "less", "greater"}
        "less": the other arm is weaker.
    rng : int or Generator
        Seed, used where a test draws.

    Raises
    ------
    InputError
        If the name or the alternative is unknown.
    NoAnswerError
        If the test cannot take survivors and some specimen held, or the arms are too small.

    See Also
    --------
    compare : the ratio with its interval, and a test chosen for the data.

    Examples
    --------
    >>> slow, shock = Sample([24.1, 25.0, 24.6]), Sample([21.9, 22.8, 22.4])
    >>> two_sample_test(slow, shock, "Mann-Whitney").p_value
    0.1
    """
    reference = as_sample(reference)
    other = as_sample(other)
    if test not in TESTS:
        raise InputError(f"`test` must be one of {', '.join(map(repr, TESTS))}, got {test!r}.")
    named = TESTS[test]
    for sample in (reference, other):
        if sample.n_censored and not named.survivors:
            raise NoAnswerError(
                f"{sample.who}: {sample.n_censored} of {sample.n} specimens held, and the test '{test}' has no "
                "place for survivors (counting them as breaks would be wrong). Use 'permutation log-rank' or "
                "'Weibull likelihood ratio'."
            )
    statistic, p, smallest = named.run(reference, other, alternative, rng)
    return TwoSampleTest(
        test=test,
        statistic=float(statistic),
        p_value=float(p),
        smallest_p=float(smallest),
        alternative=alternative,
        n_reference=reference.n,
        n_other=other.n,
        large_sample=named.large_sample,
    )
