"""Bounds with a spread known from outside: the exact chi-square rule on the cumulative hazard.

With the spread known, the cumulative hazard summed over the specimens is the exposure at which r breaks were seen,
and the upper limit of a count gives the bound: ``sum H((y - location) / spread) = chi2(confidence; 2 r + 2) / 2`` with
``H = -ln(1 - F)``. It holds for any distribution and any independent stopping of the tests, none broken included; with
fewer degrees of freedom (2 r) coverage can fall to 27 %.

References
----------
Nelson (1985) J. Qual. Technol. 17:140-146, Weibull with known shape (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from scipy.optimize import brentq

from lowtail._shared.sample import Sample
from lowtail.errors import InputError
from lowtail.models.distributions.families import Family, log_sd_of

__all__ = ["KnownSpread", "known_spread"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class KnownSpread:
    """One-sided confidence distribution of the strength when the spread is known.

    Attributes
    ----------
    family : Family
    y : (n,) array
        Transformed loads.
    breaks : int
    spread : float
        On the ``y`` axis; for the normal distribution of the load a coefficient of variation instead (``relative``
        True).
    relative : bool
    assumption : str
        In words, for the report.
    """

    family: Family
    y: Array = field(repr=False)
    breaks: int
    spread: float
    relative: bool
    assumption: str

    def _standard(self, location: float) -> Array:
        scale = self.spread * location if self.relative else self.spread
        return np.asarray((self.y - location) / scale)

    def _exposure(self, location: float) -> float:
        z = self._standard(location)
        with np.errstate(over="ignore"):
            hazard = np.exp(z) if self.family.name == "weibull" else -stats.norm.logsf(z)
        return float(hazard.sum())

    def _percentile(self, location: float, fraction_below: float) -> float:
        scale = self.spread * location if self.relative else self.spread
        return float(location + self.family.quantile(fraction_below) * scale)

    def low(self, fraction_below: float, confidence: float) -> float:
        """Lower bound in kN of a percentile."""
        target = stats.chi2.ppf(confidence, 2 * self.breaks + 2) / 2
        if self.family.name == "weibull":
            top = float(self.y.max())
            k = 1 / self.spread
            location = top + (np.log(np.exp(k * (self.y - top)).sum()) - np.log(target)) / k
        else:
            reach = float(self.y.max()) * self.spread if self.relative else self.spread
            low, high = float(self.y.min()), float(self.y.max())
            step = reach
            while self._exposure(low) < target:
                low = low * 0.7 if self.relative else low - step
                step *= 2
            step = reach
            while self._exposure(high) > target:
                high += step
                step *= 2
            location = brentq(lambda m: self._exposure(m) - target, low, high, xtol=1e-14 * max(abs(high), 1.0))
        return max(0.0, float(self.family.inverse(self._percentile(float(location), fraction_below))))

    def confidence_that(self, load: float, fraction_below: float) -> float:
        """Confidence that at most ``fraction_below`` of the population is weaker than ``load``."""
        y, w = float(self.family.transform(load)), float(self.family.quantile(fraction_below))
        if self.relative:
            if 1 + w * self.spread <= 0:
                return 0.0
            location = y / (1 + w * self.spread)
        else:
            location = y - w * self.spread
        return float(stats.chi2.cdf(2 * self._exposure(location), 2 * self.breaks + 2))


def known_spread(sample: Sample, family: Family, *, shape: float | None, cv: float | None) -> KnownSpread:
    """Check the outside knowledge against the family and build the distribution.

    Raises
    ------
    InputError
        If ``shape`` is given for a normal family or ``cv`` for the Weibull, or is not a positive number.
    """
    name, value = ("shape", shape) if shape is not None else ("cv", cv)
    if (name == "shape") != (family.name == "weibull"):
        other = "cv" if name == "shape" else "shape"
        raise InputError(f"`{name}` does not fit the {family.name} distribution; give `{other}=` instead.")
    if value is None or not (np.isfinite(value) and value > 0):
        raise InputError(f"`{name}` must be a finite number greater than 0, got {value!r}.")
    if name == "cv" and value >= 1:
        raise InputError(f"`cv` must be a fraction below 1, got {value!r}. Give 0.05, not 5.")
    y = np.asarray(family.transform(sample.load), dtype=float)
    normal = log_sd_of(value) if family.on_log else float(value)
    spread = 1 / float(value) if family.name == "weibull" else normal
    words = f"Weibull shape {value:g}" if name == "shape" else f"coefficient of variation {value:g}"
    return KnownSpread(
        family=family,
        y=y,
        breaks=sample.n_broken,
        spread=spread,
        relative=name == "cv" and not family.on_log,
        assumption=f"{words} taken as known, not estimated from these specimens",
    )
