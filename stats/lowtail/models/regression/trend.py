"""Is there a trend, does it bend, how small a trend would be noticed: likelihood ratios by simulation, on arrays."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail._shared.sample import Sample
from lowtail.models.distributions.empirical import draw_held
from lowtail.models.distributions.families import Family
from lowtail.models.distributions.fit import fit_many
from lowtail.models.distributions.goodness import rounded, simulate_like, tie_step
from lowtail.models.regression.batch_tests import simulated_p, smallest_seen
from lowtail.models.regression.fit import fit_regression, fit_regression_many

__all__ = ["nested_p", "nested_ratio", "smallest_trend"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_ENOUGH = 400  # arrangements of the settings, for a p-value at 5 %


def nested_ratio(load: Array, broke: Flags, small: Array, large: Array, law: Family) -> Array:
    """Twice the log-likelihood gained by the columns that ``large`` has beyond ``small``, each row of a batch.

    A ``small`` of one column must be the column of ones.
    """
    plain = small.shape[-1] == 1
    below = fit_many(load, broke, law) if plain else fit_regression_many(load, broke, small, law)
    return np.asarray(2 * (fit_regression_many(load, broke, large, law).loglik - below.loglik))


def _simulate(
    load: Array, broke: Flags, line: Array, spread: float, law: Family, size: int, rng: np.random.Generator
) -> tuple[Array, Flags]:
    z = law.standard.rvs(size=(size, load.size), random_state=rng)
    strength = np.maximum(law.inverse(line + spread * z), 1e-300)
    if broke.all():
        return strength, np.ones(strength.shape, dtype=bool)
    held = draw_held(load, broke, (size, load.size), rng)
    return np.minimum(strength, held), strength <= held


def nested_p(
    load: Array, broke: Flags, small: Array, large: Array, law: Family, size: int, rng: np.random.Generator
) -> float:
    """Simulated p-value of the columns that ``large`` has beyond ``small``; exact where every specimen broke.

    Without trend (``small`` the column of ones) and with survivors the settings are dealt out anew among the specimens,
    which is exact too where settings were held at alike loads; few arrangements: among simulated samples that break and
    hold in the same order. Otherwise samples come from the fit of ``small``, held loads from their Kaplan-Meier
    distribution. Where breaks tie, simulated loads are rounded to the step in which the loads stand.
    """
    seen = float(nested_ratio(load[None], broke[None], small, large, law)[0])
    if small.shape[1] == 1 and not broke.all():
        return simulated_p(seen, _dealt_anew(load, broke, large, law, size, rng))
    fit = fit_regression(load, broke, small, law)
    loads, flags = _simulate(load, broke, small @ fit.coef, fit.spread, law, size, rng)
    return simulated_p(seen, nested_ratio(rounded(loads, tie_step(Sample(load, broke))), flags, small, large, law))


def _dealt_anew(load: Array, broke: Flags, large: Array, law: Family, size: int, rng: np.random.Generator) -> Array:
    """Ratios of ``large`` over one place for all, its rows dealt out at random among the specimens."""
    plan = large[rng.permuted(np.tile(np.arange(load.size), (size, 1)), axis=1)]
    alike = np.unique(large, axis=0, return_counts=True)[1]
    arrangements = special.gammaln(load.size + 1) - special.gammaln(alike + 1).sum()
    if arrangements >= np.log(_ENOUGH):
        loads, flags = np.tile(load, (size, 1)), np.tile(broke, (size, 1))
    else:
        sample = Sample(load, broke)
        loads, flags = simulate_like(sample, law, size, rng)
        loads = rounded(loads, tie_step(sample))
    return np.asarray(2 * (fit_regression_many(loads, flags, plan, law).loglik - fit_many(loads, flags, law).loglik))


def smallest_trend(
    load: Array, broke: Flags, design: Array, law: Family, false_alarm: float, rng: np.random.Generator, size: int = 500
) -> float:
    """Drop over the whole tested range, in spreads, that the test of a trend would notice 8 times in 10 (NaN: none).

    The trend is that of the second column of ``design``, the first being ones.
    """
    flat, x = np.delete(design, 1, axis=1), design[:, 1]
    fit = fit_regression(load, broke, design, law)
    share = (x - x.min()) / (x.max() - x.min())
    middle = design @ fit.coef - fit.coef[1] * (x - x.mean())
    seed = int(rng.integers(2**31))

    def ratios(drop: float, offset: int) -> Array:
        line = middle - drop * fit.spread * (share - share.mean())
        drawn = _simulate(load, broke, line, fit.spread, law, size, np.random.default_rng(seed + offset))
        ratio = nested_ratio(*drawn, flat, design, law)
        return ratio[np.isfinite(ratio)]

    limit = float(np.quantile(ratios(0.0, 0), 1 - false_alarm))
    return smallest_seen(lambda drop: float((ratios(drop, 1) > limit).mean()), false_alarm)
