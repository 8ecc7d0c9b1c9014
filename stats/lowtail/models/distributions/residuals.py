"""The specimen farthest from the rest: maximum normed residual and the many-outlier procedure, on arrays.

Normal distribution of ``y`` (load or log load), every specimen broke. ``s`` has n - 1 degrees of freedom, limits are
two-sided. For other distributions, and with survivors: the smallest tail of a break under the fitted distribution.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from lowtail.errors import InputError
from lowtail.models.distributions.families import Family
from lowtail.models.distributions.fit import fit_many

__all__ = [
    "grain_of",
    "largest_gap_many",
    "many_outlier_level",
    "normed_residual_critical",
    "normed_residual_p",
    "normed_residual_steps",
    "residual_detectable",
    "smallest_tail_many",
]

Array = NDArray[np.float64]

_SIMULATED = 40_000
_ROOM = 8_000_000  # specimens simulated in all: from n = 201 on fewer samples are, so that it ends
_SEED = 20_250_107


def _check(n: int, false_alarm: float, sides: int) -> None:
    if n < 3:
        raise InputError(f"`n` must be at least 3 for a normed residual, got {n}.")
    if not 0 < false_alarm < 1:
        raise InputError(f"`false_alarm` must lie between 0 and 1 (ends excluded), got {false_alarm!r}.")
    if sides not in (1, 2):
        raise InputError(f"`sides` must be 1 or 2, got {sides!r}.")


def normed_residual_critical(n: int, false_alarm: float = 0.05, sides: int = 2) -> float:
    """Critical value of max |y - mean| / s in a normal sample of ``n``.

    Exact wherever it exceeds ``sqrt((n - 1) / 2)``, for then two residuals cannot both pass it (two-sided 5 %: up to
    n = 13); beyond that the false alarms are fewer than stated by less than ``false_alarm ** 2 / 2``.

    References
    ----------
    Grubbs (1950), Ann. Math. Stat. 21:27-58; MIL-HDBK-17-1F table 8.5.7 (both from memory).

    Examples
    --------
    >>> round(normed_residual_critical(5), 4)
    1.715
    """
    _check(n, false_alarm, sides)
    t = float(stats.t.isf(false_alarm / (sides * n), n - 2))
    return float((n - 1) / np.sqrt(n) * np.sqrt(t**2 / (n - 2 + t**2)))


def normed_residual_p(residual: ArrayLike, n: ArrayLike, sides: int = 2) -> Array:
    """Chance of a normed residual at least this large in a sound normal sample; see `normed_residual_critical`."""
    size = np.asarray(n, dtype=float)
    share = np.asarray(residual, dtype=float) ** 2 * size / (size - 1.0) ** 2
    with np.errstate(divide="ignore"):
        t = np.sqrt((size - 2.0) * share / np.maximum(1.0 - share, 0.0))
    return np.asarray(np.minimum(1.0, sides * size * stats.t.sf(t, size - 2)))


def normed_residual_steps(y: ArrayLike, most: int, step: ArrayLike = 0.0) -> tuple[NDArray[np.int64], Array]:
    """Take the farthest specimen out ``most`` times: their positions and normed residuals, one column a step.

    ``y`` has shape (B, n); both answers have shape (B, most). A batch row of equal values gives residuals of 0.
    ``step``, a number or shape (B,), is the step to which ``y`` was rounded: from the second specimen on, and for the
    first where all others are equal, its variance ``step ** 2 / 12`` is added to the scatter, for ties may leave none:
    two equal loads put a third infinitely far.
    """
    rows = np.atleast_2d(np.asarray(y, dtype=float))
    rows = rows - np.median(rows, axis=1, keepdims=True)
    size, n = rows.shape
    if not 1 <= most <= n - 2:
        raise InputError(f"`most` must lie between 1 and n - 2 = {n - 2}, got {most}.")
    inside = np.ones((size, n), dtype=bool)
    who, how = np.empty((size, most), dtype=np.int64), np.empty((size, most))
    floor = np.asarray(step, dtype=float) ** 2 / 12
    for out in range(most):
        left = n - out
        mean = np.where(inside, rows, 0.0).sum(axis=1) / left
        away = np.abs(rows - mean[:, None]) * inside
        squares, farthest = (away**2).sum(axis=1), away.max(axis=1)
        tied = squares - farthest**2 * left / (left - 1) <= 1e-12 * squares  # all but the farthest are equal
        s = np.sqrt(squares / (left - 1) + np.where(tied | (out > 0), floor, 0.0) * (farthest > 0))
        who[:, out] = np.where(inside, away, -1.0).argmax(axis=1)
        how[:, out] = np.divide(away.max(axis=1), s, out=np.zeros(size), where=s > 0)
        inside[np.arange(size), who[:, out]] = False
    return who, how


def grain_of(y: ArrayLike, step: ArrayLike) -> Array:
    """Step of rounding over the standard deviation of each row of ``y``, to the nearest power of the fourth root of 2.

    At most 2; 0 where it is less than 0.02, which no limit feels.

    Examples
    --------
    >>> grain_of([[24.0, 25.0, 26.0], [24.0, 25.0, 26.0]], [0.25, 0.01]).tolist()
    [0.25, 0.0]
    """
    s = np.std(np.atleast_2d(np.asarray(y, dtype=float)), axis=1, ddof=1)
    grain = np.minimum(np.asarray(step, dtype=float) / np.maximum(s, 1e-300), 2.0)
    return np.asarray(np.where(grain < 0.02, 0.0, 2.0 ** (np.round(4 * np.log2(np.maximum(grain, 0.02))) / 4)))


@lru_cache(maxsize=256)
def many_outlier_level(n: int, most: int, false_alarm: float = 0.05, grain: float = 0.0) -> float:
    """Level to use at every step so that a sound normal sample raises an alarm at *any* step with ``false_alarm``.

    The published procedure uses ``false_alarm`` itself at every step. That is close at n = 25 and more, but at n = 5
    with two steps it alarms in 9.4 % of sound samples, at n = 10 in 7.0 %. This level is simulated (40,000 samples,
    fixed seed): its own false alarms are right to 0.1 percentage points. ``grain``, see `grain_of`, is for rounded
    loads: each simulated sample is then rounded to that part of its own standard deviation. Loads rounded to a quarter
    of their scatter or finer alarm in 4.5 to 6 % of sound samples of 5 to 10 (tests/truth/checks_type1.csv). From n =
    201 on fewer samples are simulated, 4,000 at n = 2,000: right to 0.4 points there.

    References
    ----------
    Rosner (1983), Technometrics 25:165-172 (from memory; its limits were meant for n of 25 and more).
    """
    _check(n, false_alarm, 2)
    if most == 1:
        return false_alarm
    rng, size = np.random.default_rng(_SEED), min(_SIMULATED, _ROOM // n)
    y, step = rng.standard_normal((size, n)), 0.0
    if grain:  # in steps, about a place that lies anywhere between two of them
        y = np.round(y / (grain * y.std(axis=1, ddof=1, keepdims=True)) + rng.random((size, 1)))
        step = 1.0
    _, how = normed_residual_steps(y, most, step)
    smallest = np.sort(normed_residual_p(how, n - np.arange(most)).min(axis=1))
    level = smallest[int(false_alarm * size)]
    share = np.searchsorted(smallest, [level * (1 - 1e-9), level * (1 + 1e-9)]) / size
    short = share[1] - false_alarm > false_alarm - share[0]  # steps leave few values: the one nearest to what is asked
    return float(level * (1 - 1e-9 if short else 1 + 1e-9))


@lru_cache(maxsize=256)
def residual_detectable(n: int, false_alarm: float = 0.05, chance: float = 0.8) -> float:
    """Distance from the mean, in standard deviations, at which a single outlier among ``n`` is found with ``chance``.

    Simulated (4,000 samples, fixed seed) from a normal distribution with one specimen put at that distance; ``inf``
    where no distance up to 100 is enough.
    """
    limit = normed_residual_critical(n, false_alarm)
    sound = np.random.default_rng(_SEED).standard_normal((min(4000, _ROOM // (4 * n)), n))

    def found(distance: float) -> float:
        sound[:, 0] = distance
        who, how = normed_residual_steps(sound, 1)
        return float(((how[:, 0] > limit) & (who[:, 0] == 0)).mean())

    near, far = 0.0, 1.0
    while found(far) < chance:
        near, far = far, far * 1.5
        if far > 100:
            return float("inf")
    for _ in range(12):
        middle = (near + far) / 2
        near, far = (near, middle) if found(middle) >= chance else (middle, far)
    return far


def smallest_tail_many(load: Array, broke: NDArray[np.bool_], law: Family) -> tuple[Array, NDArray[np.int64], Array]:
    """Log of the smallest tail of a break under the fitted distribution, whose it is, its distance in spreads."""
    fits = fit_many(load, broke, law)
    z = (law.transform(load) - fits.location[:, None]) / fits.spread[:, None]
    tail = np.where(broke, np.minimum(law.standard.logcdf(z), law.standard.logsf(z)), np.inf)
    spot = tail.argmin(axis=1)
    rows = np.arange(load.shape[0])
    return np.where(np.isfinite(fits.spread), tail[rows, spot], np.nan), spot, np.abs(z[rows, spot])


def largest_gap_many(load: Array, broke: NDArray[np.bool_], law: Family) -> tuple[Array, NDArray[np.intp], Array]:
    """Largest weighted gap between neighbouring breaks of each row, in spreads: size, its place, sorted breaks.

    The gap between the i-th and the next of r breaks weighs ``sqrt(i (r - i))``; NaN where no distribution can be
    fitted.
    """
    y = np.where(broke, law.transform(load), np.inf)
    y = np.sort(y, axis=1)
    r = broke.sum(axis=1, keepdims=True)
    i = np.arange(1, y.shape[1])[None, :]
    with np.errstate(invalid="ignore"):
        gap = np.where(i < r, np.diff(y, axis=1) * np.sqrt(i * np.maximum(r - i, 0)), -np.inf)
    spread = fit_many(load, broke, law).spread
    place = gap.argmax(axis=1)
    with np.errstate(invalid="ignore"):
        size = gap[np.arange(place.size), place] / spread
    return np.where(np.isfinite(size), size, np.nan), place, y
