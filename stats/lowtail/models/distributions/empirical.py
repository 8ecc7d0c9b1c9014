"""What the breaks say without any distribution: Kaplan-Meier estimate, plotting positions, distribution of held loads.

A specimen that held counts as "at least this strong": it leaves the staircase without a step.
Where a break and a held load tie, the break comes first (the held specimen was still whole at that load).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from lowtail._shared.checks import door
from lowtail._shared.record import Record
from lowtail._shared.sample import Sample
from lowtail.errors import InputError, NoAnswerError

__all__ = [
    "PLOTTING_RULES",
    "KaplanMeier",
    "PlottingPositions",
    "draw_held",
    "held_law",
    "kaplan_meier",
    "plotting_positions",
]

Array = NDArray[np.float64]

PlottingRule = Literal["median rank", "midpoint"]
PLOTTING_RULES: tuple[str, ...] = get_args(PlottingRule)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KaplanMeier(Record):
    """The Kaplan-Meier staircase: fraction of the population estimated to be no stronger than each load at break.

    Attributes
    ----------
    load : ndarray, shape (k,)
        Distinct loads at break, kN, ascending.
    fraction_below : ndarray, shape (k,)
        Estimated fraction with strength at or below ``load``: the height just after the step.
    std_error : ndarray, shape (k,)
        Greenwood's standard error of ``fraction_below``; zero or undefined heights say nothing at small n.
    at_risk, broke_here : ndarray of int, shape (k,)
        Specimens that reached the load whole, and how many of them broke at it.
    n, n_broken : int
    """

    load: Array
    fraction_below: Array
    std_error: Array
    at_risk: NDArray[np.int64]
    broke_here: NDArray[np.int64]
    n: int
    n_broken: int

    def at(self, load: ArrayLike) -> Array:
        """Height of the staircase at any load(s): 0 below the lowest break, flat between breaks."""
        heights = np.concatenate([[0.0], self.fraction_below])
        return np.asarray(heights[np.searchsorted(self.load, np.asarray(load, dtype=float), side="right")])

    def __str__(self) -> str:
        if self.n_broken == 0:
            return f"None of {self.n} specimens broke: the staircase has no step."
        return (
            f"{self.n_broken} of {self.n} specimens broke, from {self.load[0]:.4g} to {self.load[-1]:.4g} kN; the "
            f"staircase ends at a fraction of {self.fraction_below[-1]:.3g} below {self.load[-1]:.4g} kN."
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlottingPositions(Record):
    """Where each break belongs on a probability plot.

    Attributes
    ----------
    load : ndarray, shape (r,)
        Loads of the specimens that broke, kN, ascending (ties repeated).
    fraction_below : ndarray, shape (r,)
        Plotting position of each, between 0 and 1.
    index : ndarray of int, shape (r,)
        Position of each break in the arrays given.
    rule : str
    n, n_broken : int
    """

    load: Array
    fraction_below: Array
    index: NDArray[np.int64]
    rule: str
    n: int
    n_broken: int

    def __str__(self) -> str:
        return f"Plotting positions ({self.rule}) of {self.n_broken} breaks among {self.n} specimens."


def _fix(values: ArrayLike, kind: type) -> NDArray[Any]:
    out: NDArray[Any] = np.array(values, dtype=kind)
    out.flags.writeable = False
    return out


@door
def kaplan_meier(load: ArrayLike, broke: ArrayLike | None = None) -> KaplanMeier:
    """Kaplan-Meier estimate of the fraction below, with specimens that held.

    Needs no strength distribution; assumes that a specimen's being held says nothing about its own strength
    (independent censoring). The staircase says nothing below the lowest break or above the highest load.

    Parameters
    ----------
    load : array_like, shape (n,)
        Load at break, or highest load held, kN, greater than 0.
    broke : array_like of bool, shape (n,), optional
        False where the specimen held. Default: all broke.

    Returns
    -------
    KaplanMeier

    Raises
    ------
    InputError
        If shapes differ or a load is missing, not finite, zero or negative.

    See Also
    --------
    checks.plotting_positions : places on a probability plot.
    fit : a distribution instead of steps.

    References
    ----------
    Kaplan and Meier (1958), J. Am. Stat. Assoc. 53:457-481.

    Examples
    --------
    >>> steps = kaplan_meier([21.0, 22.0, 23.0, 24.0], [True, False, True, True])
    >>> steps.fraction_below.round(4).tolist()
    [0.25, 0.625, 1.0]
    """
    sample = Sample(load, broke)
    events = np.unique(sample.load[sample.broke])
    at_risk = (sample.load[None, :] >= events[:, None]).sum(axis=1)
    here = ((sample.load[None, :] == events[:, None]) & sample.broke[None, :]).sum(axis=1)
    above = stats.ecdf(stats.CensoredData.right_censored(sample.load, ~sample.broke)).sf.evaluate(events)
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = here / (at_risk * (at_risk - here))
        greenwood = np.where(above > 0, above * np.sqrt(np.cumsum(terms)), np.nan)
    return KaplanMeier(
        load=_fix(events, float),
        fraction_below=_fix(1.0 - above, float),
        std_error=_fix(greenwood, float),
        at_risk=_fix(at_risk, int),
        broke_here=_fix(here, int),
        n=sample.n,
        n_broken=sample.n_broken,
    )


@door
def plotting_positions(
    load: ArrayLike, broke: ArrayLike | None = None, *, rule: PlottingRule = "median rank"
) -> PlottingPositions:
    """Plotting positions of the breaks on a probability plot, with specimens that held.

    "median rank": the median of the beta distribution of the order statistic, at ranks adjusted for the held specimens
    (rank increment ``(n + 1 - previous rank) / (1 + whole specimens from here on)``). "midpoint": half-way up
    each Kaplan-Meier step, ``(i - 0.5) / n`` when all broke. Tied breaks keep places of their own.

    Parameters
    ----------
    load : array_like, shape (n,)
        Load at break, or highest load held, kN, greater than 0.
    broke : array_like of bool, shape (n,), optional
        False where the specimen held. Default: all broke.
    rule : {"median rank", "midpoint"}

    Returns
    -------
    PlottingPositions

    Raises
    ------
    InputError
        If ``rule`` is unknown, shapes differ, or a load is missing, not finite, zero or negative.

    See Also
    --------
    plot.probability : the figure made of them.
    checks.kaplan_meier : the fraction below in steps.

    References
    ----------
    Johnson (1964), The Statistical Treatment of Fatigue Experiments (adjusted ranks; from memory); Meeker and
    Escobar (1998), Statistical Methods for Reliability Data, section 6.4 (midpoints; from memory).

    Examples
    --------
    >>> plotting_positions([21.0, 22.0, 23.0, 24.0]).fraction_below.round(4).tolist()
    [0.1591, 0.3857, 0.6143, 0.8409]
    """
    if rule not in PLOTTING_RULES:
        raise InputError(f"`rule` must be one of {', '.join(map(repr, PLOTTING_RULES))}, got {rule!r}.")
    sample = Sample(load, broke)
    order = np.lexsort((~sample.broke, sample.load))
    broke_in_order = sample.broke[order]
    left = sample.n - np.arange(sample.n)
    rank, above = 0.0, 1.0
    places = []
    for whole, fell in zip(left, broke_in_order, strict=True):
        if fell:
            rank += (sample.n + 1 - rank) / (1 + whole)
            step = above / whole
            places.append(
                1 - above + step / 2 if rule == "midpoint" else stats.beta.ppf(0.5, rank, sample.n + 1 - rank)
            )
            above -= step
    index = order[broke_in_order]
    return PlottingPositions(
        load=_fix(sample.load[index], float),
        fraction_below=_fix(places, float),
        index=_fix(index, int),
        rule=rule,
        n=sample.n,
        n_broken=sample.n_broken,
    )


def held_law(load: Array, broke: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Kaplan-Meier distribution of the load at which a specimen would be held, were it strong enough.

    Breaks act as survivors of the rig: the rig held at least to that load. Probability left over means "never held".

    Parameters
    ----------
    load, broke : array, shape (n,)
        Loads or their logarithms, and which specimens broke.

    Returns
    -------
    (loads, probability) : ndarrays, shape (m,) and (m,)
        Loads at which specimens were held, with ``inf`` last for the probability left over; probabilities sum to 1.
    """
    held = np.unique(load[~broke])
    here = ((load[None, :] == held[:, None]) & ~broke[None, :]).sum(axis=1)
    beyond = (load[None, :] > held[:, None]).sum(axis=1)
    above = np.cumprod(1.0 - here / (beyond + here))
    heights = np.concatenate([[1.0], above])
    return np.append(held, np.inf), np.append(-np.diff(heights), heights[-1])


def draw_held(load: ArrayLike, broke: ArrayLike | None, size: int | tuple[int, ...], rng: np.random.Generator) -> Array:
    """Draw loads at which specimens would be held from `held_law` (``inf``: never), for simulation.

    Raises
    ------
    NoAnswerError
        If nothing broke: then every simulated specimen could be held and nothing is learned.
    """
    sample = Sample(load, broke)
    if sample.n_broken == 0:
        raise NoAnswerError("No specimen broke, so held loads cannot be simulated. Test on until some break.")
    loads, probability = held_law(sample.load, sample.broke)
    return np.asarray(rng.choice(loads, size=size, p=probability / probability.sum()), dtype=float)
