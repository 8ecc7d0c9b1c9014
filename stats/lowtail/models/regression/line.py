"""The joint confidence distribution of a regression: lower bounds of a low strength at any setting, survivors included.

Right-invariant weight d(coef) d(spread) / spread. Complete normal samples: the noncentral t, exact. Otherwise the
distribution is laid on weighted points in (coef / spread, ln(1 / spread)) around its top (a multivariate t in
quasi-random points); for the Weibull distribution the intercept is integrated in closed form. Exact for complete
samples of any of the families up to about 0.1 percentage points of confidence. Where specimens held below the highest
break, seen from the line, the lower bound is checked by simulation and lowered if need be (`early_lines`;
``tests/truth/early_holds_lines.csv``); intervals of the coefficients are not.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special, stats

from lowtail.errors import NoAnswerError
from lowtail.models.confidence.quadrature import pieces
from lowtail.models.confidence.upper_gamma import upper_gamma
from lowtail.models.distributions.families import Family, get_family
from lowtail.models.regression.early_lines import LineTrials, held_early_on_line
from lowtail.models.regression.fit import Regression, fit_regression, standard_terms
from lowtail.models.regression.weighted_points import lay, weighted_quantile

__all__ = ["RegressionLaw", "regression_law"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_POINTS = 2**13
_MOST = 0.992  # confidence up to which early holds are calibrated


@dataclass(frozen=True, slots=True, eq=False)
class RegressionLaw:
    """Confidence distribution of the line; build it with `regression_law`. ``x`` is a design row with the leading 1."""

    family: Family
    fit: Regression
    complete: bool
    points: Array = field(repr=False)  # (m, p): coef shifts / spread; first column unused for the Weibull
    k: Array = field(repr=False)
    weight: Array = field(repr=False)
    log_total: Array = field(repr=False)  # Weibull: log of the sum of exp(k rest - shift) at each point
    gram: Array = field(repr=False)
    data: tuple[Array, Flags, Array] = field(repr=False)  # values on the y scale, which broke, the design

    @property
    def held_early(self) -> bool:
        """True where a specimen held below the highest break, seen from the line: bounds are checked by simulation."""
        y, broke, design = self.data
        return held_early_on_line((y - design @ self.fit.coef) / self.fit.spread, broke)

    def _trials(self, x: Array, w: float) -> LineTrials:
        return LineTrials.of(*self.data, x, (self.fit.coef, self.fit.spread), self.family, w)

    @property
    def exact(self) -> bool:
        """True where the noncentral t applies: normal distributions, every specimen broke."""
        return self.complete and self.family.name != "weibull"

    def location(self, x: Array) -> float:
        """Fitted location at ``x`` on the y scale."""
        return float(x @ self.fit.coef)

    def estimate(self, x: Array, fraction_below: float) -> float:
        """Fitted load that ``fraction_below`` of the population lies below, kN."""
        y = self.location(x) + float(self.family.quantile(fraction_below)) * self.fit.spread
        return max(0.0, float(self.family.inverse(y)))

    def low(self, x: Array, fraction_below: float, confidence: float) -> float:
        """Lower confidence bound of that load, kN, at least 0; from a confidence of 0.5 on calibrated for early holds.

        Raises
        ------
        NoAnswerError
            If specimens held early and the confidence is above 99.2 %, which 1,024 simulated samples do not tell.
        """
        w = float(self.family.quantile(fraction_below))
        y = self._quantile(x, w, confidence)
        if confidence >= 0.5 and self.held_early:
            if confidence > _MOST:
                raise NoAnswerError(
                    "Some specimens held at low loads: the bound of a line is then checked by simulation, which can "
                    f"tell a confidence up to {_MOST}, got {confidence!r}. Ask for less."
                )
            there, spread = self.location(x), self.fit.spread
            y = there + spread * self._trials(x, w).low((y - there) / spread, confidence)
        return max(0.0, float(self.family.inverse(y)))

    def plain_low(self, x: Array, fraction_below: float, confidence: float) -> float:
        """The same without the calibration for specimens held early."""
        w = float(self.family.quantile(fraction_below))
        return max(0.0, float(self.family.inverse(self._quantile(x, w, confidence))))

    def _quantile(self, x: Array, w: float, confidence: float) -> float:
        if not self.exact:
            return self._solve(x, w, 1 - confidence)
        h = float(np.sqrt(x @ self.gram @ x))
        return self.location(x) - float(stats.nct.ppf(confidence, self._free, -w / h)) * h * self._s

    def confidence_that(self, load: float, x: Array, fraction_below: float) -> float:
        """Confidence that at most ``fraction_below`` of the population at ``x`` is weaker than ``load``.

        Calibrated for specimens held early, as `low`.
        """
        shown = self.plain_confidence_that(load, x, fraction_below)
        if not self.held_early:
            return shown
        w, y = float(self.family.quantile(fraction_below)), float(self.family.transform(load))
        chance, _ = self._trials(x, w).chance(np.array([(y - self.location(x)) / self.fit.spread]))
        return min(shown, 1.0 - float(chance[0]))

    def plain_confidence_that(self, load: float, x: Array, fraction_below: float) -> float:
        """The same without the calibration."""
        w, y = float(self.family.quantile(fraction_below)), float(self.family.transform(load))
        if self.exact:
            h = float(np.sqrt(x @ self.gram @ x))
            return float(stats.nct.cdf((self.location(x) - y) / (self._s * h), self._free, -w / h))
        return 1.0 - self._below(x, w, y)

    def coefficient(self, j: int, confidence: float) -> tuple[float, float]:
        """Two-sided interval of coefficient ``j`` (not the intercept) on the y scale."""
        tails = np.array([(1 - confidence) / 2, (1 + confidence) / 2])
        if self.exact:
            half = stats.t.ppf(tails, self._free) * self._s * np.sqrt(self.gram[j, j])
            return float(self.fit.coef[j] + half[0]), float(self.fit.coef[j] + half[1])
        value = self.fit.coef[j] + self.points[:, j] / self.k
        order = np.argsort(value)
        ends = np.interp(tails, np.cumsum(self.weight[order]), value[order])
        return float(ends[0]), float(ends[1])

    @property
    def _free(self) -> int:
        return int(self.fit.n - self.fit.coef.size)

    @property
    def _s(self) -> float:
        return float(self.fit.spread * np.sqrt(self.fit.n / self._free))

    def _below(self, x: Array, w: float, y: float) -> float:
        """Probability under the distribution that location + w spread at ``x`` lies at or below ``y``."""
        reach = self.k * (y - self.location(x)) - w
        if self.family.name == "weibull":
            log_rate = self.log_total + self.points[:, 1:] @ x[1:] - reach
            return float(self.weight @ upper_gamma(self.fit.n_broken, log_rate))
        return float(self.weight @ (self.points @ x <= reach))

    def _solve(self, x: Array, w: float, tail: float) -> float:
        if self.family.name != "weibull":
            return weighted_quantile(self.location(x) + (self.points @ x + w) / self.k, self.weight, tail)
        # the medians given each point: their quantile is near the answer
        median = self.log_total + self.points[:, 1:] @ x[1:] - np.log(self.fit.n_broken - 1 / 3)
        value = self.location(x) + (median + w) / self.k
        order = np.argsort(value)
        start = float(np.interp(tail, np.cumsum(self.weight[order]), value[order]))
        step = 0.1 * self.fit.spread
        low, high = start - step, start + step
        while self._below(x, w, low) > tail:
            high, low, step = low, low - 2 * step, 2 * step
            if step > 1e9 * self.fit.spread:
                return -np.inf
        while self._below(x, w, high) < tail:
            low, high, step = high, high + 2 * step, 2 * step
        root: float = optimize.brentq(lambda y: self._below(x, w, y) - tail, low, high, xtol=1e-7 * self.fit.spread)
        return root


def regression_law(
    load: Array, broke: Flags, design: Array, family: str | Family, *, who: str = "This sample"
) -> RegressionLaw:
    """Confidence distribution of a regression line and its spread.

    Parameters
    ----------
    load, broke : array_like, shape (n,)
    design : array_like, shape (n, p)
        First column ones.
    family : {"weibull", "normal", "lognormal"}
    who : str
        How messages name the sample.

    Raises
    ------
    NoAnswerError
        If fewer than p + 1 specimens broke, or those that broke do not vary in the design.

    References
    ----------
    Lawless (2003), Statistical Models and Methods for Lifetime Data, 2nd ed., chapter 6 (from memory).
    """
    law = get_family(family)
    breaks, width = int(broke.sum()), design.shape[1]
    if breaks < width + 1 or np.linalg.matrix_rank(design[broke]) < width:
        raise NoAnswerError(
            f"{who}: a trend needs at least {width + 1} breaks at 2 different settings, but {breaks} of {load.size} "
            "specimens broke" + (", all at one setting" if breaks > width else "") + ". Break more specimens."
        )
    fit = fit_regression(load, broke, design, law)
    gram = np.asarray(np.linalg.inv(design.T @ design), dtype=float)
    data = (np.asarray(law.transform(load), dtype=float), broke, design)
    empty = np.empty((0, width))
    none = np.empty(0)
    if broke.all() and law.name != "weibull":
        return RegressionLaw(law, fit, True, empty, none, none, none, gram, data)
    rest = (law.transform(load) - design @ fit.coef) / fit.spread
    d = width if law.name == "weibull" else width + 1
    rough = np.append(np.sqrt(np.diag(gram))[width + 1 - d :], 1 / np.sqrt(2 * (breaks - width)))
    psi, weight, _, _ = lay(
        lambda at: _log_density(at, rest, broke, design, law), np.zeros(d), rough, _POINTS, who, width=load.size
    )
    points, t = psi[:, :-1], psi[:, -1]
    if law.name == "weibull":
        points = np.column_stack([np.zeros(t.size), points])
    k = np.exp(t) / fit.spread
    log_total = none
    if law.name == "weibull":
        cut = pieces(t.size, load.size)
        log_total = np.concatenate([_log_total(points[p], t[p], rest, design) for p in cut])
    return RegressionLaw(law, fit, bool(broke.all()), points, k, weight, log_total, gram, data)


def _log_total(points: Array, t: Array, rest: Array, design: Array) -> Array:
    z = np.exp(t)[:, None] * rest - points[:, 1:] @ design[:, 1:].T
    return np.asarray(special.logsumexp(z, axis=1), dtype=float)


def _log_density(psi: Array, rest: Array, broke: Flags, design: Array, law: Family) -> Array:
    """Log density at points (m, d): shifts / spread (intercept left out for the Weibull), then ln(1 / spread)."""
    t = psi[:, -1]
    breaks, width = int(broke.sum()), design.shape[1]
    shifts = psi[:, :-1]
    if law.name == "weibull":
        z = np.exp(t)[:, None] * rest - shifts @ design[:, 1:].T
        top = z.max(axis=1)
        log_total = top + np.log(np.exp(z - top[:, None]).sum(axis=1))
        return np.asarray((breaks - width) * t + z[:, broke].sum(axis=1) - breaks * log_total)
    z = np.exp(t)[:, None] * rest - shifts @ design.T
    return np.asarray((breaks - width) * t + standard_terms(z, broke, law)[0].sum(axis=1))
