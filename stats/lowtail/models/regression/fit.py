"""Censored location-scale regression: one likelihood engine for strength against age, size, batch or any other column.

``y = design @ coef + spread * z`` with ``y = load`` (normal) or ``ln load`` (lognormal, Weibull) and ``z`` the standard
distribution of the family. In ``(coef / spread, 1 / spread)`` the log-likelihood is concave, so a damped Newton step
from the least-squares line finds its only maximum; a whole batch of samples is fitted at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from lowtail.errors import InputError, NoAnswerError
from lowtail.models.distributions.families import Family, get_family, name_of

__all__ = ["Regression", "RegressionMany", "fit_regression", "fit_regression_many", "standard_terms"]

Array = NDArray[np.float64]

_STEPS = 80
_STEEPEST = 1e7  # 1 / spread in units of the least-squares scatter: beyond it there is no maximum


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RegressionMany:
    """Maximum-likelihood fits of a batch of samples; NaN where no maximum exists.

    Attributes
    ----------
    coef : ndarray, shape (B, p)
        Coefficients on the y scale.
    spread : ndarray, shape (B,)
    loglik : ndarray, shape (B,)
        Log-likelihood of the loads themselves (not of their logarithms).
    converged : ndarray of bool, shape (B,)
    """

    coef: Array
    spread: Array
    loglik: Array
    converged: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Regression:
    """One maximum-likelihood fit: ``coef`` (p,), ``spread``, ``loglik``, ``covariance`` of (coef, ln spread)."""

    family: str
    coef: Array
    spread: float
    loglik: float
    covariance: Array
    n: int
    n_broken: int


def standard_terms(z: Array, broke: NDArray[np.bool_], family: Family) -> tuple[Array, Array, Array]:
    """Log density (broke) or log survival (held) of the standard distribution, with two derivatives in z."""
    if family.name == "weibull":
        grown = np.exp(np.minimum(z, 700.0))
        return np.where(broke, z - grown, -grown), np.where(broke, 1.0 - grown, -grown), -grown
    held = special.log_ndtr(-z)
    hazard = np.exp(-0.5 * z * z - 0.5 * np.log(2 * np.pi) - held)
    value = np.where(broke, -0.5 * z * z - 0.5 * np.log(2 * np.pi), held)
    return value, np.where(broke, -z, -hazard), np.where(broke, -1.0, -hazard * (hazard - z))


def _start(y: Array, design: Array, present: Array) -> tuple[Array, Array, Array, Array]:
    """Least squares as a first line: coefficients, residuals in units of their scatter, the scatter."""
    weighted = design * present[..., None]
    gram = np.einsum("bni,bnj->bij", weighted, design)
    line = np.linalg.solve(gram, np.einsum("bni,bn->bi", weighted, y)[..., None])[..., 0]
    rest = (y - np.einsum("bni,bi->bn", design, line)) * present
    scatter = np.sqrt((rest**2).sum(axis=1) / present.sum(axis=1))
    safe = np.where(scatter > 0, scatter, 1.0)
    return line, rest / safe[:, None], safe, scatter


def fit_regression_many(
    load: ArrayLike, broke: ArrayLike, design: ArrayLike, family: str | Family = "weibull"
) -> RegressionMany:
    """Fit every row of a batch by maximum likelihood, held specimens right-censored.

    Parameters
    ----------
    load : array_like, shape (B, n)
        Loads, greater than 0; NaN pads shorter samples.
    broke : array_like of bool, shape (B, n)
    design : array_like, shape (n, p) or (B, n, p)
        One row a specimen; include the column of ones.
    family : {"weibull", "normal", "lognormal"}

    Returns
    -------
    RegressionMany
        NaN where no maximum exists (fewer breaks than needed, or breaks that lie on a line exactly).
    """
    law = get_family(family)
    loads = np.atleast_2d(np.asarray(load, dtype=float))
    there = np.isfinite(loads)
    fell = np.asarray(broke, dtype=bool) & there
    plan = np.asarray(design, dtype=float)
    plan = np.broadcast_to(plan, (*loads.shape, plan.shape[-1]))
    y = law.transform(np.where(there, loads, 1.0))
    present = there.astype(float)
    line, rest, safe, scatter = _start(y, plan, present)
    theta, value, done = _climb(rest, plan, fell, present, law)
    spread = safe / theta[:, -1]
    coef = line + theta[:, :-1] * spread[:, None]
    jacobian = np.where(fell, y if law.on_log else 0.0, 0.0).sum(axis=1)
    loglik = value - fell.sum(axis=1) * np.log(safe) - jacobian
    good = done & (scatter > 0)
    return RegressionMany(
        coef=np.where(good[:, None], coef, np.nan),
        spread=np.where(good, spread, np.nan),
        loglik=np.where(good, loglik, np.nan),
        converged=good,
    )


def _value(theta: Array, axes: Array, fell: NDArray[np.bool_], present: Array, law: Family) -> Array:
    """Log-likelihood in (coef / spread, 1 / spread) for every row."""
    z = np.matmul(axes, theta[..., None])[..., 0]
    if law.name == "weibull":
        term = np.where(fell, z, 0.0) - np.exp(np.minimum(z, 700.0))
    else:
        term = standard_terms(z, fell, law)[0]
    return np.asarray((term * present).sum(axis=1) + fell.sum(axis=1) * np.log(theta[:, -1]))


def _slopes(
    theta: Array, axes: Array, fell: NDArray[np.bool_], present: Array, law: Family
) -> tuple[Array, Array, Array]:
    """Log-likelihood, gradient and Hessian in (coef / spread, 1 / spread) for every row."""
    steep = theta[:, -1]
    z = np.matmul(axes, theta[..., None])[..., 0]
    term, first, second = standard_terms(z, fell, law)
    breaks = fell.sum(axis=1)
    value = (term * present).sum(axis=1) + breaks * np.log(steep)
    turned = axes.transpose(0, 2, 1)
    gradient = np.matmul(turned, (first * present)[..., None])[..., 0]
    gradient[:, -1] += breaks / steep
    hessian = np.matmul(turned * (second * present)[:, None, :], axes)
    hessian[:, -1, -1] -= breaks / steep**2
    return value, gradient, hessian


def _climb(
    rest: Array, plan: Array, fell: NDArray[np.bool_], present: Array, law: Family
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Damped Newton over the batch; rows leave as they converge."""
    rows, width = rest.shape[0], plan.shape[2]
    theta = np.zeros((rows, width + 1))
    theta[:, -1] = 1.0
    value = np.full(rows, np.nan)
    done = np.zeros(rows, dtype=bool)
    active = np.flatnonzero(fell.sum(axis=1) > 0)
    axes = np.concatenate([-plan, rest[..., None]], axis=2)
    for _ in range(_STEPS):
        if active.size == 0:
            break
        part = (axes[active], fell[active], present[active], law)
        here = theta[active]
        now, gradient, hessian = _slopes(here, *part)
        hessian[:, range(width + 1), range(width + 1)] -= 1e-12
        step = -np.linalg.solve(hessian, gradient[..., None])[..., 0]
        gain = (gradient * step).sum(axis=1)
        pace = np.minimum(1.0, np.where(step[:, -1] < 0, -0.9 * here[:, -1] / np.minimum(step[:, -1], -1e-300), 1.0))
        for _ in range(30):
            then = _value(here + pace[:, None] * step, *part)
            short = ~(then >= now + 1e-4 * pace * gain - 1e-12 * np.abs(now))
            if not short.any():
                break
            pace = np.where(short, pace / 2, pace)
        theta[active] = here + pace[:, None] * step
        value[active] = then
        settled = gain < 1e-18
        done[active[settled]] = True
        active = active[~settled & (theta[active, -1] < _STEEPEST)]
    return theta, value, done & (theta[:, -1] < _STEEPEST)


def fit_regression(
    load: ArrayLike, broke: ArrayLike | None, design: ArrayLike, family: str | Family = "weibull"
) -> Regression:
    """Fit one sample by maximum likelihood, held specimens right-censored.

    Parameters
    ----------
    load, broke : array_like, shape (n,)
        Loads in kN and whether each specimen broke at it.
    design : array_like, shape (n, p)
        One row a specimen, finite numbers, linearly independent columns; include the column of ones.
    family : {"weibull", "normal", "lognormal"}

    Returns
    -------
    Regression

    Raises
    ------
    InputError
        If shapes differ, a number is missing, or a column of ``design`` follows from the others.
    NoAnswerError
        If the likelihood has no maximum: too few different breaks.
    """
    law = get_family(family)
    loads, plan = np.asarray(load, dtype=float), np.asarray(design, dtype=float)
    fell = np.ones(loads.shape, dtype=bool) if broke is None else np.asarray(broke, dtype=bool)
    if plan.ndim != 2 or plan.shape[0] != loads.size or fell.shape != loads.shape:
        raise InputError(
            f"`design` must have one row a load and `broke` one flag a load: got {loads.size} loads, a design of shape "
            f"{plan.shape} and {fell.size} flags."
        )
    if not (np.isfinite(plan).all() and np.isfinite(loads).all() and (loads > 0).all()):
        raise InputError(
            "`load` must hold finite loads greater than 0 and `design` finite numbers; a number is missing."
        )
    if np.linalg.matrix_rank(plan) < plan.shape[1]:
        raise InputError("`design` has a column that follows from the others: leave it out, or vary it in the tests.")
    many = fit_regression_many(loads[None], fell[None], plan, law)
    if not many.converged[0]:
        raise NoAnswerError(
            f"The {name_of(law.name)} regression has no best fit: {int(fell.sum())} of {loads.size} specimens broke, "
            f"for {plan.shape[1]} coefficients and a spread. Break more specimens, at more than one setting."
        )
    spread = float(many.spread[0])
    return Regression(
        family=law.name,
        coef=many.coef[0],
        spread=spread,
        loglik=float(many.loglik[0]),
        covariance=_covariance(law.transform(loads), fell, plan, law, many.coef[0], spread),
        n=int(loads.size),
        n_broken=int(fell.sum()),
    )


def _covariance(y: Array, fell: NDArray[np.bool_], plan: Array, law: Family, coef: Array, spread: float) -> Array:
    """Inverse observed information of (coef, ln spread)."""
    z = (y - plan @ coef) / spread
    _, first, second = standard_terms(z, fell, law)
    axes = np.column_stack([-plan / spread, -z])
    information = -(axes.T * second) @ axes
    width = plan.shape[1]
    cross = (plan / spread).T @ first
    information[:width, width] -= cross
    information[width, :width] -= cross
    information[width, width] -= float(z @ first)
    return np.asarray(np.linalg.inv(information), dtype=float)
