"""Whether simulated series reach a claim, by the rule that judges real ones (`lowtail.claims.strength.governing`).

Series come in as ln(load / claim), so that a bound reaches the claim where it is at least 0. The bounds are asked from
the cheapest to the dearest, and each only of the series that all before it let pass.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final, Literal, cast, get_args

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail.claims.basis import Basis
from lowtail.claims.planning.core.chances import spread_nodes
from lowtail.errors import InputError
from lowtail.models.bounds.cautious import cautious_many
from lowtail.models.bounds.nonparametric import attribute_statement
from lowtail.models.series.normal_pivot import normal_confidence
from lowtail.models.series.weibull_pivot import weibull_confidence

__all__ = [
    "FAR",
    "GOVERNING",
    "JUDGES",
    "ONE",
    "Judge",
    "cautious_reaches",
    "check_judge",
    "governing_reaches",
    "normal_factor_confidence",
    "relative",
]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

Judge = Literal["governing", "one distribution"]
GOVERNING: Final = "governing"
ONE: Final = "one distribution"
JUDGES: tuple[str, ...] = get_args(Judge)
FAR = 150.0  # ln(load / claim) beyond which a load is only far away, and its square no more a number


def check_judge(judge: object) -> Judge:
    """Return who judges a simulated series, or say what it can be."""
    if judge not in JUDGES:
        raise InputError(
            f"`judge` must be 'governing' (the bound that judges real series) or 'one distribution' (the bound of "
            f"`family` alone), got {judge!r}."
        )
    return cast("Judge", judge)


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
        load = np.exp(np.clip(u[rows], -FAR, FAR))
        reach = load.mean(axis=1) - basis.factor(u.shape[1]) * load.std(axis=1, ddof=1) >= 1
        kept = np.flatnonzero(reach | ~whole)
        rows, whole = rows[kept], whole[kept]
    passed = weibull_confidence(u[rows], None if broke is None else flags[rows], 0.0, p) >= g
    rows, whole = rows[passed], whole[passed]
    some = rows[~whole]
    if some.size:
        got = normal_confidence(np.exp(np.clip(u[some], -FAR, FAR)), flags[some], 1.0, p, g) >= g
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
    """Whether the cautious bound reaches the claim; True where there is none, as governing."""
    low = cautious_many(np.exp(np.clip(u, -FAR, FAR)), broke, fraction_below, confidence)
    return np.asarray((low >= 1) | np.isnan(low))


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
