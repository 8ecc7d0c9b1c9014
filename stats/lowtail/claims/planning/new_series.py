"""How many specimens a new series needs so that its lower bound reaches a claimed strength."""

from __future__ import annotations

from lowtail._shared.checks import door
from lowtail._shared.parallel import Seed, as_rng
from lowtail.claims.basis import Basis
from lowtail.claims.planning.core.claim import Claim, check_assurance, check_cv, check_share, check_whole, positive
from lowtail.claims.planning.core.experiments import exact, fresh_chances
from lowtail.claims.planning.core.judge import GOVERNING, ONE, Judge, StrengthAim
from lowtail.claims.planning.core.plan import Plan, count, percent
from lowtail.claims.planning.core.population import Population
from lowtail.claims.planning.core.trials import Answer, Chances, between_looks, looks_at, smallest_n
from lowtail.claims.planning.core.trials import answer as find
from lowtail.claims.planning.core.words import held_words, judged_words, shows
from lowtail.claims.strength.governing import NAMES
from lowtail.errors import InputError
from lowtail.models.distributions.families import Family

__all__ = ["new_series"]

MOST_SIMULATED, MOST_COMPUTED = 1000, 10_000  # specimens that a plan weighs: whole series, or a chance


@door
def new_series(
    claim: float | Claim,
    basis: str | Basis | None = None,
    *,
    mean: float,
    cv: float,
    family: str | Family = "weibull",
    judge: Judge = GOVERNING,
    assurance: float = 0.8,
    survivors: float = 0.0,
    cost: float | None = None,
    max_n: int = 500,
    rng: Seed = 0,
    n_jobs: int = 1,
) -> Plan:
    """Specimens of a new series so that the bound that judges it reaches the claim with a stated chance.

    Whole series are simulated from the population assumed, and each is judged by the rule of `governing`: the lowest of
    the Weibull, the normal and the cautious bound (Monte-Carlo error at most 0.5 points). With ``judge="one
    distribution"`` the bound of ``family`` alone judges: normal and lognormal then exact, P(mean - k s >= claim) by the
    noncentral t; Weibull by the pivot of its bound over standard samples (error about 0.1 points).

    Parameters
    ----------
    claim : float or Claim
        Strength in kN, or ``Claim(strength=...)``.
    basis : str or Basis, optional
        Content and confidence of the lower bound; default that of the Claim, else "B-basis".
    mean, cv : float
        Mean load in kN and coefficient of variation (a fraction, 0.06) expected of the population.
    family : str or Family
        Distribution of the population: "weibull" (default), "normal" or "lognormal".
    judge : str
        "governing" (default): the rule that judges real series. "one distribution": the bound of ``family`` alone.
    assurance : float
        Chance of success asked for, 0.5 to 0.99.
    survivors : float
        Share of specimens expected to hold (the rig fails first), from 0 to below 1. Rig strength is taken to scatter
        like the specimens.
    cost : float, optional
        Cost of one specimen, greater than 0.
    max_n : int
        Largest series considered: at most 1,000 specimens where whole series are simulated, else 10,000.
    rng : int or Generator
        Seed.
    n_jobs : int
        Worker processes for simulation; the answer does not depend on it.

    Returns
    -------
    Plan
        ``n`` is the first number found whose chance reaches the assurance while n - 1 does not; None where ``max_n`` is
        not enough. By the governing rule the chance may fall again at some larger numbers: see ``curve``.

    Raises
    ------
    InputError
        If an argument is out of range, or the claim lies at or above the true low strength, so that no number of
        specimens can back it; the message says by how much.

    See Also
    --------
    plan.more_samples : with a series in hand.
    plan.zero_failure : specimens that must hold.
    plan.precision : a narrow interval instead of a claim.
    plan.grid : the chance over a grid.

    References
    ----------
    Faulkenberry and Weeks (1968) Technometrics 10:343-348, sample size for tolerance limits (from memory).

    Examples
    --------
    >>> new_series(20, "A-basis", mean=25, cv=0.05, family="normal", judge="one distribution").n
    16
    >>> new_series(16, "B-basis", mean=25, cv=0.04).n
    5
    """
    aim = StrengthAim.of(claim, basis, family, judge)
    mean = positive(mean, "mean", "the expected mean load in kN")
    population = Population.of(aim.family, mean, check_cv(cv), check_share(survivors, "survivors"))
    target = check_assurance(assurance)
    most = check_whole(max_n, "max_n", 2)
    price = None if cost is None else positive(cost, "cost", "the cost of one specimen")
    _check_most(most, exact(population, aim))
    population.check_possible(aim, mean, cv)
    seed = int(as_rng(rng).integers(2**31))
    answer = _find(fresh_chances(population, aim, seed, target, n_jobs), target, most, population, aim)
    name = NAMES[aim.family.name]
    given = f"if the mean is {mean:.4g} kN and the CV {100 * cv:.3g} % ({name} distribution)"
    only = "" if answer.n is not None else " only"
    verb = "demonstrate" if aim.basis.tolerance else "reach"
    return answer.plan(
        question="bound",
        claim=str(aim.claim),
        family=aim.family.name,
        basis=aim.basis.name,
        assurance=target,
        price=price,
        sentence=(
            f"{count(answer.last)} {verb} {shows(aim)} with a chance of{only} {percent(answer.chance)}, {given}."
        ),
        assumptions=(
            f"{name[:1].upper()}{name[1:]} distribution with mean {mean:.4g} kN and CV {100 * cv:.3g} %.{_judged(aim)}",
            held_words(population.survivors),
            *judged_words(population.survivors, in_hand=False),
        ),
        changes=_changes(aim, mean, cv, target, seed, min(most, 200)) if not population.survivors else (),
        notes=_notes(answer, target),
    )


def _check_most(most: int, computed: bool) -> None:
    """Refuse numbers that would take minutes and more: whole series are simulated, or a chance is computed."""
    limit = MOST_COMPUTED if computed else MOST_SIMULATED
    if most > limit:
        other = "" if computed else " With every specimen broken, judge='one distribution' goes further."
        how = "the chance is computed" if computed else "whole series are simulated"
        raise InputError(f"`max_n` must be at most {limit:,} specimens where {how}, got {most:,}.{other}")


def _find(chances: Chances[int], target: float, most: int, population: Population, aim: StrengthAim) -> Answer:
    if aim.governed:
        return between_looks(chances, target, looks_at(2, most, aim.basis), points=12)
    return find(chances, target, 2, most, 24 if exact(population, aim) else 8)


def _notes(answer: Answer, target: float) -> tuple[str, ...]:
    out = ["The mean and scatter are assumed, not known: with breaks in hand use `more_samples`."]
    later = [(m, chance) for m, chance, _ in answer.rows if answer.n is not None and m > answer.n and chance < target]
    if later:
        m, chance = min(later, key=lambda row: row[1])
        out.append(f"More is not always better: with {count(m)} the chance is {percent(chance)}.")
    return tuple(out)


def _judged(aim: StrengthAim) -> str:
    if not aim.basis.tolerance:
        return f" The limit is mean - k s of the loads, by the custom '{aim.basis.name}'."
    if aim.judge == ONE:
        return f" Judged by the bound of the {NAMES[aim.family.name]} distribution alone."
    return " Judged by the bound that governs: the lowest of the Weibull, the normal and the cautious bound."


def _changes(aim: StrengthAim, mean: float, cv: float, target: float, seed: int, most: int) -> tuple[str, ...]:
    """Answers for a wider scatter, a lower mean and a higher chance, where all specimens break."""
    out = []
    cases = [
        (f"CV {125 * cv:.3g} % instead of {100 * cv:.3g} %", mean, 1.25 * cv, target),
        (f"mean {0.97 * mean:.4g} kN instead of {mean:.4g} kN", 0.97 * mean, cv, target),
    ]
    if target < 0.95:
        cases.append((f"a chance of 95 % instead of {100 * target:g} %", mean, cv, 0.95))
    for words, m, c, goal in cases:
        if c >= 1:
            continue
        other = Population.of(aim.family, m, c)
        try:
            other.check_possible(aim, m, c)
        except InputError:
            out.append(f"{words}: impossible with any number of specimens.")
            continue
        chances = fresh_chances(other, aim, seed, goal)
        n = smallest_n(lambda k, f=chances: f.chance(k)[0], goal, 2, most)  # type: ignore[misc]
        out.append(f"{words}: {count(n)}." if n is not None else f"{words}: more than {count(most)}.")
    return tuple(out)
