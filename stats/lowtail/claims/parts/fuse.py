"""How strong must a fuse be, so that the load cell is spared and the specimen still breaks first."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from lowtail._shared.checks import door
from lowtail._shared.parallel import Seed, as_rng
from lowtail._shared.record import Record
from lowtail._shared.sample import Sample
from lowtail.claims.basis import check_fraction
from lowtail.errors import InputError
from lowtail.models.confidence.distribution import confidence_distribution
from lowtail.models.distributions.families import Family, get_family, log_sd_of

__all__ = ["FuseWindow", "fuse_window"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class FuseWindow(Record):
    """Typical strengths a fuse may have.

    Attributes
    ----------
    group : str
        The specimens.
    cell_limit, cell_spared, specimen_first, confidence, fuse_cv
        What was asked.
    weakest_fuse : float
        Lowest typical (median) strength, kN, with which the specimen breaks first often enough.
    strongest_fuse : float
        Highest typical strength, kN, with which the fuse lets go below the cell's limit often enough.
    possible : bool
        Whether the window is open.
    largest_cv : float
        Scatter of the fuse up to which a window exists at this limit; NaN where none does.
    smallest_limit : float
        Limit of the load cell from which on a window exists with this fuse, kN.
    n, n_broken : int
    family : str
    """

    group: str
    family: str
    n: int
    n_broken: int
    cell_limit: float
    cell_spared: float
    specimen_first: float
    confidence: float
    fuse_cv: float
    weakest_fuse: float
    strongest_fuse: float
    possible: bool
    largest_cv: float
    smallest_limit: float

    def __str__(self) -> str:
        if self.possible:
            return (
                f"A fuse of typical strength between {self.weakest_fuse:.3g} and {self.strongest_fuse:.3g} kN lets the "
                f"specimen break first in {100 * self.specimen_first:g} % of tests (confidence "
                f"{100 * self.confidence:g} %) and keeps the load cell below {self.cell_limit:.3g} kN "
                f"in {100 * self.cell_spared:g} %."
            )
        scatter = (
            f"its scatter falls below {100 * self.largest_cv:.2g} %"
            if np.isfinite(self.largest_cv)
            else "the cell is larger"
        )
        return (
            f"No fuse of {100 * self.fuse_cv:.2g} % scatter does both: it would have to be at least "
            f"{self.weakest_fuse:.3g} kN for the specimen and at most {self.strongest_fuse:.3g} kN for the load cell. "
            f"It works once {scatter}, or the limit of the cell is at least {self.smallest_limit:.3g} kN."
        )


@door
def fuse_window(
    specimens: Sample,
    cell_limit: float,
    *,
    fuse_cv: float,
    spare: float = 0.999,
    first: float = 0.90,
    confidence: float = 0.95,
    family: str | Family = "weibull",
    size: int = 4000,
    rng: Seed = 0,
) -> FuseWindow:
    """Window of typical fuse strength between the needs of the specimen and of the load cell.

    The fuse is taken as lognormal with a known coefficient of variation, independent of the specimen. Its upper end is
    exact: the fuse alone, whatever the specimen, lets go below ``cell_limit`` with chance ``spare``. Its lower end
    holds with ``confidence`` over the confidence distribution of the specimens' strength: the specimen is then the
    weaker one with chance ``first``. A fuse slows nothing: dynamic overshoot of the cell is not in these figures.

    Parameters
    ----------
    specimens : Sample
        Breaks of the specimens, kN; where the fuse failed first they held.
    cell_limit : float
        Load that the cell must not see, kN.
    fuse_cv : float
        Scatter of the fuse, standard deviation / mean, between 0 and 1, from its maker or earlier breaks.
    spare, first, confidence : float
        Between 0 and 1.
    family : {"weibull", "normal", "lognormal"}
        Distribution of the specimens.
    size : int
        Draws, at least 1000.
    rng : int or Generator

    Returns
    -------
    FuseWindow

    Raises
    ------
    InputError
        If an argument is out of range.
    NoAnswerError
        If the specimens carry no confidence distribution.

    See Also
    --------
    parts.weak_link : which part fails first.
    trace.LoadCell : what is known of the load cell.

    Examples
    --------
    >>> window = fuse_window(Sample([21.0, 22.4, 23.1, 20.2, 22.0]), 40.0, fuse_cv=0.04)
    >>> window.possible
    True
    """
    for name, value in (("spare", spare), ("first", first), ("confidence", confidence), ("fuse_cv", fuse_cv)):
        check_fraction(value, name)
    if not (np.isfinite(cell_limit) and cell_limit > 0):
        raise InputError(f"`cell_limit` must be a finite load greater than 0 kN, got {cell_limit!r}.")
    if size < 1000:
        raise InputError(f"`size` must be at least 1000 draws, got {size!r}.")
    law = get_family(family)
    location, spread = confidence_distribution(specimens, law).draws(size, as_rng(rng))
    weakest = _weakest(location, spread, law, fuse_cv, first, confidence)
    strongest = _strongest(cell_limit, fuse_cv, spare)

    def room(cv: float) -> float:
        some = slice(0, 1000)
        return _strongest(cell_limit, cv, spare) - _weakest(location[some], spread[some], law, cv, first, confidence)

    grid = (0.001, 0.5)
    if room(grid[0]) <= 0:
        largest = float("nan")
    elif room(grid[1]) >= 0:
        largest = grid[1]
    else:
        largest = _root(room, grid)
    return FuseWindow(
        group=specimens.label,
        family=law.name,
        n=specimens.n,
        n_broken=specimens.n_broken,
        cell_limit=float(cell_limit),
        cell_spared=spare,
        specimen_first=first,
        confidence=confidence,
        fuse_cv=fuse_cv,
        weakest_fuse=weakest,
        strongest_fuse=strongest,
        possible=weakest <= strongest,
        largest_cv=largest,
        smallest_limit=cell_limit * weakest / strongest,
    )


def _strongest(limit: float, cv: float, spare: float) -> float:
    return float(limit * np.exp(-log_sd_of(cv) * get_family("normal").quantile(spare)))


def _weakest(location: Array, spread: Array, law: Family, cv: float, first: float, confidence: float) -> float:
    """Median of the fuse so that the specimen is weaker with chance ``first``, with ``confidence`` over the draws."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(20)
    fuse, share = log_sd_of(cv) * nodes, weights / weights.sum()
    top = np.log(np.maximum(law.inverse(location + law.quantile(first) * spread), 1e-9))
    low, high = top - 4.0, top + 8.0
    for _ in range(36):
        middle = 0.5 * (low + high)
        z = (law.transform(np.exp(middle[:, None] + fuse)) - location[:, None]) / spread[:, None]
        below = -np.expm1(-np.exp(np.minimum(z, 50.0))) if law.name == "weibull" else special.ndtr(z)
        enough = below @ share >= first
        high, low = np.where(enough, middle, high), np.where(enough, low, middle)
    return float(np.exp(np.quantile(high, confidence)))


def _root(function: Callable[[float], float], bracket: tuple[float, float]) -> float:
    root: float = optimize.brentq(function, *bracket, xtol=1e-3)
    return root
