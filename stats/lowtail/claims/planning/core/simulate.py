"""Simulated series for planning: strengths, survivors, and whether each series reaches the claim."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail._shared.parallel import run, seeds
from lowtail.claims.basis import Basis
from lowtail.claims.planning.core.judge import GOVERNING, governing_reaches, relative
from lowtail.claims.planning.core.trials import Trials
from lowtail.errors import InputError
from lowtail.models.distributions.families import Family
from lowtail.models.early.holds import SAMPLES, calibrated_confidence, held_early
from lowtail.models.early.signed_root import on_y
from lowtail.models.series.normal_pivot import normal_bound, normal_confidence
from lowtail.models.series.weibull_pivot import weibull_bound, weibull_confidence

__all__ = [
    "backs",
    "chance_fresh",
    "confidence",
    "early",
    "fresh_trials",
    "judged_words",
    "lower_bound",
    "lowered",
    "standard_series",
]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

EVERY, FEWEST = 8, 100  # series calibrated one by one: every eighth, all where they are fewer than 800
QUICK_SAMPLES = 512
TASKS, PER_TASK = 4, 3000  # 12,000 series: Monte-Carlo error at most 0.46 points


def holding_shift(family: Family, survivors: float) -> float:
    """Location of the rig's strength, in spreads above the specimen's, at which a share of specimens holds."""
    if family.name == "weibull":
        return float(np.log((1 - survivors) / survivors))
    return float(-np.sqrt(2) * special.ndtri(survivors))


def standard_series(
    family: Family, n: int, size: int, survivors: float, seed: np.random.SeedSequence
) -> tuple[Array, Flags | None]:
    """Standard series of shape (size, n), and which specimens broke (None: all). Longer ones continue shorter ones."""
    first, second = (np.random.default_rng(child(seed, i)) for i in range(2))
    if survivors == 0:
        return _draw(family, n, size, first), None
    strength, rig = _draw(family, n, size, first), _draw(family, n, size, second) + holding_shift(family, survivors)
    return np.minimum(strength, rig), strength <= rig


def child(seed: np.random.SeedSequence, key: int) -> np.random.SeedSequence:
    """Child of a seed sequence, the same at every call (``spawn`` would move on)."""
    return np.random.SeedSequence(seed.entropy, spawn_key=(*seed.spawn_key, key))


def _draw(family: Family, n: int, size: int, rng: np.random.Generator) -> Array:
    if family.name == "weibull":
        return np.asarray(np.log(rng.standard_exponential((n, size))).T)
    return np.asarray(rng.standard_normal((n, size)).T)


def backs(
    y: Array,
    broke: Flags | None,
    claim: Array | float,
    family: Family,
    basis: Basis,
    judge: str = GOVERNING,
    calibrated: bool = False,
) -> Flags:
    """Whether the bound that judges each series of ``y`` values (B, n) reaches ``claim``, a value of y.

    ``judge`` is "governing", the rule that judges real series, or "one distribution", the bound of ``family`` alone.
    ``calibrated``: series that held early are judged as `lower_bound` judges them (`lowered`). Without it they are
    judged by the confidence distribution alone, which backs a claim more often by at most a point where all that holds
    specimens is a rig that scatters (``tests/truth/early_holds_plans.csv``).
    """
    n = y.shape[1]
    if n < 2:
        return np.zeros(y.shape[0], dtype=bool)
    if not basis.tolerance:
        return _backs_by_custom(y, broke, claim, family, basis)
    if judge == GOVERNING:
        won = governing_reaches(relative(y, claim, on_log=family.on_log), broke, basis)
    else:
        won = confidence(y, broke, claim, family, basis.fraction_below, basis.confidence) >= basis.confidence
    if calibrated and broke is not None and won.any():
        rows = np.flatnonzero(won)
        at = np.broadcast_to(np.asarray(claim, dtype=float), won.shape)[rows]
        shown = confidence(y[rows], broke[rows], at, family, basis.fraction_below, basis.confidence)
        won[rows] = lowered(y[rows], broke[rows], at, family, basis, shown) >= basis.confidence
    return won


def judged_words(held: float, in_hand: bool) -> tuple[str, ...]:
    """How simulated series with survivors are judged, in words; ``in_hand``: specimens in hand held early."""
    if in_hand:
        return (
            "Specimens in hand held at low loads: populations and series are calibrated for that by simulation (one "
            f"series in {EVERY} by {QUICK_SAMPLES} samples, the others moved as these are).",
        )
    if held == 0:
        return ()
    return (
        "Series are judged by the confidence distribution; the check for specimens that held early would lower the "
        "chance by at most 1 point (own simulation, 5 to 30 specimens, 20 to 60 % held).",
    )


def early(y: Array, broke: Flags) -> bool:
    """Whether a specimen of one series held below its highest break."""
    return bool(held_early(on_y(y[None], broke[None]))[0])


def lowered(y: Array, broke: Flags, claim: Array | float, family: Family, basis: Basis, shown: Array) -> Array:
    """Confidences at or above that of the basis, calibrated for early holds.

    Every eighth of them is calibrated by 512 simulated samples; the others are moved as these are, rank by rank. Series
    that are all the same one (nothing added yet) are calibrated once, as the bound itself is.
    """
    out, p = shown.copy(), basis.fraction_below
    rows = np.flatnonzero(shown >= basis.confidence)
    if not rows.size:
        return out
    same = bool((y == y[0]).all() and (broke == broke[0]).all())
    pick = rows[:1] if same else rows[::EVERY] if rows.size > EVERY * FEWEST else rows
    s = on_y(y[pick], broke[pick])
    q = (np.broadcast_to(np.asarray(claim, dtype=float), shown.shape)[pick] - s.centre) / s.scale
    samples = SAMPLES if same else QUICK_SAMPLES
    got = calibrated_confidence(s, family, p, q, shown[pick], samples)
    if same or pick.size == rows.size:
        out[rows] = np.minimum(out[rows], got)
    else:
        out[rows] = np.minimum(out[rows], np.interp(shown[rows], np.sort(shown[pick]), np.sort(got)))
    return out


def confidence(
    y: Array, broke: Flags | None, claim: Array | float, family: Family, fraction_below: float, level: float
) -> Array:
    """Confidence that the percentile is at least the claim; for complete normal series 1 or 0 at ``level``."""
    if family.name == "weibull":
        return weibull_confidence(y, broke, claim, fraction_below)
    if broke is None:
        factor = Basis("plan", fraction_below, level).factor(y.shape[1])
        return np.where(y.mean(axis=1) - factor * y.std(axis=1, ddof=1) >= claim, 1.0, 0.0)
    return normal_confidence(y, broke, claim, fraction_below, level)


def lower_bound(
    y: Array, broke: Flags | None, family: Family, fraction_below: float, level: float, *, sharp: bool = False
) -> Array:
    """Lower bound of the percentile of each series of ``y`` values (B, n); NaN without a bound.

    ``sharp`` matters to normal series with survivors (`normal_bound`).
    """
    if family.name == "weibull":
        return weibull_bound(y, broke, fraction_below, level)
    if broke is None:
        factor = Basis("plan", fraction_below, level).factor(y.shape[1])
        return np.asarray(y.mean(axis=1) - factor * y.std(axis=1, ddof=1))
    return normal_bound(y, broke, fraction_below, level, sharp=sharp)


def _backs_by_custom(y: Array, broke: Flags | None, claim: Array | float, family: Family, basis: Basis) -> Flags:
    if broke is not None:
        raise InputError(f"'{basis.name}' takes mean and s of complete series; it is not defined with survivors.")
    load, edge = family.inverse(y), family.inverse(claim)
    factor = basis.factor(y.shape[1])
    return np.asarray(load.mean(axis=1) - factor * load.std(axis=1, ddof=1) >= edge)


def _one(
    n: int,
    family: Family,
    location: float,
    spread: float,
    claim: float,
    basis: Basis,
    survivors: float,
    judge: str,
    seed: np.random.SeedSequence,
) -> Flags:
    y, broke = standard_series(family, n, PER_TASK, survivors, seed)
    return backs(location + spread * y, broke, claim, family, basis, judge)


def fresh_trials(
    family: Family,
    location: float,
    spread: float,
    strength: float,
    basis: Basis,
    survivors: float,
    seed: int,
    target: float | None = None,
    n_jobs: int = 1,
    judge: str = GOVERNING,
) -> Trials[int]:
    """Whether fresh series demonstrate the strength, by simulating the series, against their size."""
    claim = float(family.transform(strength))
    each = seeds(seed, TASKS)

    def make(wanted: list[tuple[int, int]]) -> list[Flags]:
        jobs = [(n, family, location, spread, claim, basis, survivors, judge, each[block]) for n, block in wanted]
        return run(_one, jobs, n_jobs=n_jobs, progress=False)

    return Trials(make, target, TASKS)


def chance_fresh(
    n: int,
    family: Family,
    location: float,
    spread: float,
    strength: float,
    basis: Basis,
    survivors: float,
    seed: int,
    n_jobs: int = 1,
    judge: str = GOVERNING,
) -> tuple[float, float]:
    """Chance that a fresh series of n demonstrates the strength, with its Monte-Carlo error."""
    return fresh_trials(family, location, spread, strength, basis, survivors, seed, n_jobs=n_jobs, judge=judge).full(n)
