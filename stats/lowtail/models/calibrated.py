"""The calibrated signed root: a low bound by simulation, close to nominal under random censoring, on arrays.

It simulates the samples that a trial strength would have given, with the Kaplan-Meier law of the loads held.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lowtail._parallel import as_rng
from lowtail.errors import InputError, NoAnswerError
from lowtail.models.empirical import draw_held
from lowtail.models.families import Family, get_family
from lowtail.models.likelihood import OK, maximise
from lowtail.models.signed_root import fit_top, on_y, or_refuse, plain, profile, signed_root, usable
from lowtail.models.tolerance import check_fraction

__all__ = ["Calibrated", "calibrate", "calibrated_bound", "calibrated_confidence"]

Array = NDArray[np.float64]
LEAST_USED = 50  # simulated samples with 2 different breaks below which no confidence is read off them


class Calibrated(NamedTuple):
    """Calibrated bound in kN, simulated samples that could be used, and the Monte-Carlo error of the confidence."""

    low: float
    used: int
    confidence_error: float


def calibrate(
    load: ArrayLike,
    broke: ArrayLike | None,
    family: str | Family,
    fraction_below: float,
    confidence: float,
    *,
    rng: int | np.random.Generator = 0,
    samples: int = 2000,
) -> Calibrated:
    """Signed root calibrated by simulation, with what is needed to judge it.

    For a trial strength the spread is fitted with the strength at ``fraction_below`` held there; ``samples`` samples
    are simulated from that law, each specimen against a load held drawn from the Kaplan-Meier law of these loads; the
    bound is the trial strength whose signed root stands at the right place among the simulated ones. One set of random
    numbers serves all trials, so that the bound is the same for the same seed.

    Raises
    ------
    NoAnswerError
        If the law cannot be fitted, or fewer than 50 simulated samples have 2 different loads at break.

    References
    ----------
    DiCiccio, Martin & Stern (2001) Canad. J. Statist. 29:67-76; Lee & Young (2005) Statist. Probab. Lett. 71:143-153
    (both from memory).
    """
    law = get_family(family)
    p, g = check_fraction(fraction_below, "fraction_below"), check_fraction(confidence, "confidence")
    trial = _trial(load, broke, law, p, rng, samples)
    low = _solve(trial.chance, 1 - g, trial.top, trial.step)
    used = trial.used[-1]
    return Calibrated(trial.load(low), used, float(np.sqrt(g * (1 - g) / used)))


def calibrated_confidence(
    load: ArrayLike,
    broke: ArrayLike | None,
    family: str | Family,
    strength: float,
    fraction_below: float,
    *,
    rng: int | np.random.Generator = 0,
    samples: int = 2000,
) -> float:
    """Confidence that at most ``fraction_below`` of the population is weaker than ``strength`` (kN), calibrated.

    The inverse of `calibrated_bound`, for the same seed.
    """
    law, p = get_family(family), check_fraction(fraction_below, "fraction_below")
    if not (np.isfinite(strength) and strength > 0):
        raise InputError(f"`strength` must be a finite number greater than 0 kN, got {strength!r}.")
    trial = _trial(load, broke, law, p, rng, samples)
    return 1 - trial.chance(trial.place(float(strength)))


class _Trial(NamedTuple):
    """A sample ready for trial strengths on its scaled axis."""

    chance: Callable[[float], float]
    used: list[int]
    top: float
    step: float
    place: Callable[[float], float]
    load: Callable[[float], float]


def _trial(
    load: ArrayLike, broke: ArrayLike | None, law: Family, p: float, rng: int | np.random.Generator, samples: int
) -> _Trial:
    if isinstance(samples, bool) or not isinstance(samples, (int, np.integer)) or samples < 100:
        raise InputError(f"`samples` must be a whole number, at least 100, got {samples!r}.")
    values = np.atleast_2d(np.asarray(load, dtype=float))
    s, rows, _ = usable(values, broke, law)
    if not rows.size:
        or_refuse(np.array([np.nan]), values, broke, law)
    generator, w = as_rng(rng), float(law.quantile(p))
    centre, scale = float(s.centre[0]), float(s.scale[0])
    shape = (int(samples), values.shape[1])
    noise = law.standard.ppf(generator.random(shape))
    held = draw_held(values[0], broke, shape, generator)
    limit = np.where(np.isinf(held), np.inf, (law.transform(held) - centre) / scale)
    top, h, best = fit_top(s, law, w)
    used: list[int] = []

    def chance(q: float) -> float:
        """Chance that a sample of the law fitted at q shows at least the signed root observed."""
        h_q, value = profile(s, law, w, np.array([q]), h)
        observed = np.sign(top[0] - q) * np.sqrt(max(2 * (best[0] - value[0]), 0.0))
        y = q + (noise - w) / h_q[0]
        roots = _simulated_roots(np.minimum(y, limit), y <= limit, law, w, q)
        used.append(roots.size)
        if roots.size < LEAST_USED:
            raise NoAnswerError(
                f"Only {roots.size} of {samples} simulated samples have 2 different loads at break: too many survivors "
                "for the calibrated bound. Use the confidence law."
            )
        return (1 + float((roots >= observed).sum())) / (roots.size + 1)

    return _Trial(
        chance,
        used,
        float(top[0]),
        float(1 / h[0]),
        lambda strength: (float(law.transform(strength)) - centre) / scale,
        lambda q: max(0.0, float(law.inverse(centre + scale * q))),
    )


def _simulated_roots(y: Array, broke: NDArray[np.bool_], law: Family, w: float, q: float) -> Array:
    """Signed roots at q of simulated samples on the scaled axis, those with 2 different loads at break."""
    s = on_y(y, broke)
    status = maximise(s, plain(law))[3]
    sub = s.rows((status == OK) & s.distinct)
    return signed_root(sub, plain(law), w, (q - sub.centre) / sub.scale)


def _solve(chance: Callable[[float], float], tail: float, top: float, step: float) -> float:
    """Trial strength where the chance meets ``tail``; it rises with the trial strength."""
    low, high = top - step, top
    width = step
    while chance(high) < tail and width < 1e6 * step:
        low, high, width = high, high + width, 2 * width
    width = step
    while chance(low) > tail and width < 1e6 * step:
        high, low, width = low, low - width, 2 * width
    for _ in range(30):
        middle = (low + high) / 2
        if chance(middle) > tail:
            high = middle
        else:
            low = middle
        if high - low < 1e-5 * step:
            break
    return (low + high) / 2


def calibrated_bound(
    load: ArrayLike,
    broke: ArrayLike | None,
    family: str | Family,
    fraction_below: float,
    confidence: float,
    *,
    rng: int | np.random.Generator = 0,
    samples: int = 2000,
) -> float:
    """Calibrated signed-root lower bound in kN (seeded); see `calibrate`.

    Under random censoring nearer to nominal than the confidence law, which errs on the safe side, and so higher.

    Examples
    --------
    >>> low = calibrated_bound([24.1, 26.3, 25.2, 27.0, 23.2], None, "weibull", 0.01, 0.95, rng=1)
    >>> 12.5 < low < 15.5  # the exact conditional bound is 13.90 kN
    True
    """
    return calibrate(load, broke, family, fraction_below, confidence, rng=rng, samples=samples).low
