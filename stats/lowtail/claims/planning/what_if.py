"""A table of chances over mean, scatter and number of specimens, for a lot that turns out otherwise."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

import numpy as np
import pandas as pd

from lowtail._shared.checks import door
from lowtail._shared.parallel import Seed, as_rng, run
from lowtail.claims.basis import Basis
from lowtail.claims.planning.core.judge import GOVERNING, Judge, check_judge
from lowtail.claims.planning.core.plan import (
    Claim,
    check_assurance,
    check_cv,
    check_share,
    check_whole,
    positive,
    strength_claim,
)
from lowtail.claims.planning.core.trials import CURVE
from lowtail.claims.planning.new_series import chances_of, make_world, true_low
from lowtail.errors import InputError
from lowtail.models.distributions.families import Family, get_family

__all__ = ["what_if"]


@door
def what_if(
    claim: float | Claim,
    basis: str | Basis | None = None,
    *,
    mean: float | Sequence[float],
    cv: float | Sequence[float],
    n: int | Sequence[int] = (3, 5, 8, 12, 20),
    family: str | Family = "weibull",
    judge: Judge = GOVERNING,
    assurance: float = 0.8,
    survivors: float = 0.0,
    rng: Seed = 0,
    n_jobs: int = 1,
    progress: bool | None = None,
) -> pd.DataFrame:
    """Chance that a new series demonstrates the claim, for every mean, CV and number of specimens.

    Parameters
    ----------
    claim : float or Claim
        Strength in kN, or ``Claim(strength=...)``.
    basis : str or Basis, optional
        Content and confidence; default that of the Claim, else "B-basis".
    mean, cv, n : number or sequence
        Means in kN, coefficients of variation (fractions), numbers of specimens (2 or more).
    family : str or Family
        Distribution of the population: "weibull" (default), "normal" or "lognormal".
    judge : str
        "governing" (default): the rule that judges real series. "one distribution": the bound of ``family`` alone.
    assurance : float
        Chance asked for, 0.5 to 0.99; the column ``enough`` says where it is reached.
    survivors : float
        Share of specimens expected to hold.
    rng : int or Generator
        Seed.
    n_jobs, progress : int, bool
        Worker processes and progress bar; answers do not depend on them.

    Returns
    -------
    DataFrame
        One row a combination: mean, cv, n, chance, mc_error, low_strength (the true one, kN), possible (False where
        the claim lies at or above what an endless series would show), enough.

    Raises
    ------
    InputError
        If a value is out of range, or a sequence is empty.

    See Also
    --------
    plan.new_series : the number for a stated chance.
    plan.power_grid : the same for a comparison.

    Examples
    --------
    >>> table = what_if(20, "A-basis", mean=25, cv=[0.04, 0.05], n=[8, 16], family="normal", judge="one distribution")
    >>> table["enough"].tolist()
    [False, True, False, True]
    """
    import pandas as pd

    strength, found, _ = strength_claim(claim, basis)
    if found.kind != "tolerance":
        raise InputError(f"`what_if` needs a tolerance basis, got '{found.name}' ({found.kind}).")
    law, by = get_family(family), check_judge(judge)
    target = check_assurance(assurance)
    held = check_share(survivors, "survivors")
    means = [positive(m, "mean", "the expected mean load in kN") for m in _many(mean, "mean")]
    scatters = [check_cv(c) for c in _many(cv, "cv")]
    sizes = [check_whole(k, "n", 2) for k in _many(n, "n")]
    seed = int(as_rng(rng).integers(2**31))
    jobs = [(strength, found, law.name, m, c, sizes, held, seed, by) for m, c in product(means, scatters)]
    parts = run(_row, jobs, n_jobs=n_jobs, progress=progress, label="what if")
    rows = [
        (m, c, k, chance, error, low, strength < limit, strength < limit and chance >= target)
        for (m, c), (low, limit, chances) in zip(product(means, scatters), parts, strict=True)
        for k, (chance, error) in zip(sizes, chances, strict=True)
    ]
    return pd.DataFrame(rows, columns=["mean", "cv", "n", "chance", "mc_error", "low_strength", "possible", "enough"])


def _many(values: object, name: str) -> list[float]:
    if isinstance(values, (int, float, np.number)):
        return [float(values)]
    out: list[float] = list(values)  # type: ignore[call-overload]
    if not out:
        raise InputError(f"`{name}` must hold at least one value, got an empty sequence.")
    return out


def _row(
    strength: float,
    basis: Basis,
    family: str,
    mean: float,
    cv: float,
    sizes: list[int],
    held: float,
    seed: int,
    judge: str,
) -> tuple[float, float, list[tuple[float, float]]]:
    world = make_world(family, mean, cv, held)
    low, limit = true_low(world, basis, judge)
    chances = chances_of(world, strength, basis, seed, judge=judge)
    return low, limit, [chances.chance(k, CURVE) for k in sizes]
