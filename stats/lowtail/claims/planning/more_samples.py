"""How many more specimens a claim takes, given the breaks in hand."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from lowtail._checks import door
from lowtail._parallel import as_rng, seeds
from lowtail.claims.basis import Basis
from lowtail.claims.planning.plan import (
    Claim,
    Plan,
    check_assurance,
    check_share,
    check_whole,
    count,
    percent,
    positive,
    strength_claim,
)
from lowtail.claims.planning.plan_answer import Answer, between_looks
from lowtail.claims.planning.plan_simulate import early, judged_words
from lowtail.claims.planning.plan_worlds import Worlds, draw_worlds, trials_in
from lowtail.errors import InputError
from lowtail.models.confidence_law import confidence_law
from lowtail.models.families import Family, get_family
from lowtail.records.sample import Sample

__all__ = ["more_samples"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

FIRST_LOOK = (0, 1, 2, 3, 5, 8, 13, 22, 38, 60, 100, 200)


@door
def more_samples(
    sample: Sample,
    claim: float | Claim,
    basis: str | Basis | None = None,
    *,
    assurance: float = 0.8,
    family: str | Family = "weibull",
    max_n: int = 60,
    survivors: float | None = None,
    cost: float | None = None,
    rng: int | np.random.Generator = 0,
    n_jobs: int = 1,
) -> Plan:
    """How many more specimens until the low bound of all of them together reaches the claim, with a stated chance.

    The population is not taken as known: worlds are drawn from the confidence law of the data in hand, further
    specimens are tested in each world, and the bound of the pooled series is computed. The chance is the share of
    worlds in which it reaches the claim. It cannot rise above the present confidence that the claim is true.

    Parameters
    ----------
    sample : Sample
        Breaks in hand, loads in kN, with survivors.
    claim : float or Claim
        Strength in kN, or ``Claim(strength=...)``.
    basis : str or Basis, optional
        Content and confidence; default that of the Claim, else "B-basis".
    assurance : float
        Chance of success asked for, 0.5 to 0.99.
    family : str or Family
        "weibull" (default), "normal" or "lognormal".
    max_n : int
        Largest number of further specimens considered, at most 200.
    survivors : float, optional
        Share of the further specimens expected to hold; default the share in hand.
    cost : float, optional
        Cost of one specimen, greater than 0.
    rng : int or Generator
        Seed.
    n_jobs : int
        Worker processes; the answer does not depend on it.

    Returns
    -------
    Plan
        ``n`` is the number of *further* specimens (0: the claim is backed already; None: ``max_n`` does not reach the
        assurance), ``ceiling`` the present confidence that the claim is true, ``curve`` the chance against the number.

    Raises
    ------
    InputError
        If an argument is out of range.
    NoAnswerError
        If fewer than 2 different loads at break leave nothing to plan from.

    References
    ----------
    O'Hagan, Stevens and Campbell (2005) Pharmaceutical Statistics 4:187-201, assurance (from memory).

    Examples
    --------
    >>> plan = more_samples(Sample([24.1, 25.3, 22.8, 26.0, 23.9]), 20.5, "B-basis", family="normal")
    >>> plan.n
    8
    """
    strength, found, stated = strength_claim(claim, basis)
    law = get_family(family)
    target = check_assurance(assurance)
    most = check_whole(max_n, "max_n", 1)
    if most > 200:
        raise InputError(
            f"`max_n` must be at most 200 further specimens, got {most}. For a large new series use `plan_bound`."
        )
    held = sample.n_censored / sample.n if survivors is None else check_share(survivors, "survivors")
    price = None if cost is None else positive(cost, "cost", "the cost of one specimen")
    known = confidence_law(sample, law)
    generator = as_rng(rng)
    edge = float(law.transform(strength))
    worlds = draw_worlds(known, law, edge, found.fraction_below, generator)
    seed = seeds(generator, 4)

    trials = trials_in(worlds, sample, edge, found, held, seed, target, n_jobs)
    looks = [m for m in FIRST_LOOK if m < most] + [most]
    answer = between_looks(trials, target, looks, beyond=True)
    ceiling = (
        known.confidence_that(strength, found.fraction_below)
        if found.kind == "tolerance"
        else _true_share(worlds, law, strength, found)
    )
    fit_low = known.low(found.fraction_below, 0.5)
    return answer.plan(
        question="more samples",
        claim=str(stated),
        group=sample.label,
        family=law.name,
        basis=found.name,
        n_now=sample.n,
        assurance=target,
        ceiling=ceiling,
        price=price,
        sentence=_sentence(sample, stated, answer.n, answer.chance, ceiling, target, most, fit_low, found),
        assumptions=_assumptions(law, sample, held),
        changes=_changes(worlds, trials.outcomes(answer.last), answer.last),
        notes=_notes(answer, ceiling),
    )


def _true_share(worlds: Worlds, law: Family, strength: float, basis: Basis) -> float:
    """Share of worlds in which the limit by custom, in an endless series, reaches the strength."""
    if law.name == "normal":
        mean, std = worlds.location, worlds.spread
    else:
        z = law.standard.ppf((np.arange(400) + 0.5) / 400)
        load = law.inverse(worlds.location[:, None] + worlds.spread[:, None] * z)
        mean, std = load.mean(axis=1), load.std(axis=1)
    limit = mean - basis.factor(math.inf) * std
    return float((limit >= strength).mean())


def _sentence(
    sample: Sample,
    claim: Claim,
    n: int | None,
    chance: float,
    ceiling: float,
    target: float,
    most: int,
    estimate: float,
    basis: Basis,
) -> str:
    who = f"{sample.label}: " if sample.label else ""
    if n == 0:
        return f"{who}the {count(sample.n)} in hand already back {claim}."
    if n is not None:
        return f"{who}{count(n, 'more specimen')} back {claim} with a chance of {percent(chance)}."
    low = f"{100 * basis.fraction_below:g} % strength"
    if estimate < float(claim.strength or 0.0):
        return (
            f"{who}testing more will probably not help: at the present estimate the {low} ({estimate:.4g} kN) lies "
            f"below the claim of {claim.strength:.4g} kN; the confidence that the claim is true is {percent(ceiling)}, "
            f"and {most} more specimens would back it with a chance of {percent(chance)}."
        )
    if ceiling < target:
        return (
            f"{who}no number of specimens reaches a chance of {percent(target)} of backing {claim}: the present "
            f"confidence that it is true is {percent(ceiling)}; {most} more give {percent(chance)}."
        )
    return f"{who}up to {most} more specimens back {claim} with a chance of only {percent(chance)}."


def _assumptions(law: Family, sample: Sample, held: float) -> tuple[str, ...]:
    return (
        f"{law.name} law, location and scatter as uncertain as the {count(sample.n)} in hand leave them.",
        "The further specimens come from the same population, tested the same way.",
        "All further specimens break." if held == 0 else f"{100 * held:.3g} % of the further specimens hold.",
        "The number is fixed in advance and the claim is judged once, at the end, on all specimens together.",
        *judged_words(held, early(np.asarray(law.transform(sample.load)), sample.broke)),
    )


def _changes(worlds: Worlds, won: Flags, last: int) -> tuple[str, ...]:
    """Chance with the same number if the true scatter is in the low or the high quarter of what the data allow."""
    if last == 0:
        return ()
    low, high = np.quantile(worlds.spread, (0.25, 0.75))
    calm, rough = won[worlds.spread <= low].mean(), won[worlds.spread >= high].mean()
    return (
        f"If the true scatter is in the low quarter of what the data allow: {percent(float(calm))}; in the high "
        f"quarter: {percent(float(rough))} ({count(last)} more).",
    )


def _notes(answer: Answer, ceiling: float) -> tuple[str, ...]:
    out = ["A chance, never a promise: it moves with every further break."]
    out.append(
        f"The present confidence that the claim is true is {percent(ceiling)}; no number of tests can do better."
    )
    later = [chance for m, chance, _ in answer.rows if m > 0]
    if answer.n == 0 and later:
        out.append(
            f"Testing on can lose what is shown now: the chance to keep it falls to {percent(min(later))} in between."
        )
    return tuple(out)
