"""Likelihood-ratio tests of equal spread and of equal location of several batches, calibrated by simulation.

The chi-square distribution of these ratios is far too generous at 5 specimens a batch, so it is never used: the null
distribution is simulated from the fitted null model, held loads drawn batch by batch from their Kaplan-Meier
distribution. Without survivors the null distribution does not depend on the parameters and the test is exact up to
simulation error.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail.models.distributions.empirical import draw_held
from lowtail.models.distributions.families import Family
from lowtail.models.distributions.fit import fit_many
from lowtail.models.regression.fit import fit_regression_many

__all__ = ["Batches", "location_ratio", "simulate", "simulated_p", "smallest_seen", "spread_ratio"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Batches:
    """Loads (N,), flags (N,) and batch numbers 0 .. k - 1 (N,) of one group of specimens."""

    load: Array
    broke: Flags
    label: NDArray[np.intp]

    @property
    def k(self) -> int:
        """Number of batches."""
        return int(self.label.max()) + 1

    @property
    def own(self) -> Array:
        """Design with a place of its own for every batch."""
        return np.asarray(self.label[:, None] == np.arange(self.k)[None, :], dtype=float)

    @property
    def one(self) -> Array:
        """Design with one place for all."""
        return np.ones((self.label.size, 1))


def spread_ratio(load: Array, broke: Flags, batches: Batches, law: Family) -> Array:
    """Twice the log-likelihood gained by a spread of its own for every batch, each row of a batch of samples."""
    common = fit_regression_many(load, broke, batches.own, law).loglik
    apart = np.zeros(common.shape)
    for group in range(batches.k):
        mine = batches.label == group
        apart = apart + fit_many(load[:, mine], broke[:, mine], law).loglik
    return np.asarray(2 * (apart - common))


def location_ratio(load: Array, broke: Flags, batches: Batches, law: Family) -> Array:
    """Twice the log-likelihood gained by a place of its own for every batch, one spread for all."""
    apart = fit_regression_many(load, broke, batches.own, law).loglik
    return np.asarray(2 * (apart - fit_many(load, broke, law).loglik))


def simulate(
    batches: Batches,
    law: Family,
    size: int,
    rng: np.random.Generator,
    *,
    own_place: bool,
    shift: Array | None = None,
    stretch: Array | None = None,
) -> tuple[Array, Flags]:
    """Samples of the fitted null model (places own or common, one spread), shape (size, N).

    ``shift`` (N,) moves the strengths by that many spreads; ``stretch`` (N,) multiplies their scatter. Without
    survivors standard parameters are used, since the ratios do not depend on them.
    """
    n = batches.label.size
    design = batches.own if own_place else batches.one
    z = law.standard.rvs(size=(size, n), random_state=rng)
    if stretch is not None:
        z = z * stretch
    if shift is not None:
        z = z + shift
    if batches.broke.all():
        y = 3.0 + 0.05 * z if law.on_log else 1000.0 + z
        return law.inverse(y), np.ones((size, n), dtype=bool)
    fit = fit_regression_many(batches.load[None], batches.broke[None], design, law)
    strength = np.maximum(law.inverse(design @ fit.coef[0] + fit.spread[0] * z), 1e-300)
    held = np.full((size, n), np.inf)
    for group in range(batches.k):
        mine = np.flatnonzero(batches.label == group)
        if not batches.broke[mine].all() and batches.broke[mine].any():
            held[:, mine] = draw_held(batches.load[mine], batches.broke[mine], (size, mine.size), rng)
    return np.minimum(strength, held), strength <= held


def simulated_p(seen: float, drawn: Array) -> float:
    """Share of simulated statistics at least as large as the one seen, itself counted among them."""
    kept = drawn[np.isfinite(drawn)]
    return float((1 + (kept >= seen - 1e-9).sum()) / (1 + kept.size))


def smallest_seen(
    share: Callable[[float], float], false_alarm: float, *, goal: float = 0.8, most: float = 64.0
) -> float:
    """Smallest effect that is noticed with chance ``goal``, to within one point of that chance; NaN beyond ``most``.

    ``share`` gives the chance at an effect (``false_alarm`` at none) and should use the same random numbers each time.
    The search runs along the normal score of the chance, which is nearly straight in the effect.
    """
    near, low = 0.0, false_alarm
    far, high = 2.0, share(2.0)
    while high < goal:
        near, low, far = far, high, 2 * far
        if far > most:
            return float("nan")
        high = share(far)
    for _ in range(8):
        score_low, score_high, score = special.ndtri(np.clip([low, high, goal], 1e-4, 1 - 1e-4))
        middle = near + (far - near) * float(np.clip((score - score_low) / (score_high - score_low), 0.1, 0.9))
        got = share(middle)
        if abs(got - goal) <= 0.01:
            return middle
        near, low, far, high = (near, low, middle, got) if got > goal else (middle, got, far, high)
    return far
