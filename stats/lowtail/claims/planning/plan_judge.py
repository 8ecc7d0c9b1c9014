"""Whether simulated series reach a claim, by the rule that judges real ones (`lowtail.claims.strength.governing`).

Series come in as ln(load / claim), so that a bound reaches the claim where it is at least 0. The bounds are asked from
the cheapest to the dearest, and each only of the series that all before it let pass.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail.claims.basis import Basis
from lowtail.claims.planning.plan_chances import spread_nodes
from lowtail.claims.planning.plan_normal import normal_confidence
from lowtail.claims.planning.plan_pivot import weibull_confidence
from lowtail.errors import InputError
from lowtail.models.cautious import cautious_many
from lowtail.models.hanson_koopmans import hanson_koopmans_factor, hanson_koopmans_rank
from lowtail.models.nonparametric import attribute_statement, order_statistic_rank

__all__ = [
    "GOVERNING",
    "JUDGES",
    "ONE",
    "cautious_reaches",
    "check_judge",
    "governing_reaches",
    "normal_factor_confidence",
    "relative",
]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

GOVERNING, ONE = "governing", "one distribution"
JUDGES = (GOVERNING, ONE)


def check_judge(judge: object) -> str:
    """Return who judges a simulated series, or say what it can be."""
    if judge not in JUDGES:
        raise InputError(
            f"`judge` must be 'governing' (the bound that judges real series) or 'one distribution' (the bound of "
            f"`family` alone), got {judge!r}."
        )
    return str(judge)


def relative(y: Array, claim: Array | float, *, on_log: bool) -> Array:
    """Ln of load over claim from values of y and a claim on the same axis; ``-inf`` where a load is not above 0."""
    if on_log:
        return np.asarray(y - np.asarray(claim)[..., None] if np.ndim(claim) else y - claim)
    with np.errstate(divide="ignore", invalid="ignore"):
        edge = np.asarray(claim)[..., None] if np.ndim(claim) else claim
        return np.asarray(np.log(np.maximum(y, 0.0) / edge))


def governing_reaches(u: Array, broke: Flags | None, basis: Basis) -> Flags:
    """Whether the governing bound for specimens like these reaches the claim, for each series.

    Parameters
    ----------
    u : (B, n) array
        ln(load / claim).
    broke : (B, n) array of bool, or None
        None: every load is a break.
    basis : Basis
        With content and confidence.
    """
    p, g = basis.fraction_below, basis.confidence
    flags = np.ones(u.shape, dtype=bool) if broke is None else broke
    out = _none_broke(u, flags, p, g)
    low = np.where(flags, u, np.inf).min(axis=1)
    high = np.where(flags, u, -np.inf).max(axis=1)
    rows = np.flatnonzero((flags.sum(axis=1) >= 2) & (low < high) & np.isfinite(u).all(axis=1))
    rows = rows[cautious_reaches(u[rows], None if broke is None else flags[rows], p, g)]
    whole = np.asarray(flags[rows].all(axis=1))
    if whole.any():
        load = np.exp(np.minimum(u[rows], 300.0))
        reach = load.mean(axis=1) - basis.factor(u.shape[1]) * load.std(axis=1, ddof=1) >= 1
        kept = np.flatnonzero(reach | ~whole)
        rows, whole = rows[kept], whole[kept]
    passed = weibull_confidence(u[rows], None if broke is None else flags[rows], 0.0, p) >= g
    rows, whole = rows[passed], whole[passed]
    some = rows[~whole]
    if some.size:
        got = normal_confidence(np.exp(np.minimum(u[some], 300.0)), flags[some], 1.0, p, g) >= g
        rows = np.concatenate([rows[whole], some[got]])
    out[rows] = True
    return out


def _none_broke(u: Array, flags: Flags, p: float, g: float) -> Flags:
    """Series of which none broke: enough of them held at or above the claim."""
    out = np.zeros(u.shape[0], dtype=bool)
    held = ~flags.any(axis=1)
    if held.any() and u.shape[1] >= attribute_statement(np.ones(u.shape[1]), p, g).n_needed:
        out[held] = u[held].min(axis=1) >= 0
    return out


def cautious_reaches(u: Array, broke: Flags | None, fraction_below: float, confidence: float) -> Flags:
    """Whether the cautious bound (`lowtail.models.cautious`) reaches the claim; True where there is none, as governing.

    Where survivors stop it, the lower part is judged by the quick confidence, far below the cost of the bound itself.
    """
    stopped = _stopped(u, broke, fraction_below, confidence)
    out = np.ones(u.shape[0], dtype=bool)
    rows = np.flatnonzero(~stopped)
    low = cautious_many(np.exp(np.minimum(u[rows], 300.0)), None, fraction_below, confidence)
    out[rows] = (low >= 1) | np.isnan(low)
    if broke is not None and stopped.any():
        out[stopped] = _lower_part_reaches(u[stopped], broke[stopped], fraction_below, confidence)
    return out


def _stopped(u: Array, broke: Flags | None, fraction_below: float, confidence: float) -> Flags:
    """Series in which a specimen held among the lowest loads that the Hanson-Koopmans bound needs."""
    n = u.shape[1]
    none = np.zeros(u.shape[0], dtype=bool)
    if broke is None or n < 2 or order_statistic_rank(n, fraction_below, confidence):
        return none
    rank = hanson_koopmans_rank(n, fraction_below, confidence)
    if hanson_koopmans_factor(n, fraction_below, confidence, rank) <= 1:
        return none
    order = np.argsort(u, axis=1, kind="stable")[:, :rank]
    return np.asarray(~np.take_along_axis(broke, order, axis=1).all(axis=1))


def _lower_part_reaches(u: Array, broke: Flags, fraction_below: float, confidence: float) -> Flags:
    """The lower part of `lowtail.models.cautious.lower_part`, for many series."""
    r = max(3, -(-u.shape[1] // 3))
    out = np.ones(u.shape[0], dtype=bool)
    rising = np.sort(np.where(broke, u, np.inf), axis=1)
    if r > rising.shape[1]:
        return out
    rows = np.flatnonzero(np.isfinite(rising[:, r - 1]) & (rising[:, 0] < rising[:, r - 1]))
    edge = rising[rows, r - 1][:, None]
    kept = broke[rows] & (u[rows] <= edge)
    out[rows] = weibull_confidence(np.minimum(u[rows], edge), kept, 0.0, fraction_below) >= confidence
    return out


@lru_cache(maxsize=256)
def _normal_table(n: int, fraction_below: float) -> tuple[Array, Array]:
    """Factors k and the confidence with which mean - k s lies below the percentile, for interpolation."""
    z = -float(special.ndtri(fraction_below))
    k = np.sinh(np.linspace(-4.0, 7.0, 900)) * 0.4 + z
    s, weight = spread_nodes(float(n - 1), 600)
    return k, 1 - special.ndtr(np.sqrt(n) * (z - k[:, None] * s)) @ weight


def normal_factor_confidence(y: Array, claim: Array | float, fraction_below: float) -> Array:
    """Confidence that the percentile is at least the claim, for complete normal series (B, n)."""
    factor = (y.mean(axis=1) - claim) / y.std(axis=1, ddof=1)
    return np.asarray(np.interp(factor, *_normal_table(y.shape[1], fraction_below)))
