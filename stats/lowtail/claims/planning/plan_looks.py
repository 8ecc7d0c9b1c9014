"""Testing on with looks: how many more at most, and at which confidence each look must be judged.

A tester who judges the claim after every few specimens and stops at the first success has many chances to succeed by
luck. Here every look is judged at one higher confidence, set so that the whole procedure, the look at the specimens in
hand included, wrongly backs a claim no more often than a single look at the stated confidence.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail._checks import takes
from lowtail._parallel import as_rng, seeds
from lowtail.claims.basis import Basis
from lowtail.claims.planning.plan import (
    Claim,
    Plan,
    check_assurance,
    check_share,
    check_whole,
    count,
    make_curve,
    percent,
    strength_claim,
)
from lowtail.claims.planning.plan_chances import spread_nodes
from lowtail.claims.planning.plan_normal import normal_confidence
from lowtail.claims.planning.plan_pivot import weibull_confidence
from lowtail.claims.planning.plan_simulate import standard_series
from lowtail.claims.planning.plan_trials import share_and_error
from lowtail.claims.planning.plan_worlds import draw_worlds
from lowtail.errors import InputError
from lowtail.models.confidence_law import confidence_law
from lowtail.models.families import Family, get_family
from lowtail.records.sample import Sample

__all__ = ["look_confidence", "plan_looks"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

SERIES = 9600
MOST_LOOKS = 12


@takes(sample="sample")
def plan_looks(
    sample: Sample,
    claim: float | Claim,
    basis: str | Basis | None = None,
    *,
    every: int,
    assurance: float = 0.8,
    family: str | Family = "weibull",
    max_looks: int = 8,
    survivors: float | None = None,
    rng: int | np.random.Generator = 0,
) -> Plan:
    """How many more specimens at most, looking after every few and stopping at the first success.

    The confidence asked at each look is raised (one level for all looks, from simulated series at the edge of the
    claim) so that the total error stays what the basis states. The chance is taken over worlds drawn from the
    confidence law of the data in hand, as in `more_samples`.

    Parameters
    ----------
    sample : Sample
        Breaks in hand, loads in kN; judging them is the first look.
    claim : float or Claim
        Strength in kN, or ``Claim(strength=...)``.
    basis : str or Basis, optional
        A tolerance basis; default that of the Claim, else "B-basis".
    every : int
        Specimens between looks, 1 or more.
    assurance : float
        Chance of success asked for, 0.5 to 0.99.
    family : str or Family
        "weibull" (default), "normal" or "lognormal".
    max_looks : int
        Largest number of further looks, 1 to 12.
    survivors : float, optional
        Share of further specimens expected to hold; default the share in hand.
    rng : int or Generator
        Seed.

    Returns
    -------
    Plan
        ``n`` is the largest number of further specimens (looks times ``every``), 0 where the first look succeeds;
        ``curve`` the chance to have stopped with success by then; ``changes`` what looking costs.

    Raises
    ------
    InputError
        If an argument is out of range, or the basis carries no confidence of its own.
    NoAnswerError
        If fewer than 2 different loads at break leave nothing to plan from.

    References
    ----------
    Pocock (1977) Biometrika 64:191-199, one level for all looks (from memory).
    """
    strength, found, stated = strength_claim(claim, basis)
    if found.kind != "tolerance":
        raise InputError(f"Looks need a basis with a confidence, got '{found.name}' ({found.kind}).")
    law = get_family(family)
    target = check_assurance(assurance)
    step = check_whole(every, "every", 1)
    looks = check_whole(max_looks, "max_looks", 1)
    if looks > MOST_LOOKS:
        raise InputError(f"`max_looks` must be at most {MOST_LOOKS}, got {looks}. Look less often.")
    held = sample.n_held / sample.n if survivors is None else check_share(survivors, "survivors")
    known = confidence_law(sample, law)
    generator = as_rng(rng)
    edge = float(law.transform(strength))
    worlds = draw_worlds(known, law, edge, found.fraction_below, generator, SERIES)
    seed, null = seeds(generator, 2)
    z, fresh = standard_series(law, step * looks, SERIES, held, seed)
    start = (np.asarray(law.transform(sample.load), dtype=float), sample.broke)
    further = worlds.location[:, None] + worlds.spread[:, None] * z
    seen = _confidences(start, further, fresh, step, looks, edge, law, found)
    first = np.full(SERIES, known.confidence_that(strength, found.fraction_below))
    seen = np.column_stack([first, seen])
    at_edge = _edge_confidences(law, sample.n, step, looks, held, found, int(null.generate_state(1)[0]))
    answers = [_by_looks(seen, at_edge, j, found.confidence) for j in range(looks + 1)]
    enough = [j for j, answer in enumerate(answers) if answer[-1][0] >= target]
    last = enough[0] if enough else looks
    level = _level(at_edge, last, found.confidence)
    won = answers[last]
    chance, error = won[-1]
    naive = float((at_edge[:, : last + 1].max(axis=1) >= found.confidence).mean())
    spent = step * sum(1 - w[0] for w in won[:-1])
    n = step * last if enough else None
    sentence = _sentence(sample, stated, n, step, last, level, chance, spent)
    return Plan(
        question="looks",
        claim=str(stated),
        group=sample.label,
        family=law.name,
        basis=found.name,
        n=n,
        arms=() if n is None else (n,),
        n_now=sample.n,
        assurance=target,
        chance=chance,
        chance_before=answers[last - 1][-1][0] if last else math.nan,
        mc_error=error,
        ceiling=float(first[0]),
        curve=make_curve([(step * j, *w) for j, w in enumerate(won)]),
        sentence=sentence,
        assumptions=(
            f"{law.name} law, location and scatter as uncertain as the {count(sample.n)} in hand leave them.",
            f"Judged after every {step} more, each time at {100 * level:.2f} % confidence; testing stops at success.",
            "All further specimens break." if held == 0 else f"{100 * held:.3g} % of the further specimens hold.",
        ),
        changes=_costs(won, seen, step, last, level, naive, found),
        notes=("Decide the looks and the level before testing on; a look that was not planned spends confidence too.",),
    )


def look_confidence(
    family: str | Family, basis: str | Basis, n_now: int, every: int, looks: int, *, rng: int = 0
) -> tuple[float, float]:
    """Confidence to ask at each look so that the total error is that of the basis, and the total error without it.

    Looks at ``n_now`` specimens and after every ``every`` further ones, ``looks`` times; every specimen breaks.
    """
    from lowtail.claims.basis import get_basis

    found = get_basis(basis)
    at_edge = _edge_confidences(get_family(family), n_now, every, looks, 0.0, found, rng)
    return _level(at_edge, looks, found.confidence), float((at_edge.max(axis=1) >= found.confidence).mean())


def _level(at_edge: Array, last: int, confidence: float) -> float:
    """One confidence for all looks up to ``last`` that holds the total error at 1 - confidence."""
    if last == 0:
        return confidence
    return max(confidence, float(np.quantile(at_edge[:, : last + 1].max(axis=1), confidence)))


def _by_looks(seen: Array, at_edge: Array, last: int, confidence: float) -> list[tuple[float, float]]:
    """Chance, with its error, to have succeeded by each look when looks end at ``last``."""
    level = _level(at_edge, last, confidence)
    reached = np.maximum.accumulate(seen[:, : last + 1] >= level, axis=1)
    return [share_and_error(reached[:, j]) for j in range(last + 1)]


@lru_cache(maxsize=32)
def _edge_confidences(family: Family, n_now: int, step: int, looks: int, held: float, basis: Basis, seed: int) -> Array:
    """Confidence at each look in fresh series whose true percentile lies exactly at the claim."""
    z, fresh = standard_series(family, n_now + step * looks, 2 * SERIES, held, np.random.SeedSequence(seed))
    claim = float(family.quantile(basis.fraction_below))
    none = (np.empty(0), np.empty(0, dtype=bool))
    columns = []
    for j in range(looks + 1):
        n = n_now + step * j
        broke = None if fresh is None else fresh[:, :n]
        columns.append(_confidence(none, z[:, :n], broke, claim, family, basis))
    return np.column_stack(columns)


def _confidences(
    start: tuple[Array, Flags],
    further: Array,
    fresh: Flags | None,
    step: int,
    looks: int,
    edge: float,
    law: Family,
    basis: Basis,
) -> Array:
    """Confidence in each world at each further look, shape (B, looks)."""
    columns = []
    for j in range(1, looks + 1):
        m = step * j
        broke = None if fresh is None else fresh[:, :m]
        columns.append(_confidence(start, further[:, :m], broke, edge, law, basis))
    return np.column_stack(columns)


def _confidence(
    start: tuple[Array, Flags], y: Array, fresh: Flags | None, claim: float, family: Family, basis: Basis
) -> Array:
    size = y.shape[0]
    pooled = np.concatenate([np.tile(start[0], (size, 1)), y], axis=1)
    flags: Flags | None = None
    if fresh is not None or not start[1].all():
        new = np.ones(y.shape, dtype=bool) if fresh is None else fresh
        flags = np.concatenate([np.tile(start[1], (size, 1)), new], axis=1)

    if family.name == "weibull":
        return weibull_confidence(pooled, flags, claim, basis.fraction_below)
    if flags is not None:
        return normal_confidence(
            pooled, flags, claim, basis.fraction_below, (1 + 2 * basis.confidence) / 3, (1 - basis.confidence) / 3
        )
    factor = (pooled.mean(axis=1) - claim) / pooled.std(axis=1, ddof=1)
    return np.asarray(np.interp(factor, *_normal_table(pooled.shape[1], basis.fraction_below)))


@lru_cache(maxsize=256)
def _normal_table(n: int, fraction_below: float) -> tuple[Array, Array]:
    """Factors k and the confidence with which mean - k s lies below the percentile, for interpolation."""
    z = -float(special.ndtri(fraction_below))
    k = np.sinh(np.linspace(-4.0, 7.0, 900)) * 0.4 + z
    s, weight = spread_nodes(float(n - 1), 600)
    return k, 1 - special.ndtr(np.sqrt(n) * (z - k[:, None] * s)) @ weight


def _sentence(
    sample: Sample, claim: Claim, n: int | None, step: int, last: int, level: float, chance: float, spent: float
) -> str:
    who = f"{sample.label}: " if sample.label else ""
    how = f"looking after every {count(step)} and asking {100 * level:.1f} % confidence at each look"
    if n == 0:
        return f"{who}the {count(sample.n)} in hand already back {claim}: no further look is needed."
    if n is None:
        return f"{who}{how}, {step * last} more back {claim} with a chance of only {percent(chance)}."
    return (
        f"{who}{how}, at most {count(n, 'more specimen')} back {claim} with a chance of {percent(chance)}; "
        f"{spent:.3g} are used on average."
    )


def _costs(
    won: list[tuple[float, float]], seen: Array, step: int, last: int, level: float, naive: float, basis: Basis
) -> tuple[str, ...]:
    """What looking costs: chance against one look at the end, and the error of looks without a higher level."""
    if last == 0:
        return ()
    once = float((seen[:, last] >= basis.confidence).mean())
    return (
        f"One look only, after all {step * last} more, at {100 * basis.confidence:g} %: a chance of {percent(once)}.",
        f"Looking {last + 1} times at {100 * basis.confidence:g} % each would back a claim at the edge of truth in "
        f"{100 * naive:.1f} % of series, not {100 * (1 - basis.confidence):.3g} %.",
    )
