"""Tables of plans: chances over what is swept, a row a cell, or the plan of each of many groups."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import product
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lowtail._shared.checks import check_fraction, door
from lowtail._shared.guard import Trouble, attempt
from lowtail._shared.parallel import Seed, as_rng, as_seed, run, seeds
from lowtail._shared.sample import Sample
from lowtail.claims.basis import Basis, get_basis
from lowtail.claims.planning.core.arms import ComparisonAim
from lowtail.claims.planning.core.claim import Claim, check_assurance, check_cv, check_share, check_whole, positive
from lowtail.claims.planning.core.experiments import fresh_chances
from lowtail.claims.planning.core.judge import GOVERNING, Judge, StrengthAim
from lowtail.claims.planning.core.plan import Plan
from lowtail.claims.planning.core.population import Population
from lowtail.claims.planning.core.trials import CURVE
from lowtail.claims.planning.more_samples import more_samples
from lowtail.errors import InputError
from lowtail.models.distributions.families import Family, get_family

__all__ = ["grid"]

Array = NDArray[np.float64]

_PART = {  # what plays a part, by what is swept
    "samples": {"claim", "basis", "assurance", "judge", "max_n"},
    "mean": {"claim", "basis", "cv", "n", "assurance", "judge", "survivors"},
    "ratio": {"cv", "n", "n_other", "cv_ratio", "confidence", "size"},
}
_SIZES = (3, 5, 8, 12, 20)


@door
def grid(
    claim: float | Claim | Sequence[float | Claim] | None = None,
    basis: str | Basis | Sequence[str | Basis] | None = None,
    *,
    samples: Sequence[Sample] | None = None,
    mean: float | Sequence[float] | None = None,
    ratio: float | Sequence[float] | None = None,
    cv: float | Sequence[float] | None = None,
    n: int | Sequence[int] | None = None,
    n_other: int | Sequence[int] | None = None,
    cv_ratio: float | Sequence[float] | None = None,
    family: str | Family | None = None,
    judge: Judge | None = None,
    assurance: float | None = None,
    survivors: float | None = None,
    confidence: float | None = None,
    max_n: int | None = None,
    size: int | None = None,
    rng: Seed = 0,
    n_jobs: int = 1,
    progress: bool | None = None,
) -> pd.DataFrame:
    """Sweep a plan: over populations (``mean``), over designs of a comparison (``ratio``) or over groups (``samples``).

    With ``mean``: the chance that a new series demonstrates a claim, as in `new_series`, for every claim, basis, mean,
    CV and number of specimens. With ``ratio``: the chance that `compare` shows a difference, complete lognormal or
    Weibull series judged by the default interval, for every number in the arms, ratio and scatter. With ``samples``:
    `more_samples` for every group.

    Parameters
    ----------
    claim : float, Claim or a sequence of them
        Strength in kN, or ``Claim(strength=...)``. With ``samples``: one for all groups, or one for each.
    basis : str, Basis or a sequence of them, optional
        Content and confidence; default that of each Claim, else "B-basis". With ``samples`` a single one.
    samples : sequence of Sample
        Groups with breaks in hand.
    mean : float or sequence
        Means in kN assumed of the population.
    ratio : float or sequence
        True ratios of typical strengths, other over reference, above 0.
    cv : float or sequence
        Coefficients of variation, fractions; with ``ratio`` those of the reference arm.
    n : int or sequence
        Specimens, 2 or more (default 3, 5, 8, 12, 20); with ``ratio`` those of the reference arm.
    n_other : int or sequence, optional
        Specimens of the other arm, 2 or more; default as many as in the reference arm.
    cv_ratio : float or sequence, optional
        Scatter of the other arm over that of the reference, above 0; default 1.
    family : str or Family, optional
        Distribution of the population: "weibull" (default), "normal" or "lognormal"; with ``ratio`` "lognormal"
        (default) or "weibull".
    judge : str, optional
        "governing" (default): the rule that judges real series. "one distribution": the bound of ``family`` alone.
    assurance : float, optional
        Chance asked for, 0.5 to 0.99, default 0.8.
    survivors : float, optional
        With ``mean``: share of specimens expected to hold, default 0.
    confidence : float, optional
        With ``ratio``: of the two-sided interval, default 0.95.
    max_n : int, optional
        With ``samples``: largest number of further specimens, default 60.
    size : int, optional
        With ``ratio``: simulated series a cell, at least 100, default 2000.
    rng : int or Generator
        Seed, the same for every claim, population and group; a design of a comparison draws its own by its place.
    n_jobs, progress : int, bool
        Worker processes and progress bar; answers do not depend on them.

    Returns
    -------
    DataFrame
        With ``mean``: strength (claimed, kN), basis, mean, cv, n, chance, mc_error, low_strength (true, kN), possible
        (the claim lies below what an endless series would show), enough (the chance reaches ``assurance``).
        With ``ratio``: n_reference, n_other, ratio, cv, cv_other, chance, mc_error.
        With ``samples``: group, claim, n_now, n (further specimens or batches; missing without an answer), unit,
        chance, mc_error, ceiling (the highest attainable chance), sentence (the reason, where there is no answer).

    Raises
    ------
    InputError
        If none or several of ``samples``, ``mean`` and ``ratio`` are given, an argument plays no part with the one
        given, a value is out of range, or the numbers of groups and claims differ.

    See Also
    --------
    plan.new_series : the number for a stated chance.
    plan.comparison : the number for a stated power.
    plan.more_samples : one group.

    Examples
    --------
    >>> table = grid(20, "A-basis", mean=25, cv=[0.04, 0.05], n=[8, 16], family="normal", judge="one distribution")
    >>> table["enough"].tolist()
    [False, True, False, True]
    >>> table = grid(ratio=0.9, cv=0.05, n=[3, 5], n_other=5, size=400)
    >>> bool(table["chance"][1] > table["chance"][0])
    True
    >>> groups = [Sample([24.1, 25.3, 22.8, 26.0, 23.9], label="a"), Sample([24.0, 25.0], [True, False], label="b")]
    >>> grid(17, samples=groups)["n"].isna().tolist()
    [False, True]
    """
    given: dict[str, object] = {
        "claim": claim, "basis": basis, "cv": cv, "n": n, "n_other": n_other, "cv_ratio": cv_ratio, "judge": judge,
        "assurance": assurance, "survivors": survivors, "confidence": confidence, "max_n": max_n, "size": size,
    }  # fmt: skip
    swept = _swept({"samples": samples, "mean": mean, "ratio": ratio}, given)
    parts: dict[str, Any] = {k: v for k, v in given.items() if v is not None}
    usual = "lognormal" if swept == "ratio" else "weibull"
    parts |= {
        "family": usual if family is None else family,
        "rng": rng,
        "work": {"n_jobs": n_jobs, "progress": progress},
    }
    if samples is not None:
        return _of_groups(list(samples), **parts)
    return (
        _of_comparisons(_many(ratio, swept), **parts) if mean is None else _of_populations(_many(mean, swept), **parts)
    )


def _swept(ways: dict[str, object], given: dict[str, object]) -> str:
    """What is swept, after a check that it is one thing, has what it needs, and nothing that plays no part in it."""
    some = [name for name, value in ways.items() if value is not None]
    if len(some) != 1:
        raise InputError(
            "`grid` sweeps one of `samples` (groups in hand), `mean` (populations of a new series) and `ratio` "
            f"(designs of a comparison), got {' and '.join(f'`{s}`' for s in some) or 'none of them'}."
        )
    for name, value in given.items():
        needed = (name == "cv" and some[0] != "samples") or (name == "claim" and some[0] != "ratio")
        if needed and value is None:
            raise InputError(f"`grid` over `{some[0]}` needs `{name}`, got None.")
        if value is not None and name not in _PART[some[0]]:
            raise InputError(f"`{name}` plays no part in a grid over `{some[0]}`. Leave it out.")
    return some[0]


def _many(values: Any, name: str) -> list[Any]:
    """One value, or several, as a list."""
    if isinstance(values, (str, Basis, Claim)) or not np.iterable(values):
        return [values]
    if not (out := list(values)):
        raise InputError(f"`{name}` must hold at least one value, got an empty sequence.")
    return out


def _of_populations(
    means: Sequence[float],
    *,
    claim: Any,
    basis: Any = None,
    cv: Any,
    n: Any = _SIZES,
    family: str | Family,
    judge: Judge = GOVERNING,
    assurance: float = 0.8,
    survivors: float = 0.0,
    rng: Seed,
    work: dict[str, Any],
) -> pd.DataFrame:
    bases = [None] if basis is None else _many(basis, "basis")
    aims = [StrengthAim.of(c, b, family, judge) for c, b in product(_many(claim, "claim"), bases)]
    for aim in aims:
        if aim.basis.kind != "tolerance":
            raise InputError(f"`grid` needs a tolerance basis, got '{aim.basis.name}' ({aim.basis.kind}).")
    target, held = check_assurance(assurance), check_share(survivors, "survivors")
    means = [positive(m, "mean", "the expected mean load in kN") for m in means]
    scatters = [check_cv(c) for c in _many(cv, "cv")]
    sizes = [check_whole(k, "n", 2) for k in _many(n, "n")]
    seed = int(as_rng(rng).integers(2**31))
    cells = list(product(aims, means, scatters))
    found = run(_population, [(*cell, sizes, held, seed) for cell in cells], label="grid", **work)
    rows = [
        (aim.strength, aim.basis.name, m, c, k, *chance, low, aim.strength < limit, aim.strength < limit and enough)
        for (aim, m, c), (low, limit, chances) in zip(cells, found, strict=True)
        for k, chance in zip(sizes, chances, strict=True)
        for enough in [chance[0] >= target]
    ]
    names = ["strength", "basis", "mean", "cv", "n", "chance", "mc_error", "low_strength", "possible", "enough"]
    return pd.DataFrame(rows, columns=names)


def _population(
    aim: StrengthAim, mean: float, cv: float, sizes: list[int], held: float, seed: int
) -> tuple[float, float, list[tuple[float, float]]]:
    population = Population.of(aim.family, mean, cv, held)
    chances = fresh_chances(population, aim, seed)
    return *population.limits(aim), [chances.chance(k, CURVE) for k in sizes]


def _of_comparisons(
    ratios: Sequence[float],
    *,
    cv: Any,
    n: Any = _SIZES,
    n_other: Any = None,
    cv_ratio: Any = 1.0,
    family: str | Family,
    confidence: float = 0.95,
    size: int = 2000,
    rng: Seed,
    work: dict[str, Any],
) -> pd.DataFrame:
    found = get_family(family)
    if found.name == "normal":
        raise InputError("`family` must be 'lognormal' or 'weibull' here, got 'normal'.")
    aim = ComparisonAim("difference", 1.0, check_fraction(confidence, "confidence"))
    if size < 100:
        raise InputError(f"`size` must be at least 100 simulated series, got {size!r}.")
    others: Callable[[Any], list[Any]] = (lambda k: [k]) if n_other is None else (lambda _: _many(n_other, "n_other"))
    cells = [
        (int(k), int(m), float(r), float(c), float(c * f))
        for k in _many(n, "n")
        for m in others(k)
        for r, c, f in product(ratios, _many(cv, "cv"), _many(cv_ratio, "cv_ratio"))
    ]
    for k, m, r, c, d in cells:
        if k < 2 or m < 2 or not r > 0 or not (0 < c < 1 and 0 < d < 1):
            raise InputError(
                f"Every arm needs 2 specimens or more, a ratio above 0 and scatters between 0 and 1; got n {k} "
                f"and {m}, ratio {r:g}, coefficients of variation {c:g} and {d:g}."
            )
    each = seeds(as_seed(rng), len(cells))
    tasks = [(*cell, found, aim, size, seed) for cell, seed in zip(cells, each, strict=True)]
    chance = np.array(run(_comparison, tasks, label="grid", **work))
    frame = pd.DataFrame(cells, columns=["n_reference", "n_other", "ratio", "cv", "cv_other"])
    return frame.assign(chance=chance, mc_error=np.sqrt(chance * (1 - chance) / size))


def _comparison(
    n: int, m: int, ratio: float, cv: float, cv_other: float, family: Family, aim: ComparisonAim, size: int, seed: Any
) -> float:
    rng = np.random.default_rng(seed)
    x = _log_loads(family, cv, (size, n), rng)
    y = _log_loads(family, cv_other, (size, m), rng) + np.log(ratio)
    return float(aim.reached_complete(x, y).mean())


def _log_loads(family: Family, cv: float, size: tuple[int, int], rng: np.random.Generator) -> Array:
    """Log loads with geometric mean 1 kN and this coefficient of variation."""
    spread = Population.of(family, 1.0, cv).spread
    if family.name == "weibull":
        return np.asarray(spread * (np.log(rng.exponential(size=size)) + np.euler_gamma))
    return rng.normal(0.0, spread, size)


def _of_groups(
    groups: Sequence[Sample],
    *,
    claim: Any,
    basis: Any = None,
    family: str | Family,
    judge: Judge = GOVERNING,
    assurance: float = 0.8,
    max_n: int = 60,
    rng: Seed,
    work: dict[str, Any],
) -> pd.DataFrame:
    each = _many(claim, "claim")
    each = each * len(groups) if isinstance(claim, Claim) or not np.iterable(claim) else each
    if not groups or len(each) != len(groups):
        raise InputError(f"`claim` must have one entry for each of {len(groups)} groups, got {len(each)}.")
    aims = [StrengthAim.of(one, basis if basis is None else get_basis(basis), family, judge) for one in each]
    options = {"assurance": check_assurance(assurance), "max_n": check_whole(max_n, "max_n", 1)}
    seed = int(as_rng(rng).integers(2**31))
    jobs = [(sample, aim, options, seed) for sample, aim in zip(groups, aims, strict=True)]
    answers = run(_group, jobs, label="plans", **work)
    unanswered = {"n": None, "unit": "", "chance": np.nan, "mc_error": np.nan, "ceiling": np.nan}
    rows = [
        {"group": sample.label, "claim": str(aim.claim), "n_now": sample.n}
        | {name: getattr(answer, name) if isinstance(answer, Plan) else value for name, value in unanswered.items()}
        | {"sentence": str(answer)}
        for sample, aim, answer in zip(groups, aims, answers, strict=True)
    ]
    return pd.DataFrame(rows).astype({"n": "Int64"})


def _group(sample: Sample, aim: StrengthAim, options: dict[str, Any], seed: int) -> Plan | Trouble:
    return attempt(
        lambda: more_samples(sample, aim.claim, family=aim.family, judge=aim.judge, rng=seed, **options),
        who=sample.label,
    )
