"""Three-parameter Weibull: only on request, never below 20 specimens.

A threshold below which nothing breaks is a strong claim that a few breaks cannot carry: with n below about 20 the
likelihood is nearly flat or has no maximum, and the fitted low-percentile strengths are far too high.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize_scalar

from lowtail._shared.checks import check_fraction, door
from lowtail._shared.record import Record
from lowtail._shared.sample import SampleLike, as_sample
from lowtail.errors import NoAnswerError
from lowtail.models.distributions.fit import fit, fit_many

__all__ = ["ThresholdFit", "fit_threshold"]

_LEAST = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class ThresholdFit(Record):
    """Weibull distribution of ``load - threshold``; loads in kN. ``gain``: log-likelihood gained over threshold 0."""

    group: str
    threshold: float
    shape: float
    scale: float
    loglik: float
    gain: float
    n: int
    n_broken: int

    def strength_below(self, fraction: float) -> float:
        """Strength in kN below which a fraction of the population breaks, without any margin."""
        p = check_fraction(fraction, "fraction")
        return float(self.threshold + self.scale * (-np.log1p(-p)) ** (1 / self.shape))

    @property
    def unusable(self) -> str:
        """A fitted threshold is a description, never a bound."""
        return "a fitted threshold has no confidence attached; nothing may be rated on it"

    def __str__(self) -> str:
        who = f"{self.group}: " if self.group else ""
        return (
            f"{who}Weibull with threshold {self.threshold:.4g} kN, shape {self.shape:.3g} and scale {self.scale:.4g} "
            f"kN above it ({self.n} specimens, {self.n_broken} broke; log-likelihood {self.gain:.2f} above that "
            "without a threshold)."
        )


@door
def fit_threshold(sample: SampleLike) -> ThresholdFit:
    """Fit a three-parameter Weibull distribution by right-censored maximum likelihood over the threshold.

    Parameters
    ----------
    sample : Sample or array_like
        At least 20 specimens of which at least 15 broke.

    Returns
    -------
    ThresholdFit
        A description of the data; it carries no bound.

    Raises
    ------
    NoAnswerError
        If there are fewer specimens or breaks, or the likelihood rises without end towards the lowest break.

    See Also
    --------
    fit : the two-parameter fit.
    lower_bound : what may be claimed.

    Examples
    --------
    >>> import lowtail as lt
    >>> loads = [20.6, 21.1, 21.4, 21.8, 22.0, 22.2, 22.4, 22.6, 22.8, 23.0,
    ...          23.2, 23.4, 23.6, 23.9, 24.1, 24.4, 24.8, 25.2, 25.8, 26.9]
    >>> 0 < lt.checks.fit_threshold(loads).threshold < 20.6
    True
    """
    sample = as_sample(sample)
    if sample.n < _LEAST or sample.n_broken < 15:
        raise NoAnswerError(
            f"{sample.who}: a Weibull distribution with a threshold needs at least {_LEAST} specimens and 15 "
            "breaks, got "
            f"{sample.n} and {sample.n_broken}. Use the distribution without a threshold: it is the safe choice."
        )
    base = fit(sample)
    low = float(sample.load.min())

    def cost(threshold: float) -> float:
        found = fit_many((sample.load - threshold)[None], sample.broke[None])
        return -float(found.loglik[0]) if np.isfinite(found.loglik[0]) else np.inf

    grid = low * (1 - np.geomspace(1e-6, 1.0, 200))
    costs = np.array([cost(t) for t in grid])
    best = int(np.argmin(costs))
    if grid[best] > low * (1 - 2e-3) or best == 0:
        raise NoAnswerError(
            f"{sample.who}: the likelihood rises without end as the threshold nears the lowest load {low:.4g} kN; no "
            "three-parameter distribution can be fitted. Use the distribution without a threshold."
        )
    edges = sorted((float(grid[max(best - 1, 0)]), float(grid[min(best + 1, 199)])))
    found = minimize_scalar(cost, bounds=tuple(edges), method="bounded", options={"xatol": 1e-10 * low})
    threshold = float(found.x) if found.fun < costs[best] else float(grid[best])
    many = fit_many((sample.load - threshold)[None], sample.broke[None])
    return ThresholdFit(
        group=sample.label,
        threshold=threshold,
        shape=float(1 / many.spread[0]),
        scale=float(np.exp(many.location[0])),
        loglik=float(many.loglik[0]),
        gain=float(many.loglik[0] - base.loglik),
        n=sample.n,
        n_broken=sample.n_broken,
    )
