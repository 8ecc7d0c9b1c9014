"""The batch engine: bounds and confidences of many samples at once, without a loop over samples.

Rows in which specimens held early go through `early_holds` (a few thousandths of a second each); rows that share one
scatter with siblings ("equal scatter") do not.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lowtail._shared.checks import check_fraction, door
from lowtail.errors import InputError
from lowtail.models.confidence.predictive import from_groups, lends
from lowtail.models.confidence.quadrature import QUICK
from lowtail.models.confidence.search import build, common_scale, solve
from lowtail.models.confidence.siblings import LEAST_CONFIDENCE, borrow_confidence, borrow_low
from lowtail.models.distributions.families import Family, get_family
from lowtail.models.distributions.likelihood import Scaled, prepare
from lowtail.models.early.holds import calibrated_confidence, calibrated_low

__all__ = ["confidence_many", "low_many"]

Array = NDArray[np.float64]

Borrowing = Literal["partial pooling", "equal scatter"]
ROADS: tuple[str, ...] = get_args(Borrowing)  # what siblings can lend, and how
_BUDGET = 250_000  # array elements a chunk may hold: about the size of a core's cache


def _chunks(s: Scaled, rows: NDArray[np.intp], width: int) -> list[NDArray[np.intp]]:
    """Cut the rows (sorted by breaks) into chunks of equal breaks that fit the memory budget."""
    size = max(1, _BUDGET // max(width, 1))
    edges = np.flatnonzero(np.diff(s.r[rows])) + 1
    return [part[i : i + size] for part in np.split(rows, edges) if part.size for i in range(0, part.size, size)]


def _pooled(law: Family, siblings: Sequence[tuple[ArrayLike, ArrayLike | None]], method: str) -> bool:
    """Whether siblings lend by partial pooling; checks the method."""
    if method not in ROADS:
        raise InputError(f"`method` must be one of {', '.join(map(repr, ROADS))}, got {method!r}.")
    pooled = len(siblings) > 0 and method == ROADS[0]
    if pooled and not law.on_log:
        raise InputError(
            "Partial pooling holds for the weibull and lognormal distributions, whose scatter has no unit; the normal "
            "one's is in kN. Choose one of those, or method='equal scatter'."
        )
    return pooled


def _batch(
    load: ArrayLike,
    broke: ArrayLike | None,
    law: Family,
    siblings: Sequence[tuple[ArrayLike, ArrayLike | None]],
    pooled: bool,
) -> tuple[tuple[Scaled, ...], NDArray[np.intp]]:
    """The target and its siblings, and the rows that carry an answer, rows alike together.

    For an equal scatter all are put on the scale of the target.
    """
    groups = tuple(prepare(x, b, law) for x, b in [(load, broke), *siblings])
    first = groups[0]
    if any(g.r.size != first.r.size for g in groups):
        raise InputError("`siblings` must have as many rows as `load`: one sibling sample a row.")
    if pooled:
        bad = np.logical_or.reduce([g.bad for g in groups])
        usable = np.flatnonzero(first.distinct & lends(groups[1:]).any(axis=0) & ~bad)
        return groups, usable[np.lexsort((first.n[usable], first.r[usable]))]
    groups = common_scale(groups)
    free = sum(np.maximum(g.r - 1, 0) for g in groups)
    spread_known = np.logical_or.reduce([g.distinct for g in groups])
    bad = np.logical_or.reduce([g.bad for g in groups])
    usable = np.flatnonzero((first.r >= 1) & (free >= 1) & spread_known & ~bad)
    return groups, usable[np.lexsort((first.n[usable], first.r[usable]))]


def _width(law: Family, groups: Sequence[Scaled], rows: NDArray[np.intp], pooled: bool) -> int:
    """Array elements that one row needs."""
    if pooled:
        return 400 * len(groups) + 4000
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
    method: Borrowing = "partial pooling",
    calibrated: bool = True,
) -> Array:
    """Lower confidence bounds of a batch of samples.

    Parameters
    ----------
    load : array_like, shape (B, n)
        Loads greater than 0; NaN pads shorter samples. Taken as written, whatever the step in which they are recorded;
        `lower_bound` places loads in a coarse step (`lowtail.models.distributions.rounded`).
    broke : array_like of bool, shape (B, n), or None
        None: every load is a break.
    family : str or Family
    fraction_below, confidence : float
        Between 0 and 1.
    siblings : sequence of (load, broke), optional
        Batches of the same B that lend their scatter to the target's samples, row by row.
    method : str
        What siblings lend: "partial pooling" (Weibull and lognormal; confidence from 0.75 on) with conflict rule and
        floor as in `lower_bound`, or "equal scatter", one scatter for all; the latter is not calibrated for specimens
        held early.
    calibrated : bool
        False gives the quantiles of the confidence distribution as they are: too high as lower bounds where many
        specimens held early (``tests/truth/early_holds.csv``).

    Returns
    -------
    (B,) array
        Bounds in the unit of ``load``, at least 0; NaN where fewer than 2 different loads at break are there (then no
        bound exists without outside knowledge of the scale), or no sibling has them.

    See Also
    --------
    lower_bound : one sample, with its words.
    many.confidence_that : the confidence for a stated strength.
    many.fit : the best estimates.

    Examples
    --------
    >>> import lowtail as lt
    >>> loads = [[24.1, 25.3, 22.8, 26.0], [20.0, 22.5, 21.3, float("nan")]]
    >>> lt.many.lower_bound(loads, None, "weibull", 0.10, 0.95).round(2).tolist()
    [17.87, 12.83]
    """
    p, g = check_fraction(fraction_below, "fraction_below"), check_fraction(confidence, "confidence")
    law = get_family(family)
    pooled = _pooled(law, siblings, method)
    if pooled and g < LEAST_CONFIDENCE:
        raise InputError(f"`confidence` must be at least {LEAST_CONFIDENCE} to borrow scatter, got {g!r}.")
    groups, rows = _batch(load, broke, law, siblings, pooled)
    s = groups[0]
    out = np.full(s.r.size, np.nan)
    w = float(law.quantile(p))
    for idx in _chunks(s, rows, _width(law, groups, rows, pooled)):
        part = [g.rows(idx) for g in groups]
        sub = part[0]
        if pooled:
            lent = from_groups(part[1:], law)
            out[idx] = borrow_low(sub, law, lent, p, g, calibrated=calibrated, grid=QUICK).low
            continue
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
    method: Borrowing = "partial pooling",
    calibrated: bool = True,
) -> Array:
    """Confidence that at most ``fraction_below`` of the population is weaker than ``strength``, for a batch.

    ``strength`` is a number or has shape (B,), greater than 0, in the unit of ``load``. Other arguments and NaN as in
    `low_many`.

    See Also
    --------
    confidence_that : one sample, with its words.
    many.lower_bound : the strength at a stated confidence.

    Examples
    --------
    >>> import lowtail as lt
    >>> loads = [[24.1, 25.3, 22.8], [20.0, 22.5, 21.3]]
    >>> lt.many.confidence_that(loads, None, "weibull", 18.0, 0.10).round(3).tolist()
    [0.89, 0.684]
    """
    p = check_fraction(fraction_below, "fraction_below")
    law = get_family(family)
    pooled = _pooled(law, siblings, method)
    groups, rows = _batch(load, broke, law, siblings, pooled)
    s = groups[0]
    given = np.asarray(strength, dtype=float)
    if given.shape not in ((), s.r.shape):
        raise InputError(f"`strength` must be one number or {s.r.size}, one a sample; got shape {given.shape}.")
    if not (given > 0).all():
        raise InputError(f"`strength` must be greater than 0, got {given.min():g}.")
    asked = np.broadcast_to(given, s.r.shape)
    out = np.full(s.r.size, np.nan)
    w = float(law.quantile(p))
    for idx in _chunks(s, rows, _width(law, groups, rows, pooled)):
        part = [g.rows(idx) for g in groups]
        sub = part[0]
        q = (law.transform(asked[idx]) - sub.centre) / sub.scale
        below, _ = build(law, part[:1] if pooled else part, abs(w), 0.05, grid=QUICK).cdf(q, w)
        shown = np.clip(1 - below, 0.0, 1.0)
        if calibrated and (pooled or not len(siblings)):
            shown = calibrated_confidence(sub, law, p, q, shown)
        out[idx] = borrow_confidence(sub, law, from_groups(part[1:], law), shown, q, p)[0] if pooled else shown
    return out
