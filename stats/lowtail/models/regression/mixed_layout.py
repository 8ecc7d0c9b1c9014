"""Batches drawn at random beside a regression: what their arrangement allows, and the weight laid on their spread.

``rho`` is the variance between batches over the squared spread within. The weight d rho / (noise + rho), with ``noise``
the mean of 1 / (breaks of a batch), is flat in the logarithm of the variance of a batch mean: so the confidence
distribution of ``rho`` is that of the generalised pivotal quantity. What this distribution says of variances below zero
is laid on rho = 0.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail.errors import NoAnswerError

__all__ = ["Layout", "layout"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Labels = NDArray[np.intp]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layout:
    """Degrees of freedom of a regression with batches, from the specimens that broke.

    Attributes
    ----------
    batches : int
        Batches with at least one break.
    between, free : int
        Degrees of freedom that tell of the spread between batches, and all those of the residuals.
    noise : float
        Mean of 1 / breaks of a batch.
    trace : float
        Sum of squares between batches to expect per unit of variance, each batch weighted by its breaks.
    """

    batches: int
    between: int
    free: int
    noise: float
    trace: float

    def below_zero(self, slope: float) -> float:
        """Weight that belongs to variances below zero, over the likelihood at rho = 0.

        Parameters
        ----------
        slope : float
            Derivative of the log restricted likelihood in rho at 0.

        Returns
        -------
        float
            The integral of the likelihood from rho = -noise to 0, which for balanced complete normal samples is
            proportional to ``r^(-between / 2) (share / r + 1 - share)^(-free / 2)`` with r = 1 + rho / noise; elsewhere
            this form is given the slope at 0.
        """
        a, b = 0.5 * self.noise * self.trace, 0.5 * self.free
        a = min(a, 0.9 * b)
        share = min(max(self.noise * (0.5 * self.trace + slope) / b, 1e-9), 1 - 1e-9)
        tail = special.betaln(a, b - a) + np.log(max(float(special.betainc(b - a, a, 1 - share)), 1e-300))
        return float(np.exp(min(tail - a * np.log(share) + (a - b) * np.log1p(-share), 600.0)))


def layout(y: Array, broke: Flags, design: Array, labels: Labels, who: str) -> Layout:
    """Degrees of freedom of the design and the batches.

    Raises
    ------
    NoAnswerError
        If batches cannot be told from the regression, or nothing varies within them.
    """
    seen, plan = labels[broke], design[broke]
    names, sizes = np.unique(seen, return_counts=True)
    member = (seen[:, None] == names[None, :]).astype(float)
    both = np.column_stack([plan, member])
    width, together = int(np.linalg.matrix_rank(plan)), int(np.linalg.matrix_rank(both))
    between, free = together - width, int(seen.size) - together
    shared = width + names.size - together  # columns of the design that are constant within every batch
    if between < 1:
        raise NoAnswerError(
            f"{who}: {names.size} {'batch' if names.size == 1 else 'batches'} with breaks and the trend are "
            f"confounded. Test more than {shared} batches, or vary the settings within them."
        )
    beside = y[broke] - both @ np.linalg.lstsq(both, y[broke], rcond=None)[0]
    if free < 1 or not np.abs(beside).max() > 1e-9 * np.ptp(y[broke]):
        raise NoAnswerError(
            f"{who}: nothing varies within the batches beside the regression, so that their spread cannot be told "
            "from that of the specimens. Break at least 2 specimens with different loads in some batch."
        )
    basis = np.linalg.qr(plan)[0]
    cleaned = member - basis @ (basis.T @ member)
    return Layout(
        batches=int(names.size),
        between=between,
        free=int(seen.size) - width,
        noise=float(np.mean(1 / sizes)),
        trace=float((cleaned**2).sum()),
    )
