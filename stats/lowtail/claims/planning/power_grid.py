"""Power of the default comparison over a grid of designs, by simulation through the one door to workers."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lowtail._shared.checks import check_fraction, door
from lowtail._shared.parallel import Seed, as_seed, run, seeds
from lowtail.claims.comparison.deciding import ends_of, shown
from lowtail.errors import InputError
from lowtail.models.distributions.families import get_family
from lowtail.models.two_samples.half_and_half import Arms

__all__ = ["power_grid", "rejects"]

Array = NDArray[np.float64]


def rejects(x: Array, y: Array, confidence: float = 0.95) -> NDArray[np.bool_]:
    """Whether the default two-sided interval of each row of log loads excludes a ratio of 1; x (B, n), y (B, m)."""
    return np.asarray(shown(ends_of(Arms.of(x, y), confidence), "difference"))


def _loads(family: str, cv: float, size: tuple[int, int], rng: np.random.Generator) -> Array:
    """Log loads with geometric mean 1 kN and this coefficient of variation (small-scatter relation for the Weibull)."""
    if family == "weibull":
        spread = cv * np.sqrt(6) / np.pi
        return np.asarray(spread * (np.log(rng.exponential(size=size)) + np.euler_gamma))
    return rng.normal(0.0, np.sqrt(np.log1p(cv**2)), size)


def _cell(
    n: int, m: int, ratio: float, cv: float, cv_other: float, family: str, size: int, confidence: float, seed: Any
) -> float:
    rng = np.random.default_rng(seed)
    x = _loads(family, cv, (size, n), rng)
    y = _loads(family, cv_other, (size, m), rng) + np.log(ratio)
    return float(rejects(x, y, confidence).mean())


@door
def power_grid(
    n_reference: Iterable[int],
    n_other: Iterable[int],
    ratio: Iterable[float],
    cv: Iterable[float],
    *,
    cv_ratio: Iterable[float] = (1.0,),
    family: str = "lognormal",
    confidence: float = 0.95,
    size: int = 2000,
    rng: Seed = 0,
    n_jobs: int = 1,
    progress: bool | None = None,
) -> pd.DataFrame:
    """Chance that `compare` shows a difference, for every combination of numbers, ratio and scatter.

    Complete samples and the default interval (half-and-half Behrens-Fisher on log load). The answer depends on the seed
    and the place of a cell in the grid, never on the workers.

    Parameters
    ----------
    n_reference, n_other : iterable of int
        Specimens in the arms, at least 2.
    ratio : iterable of float
        True ratio of typical strengths, other over reference, above 0.
    cv : iterable of float
        Coefficient of variation of the reference arm, above 0 and below 1.
    cv_ratio : iterable of float
        Scatter of the other arm over that of the reference, above 0.
    family : {"lognormal", "weibull"}
    confidence : float
        Of the two-sided interval.
    size : int
        Simulated series a cell, at least 100.
    rng, n_jobs, progress
        Seed, workers, progress bar.

    Returns
    -------
    DataFrame
        n_reference, n_other, ratio, cv, cv_other, chance, mc_error; a row a cell.

    Raises
    ------
    InputError
        If an argument is out of range.

    See Also
    --------
    plan.comparison : the number for a stated power.
    plan.what_if : the same for a strength claim.

    Examples
    --------
    >>> grid = power_grid([3, 5], [5], [0.9], [0.05], size=400)
    >>> bool(grid["chance"][1] > grid["chance"][0])
    True
    """
    rng = as_seed(rng)
    import pandas as pd

    name = get_family(family).name
    if name == "normal":
        raise InputError("`family` must be 'lognormal' or 'weibull' here, got 'normal'.")
    confidence = check_fraction(confidence, "confidence")
    if size < 100:
        raise InputError(f"`size` must be at least 100 simulated series, got {size!r}.")
    others, ratios, scatters, factors = list(n_other), list(ratio), list(cv), list(cv_ratio)
    grid = [
        (int(n), int(m), float(r), float(c), float(c * k))
        for n in n_reference
        for m in others
        for r in ratios
        for c in scatters
        for k in factors
    ]
    for n, m, r, c, d in grid:
        if n < 2 or m < 2 or not r > 0 or not (0 < c < 1 and 0 < d < 1):
            raise InputError(
                f"Every arm needs 2 specimens or more, a ratio above 0 and scatters between 0 and 1; got n {n} "
                f"and {m}, ratio {r:g}, coefficients of variation {c:g} and {d:g}."
            )
    tasks = [(*cell, name, size, confidence, seed) for cell, seed in zip(grid, seeds(rng, len(grid)), strict=True)]
    chance = np.array(run(_cell, tasks, n_jobs=n_jobs, progress=progress, label="power"))
    frame = pd.DataFrame(grid, columns=["n_reference", "n_other", "ratio", "cv", "cv_other"])
    frame["chance"], frame["mc_error"] = chance, np.sqrt(chance * (1 - chance) / size)
    return frame
