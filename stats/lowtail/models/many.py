"""The batch engine: bounds and confidences of many samples at once, without a loop over samples.

Rows in which specimens held early go through `early_holds` (a few thousandths of a second each); rows that share the
spread of siblings do not.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lowtail._checks import check_fraction, door
from lowtail.errors import InputError
from lowtail.models.early_holds import calibrated_confidence, calibrated_low
from lowtail.models.families import Family, get_family
from lowtail.models.likelihood import Scaled, prepare
from lowtail.models.quadrature import QUICK
from lowtail.models.search import build, common_scale, solve

__all__ = ["confidence_many", "low_many"]

Array = NDArray[np.float64]

_BUDGET = 250_000  # array elements a chunk may hold: about the size of a core's cache


def _chunks(s: Scaled, rows: NDArray[np.intp], width: int) -> list[NDArray[np.intp]]:
    """Cut the rows (sorted by breaks) into chunks of equal breaks that fit the memory budget."""
    size = max(1, _BUDGET // max(width, 1))
    edges = np.flatnonzero(np.diff(s.r[rows])) + 1
    return [part[i : i + size] for part in np.split(rows, edges) if part.size for i in range(0, part.size, size)]


def _batch(
    load: ArrayLike, broke: ArrayLike | None, law: Family, siblings: Sequence[tuple[ArrayLike, ArrayLike | None]]
) -> tuple[tuple[Scaled, ...], NDArray[np.intp]]:
    """The target and its siblings on one scale, and the rows that carry an answer, rows alike together."""
    groups = common_scale([prepare(x, b, law) for x, b in [(load, broke), *siblings]])
    first = groups[0]
    if any(g.r.size != first.r.size for g in groups):
        raise InputError("`siblings` must have as many rows as `load`: one sibling sample a row.")
    free = sum(np.maximum(g.r - 1, 0) for g in groups)
    spread_known = np.logical_or.reduce([g.distinct for g in groups])
    bad = np.logical_or.reduce([g.bad for g in groups])
    usable = np.flatnonzero((first.r >= 1) & (free >= 1) & spread_known & ~bad)
    return groups, usable[np.lexsort((first.n[usable], first.r[usable]))]


def _width(law: Family, groups: Sequence[Scaled], rows: NDArray[np.intp]) -> int:
    """Array elements that one row needs."""
    if law.name == "weibull":
        return 90 * max(int(g.z.shape[1]) for g in groups)
    return 90 * (40 if any(bool(g.held[rows].any()) for g in groups) else 4)


@door
def low_many(
    load: ArrayLike,
    broke: ArrayLike | None,
    family: str | Family,
    fraction_below: float,
    confidence: float,
    *,
    siblings: Sequence[tuple[ArrayLike, ArrayLike | None]] = (),
    calibrated: bool = True,
) -> Array:
    """Lower confidence bounds of a batch of samples.

    Parameters
    ----------
    load : array_like, shape (B, n)
        Loads greater than 0; NaN pads shorter samples.
    broke : array_like of bool, shape (B, n), or None
        None: every load is a break.
    family : str or Family
    fraction_below, confidence : float
        Between 0 and 1.
    siblings : sequence of (load, broke), optional
        Batches of the same B whose samples share the spread of the target's, row by row; then nothing is calibrated
        for specimens held early.
    calibrated : bool
        False gives the quantiles of the confidence distribution as they are: too high as lower bounds where many
        specimens held early (``tests/truth/early_holds.csv``).

    Returns
    -------
    (B,) array
        Bounds in the unit of ``load``, at least 0; NaN where fewer than 2 different loads at break are there (then no
        bound exists without outside knowledge of the spread).
    """
    p, g = check_fraction(fraction_below, "fraction_below"), check_fraction(confidence, "confidence")
    law = get_family(family)
    groups, rows = _batch(load, broke, law, siblings)
    s = groups[0]
    out = np.full(s.r.size, np.nan)
    w = float(law.quantile(p))
    for idx in _chunks(s, rows, _width(law, groups, rows)):
        part = [g.rows(idx) for g in groups]
        sub = part[0]
        q = solve(build(law, part, abs(w), 1 - g, grid=QUICK), w, 1 - g)
        q = calibrated_low(sub, law, p, g, q) if calibrated and not len(siblings) else q
        out[idx] = np.maximum(law.inverse(sub.centre + sub.scale * q), 0.0)
    return out


@door
def confidence_many(
    load: ArrayLike,
    broke: ArrayLike | None,
    family: str | Family,
    strength: ArrayLike,
    fraction_below: float,
    *,
    siblings: Sequence[tuple[ArrayLike, ArrayLike | None]] = (),
    calibrated: bool = True,
) -> Array:
    """Confidence that at most ``fraction_below`` of the population is weaker than ``strength``, for a batch.

    ``strength`` is a number or has shape (B,), greater than 0, in the unit of ``load``. Other arguments and NaN as in
    `low_many`.
    """
    p = check_fraction(fraction_below, "fraction_below")
    law = get_family(family)
    groups, rows = _batch(load, broke, law, siblings)
    s = groups[0]
    given = np.asarray(strength, dtype=float)
    if given.shape not in ((), s.r.shape):
        raise InputError(f"`strength` must be one number or {s.r.size}, one a sample; got shape {given.shape}.")
    if not (given > 0).all():
        raise InputError(f"`strength` must be greater than 0, got {given.min():g}.")
    asked = np.broadcast_to(given, s.r.shape)
    out = np.full(s.r.size, np.nan)
    w = float(law.quantile(p))
    for idx in _chunks(s, rows, _width(law, groups, rows)):
        part = [g.rows(idx) for g in groups]
        sub = part[0]
        q = (law.transform(asked[idx]) - sub.centre) / sub.scale
        below, _ = build(law, part, abs(w), 0.05, grid=QUICK).cdf(q, w)
        shown = np.clip(1 - below, 0.0, 1.0)
        out[idx] = calibrated_confidence(sub, law, p, q, shown) if calibrated and not len(siblings) else shown
    return out
