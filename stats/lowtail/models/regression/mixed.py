"""A regression line with batches drawn at random: the best fit, held against another optimiser.

Normal distribution of y (load or log load), every specimen broke. The only hard parameter is the ratio between-batch
over within-batch variance; it is searched over its whole range and checked against statsmodels' own optimiser. The
bound does not lean on it: see `mixed_normal`.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from lowtail.errors import NoAnswerError

__all__ = ["RandomBatches", "random_batches"]

Array = NDArray[np.float64]
Labels = NDArray[np.intp]

_AGREE = 2e-3  # log-likelihood by which another optimiser may fall short


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RandomBatches:
    """Restricted maximum likelihood: coefficients, standard deviations within and between batches, variance ratio."""

    coef: Array
    within: float
    between: float
    ratio: float
    other_ratio: float


def _weighted(ratio: float, y: Array, design: Array, labels: Labels) -> tuple[Array, Array, float, float]:
    """At a given ratio: coefficients, their covariance / sigma^2, residual sum of squares, log determinant of V."""
    sizes = np.bincount(labels)
    shrink = 1 - 1 / np.sqrt(1 + ratio * sizes)  # y - shrink * batch mean has covariance sigma^2

    def whiten(a: Array) -> Array:
        sums = np.zeros((sizes.size, a.shape[1]))
        np.add.at(sums, labels, a)
        return np.asarray(a - (shrink / sizes)[labels, None] * sums[labels])

    plan, seen = whiten(design), whiten(y[:, None])[:, 0]
    cover = np.linalg.inv(plan.T @ plan)
    coef = cover @ (plan.T @ seen)
    rest = seen - plan @ coef
    return coef, np.asarray(cover, dtype=float), float(rest @ rest), float(np.log1p(ratio * sizes).sum())


def _criterion(ratio: float, y: Array, design: Array, labels: Labels) -> float:
    """Restricted log-likelihood, up to a constant."""
    _, cover, squares, log_det = _weighted(ratio, y, design, labels)
    free = y.size - design.shape[1]
    log_det_cov: float = np.linalg.slogdet(cover)[1].item()
    value: float = -0.5 * (free * float(np.log(squares / free)) + log_det - log_det_cov)
    return value


def random_batches(y: Array, design: Array, labels: Labels, *, who: str = "This sample") -> RandomBatches:
    """Fit by restricted maximum likelihood, and hold it against statsmodels' mixed model.

    Raises
    ------
    NoAnswerError
        If no optimiser of statsmodels reaches the same likelihood: it can report convergence at a wrong optimum on
        small sets, and then neither answer should be trusted unseen.
    """
    grid = np.concatenate([[0.0], np.logspace(-4, 4, 81)])
    values = np.array([_criterion(float(g), y, design, labels) for g in grid])
    best = int(values.argmax())
    ratio = float(grid[best])
    if best > 0:
        low, high = float(grid[best - 1]), float(grid[min(best + 1, grid.size - 1)])
        found = optimize.minimize_scalar(
            lambda r: -_criterion(float(r), y, design, labels),
            bounds=(low, high),
            method="bounded",
            options={"xatol": 1e-10},
        )
        if -float(found.fun) >= values[best]:
            ratio = float(found.x)
    top = _criterion(ratio, y, design, labels)
    others = _statsmodels_ratios(y, design, labels)
    short = [top - _criterion(r, y, design, labels) for r in others]
    if not others or min(short) > _AGREE:
        raise NoAnswerError(
            f"{who}: two ways of fitting batches at random disagree (ratio of variances {ratio:.4g} against "
            f"{others[0] if others else float('nan'):.4g}). Test more batches, or omit the batch labels and say so."
        )
    coef, _, squares, _ = _weighted(ratio, y, design, labels)
    within = float(np.sqrt(squares / (y.size - design.shape[1])))
    return RandomBatches(
        coef=coef,
        within=within,
        between=within * float(np.sqrt(ratio)),
        ratio=ratio,
        other_ratio=others[int(np.argmin(short))],
    )


def _statsmodels_ratios(y: Array, design: Array, labels: Labels) -> list[float]:
    """Variance ratios that statsmodels' mixed model finds with several optimisers, on y centred and scaled."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    scale = float(y.std()) or 1.0
    found = []
    for method in ("lbfgs", "powell", "nm"):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            try:
                result = MixedLM((y - y.mean()) / scale, design, groups=labels).fit(reml=True, method=[method])
            except (np.linalg.LinAlgError, ValueError):
                continue
        ratio = float(np.asarray(result.cov_re)[0, 0]) / float(result.scale)
        if np.isfinite(ratio) and ratio >= 0:
            found.append(ratio)
    return found
