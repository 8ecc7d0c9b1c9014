"""Chances of success that need no simulation: quadrature over the sampled scatter of normal samples.

Every formula is an expectation over s (sample standard deviation / true one), whose distribution is chi / sqrt(df):
given s, the mean is normal. This covers the noncentral t on both sides, the pooled and the Welch t test, and the
equivalence test, at any distance, where library tails can fail.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from lowtail.models.confidence.quadrature import angle_share, check_cover
from lowtail.models.two_samples import half_and_half

__all__ = ["chance_bound", "chance_two_arms", "spread_nodes"]

Array = NDArray[np.float64]


@lru_cache(maxsize=512)
def spread_nodes(df: float, size: int = 4000, depth: float = 45.0) -> tuple[Array, Array]:
    """Nodes s and weights for the distribution of s = chi / sqrt(df): trapezoid in ln s, ``depth`` log units down."""

    def log_density(t: Array | float) -> Array | float:
        return df * (t - np.expm1(2 * t) / 2)

    near = float(np.sqrt(depth / df))  # the mass of many degrees of freedom is narrow
    left = -1.0 if df <= 1000 else -near
    while log_density(left) > -depth:
        left *= 1.3
    right = min(0.1, near)
    while log_density(right) > -depth:
        right *= 1.3
    t = np.linspace(left, right, size)
    weight = np.exp(log_density(t))
    check_cover(weight, f"Standard deviation with {df:g} degrees of freedom")
    weight /= weight.sum()
    s = np.exp(t)
    s.flags.writeable = weight.flags.writeable = False
    return s, weight


def chance_bound(n: int, distance: float, factor: float) -> float:
    """Chance that mean - factor * s of ``n`` normal specimens reaches a claim.

    ``distance`` is (true mean - claim) / true standard deviation; the answer is
    P(noncentral t(n - 1, distance sqrt n) >= factor sqrt n).
    """
    s, weight = spread_nodes(float(n - 1))
    return float(weight @ special.ndtr(np.sqrt(n) * (distance - factor * s)))


def chance_two_arms(
    n_reference: int,
    n_other: int,
    *,
    shift: float,
    spread: tuple[float, float],
    confidence: float,
    goal: str,
    margin: float = 0.0,
    method: str = "welch",
    alternative: str = "two-sided",
) -> float:
    """Chance that a comparison of two normal arms reaches its goal.

    Parameters
    ----------
    n_reference, n_other : int
        Specimens, at least 2 each.
    shift : float
        True mean of the other arm minus that of the reference (log scale).
    spread : (float, float)
        True standard deviations, reference first.
    confidence : float
        Confidence of the statement.
    goal : {"difference", "no worse than", "equivalence"}
        A significant difference; the lower limit of the shift above ``-margin``; both limits within ``margin``.
    margin : float
        Positive margin on the log scale.
    method : {"half and half", "welch", "behrens-fisher", "pooled t"}
        Interval that judges the series; "half and half" as `compare` does, on one side by the farther limit; "pooled t"
        takes one common standard deviation.
    alternative : str
        For a difference: "two-sided", "less" (the other arm is weaker), "greater".

    Notes
    -----
    Given both sample variances the difference of means is normal and independent of them, so the chance is an
    expectation over one (pooled) or two (Welch) chi distributions.
    """
    two_sided = goal == "difference" and alternative == "two-sided"
    tails = (1 - confidence) / (2 if two_sided else 1)
    true_se = np.sqrt(spread[0] ** 2 / n_reference + spread[1] ** 2 / n_other)
    if method == "pooled t":
        s, weight = spread_nodes(float(n_reference + n_other - 2))
        down = up = stats.t.ppf(1 - tails, n_reference + n_other - 2) * s * true_se
    else:
        rule = method if two_sided or method != "half and half" else "farther"
        down, up, weight = _two_spread_reach(n_reference, n_other, spread, tails, rule)
    if goal == "difference":
        above = special.ndtr((shift - down) / true_se)
        below = special.ndtr((-shift - up) / true_se)
        part = {"two-sided": above + below, "greater": above, "less": below}[alternative]
    elif goal == "no worse than":
        part = special.ndtr((shift + margin - down) / true_se)
    else:
        part = special.ndtr((margin - up - shift) / true_se) - special.ndtr((down - margin - shift) / true_se)
        part = np.maximum(part, 0.0)
    return float(weight @ part)


def _two_spread_reach(
    n_1: int, n_2: int, spread: tuple[float, float], tails: float, method: str
) -> tuple[Array, Array, Array]:
    """Widths of the interval below and above, on a grid of both sample spreads, with its weights."""
    size = 96
    s_1, w_1 = spread_nodes(float(n_1 - 1), size, 32.0)
    s_2, w_2 = spread_nodes(float(n_2 - 1), size, 32.0)
    a = ((spread[0] * s_1) ** 2 / n_1)[:, None]
    b = ((spread[1] * s_2) ** 2 / n_2)[None, :]
    weight = np.outer(w_1, w_2).ravel()
    keep = weight > 1e-13
    error = np.sqrt((a + b).ravel()[keep])
    if method == "welch":
        df = (a + b) ** 2 / (a**2 / (n_1 - 1) + b**2 / (n_2 - 1))
        half = np.asarray(special.stdtrit(df.ravel()[keep], 1 - tails) * error, dtype=np.float64)
        return half, half, weight[keep]
    angle = np.arctan2(np.sqrt(a), np.sqrt(b)).ravel()[keep]
    if method != "behrens-fisher":
        down, up = (half_and_half.reach(angle, n_1, n_2, level, method) for level in (tails, 1 - tails))
        return -down * error, up * error, weight[keep]
    knots, height = behrens_fisher_reach(n_1 - 1, n_2 - 1, tails)
    half = np.interp(angle, knots, height) * error
    return half, half, weight[keep]


@lru_cache(maxsize=2048)
def behrens_fisher_reach(df_1: int, df_2: int, tails: float) -> tuple[Array, Array]:
    """Upper quantile of sin(angle) t1 + cos(angle) t2 on a grid of angles from 0 to a right angle."""
    angle = np.linspace(0.0, np.pi / 4, 21)
    low, high = _lean(df_1, df_2, tails, angle), _lean(df_2, df_1, tails, angle)
    return np.concatenate([angle, np.pi / 2 - angle[-2::-1]]), np.concatenate([low, high[-2::-1]])


@lru_cache(maxsize=2)
def _turns(size: int) -> tuple[Array, Array]:
    node, mass = np.polynomial.legendre.leggauss(size)
    return node * np.pi / 2, mass


def _lean(df_1: int, df_2: int, tails: float, angle: Array) -> Array:
    """The quantile at angles up to half a right angle, where t2 weighs more: average over t1, then Newton steps."""
    turn, mass = _turns(
        120 if df_1 > 2 else 1000
    )  # t1 = sqrt(df_1) tan(turn): its density becomes cos(turn)^(df_1 - 1)
    turn = turn * angle_share(df_1)
    first = np.sqrt(df_1) * np.tan(turn)
    mass = mass * np.cos(turn) ** (df_1 - 1)
    mass = mass / mass.sum()
    sin, cos = np.sin(angle), np.cos(angle)
    reach = np.hypot(sin * special.stdtrit(df_1, 1 - tails), cos * special.stdtrit(df_2, 1 - tails))  # close already
    scale = np.exp(special.gammaln((df_2 + 1) / 2) - special.gammaln(df_2 / 2)) / np.sqrt(df_2 * np.pi)
    for _ in range(30):
        x = (reach[:, None] - sin[:, None] * first) / cos[:, None]
        upper = special.stdtr(df_2, -x) @ mass
        density = np.exp(-(df_2 + 1) / 2 * np.log1p(x * x / df_2)) @ mass * scale / cos
        step = np.log(upper / tails) * upper / density  # the logarithm is nearly straight
        reach += step
        if np.abs(step).max() < 1e-9 * reach.max():
            break
    return np.asarray(reach)
