"""Where a bound that falls with age meets the rating, and the bound for a batch yet to come."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import optimize

from lowtail.claims.basis import Basis
from lowtail.claims.trend.covariate import Covariate
from lowtail.errors import NoAnswerError
from lowtail.models.distributions.families import Family
from lowtail.models.regression.line import RegressionLaw
from lowtail.models.regression.mixed_distribution import MixedLaw, mixed_law
from lowtail.models.regression.mixed_normal import MixedNormal, mixed_normal
from lowtail.models.regression.mixed_share import between_share

__all__ = ["NO_BATCH_BOUND", "bound_with_batches", "reaches_rating"]

Array = NDArray[np.float64]
NO_BATCH_BOUND = "No bound for a batch yet to come"


def reaches_rating(
    line: RegressionLaw, covariate: Covariate, p: float, g: float, goal: float, extrapolate: bool
) -> tuple[tuple[float, float, float], tuple[str, ...]]:
    """Settings at which lower bound, estimate and upper bound of the low-percentile strength fall to the rating."""
    nan = float("nan")
    if not np.isfinite(goal) or covariate.axis == "levels":
        return (nan, nan, nan), ()
    low, high = covariate.reach(extrapolate)
    grid = np.linspace(low, high, 17)
    out, said = [], []

    def sure(v: float) -> float:
        """Confidence at ``v`` that the low percentile reaches the rating; the bound meets it where this is ``g``."""
        return line.confidence_that(goal, covariate.row(v, True), p)

    def at_most(v: float) -> float:
        """The same for the upper bound, which early holds do not raise."""
        return line.plain_confidence_that(goal, covariate.row(v, True), p)

    known = np.array([sure(float(v)) for v in grid])
    upper = np.array([at_most(float(v)) for v in grid])
    estimates = np.array([line.estimate(covariate.row(float(v), True), p) for v in grid]) - goal
    curves: tuple[tuple[str, Array, Callable[[float], float]], ...] = (
        ("lower bound", known - g, lambda v: sure(v) - g),
        ("estimate", estimates, lambda v: line.estimate(covariate.row(v, True), p) - goal),
        ("upper bound", upper - (1 - g), lambda v: at_most(v) - (1 - g)),
    )
    for name, heights, curve in curves:
        best = int(heights.argmax())
        under = np.flatnonzero((heights < 0) & (np.arange(grid.size) > best))
        if heights[best] < 0:
            out.append(nan)
            said.append(
                f"The {name} of the low-percentile strength lies below {goal:g} kN at every {covariate.on} tested."
            )
        elif under.size == 0:
            out.append(nan)
            said.append(f"The {name} stays at or above {goal:g} kN up to {covariate.on} {high:g}, as far as is stated.")
        else:
            i = int(under[0])
            root: float = optimize.brentq(curve, float(grid[i - 1]), float(grid[i]), xtol=1e-4)
            out.append(root)
    return (out[0], out[1], out[2]), tuple(said)


def bound_with_batches(
    rows: pd.DataFrame,
    load: Array,
    broke: NDArray[np.bool_],
    design: Array,
    x: Array,
    law: Family,
    which: Basis,
) -> tuple[float, float, tuple[str, ...]]:
    """Bound in a batch yet to come, share of variance between batches, notes; NaN where batches cannot be told.

    Normal scatter between batches, the family's own within: `mixed_normal` where every specimen broke and the
    distribution is normal on its axis, else `mixed_law`.
    """
    nan = float("nan")
    names = rows["batch"].astype(str) if "batch" in rows else pd.Series([], dtype=str)
    if names.nunique() < 2:
        return nan, nan, ()
    if (names == "").any():
        return nan, nan, (f"{NO_BATCH_BOUND}: some specimens have no batch label.",)
    labels, who = pd.factorize(names)[0].astype(np.intp), "This group"
    try:
        future: MixedNormal | MixedLaw
        if broke.all() and law.name != "weibull":
            future = mixed_normal(np.asarray(law.transform(load)), design, labels, who=who)
        else:
            future = mixed_law(load, broke, design, labels, law, who=who)
        share = between_share(load, broke, design, labels, law, future, who=who)
    except NoAnswerError as exc:
        return nan, nan, (f"{NO_BATCH_BOUND}: {exc}",)
    bound = future.low(x, which.fraction_below, which.confidence)
    note = (
        f"{names.nunique()} batches, {100 * share:.0f} % of the variance between them by estimate: the bound for a "
        "batch yet to come is the lower of the two. Few batches say little of their spread, so it can be very low."
    )
    return max(0.0, float(law.inverse(bound))), share, (note,)
