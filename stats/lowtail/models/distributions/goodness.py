"""How far a sample lies from its own fitted distribution: the Anderson-Darling statistic with estimated parameters.

With every specimen broken it is the textbook A2 (unmodified; normal distributions with s of n - 1 degrees of freedom,
the Weibull by maximum likelihood). With survivors the staircase is Kaplan-Meier's and the integral ends at the highest
load if that specimen held; it equals the textbook statistic when none held.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lowtail._shared.resolution import different_loads
from lowtail._shared.sample import Sample
from lowtail.errors import InputError, NoAnswerError
from lowtail.models.distributions.families import Family, get_family, name_of
from lowtail.models.distributions.fit import fit_many

__all__ = [
    "anderson_darling_many",
    "different_breaks",
    "handbook_significance",
    "null_samples",
    "rounded",
    "simulate_like",
    "tie_step",
    "weak_minority",
]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_NEAREST, _ENOUGH = 8, 4  # simulated samples for each one kept, and the breaks from which on they are chosen
HANDBOOK_FROM = (
    6  # below this n the handbook's multiplier for the normal distribution is meaningless (negative at n = 3)
)


def anderson_darling_many(load: ArrayLike, broke: ArrayLike | None, family: str | Family) -> Array:
    """Anderson-Darling A2 of each row against the distribution fitted to that row.

    Parameters
    ----------
    load : array_like, shape (B, n)
        Loads greater than 0.
    broke : array_like of bool, shape (B, n), or None
    family : {"weibull", "normal", "lognormal"}

    Returns
    -------
    ndarray, shape (B,)
        NaN where no distribution can be fitted.

    References
    ----------
    Stephens (1974), J. Am. Stat. Assoc. 69:730-737 (from memory); Kaplan-Meier form: Koziol (1980), Biometrika
    67:693-696 (from memory).
    """
    law = get_family(family)
    loads = np.atleast_2d(np.asarray(load, dtype=float))
    fell = np.ones(loads.shape, dtype=bool) if broke is None else np.atleast_2d(np.asarray(broke, dtype=bool))
    fits = fit_many(loads, fell, law)
    n = loads.shape[1]
    textbook = fell.all(axis=1) & (law.name != "weibull")
    spread = np.where(textbook, fits.spread * np.sqrt(n / (n - 1.0)), fits.spread)
    z = (law.transform(loads) - fits.location[:, None]) / spread[:, None]
    order = np.argsort(z + np.where(fell, 0.0, 1e-12), axis=1, kind="stable")
    return _staircase_distance(np.take_along_axis(z, order, axis=1), np.take_along_axis(fell, order, axis=1), law)


def _staircase_distance(z: Array, fell: Flags, law: Family) -> Array:
    """Integral of (staircase - u)^2 / (u (1 - u)) over u, times n, for sorted rows."""
    n = z.shape[1]
    height = 1.0 - np.cumprod(1.0 - fell / (n - np.arange(n)), axis=1)
    # a specimen held far outside the fitted distribution has log 0 there; its weight is 0, so a large finite number
    # will do
    log_below, log_above = (np.maximum(log, -1e12) for log in (law.standard.logcdf(z), law.standard.logsf(z)))
    u = law.standard.cdf(z)
    first = -log_above[:, 0] - u[:, 0]
    c = height[:, :-1]
    middle = c**2 * np.diff(log_below, axis=1) - (1 - c) ** 2 * np.diff(log_above, axis=1) - np.diff(u, axis=1)
    last = np.where(fell[:, -1], -log_below[:, -1] - (1.0 - u[:, -1]), 0.0)
    return np.asarray(n * (first + middle.sum(axis=1) + last))


def handbook_significance(statistic: float, n: int, family: str | Family) -> float:
    """Observed significance level by the composites handbook's formula, complete samples; NaN below n = 6.

    The formula modifies A2 first: by ``1 + 4/n - 25/n^2`` for the normal distributions, ``1 + 0.2/sqrt(n)`` for the
    Weibull.

    References
    ----------
    MIL-HDBK-17-1F section 8.3.4 (formula from memory).

    Examples
    --------
    >>> round(handbook_significance(0.5, 10, "weibull"), 4)
    0.1827
    """
    law = get_family(family)
    if n < HANDBOOK_FROM:
        return float("nan")
    if not (np.isfinite(statistic) and statistic > 0):
        raise InputError(f"`statistic` must be a finite number greater than 0, got {statistic!r}.")
    if law.name == "weibull":
        modified = (1 + 0.2 / np.sqrt(n)) * statistic
        power = -0.10 + 1.24 * np.log(modified) + 4.48 * modified
    else:
        modified = (1 + 4 / n - 25 / n**2) * statistic
        power = -0.48 + 0.78 * np.log(modified) + 4.58 * modified
    return float(1 / (1 + np.exp(power)))


def tie_step(sample: Sample) -> float:
    """Recording step of the loads where breaks tie, else 0: simulated loads are then left unrounded."""
    broke = sample.load[sample.broke]
    return sample.step if different_loads(broke) < broke.size else 0.0


def rounded(load: Array, step: float) -> Array:
    """Loads as recorded in steps of ``step`` (0: as they are); never below one step."""
    return np.maximum(np.round(load / step) * step, step) if step else load


def null_samples(
    law: Family, location: float, spread: float, size: tuple[int, int], rng: np.random.Generator, held: Array | None
) -> tuple[Array, Flags]:
    """Simulated loads and flags of a sound sample; ``held`` gives the load at which each would be held (inf: never)."""
    strength = law.inverse(location + spread * law.standard.rvs(size=size, random_state=rng))
    return _meet(np.maximum(strength, 1e-300), held)


def weak_minority(
    law: Family,
    location: float,
    spread: float,
    size: tuple[int, int],
    rng: np.random.Generator,
    held: Array | None,
    *,
    share: float,
    loss: float,
) -> tuple[Array, Flags]:
    """As `null_samples`, but each specimen belongs with chance ``share`` to a kind weaker by the fraction ``loss``."""
    strength = law.inverse(location + spread * law.standard.rvs(size=size, random_state=rng))
    weak = rng.random(size) < share
    return _meet(np.maximum(np.where(weak, strength * (1 - loss), strength), 1e-300), held)


def _meet(strength: Array, held: Array | None) -> tuple[Array, Flags]:
    if held is None:
        return strength, np.ones(strength.shape, dtype=bool)
    return np.minimum(strength, held), strength <= held


def simulate_like(sample: Sample, law: Family, size: int, rng: np.random.Generator) -> tuple[Array, Flags]:
    """Sound samples that break and hold in the same order as ``sample`` did: loads and flags, (size, n).

    Every specimen broke: draws from the fitted distribution. All that held at one load above every break: as many
    breaks below that load as there were, from the fitted distribution; where 4 or more broke, 8 times as many samples
    are drawn and those kept in which the distribution fitted anew has the stop load most nearly at the same place, in
    spreads. Number, mean and scatter of the breaks are sufficient for a normal distribution stopped at a load, so that
    nothing unknown is left in the null distribution; nearly so for the Weibull. Otherwise breaks and holds come one
    after another, lowest load first, in the order seen, and the cumulative hazard of the fitted distribution grows
    between them by exponential steps that the two share in proportion to their numbers (specimens held at one load
    count once). A statistic that does not depend on place and spread then has a null distribution that depends on
    nothing unknown; it is exact where the risk of being held keeps in proportion to the risk of breaking (a rig of the
    same kind), and close elsewhere.

    Raises
    ------
    NoAnswerError
        If the distribution cannot be fitted.

    References
    ----------
    Koziol and Green (1976), Biometrika 63:465-474 (proportional hazards of breaking and holding; from memory).
    """
    fits = fit_many(sample.load[None], sample.broke[None], law)
    if not np.isfinite(fits.spread[0]):
        raise NoAnswerError(f"{sample.who}: the {name_of(law.name)} distribution has no best fit: {fits.reason(0)}.")
    location, spread = float(fits.location[0]), float(fits.spread[0])
    if not sample.n_censored:
        return null_samples(law, location, spread, (size, sample.n), rng, None)
    order = np.lexsort((~sample.broke, sample.load))
    load, broke = sample.load[order], sample.broke[order]
    if not broke[sample.n_broken :].any() and load[sample.n_broken] == load[-1]:
        return _stopped_at_one_load(sample, law, location, spread, size, rng)
    flags = np.tile(broke, (size, 1))
    same = np.append(False, (np.diff(load) == 0) & ~broke[1:] & ~broke[:-1])  # held at the load before: no new event
    event = np.cumsum(~same) - 1
    first = np.flatnonzero(~same)
    rate = (sample.n - first) * (1 + (~broke[first]).sum() / sample.n_broken)
    hazard = np.cumsum(rng.standard_exponential((size, first.size)) / rate, axis=1)[:, event]
    z = np.log(hazard) if law.name == "weibull" else law.standard.isf(np.exp(-hazard))
    return np.maximum(law.inverse(location + spread * z), 1e-300), flags


def _stopped_at_one_load(
    sample: Sample, law: Family, location: float, spread: float, size: int, rng: np.random.Generator
) -> tuple[Array, Flags]:
    """Samples with as many breaks below the one stop load as ``sample``, and alike in how far up that lies."""
    many = size * (_NEAREST if sample.n_broken >= _ENOUGH else 1)
    top = float((law.transform(sample.load.max()) - location) / spread)
    below = np.sort(rng.random((many, sample.n_broken)), axis=1) * law.standard.cdf(top)
    z = np.concatenate([law.standard.ppf(below), np.full((many, sample.n_censored), top)], axis=1)
    load = np.maximum(law.inverse(location + spread * z), 1e-300)
    flags = np.tile(np.arange(sample.n) < sample.n_broken, (many, 1))
    if many > size:
        fits = fit_many(load, flags, law)
        away = np.abs((law.transform(load[:, -1]) - fits.location) / fits.spread - top)
        load = load[np.argsort(away, kind="stable")[:size]]
    return load, flags[:size]


def different_breaks(load: Array, broke: Flags) -> NDArray[np.int64]:
    """Number of different loads at break in each row."""
    ordered = np.sort(np.where(broke, load, np.inf), axis=1)
    new = np.concatenate([np.ones((load.shape[0], 1), dtype=bool), ordered[:, 1:] > ordered[:, :-1]], axis=1)
    return np.asarray((new & np.isfinite(ordered)).sum(axis=1))
