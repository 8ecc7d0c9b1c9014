"""A population assumed for planning, with or without batches that differ."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from lowtail.claims.planning.core.judge import StrengthAim
from lowtail.claims.planning.core.simulate import Series, child, standard_series
from lowtail.claims.strength.governing import NAMES
from lowtail.errors import InputError
from lowtail.models.batches.weibull_batches import mixed_quantile
from lowtail.models.distributions.families import WEIBULL, Family, get_family, log_sd_of

__all__ = [
    "Population",
]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Population:
    """Distribution of y, and what share of it the rig will not break.

    ``between`` is the standard deviation of the locations of batches; ``location`` is then their middle and ``spread``
    that within each batch.
    """

    family: Family
    location: float
    spread: float
    survivors: float = 0.0
    between: float = 0.0

    @classmethod
    def of(cls, family: str | Family, mean: float, cv: float, survivors: float = 0.0) -> Population:
        """Distribution of a family with a given mean (kN) and coefficient of variation of the load."""
        found = get_family(family)
        if found.name == "normal":
            return cls(found, mean, cv * mean, survivors)
        if found.name == "lognormal":
            spread = log_sd_of(cv)
            return cls(found, math.log(mean) - spread**2 / 2, spread, survivors)

        def gap(log_shape: float) -> float:
            inverse = math.exp(-log_shape)
            return float(special.gammaln(1 + 2 * inverse) - 2 * special.gammaln(1 + inverse)) - math.log1p(cv * cv)

        spread = math.exp(-optimize.brentq(gap, math.log(0.5), math.log(1e6), xtol=1e-12))
        return cls(found, math.log(mean) - float(special.gammaln(1 + spread)), spread, survivors)

    @classmethod
    def of_batches(cls, mean: float, cv: float, share: float, survivors: float) -> Population:
        """Weibull within batches; mean load and CV over all, and a share of the variance of ln load between them."""

        def moments(variance: float) -> tuple[float, float]:
            return share * variance, math.sqrt(6 * (1 - share) * variance) / math.pi

        def gap(log_variance: float) -> float:
            square, within = moments(math.exp(log_variance))
            inner = special.gammaln(1 + 2 * within) - 2 * special.gammaln(1 + within)
            return float(square + inner) - math.log1p(cv * cv)

        square, within = moments(math.exp(optimize.brentq(gap, math.log(1e-10), math.log(4.0), xtol=1e-12)))
        middle = math.log(mean) - square / 2 - float(special.gammaln(1 + within))
        return cls(WEIBULL, middle, within, survivors, math.sqrt(square))

    def distance(self, strength: float) -> float:
        """(y of the strength - location) / spread."""
        return (float(self.family.transform(strength)) - self.location) / self.spread

    def low(self, fraction_below: float) -> float:
        """True value of y at a fraction below, over all batches."""
        if not self.between:
            return self.location + float(self.family.quantile(fraction_below)) * self.spread
        return self.location + self.spread * float(mixed_quantile(fraction_below, np.array(self.between / self.spread)))

    def limits(self, aim: StrengthAim) -> tuple[float, float]:
        """True strength at the content of the basis (its mean, for a custom), and what an endless series shows, kN."""
        low = self.low(aim.basis.fraction_below) if aim.basis.tolerance else self.location
        limit = aim.limit(np.array([self.location]), np.array([self.spread]))
        return float(self.family.inverse(low)), float(self.family.inverse(limit)[0])

    def check_possible(self, aim: StrengthAim, mean: float, cv: float) -> None:
        """Raise where the claim lies at or above what an endless series could show."""
        low, limit = self.limits(aim)
        strength, basis = aim.strength, aim.basis
        if strength < limit:
            return
        if not basis.tolerance:
            what = f"the limit of '{basis.name}' in an endless series is {limit:.4g} kN"
        elif strength < low:
            what = (
                f"the true {basis.percentile} is {low:.4g} kN, but the bound that governs approaches {limit:.4g} kN "
                "only, since it asks every distribution"
            )
        else:
            what = f"the true {basis.percentile} is {low:.4g} kN"
        above = " It even lies above the mean." if strength >= mean else ""
        raise InputError(
            f"The claim of {strength:.4g} kN cannot be backed with any number of specimens: with mean {mean:.4g} kN "
            f"and CV {100 * cv:.3g} % ({NAMES[self.family.name]} distribution) {what}.{above} Lower the claim below "
            f"{limit:.4g} kN, or choose a basis that allows a larger fraction below."
        )

    def series(self, n: int, size: int, seed: np.random.SeedSequence) -> Series:
        """Simulated series of shape (size, n), one batch; longer ones continue shorter ones."""
        z, broke = standard_series(self.family, n, size, self.survivors, seed)
        return self.location + self.spread * z, broke

    def batches(self, number: int, n: int, size: int, seed: np.random.SeedSequence) -> tuple[Array, Flags]:
        """Ln loads less the middle (size, number, n) and which broke, Weibull; longer batches continue shorter ones."""
        lots, strength, rig = (np.random.default_rng(child(seed, i)) for i in range(3))
        location = self.between * lots.standard_normal((size, number, 1))
        shape = (n, size, number)
        y = location + self.spread * np.moveaxis(np.log(strength.standard_exponential(shape)), 0, 2)
        if self.survivors == 0:
            return y, np.ones(y.shape, dtype=bool)
        limit = self.rig() + self.spread * np.moveaxis(np.log(rig.standard_exponential(shape)), 0, 2)
        return np.minimum(y, limit), y <= limit

    def rig(self) -> float:
        """Location of the rig's ln strength at which the share of survivors holds, over all batches."""
        z, weight = np.polynomial.hermite_e.hermegauss(60)
        weight = weight / weight.sum()

        def excess(shift: float) -> float:
            return float(weight @ special.expit((self.between * z - shift) / self.spread)) - self.survivors

        reach = 40 * (self.spread + self.between)
        return float(optimize.brentq(excess, -reach, reach))
