"""Ratios of two arms with their confidence distribution: typical strength, low strength, scatter."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from lowtail._shared.parallel import as_rng, seeds
from lowtail._shared.record import Record
from lowtail._shared.sample import Sample
from lowtail.claims.comparison.deciding import Ends
from lowtail.claims.comparison.design_parts import Difference
from lowtail.errors import NoAnswerError
from lowtail.models.confidence.distribution import confidence_distribution
from lowtail.models.distributions.families import get_family
from lowtail.models.distributions.fit import fit
from lowtail.models.series.weibull_design import detectable_from_laws
from lowtail.models.two_samples import half_and_half
from lowtail.models.two_samples.half_and_half import Arms
from lowtail.models.two_samples.level_free import LevelFreeLaw
from lowtail.models.two_samples.t_tests import fieller, welch
from lowtail.models.two_samples.weibull_arms import Arm

__all__ = [
    "DRAWS",
    "LowRatio",
    "RatioLaw",
    "farther_of_two",
    "farther_ratio",
    "low_ratios",
    "ratio_from_laws",
    "ratio_of_logs",
    "ratio_of_means",
    "scatter",
    "scatter_of_logs",
]

Array = NDArray[np.float64]
DRAWS = 100_000  # draws from each arm's confidence distribution: a bound's own confidence is right to 0.0005
POWER = 0.80
_SAFER, _DEEP = 0.7, 0.05  # share of the nominal tails used where the plain ones are too short; "deep" is below 5 %


@dataclass(frozen=True, slots=True)
class RatioLaw:
    """A ratio (other over reference) with its bounds.

    ``upper(g)`` lies above the true ratio with confidence g; ``detectable(confidence, two_sided)`` is the ratio below 1
    that a series of this size and scatter would show with 80 % power. ``one_sided(g)``, where there is one, stands for
    ``upper(g)`` in statements on one side.
    """

    estimate: float
    upper: Callable[[float], float]
    detectable: Callable[[float, bool], float]
    one_sided: Callable[[float], float] | None = None

    def ends(self, confidence: float) -> Ends:
        """Limits of the log ratio by which a comparison is decided."""
        alone = self.upper if self.one_sided is None else self.one_sided
        low, high = self.interval(confidence)
        return Ends(*(float(np.log(max(x, 1e-300))) for x in (low, high, alone(1 - confidence), alone(confidence))))

    def confidence_below_one(self) -> float:
        """Confidence that the true ratio lies below 1, by bisection on `upper`."""
        low, high = 0.0, 1.0
        for _ in range(40):
            middle = (low + high) / 2
            low, high = (middle, high) if self.upper(middle) < 1 else (low, middle)
        return (low + high) / 2

    def moved_apart(self, by: float) -> RatioLaw:
        """The same with every limit of the log ratio moved away from the estimate by ``by``."""

        def apart(limit: Callable[[float], float]) -> Callable[[float], float]:
            return lambda g: limit(g) * float(np.exp(by if g >= 0.5 else -by))

        return RatioLaw(
            self.estimate,
            apart(self.upper),
            lambda confidence, two_sided: self.detectable(confidence, two_sided) * float(np.exp(-by)),
            None if self.one_sided is None else apart(self.one_sided),
        )

    def p_value(self, alternative: str) -> float:
        """P value that belongs to the limits: no ratio within the interval of its confidence is rejected."""
        below = self.confidence_below_one()
        return {"less": 1 - below, "greater": below}.get(alternative, min(1.0, 2 * min(below, 1 - below)))

    def interval(self, confidence: float) -> tuple[float, float]:
        """Two-sided interval with equal tails."""
        return self.upper((1 - confidence) / 2), self.upper((1 + confidence) / 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class LowRatio(Record):
    """Ratio of the strengths that one fraction of each population lies below, with its two-sided interval.

    Attributes
    ----------
    fraction_below : float
        Fraction weaker than the strength compared.
    ratio, low, high : float
        Other over reference; NaN where the data carry none.
    confidence : float
        Two-sided.
    family : str
        Distribution of both arms.
    """

    fraction_below: float
    ratio: float
    low: float
    high: float
    confidence: float
    family: str

    def __str__(self) -> str:
        if not np.isfinite(self.low):
            return f"{self.fraction_below * 100:g} % strength: no ratio"
        return f"{self.fraction_below * 100:g} % strength: ratio {self.ratio:.3g} ({self.low:.3g} to {self.high:.3g})"


def _t_detectable(error: float, df: float, reach: Callable[[float], float]) -> Callable[[float, bool], float]:
    """Ratio shown with 80 % power by a t-like statistic whose two-sided half-width is ``reach`` standard errors."""

    def detectable(confidence: float, two_sided: bool) -> float:
        from scipy.optimize import brentq

        critical = reach(confidence if two_sided else 2 * confidence - 1)
        shift = brentq(lambda ncp: float(stats.nct.sf(critical, df, ncp)) - POWER, 0.0, 3 * critical + 10)
        return float(np.exp(-shift * error))

    return detectable


def ratio_of_logs(x: Array, y: Array) -> RatioLaw:
    """Ratio of geometric means from log loads of complete arms: half a normal, half a Weibull distribution."""
    plain = welch(x, y)  # refuses arms without scatter; its degrees of freedom are those of the power
    arms = Arms.of(x[None, :], y[None, :])

    def upper(g: float) -> float:
        return float(np.exp(half_and_half.limit(arms, g)[0]))

    def one_sided(g: float) -> float:
        return float(np.exp(half_and_half.limit(arms, g, "farther")[0]))

    def detectable(confidence: float, two_sided: bool) -> float:
        level, family = ((1 + confidence) / 2, "half and half") if two_sided else (confidence, "farther")
        critical = float(half_and_half.reach(arms.angle, x.size, y.size, level, family)[0])
        return _t_detectable(plain.standard_error, plain.df, lambda _: critical)(confidence, two_sided)

    return RatioLaw(float(np.exp(plain.difference)), upper, detectable, one_sided)


def ratio_from_error(difference: float, error: float, df: float) -> RatioLaw:
    """Ratio from a log difference with a standard error and degrees of freedom (pairs, blocks)."""

    def upper(g: float) -> float:
        return float(np.exp(difference + stats.t.ppf(g, df) * error))

    def reach(confidence: float) -> float:
        return float(stats.t.ppf((1 + confidence) / 2, df))

    return RatioLaw(float(np.exp(difference)), upper, _t_detectable(error, df, reach))


def farther_ratio(law: LevelFreeLaw, plain: Difference) -> RatioLaw:
    """Ratio of pairs or blocks with survivors: the farther of the level-free distribution's and the t interval's."""

    def upper(g: float) -> float:
        one = float(law.upper(g)[0])
        two = plain.value + float(stats.t.ppf(g, plain.df)) * plain.error
        return float(np.exp(max(one, two) if g >= 0.5 else min(one, two)))

    estimate = float(np.exp(law.upper(0.5)[0]))
    df = int(law.free[0])

    def detectable(confidence: float, two_sided: bool) -> float:
        g = (1 + confidence) / 2 if two_sided else confidence
        critical = float(stats.t.ppf(g, df))
        reach = float(np.log(max(upper(g) / estimate, estimate / upper(1 - g))))  # the wider side
        seen = np.sqrt(df / stats.chi2.ppf(0.5, df))  # the scatter of a small series is too small on average
        shown = _t_detectable(seen * reach / critical, df, lambda _: critical)(confidence, two_sided)
        return shown * float(np.exp(-abs(np.log(estimate) - plain.value)))

    return RatioLaw(estimate, upper, detectable)


def ratio_of_means(x: Array, y: Array) -> RatioLaw:
    """Ratio of means by Fieller's interval, each arm its own spread."""
    ratio = fieller(x, y)[0]

    def upper(g: float) -> float:
        _, low, high = fieller(x, y, confidence=abs(2 * g - 1))
        return high if g >= 0.5 else low

    return RatioLaw(ratio, upper, ratio_of_logs(np.log(x), np.log(y)).detectable)


_Draws = tuple[Array, Array]


def _drawn(reference: Sample, other: Sample, family: str, rng: Any) -> tuple[_Draws, _Draws]:
    """Draws of (location, spread) from both arms' distributions; kept for the same two arms and seed."""
    if isinstance(rng, int):
        return _kept(reference, other, family, rng)
    return _draw(reference, other, family, rng)


@lru_cache(maxsize=4)
def _kept(reference: Sample, other: Sample, family: str, rng: int) -> tuple[_Draws, _Draws]:
    both = _draw(reference, other, family, rng)
    for array in (*both[0], *both[1]):
        array.flags.writeable = False
    return both


def _draw(reference: Sample, other: Sample, family: str, rng: Any) -> tuple[_Draws, _Draws]:
    first, second = (
        confidence_distribution(sample, family).draws(DRAWS, np.random.default_rng(seed))
        for sample, seed in zip((reference, other), seeds(rng, 2), strict=True)
    )
    return first, second


def _log_quantile(draws: tuple[Array, Array], family: str, fraction_below: float) -> Array:
    law = get_family(family)
    value = draws[0] + law.quantile(fraction_below) * draws[1]
    if law.on_log:
        return np.asarray(value)
    if (value <= 0).any():
        raise NoAnswerError(
            "The normal distribution puts low strengths at or below zero here, so that their ratio has no meaning. "
            "Use family='lognormal' or 'weibull'."
        )
    return np.asarray(np.log(value))


def ratio_from_laws(reference: Sample, other: Sample, family: str, fraction_below: float, rng: Any = 0) -> RatioLaw:
    """Ratio of one percentile from the two arms' confidence distributions, any two spreads, survivors included."""
    first, second = _drawn(reference, other, family, rng)
    log_ratio = np.sort(_log_quantile(second, family, fraction_below) - _log_quantile(first, family, fraction_below))
    fitted = [float(fit(sample, family).strength_below(fraction_below)) for sample in (reference, other)]
    estimate = fitted[1] / fitted[0]

    def upper(g: float) -> float:
        return float(np.exp(np.quantile(log_ratio, g)))

    def detectable(confidence: float, two_sided: bool) -> float:
        centre = float(np.log(np.concatenate([reference.middle, other.middle])).mean())
        arms = tuple(
            Arm(np.log(sample.middle)[None, :] - centre, sample.broke[None, :]) for sample in (reference, other)
        )
        bound = (1 + confidence) / 2 if two_sided else confidence
        return detectable_from_laws((arms[0], arms[1]), bound, POWER, as_rng(rng))

    return RatioLaw(estimate, upper, detectable)


def farther_of_two(reference: Sample, other: Sample, family: str, rng: Any = 0) -> RatioLaw:
    """Ratio of medians from one family's confidence distributions; on one side the farther of Weibull and lognormal."""
    own = ratio_from_laws(reference, other, family, 0.5, rng)
    beside = ratio_from_laws(reference, other, "lognormal" if family == "weibull" else "weibull", 0.5, rng)

    def one_sided(g: float) -> float:
        return (max if g >= 0.5 else min)(own.upper(g), beside.upper(g))

    return replace(own, one_sided=one_sided)


def _tails(confidence: float, *, safer: bool) -> list[float]:
    tail = (1 - confidence) / 2 * (_SAFER if safer else 1.0)
    return [tail, 1 - tail]


def low_ratios(
    reference: Sample, other: Sample, family: str, fractions: Sequence[float], confidence: float, rng: Any = 0
) -> tuple[LowRatio, ...]:
    """Ratios of low strengths with their intervals, all from the same draws.

    Below a fraction of 5 % only 0.7 of the nominal tails are used (0.965 for a nominal 0.95): with the full ones the
    interval of the 1 % strengths' ratio falls to 93.5 % (``tests/truth/compare_intervals.csv``).
    """
    first, second = _drawn(reference, other, family, rng)
    fits = [fit(sample, family) for sample in (reference, other)]
    out = []
    for p in fractions:
        log_ratio = _log_quantile(second, family, p) - _log_quantile(first, family, p)
        low, high = np.exp(np.quantile(log_ratio, _tails(confidence, safer=p < _DEEP)))
        estimate = float(fits[1].strength_below(p)) / float(fits[0].strength_below(p))
        out.append(
            LowRatio(
                fraction_below=float(p),
                ratio=estimate,
                low=float(low),
                high=float(high),
                confidence=confidence,
                family=family,
            )
        )
    return tuple(out)


def scatter(reference: Sample, other: Sample, confidence: float, rng: Any = 0) -> tuple[float, float, float]:
    """Ratio of log-load scatter (other over reference): middle of its confidence distribution, low, high.

    From the two Weibull confidence distributions (spread = 1 / shape). Where every specimen broke, each end is the
    farther of that and the F interval of log loads: either alone falls to 93 or 88 % at a nominal 95 % where the other
    distribution holds. With survivors 0.7 of the nominal tails are used: with the full ones it falls to 92.6 %
    (``tests/truth/compare_intervals.csv``).
    """
    first, second = _drawn(reference, other, "weibull", rng)
    held = any(s.n_censored or s.n_between for s in (reference, other))
    middle, low, high = np.exp(np.quantile(np.log(second[1] / first[1]), [0.5, *_tails(confidence, safer=held)]))
    if not held:
        f_low, f_high = scatter_of_logs(np.log(reference.load), np.log(other.load), confidence)
        low, high = min(low, f_low), max(high, f_high)
    return float(middle), float(low), float(high)


def scatter_of_logs(x: Array, y: Array, confidence: float) -> tuple[float, float]:
    """F interval of the ratio of standard deviations, second over first: exact for normal values."""
    ratio = y.var(ddof=1) / x.var(ddof=1)
    high, low = (float(stats.f.ppf((1 + s * confidence) / 2, y.size - 1, x.size - 1)) for s in (1, -1))
    return float(np.sqrt(ratio / high)), float(np.sqrt(ratio / low))
