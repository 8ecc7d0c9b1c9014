"""The confidence engine: the joint confidence distribution of location and spread, for one sample or a batch.

Quantiles of the distribution are one-sided confidence bounds. They are exact for complete and type-II censored
samples, and within the error of the study or above nominal where one fixed load stopped the tests
(``tests/truth/coverage.csv``). Where specimens held below the highest break they can lie too high, and are lowered by
simulation (`early_holds`; ``tests/truth/early_holds.csv``). Breaks between two loads: `interval_law`; an error that all
loads have in common: `common_error`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from lowtail._shared.checks import check_fraction, door
from lowtail._shared.parallel import Seed, as_rng
from lowtail._shared.sample import Sample, SampleLike, as_sample
from lowtail.errors import InputError, NoAnswerError
from lowtail.models.confidence.interval_nodes import interval_nodes
from lowtail.models.confidence.nodes import Nodes
from lowtail.models.confidence.quadrature import FINE, SMOOTH
from lowtail.models.confidence.search import ScalePrior, build, common_scale, solve
from lowtail.models.distributions.between import Between
from lowtail.models.distributions.between_law import stand_ins
from lowtail.models.distributions.common_error import blurred
from lowtail.models.distributions.families import Family, get_family
from lowtail.models.distributions.known_scale import KnownSpread, known_spread
from lowtail.models.distributions.likelihood import Scaled, prepare
from lowtail.models.early.holds import SAMPLES, calibrated_confidence, calibrated_low, checked, held_early

__all__ = ["ConfidenceDistribution", "ScalePrior", "confidence_distribution", "law_with_prior", "others"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class ConfidenceDistribution:
    """Joint confidence distribution of location and spread of one sample.

    Build it with `confidence_distribution`. Probabilities under this distribution are confidences, not probabilities
    about the part.
    """

    family: Family
    groups: tuple[Scaled, ...] = field(repr=False)  # the target first; several rows: placements, the lowest counts
    who: str = ""
    prior: ScalePrior | None = None
    known: KnownSpread | None = None
    common: float = 0.0
    between: Between | None = field(default=None, repr=False)
    _cache: dict[tuple[float, float], Nodes] = field(default_factory=dict, repr=False)

    def _nodes(self, fraction_below: float, tail: float) -> Nodes:
        w = abs(float(self.family.quantile(fraction_below)))
        key = (w, round(tail, 4)) if self.between is None else (0.0, 0.0)
        if key not in self._cache:
            self._cache[key] = self._grid(w, tail)
        return self._cache[key]

    def nodes(self, reach: float, tail: float) -> Nodes:
        """Grid whose spacing suits percentiles ``reach`` spreads from the location, and whose ends a ``tail``."""
        return self._grid(reach, tail)

    def _grid(self, reach: float, tail: float, grid: tuple[float, float] = FINE) -> Nodes:
        if self.between is not None:
            return interval_nodes(self.between, self.family)
        return build(self.family, self.groups, reach, tail, self.prior, grid)

    def _lowest(self, q: Array) -> float:
        target = self.groups[0]
        return max(0.0, float(self.family.inverse(target.centre + target.scale * q).min()))

    @property
    def placed(self) -> bool:
        """True where specimens broke between steps so wide that every place at which they can have broken is tried."""
        return self.groups[0].r.size > 1

    @property
    def held_early(self) -> bool:
        """True where a specimen held below the highest break of its group (or could have: none broke there)."""
        return any(bool(held_early(g).any()) or (g.r[0] == 0 and g.n[0] > 0) for g in self.groups)

    @property
    def calibrated(self) -> bool:
        """True where the bounds are checked by simulation: specimens held early, and nothing is known of the scale.

        More than 16,384 specimens are not checked (`early_holds.checked`).
        """
        alone = self.known is None and self.prior is None and len(self.groups) == 1
        return alone and self.held_early and bool(checked(self.groups[0]).any())

    def _quantile(self, fraction_below: float, tail: float) -> Array:
        """Quantile of the percentile under the distribution on the scaled axis, not calibrated, one a row."""
        return solve(self._nodes(fraction_below, tail), float(self.family.quantile(fraction_below)), tail)

    def _recorded_low(self, p: float, g: float, *, calibrated: bool = False) -> float:
        """The bound of what is recorded: without the error that the loads have in common."""
        if self.known is not None:
            return self.known.low(p, g)
        q = self._quantile(p, 1 - g)
        return self._lowest(calibrated_low(self.groups[0], self.family, p, g, q) if calibrated else q)

    def _with_common(self, p: float) -> tuple[Callable[[float], float], Callable[[float], float]]:
        return blurred(lambda g: self._recorded_low(p, g), self.common)

    def plain_low(self, fraction_below: float, confidence: float) -> float:
        """The quantile of the distribution in kN, without the calibration for specimens held early.

        Too high as a lower bound where many held early; as an upper bound (a low ``confidence``) it is the one to use.
        """
        p, g = check_fraction(fraction_below, "fraction_below"), check_fraction(confidence, "confidence")
        if self.placed and g < 0.5:
            raise NoAnswerError(
                f"{self.who}: specimens broke between steps wider than their scatter; that gives lower bounds, and no "
                "upper one. Record the loads in finer steps."
            )
        return self._with_common(p)[1](g) if self.common else self._recorded_low(p, g)

    def low(self, fraction_below: float, confidence: float) -> float:
        """Lower confidence bound in kN of the strength that ``fraction_below`` of the population lies below.

        Parameters
        ----------
        fraction_below, confidence : float
            Between 0 and 1, ends excluded. With specimens held early, up to 0.9998; from 0.5 on the bound is calibrated
            (never raised), below it is an upper bound and is not.

        Returns
        -------
        float
            At least 0: a normal distribution can put its bound below zero, which says only that there is no useful
            bound.
        """
        p, g = check_fraction(fraction_below, "fraction_below"), check_fraction(confidence, "confidence")
        if not self.calibrated:
            return self.plain_low(p, g)
        low = self._recorded_low(p, g, calibrated=True)
        if not (self.common and low > 0):
            return low
        return self._with_common(p)[1](max(g, self._confidence(low, p, calibrated=False)))

    def confidence_that(self, load: float, fraction_below: float) -> float:
        """Confidence that at most ``fraction_below`` of the population is weaker than ``load`` (kN, greater than 0).

        The inverse of `low`: with specimens held early, calibrated by simulated samples (1,024; 16,384 above 99.5 %).
        """
        shown = self.plain_confidence_that(load, fraction_below)
        if not self.calibrated:
            return shown
        if self.common:  # the recorded load that is as likely without the common error as this one with it
            load = self._recorded_low(fraction_below, min(max(shown, 1e-6), 1 - 1e-6))
        return self._confidence(load, fraction_below, calibrated=True) if load > 0 else shown

    def plain_confidence_that(self, load: float, fraction_below: float) -> float:
        """The same without the calibration for specimens held early."""
        p = check_fraction(fraction_below, "fraction_below")
        if not (np.isfinite(load) and load > 0):
            raise InputError(f"`load` must be a finite number greater than 0 kN, got {load!r}.")
        return self._with_common(p)[0](load) if self.common else self._confidence(load, p, calibrated=False)

    def _confidence(self, load: float, p: float, *, calibrated: bool) -> float:
        """Confidence that the recorded percentile lies above a load: the lowest of the rows."""
        if self.known is not None:
            return self.known.confidence_that(load, p)
        target = self.groups[0]
        q = (self.family.transform(np.array([load])) - target.centre) / target.scale
        w = float(self.family.quantile(p))
        rough = float(self._nodes(p, 0.05).cdf(q, w)[0].max())
        near = min(max(rough, 1e-7), 1 - 1e-7)  # a second grid that stands where the first one put the answer
        shown = np.clip(1 - self._nodes(p, near).cdf(q, w)[0], 0.0, 1.0)
        if not calibrated:
            return float(shown.min())
        found = calibrated_confidence(target, self.family, p, q, shown)
        if found.min() > 0.995:
            found = calibrated_confidence(target, self.family, p, q, shown, 16 * SAMPLES)
        return float(found.min())

    def interval(self, fraction_below: float, confidence: float) -> tuple[float, float]:
        """Two-sided confidence interval in kN of a percentile, equal tails; its upper end is the plain one."""
        g = check_fraction(confidence, "confidence")
        return self.low(fraction_below, 0.5 * (1 + g)), self.plain_low(fraction_below, 0.5 * (1 - g))

    def draws(self, size: int, rng: Seed = 0) -> tuple[Array, Array]:
        """Draw ``size`` pairs (location, spread) on the ``y`` axis (kN for the normal, ln kN otherwise)."""
        if self.known is not None:
            raise NoAnswerError(
                f"{self.who}: with a known spread the distribution is one-sided; use .low and .confidence_that."
            )
        if self.placed:
            raise NoAnswerError(
                f"{self.who}: specimens broke between steps wider than the scatter of their middles, which shows too "
                "little of the scatter for this answer. Lower bounds can be given: lower_bound, governing. Or record "
                "the loads in finer steps."
            )
        generator = as_rng(rng)
        nodes = self._grid(1.0, 0.5, SMOOTH)
        t, w = np.log(nodes.k[0]), nodes.weight[0]
        total = np.concatenate([[0.0], np.cumsum(0.5 * (w[1:] + w[:-1]))])
        k = np.exp(np.interp(generator.random(size) * total[-1], total, t))
        target = self.groups[0]
        location, spread = target.centre[0] + target.scale[0] * nodes.draw(k, 0, generator), target.scale[0] / k
        if not self.common:
            return location, spread
        error = self.common * generator.standard_normal(size)
        return (location + error, spread) if self.family.on_log else (location * np.exp(error), spread * np.exp(error))


def _same(one: Sample, other: Sample) -> bool:
    """True for the same group read twice: it must not count as a sibling of itself."""
    return one is other or (
        one.label == other.label and np.array_equal(one.lower, other.lower) and np.array_equal(one.upper, other.upper)
    )


def others(sample: Sample, siblings: Sequence[Sample]) -> list[Sample]:
    """The siblings without the group itself."""
    return [s for s in siblings if not _same(s, sample)]


def _common_scale(samples: Sequence[Sample], family: Family) -> tuple[Scaled, ...]:
    return common_scale([prepare(s.load, s.broke, family) for s in samples])


@door
def confidence_distribution(
    sample: SampleLike,
    family: str | Family = "weibull",
    *,
    shape: float | None = None,
    cv: float | None = None,
    equal_scatter: Sequence[Sample] | None = None,
) -> ConfidenceDistribution:
    """Joint confidence distribution of location and scale.

    Parameters
    ----------
    sample : Sample or array_like
        Loads in kN with survivors, breaks between two loads, and an uncertainty that all loads have in common.
    family : str or Family
    shape : float, optional
        Known Weibull shape; the bound is then exact chi-square with 2 r + 2 degrees of freedom, r breaks.
    cv : float, optional
        Known coefficient of variation for the normal families.
    equal_scatter : sequence of Sample, optional
        Sibling groups taken to have exactly the scatter of this one (equal Weibull shape, equal standard deviation of
        ln load, or for the normal equal standard deviation in kN); each keeps a location of its own. ``sample`` itself
        may be among them. Where they differ the bounds can be far too high (``tests/truth/borrowed_scatter.csv``):
        ``lower_bound(siblings=)`` borrows with care.

    Raises
    ------
    NoAnswerError
        If fewer than 2 different loads at break are there and nothing is known of the scale.
    InputError
        If an option does not fit the family, or two sources of the scale are given at once.

    See Also
    --------
    lower_bound : one quantile of it, with its words.
    fit : the best estimate.
    many.lower_bound : many samples at once.

    References
    ----------
    Lawless (1978) Technometrics 20:355-364; Fraser (1968) The Structure of Inference (both from memory).

    Examples
    --------
    >>> distribution = confidence_distribution(Sample([24.1, 25.3, 22.8, 26.0, 23.9]), "normal")
    >>> round(distribution.low(0.10, 0.95), 3)
    20.156
    """
    sample = as_sample(sample)
    law = get_family(family)
    if sum(x is not None for x in (shape, cv, equal_scatter)) > 1:
        raise InputError("Give only one of `shape`, `cv`, `equal_scatter`: each one settles the scatter.")
    share = sample.common_uncertainty
    if shape is not None or cv is not None:
        known = known_spread(sample, law, shape=shape, cv=cv)
        return ConfidenceDistribution(law, _common_scale([sample], law), sample.who, known=known, common=share)
    if sample.n_between and equal_scatter is None:
        stands, terms = stand_ins(sample, law)
        return ConfidenceDistribution(law, (stands,), sample.who, common=share, between=terms)
    siblings = others(sample, () if equal_scatter is None else equal_scatter)
    groups = _common_scale([sample, *siblings], law)
    _require(sample, groups, law, shared=equal_scatter is not None)
    return ConfidenceDistribution(law, groups, sample.who, common=share)


def law_with_prior(sample: Sample, family: Family, prior: ScalePrior) -> ConfidenceDistribution:
    """Confidence distribution with the scatter weighted by a prior, for draws; it holds no floor and no conflict rule.

    The gamma index of the Weibull location is breaks + 1, so that a sample without breaks has a distribution too.
    """
    prior.check_family(family)
    if sample.n_broken == 0 and family.name != "weibull":
        raise NoAnswerError(f"{sample.who}: none of {sample.n} broke; a prior of the scatter needs 1 break here.")
    return ConfidenceDistribution(family, _common_scale([sample], family), sample.who, prior)


def _require(sample: Sample, groups: Sequence[Scaled], law: Family, *, shared: bool) -> None:
    target = groups[0]
    if not shared:
        if target.distinct[0] and sample.different >= 2:
            return
        raise NoAnswerError(
            f"{sample.who}: a bound needs at least 2 different loads at break, but {sample.n_broken} of {sample.n} "
            f"specimens broke{' (all at one load)' if sample.n_broken > 1 else ''}. Give "
            f"`{'shape' if law.name == 'weibull' else 'cv'}=` from an "
            "earlier series, borrow the scatter of sibling groups by `siblings=`, or test on until more break."
        )
    if sample.n_broken == 0:
        raise NoAnswerError(
            f"{sample.who}: none of {sample.n} specimens broke. Sibling groups can lend their scatter, not a strength: "
            "test on until at least 1 breaks."
        )
    free = sum(int(g.r[0]) - 1 for g in groups if g.r[0] > 0)
    if free < 1 or not any(bool(g.distinct[0]) for g in groups):
        raise NoAnswerError(
            f"{sample.who}: the {len(groups)} groups that share one scatter need at least one group with 2 "
            "different loads at break. Test on until more break."
        )
