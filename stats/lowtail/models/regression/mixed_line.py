"""A regression line with batches drawn at random: its likelihood at a given spread between them, on arrays.

``y = x'b + spread (sqrt(rho) Z + e)``, Z standard normal for each batch, e of the family; points are (shifts of b from
the fitted line) / spread and ln(1 / spread), under the weight d(b) d(spread) / spread.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lowtail.models.confidence.quadrature import pieces
from lowtail.models.distributions.families import Family, get_family
from lowtail.models.regression.fit import fit_regression, standard_terms
from lowtail.models.regression.mixed_layout import Layout, layout
from lowtail.models.regression.mixed_places import Places
from lowtail.models.regression.weighted_points import lay

__all__ = ["BatchedLine", "batched_line"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Labels = NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class BatchedLine:
    """Specimens sorted by batch, with the line and spread of the fit that knows no batches; build by `batched_line`.

    Attributes
    ----------
    line : ndarray, shape (p,)
    spread : float
    rest : ndarray, shape (n,)
        Residuals in units of the spread.
    design : ndarray, shape (n, p)
    places : Places
    plan : Layout
    """

    line: Array
    spread: float
    rest: Array
    design: Array
    places: Places
    plan: Layout

    def standard(self, psi: Array) -> Array:
        """Standardised residuals (m, n) before the batch's own shift, at shifts / spread and ln(1 / spread)."""
        return np.asarray(np.exp(psi[:, -1:]) * self.rest - psi[:, :-1] @ self.design.T)

    def log_density(self, psi: Array, rho: float) -> Array:
        """Log density (m,) of the points, places of the batches integrated out."""
        power = int(self.places.broke.sum()) - self.design.shape[1]
        return np.asarray(power * psi[:, -1] + self.places.log_likelihood(self.standard(psi), rho))

    def slope(self, psi: Array, weight: Array) -> float:
        """Derivative of the log restricted likelihood in rho at 0, from the points laid there."""
        out = 0.0
        for p in pieces(weight.size, self.rest.size):
            _, first, second = standard_terms(self.standard(psi[p]), self.places.broke, self.places.law)
            out += float(weight[p] @ (self.places.summed(first) ** 2 + self.places.summed(second)).sum(axis=1))
        return 0.5 * out

    def scale(self, rho: float) -> Array:
        """Rough standard deviations of the points: weighted least squares, and of ln spread."""
        shrink = rho / (1 + rho * self.places.sizes)
        sums = np.add.reduceat(self.design, self.places.starts, axis=0)
        cover = np.linalg.inv(self.design.T @ self.design - (sums.T * shrink) @ sums)
        return np.append(np.sqrt(np.diag(cover)), 1 / np.sqrt(2 * self.plan.free))

    def lay(self, rho: float, start: Array, count: int, who: str, turn: int = 0) -> tuple[Array, Array, float, Array]:
        """Points, weights, log restricted likelihood and top at ``rho``; see `weighted_points.lay`."""
        width = self.rest.size + 9 * self.places.sizes.size
        return lay(lambda psi: self.log_density(psi, rho), start, self.scale(rho), count, who, turn, width)


def batched_line(
    load: Array, broke: Flags, design: Array, labels: Labels, family: str | Family, who: str
) -> BatchedLine:
    """Sort the specimens by batch and fit the line without batches.

    Raises
    ------
    NoAnswerError
        If batches cannot be told from the regression, nothing varies within them, or too few specimens broke.
    """
    law, order = get_family(family), np.argsort(labels, kind="stable")
    load, broke, design, labels = load[order], broke[order], design[order], labels[order]
    y = np.asarray(law.transform(load), dtype=float)
    plan = layout(y, broke, design, labels, who)
    fit = fit_regression(load, broke, design, law)
    _, starts, sizes = np.unique(labels, return_index=True, return_counts=True)
    rest = (y - design @ fit.coef) / fit.spread
    return BatchedLine(fit.coef, fit.spread, rest, design, Places(broke, starts, sizes, law), plan)
