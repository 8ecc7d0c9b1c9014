"""How many more specimens a comparison takes, given the breaks of both arms in hand."""

from __future__ import annotations

import math

from lowtail._shared.checks import door
from lowtail._shared.parallel import Seed, as_rng
from lowtail._shared.sample import SampleLike, as_sample
from lowtail.claims.planning.core.arms import ComparisonAim, make_aim
from lowtail.claims.planning.core.claim import Claim, check_assurance, check_whole, positive
from lowtail.claims.planning.core.experiments import ComparedArms
from lowtail.claims.planning.core.plan import Plan, count, percent
from lowtail.claims.planning.core.populations import ArmPopulations
from lowtail.claims.planning.core.trials import Along, Trials, between_looks
from lowtail.errors import InputError
from lowtail.models.two_samples.permutation import Alternative

__all__ = ["more_comparison"]

LOOKS = (0, 1, 2, 3, 5, 8, 13, 22, 38, 60)


@door
def more_comparison(
    reference: SampleLike,
    other: SampleLike,
    claim: Claim | None = None,
    *,
    alternative: Alternative = "two-sided",
    confidence: float = 0.95,
    n_ratio: float = 1.0,
    assurance: float = 0.8,
    max_n: int = 60,
    rng: Seed = 0,
) -> Plan:
    """How many more specimens in each arm until a comparison succeeds, with a stated chance.

    Simulated populations are drawn from the confidence distributions of both arms (lognormal where every specimen
    broke, Weibull otherwise); in each, further specimens are tested and the pooled series are judged as `compare`
    judges them.

    Parameters
    ----------
    reference, other : Sample or array_like
        Breaks in hand, at least 2 different loads at break in each.
    claim : Claim, optional
        ``Claim(keeps=...)`` or ``Claim(same_within=...)``; without one a difference is sought.
    alternative : {"two-sided", "less", "greater"}
        For a difference: of the other arm against the reference.
    confidence : float
        For a difference; a Claim carries its own.
    n_ratio : float
        Further specimens of the other arm for each of the reference, greater than 0.
    assurance : float
        Chance of success asked for, 0.5 to 0.99.
    max_n : int
        Largest number of further specimens in the reference arm, at most 60.
    rng : int or Generator
        Seed.

    Returns
    -------
    Plan
        ``n`` further specimens in the reference arm, ``arms`` in both; ``ceiling`` the present confidence that the
        claim is true (for a difference: 1, since no two arms are exactly equal).

    Raises
    ------
    InputError, NoAnswerError
        If an argument is out of range, or an arm has fewer than 2 different loads at break.

    See Also
    --------
    compare : the comparison itself.
    plan.comparison : before any specimen is tested.

    Examples
    --------
    >>> slow, shock = [24.1, 25.3, 24.6, 25.0], [23.2, 24.4, 23.9, 24.1]
    >>> more_comparison(slow, shock, Claim(keeps=0.9)).n
    0
    """
    reference = as_sample(reference)
    other = as_sample(other)
    aim = make_aim(None, claim, confidence, alternative)
    target = check_assurance(assurance)
    most = check_whole(max_n, "max_n", 1)
    if most > 60:
        raise InputError(f"`max_n` must be at most 60, got {most}. For a new series use `plan.comparison`.")
    share = positive(n_ratio, "n_ratio", "specimens of the other arm for each of the reference")
    arms = ArmPopulations.draw((reference, other), as_rng(rng), (most, max(1, math.ceil(share * most))))
    ceiling = arms.ceiling(1, aim)

    def both(m: int) -> tuple[int, int]:
        return m, math.ceil(share * m - 1e-9)

    chances = Along(Trials(ComparedArms(arms, 1, aim), target), both)
    answer = between_looks(chances, target, sorted({m for m in LOOKS if m < most} | {most}))
    needed = None if answer.n is None else both(answer.n)
    return answer.plan(
        question="more samples",
        claim=f"{aim.words.removeprefix('that ')} ({100 * aim.confidence:g} % confidence)",
        group=" against ".join(s.label for s in (reference, other) if s.label),
        family=arms.family.name,
        arms=needed or (),
        n_now=reference.n + other.n,
        assurance=target,
        ceiling=ceiling,
        sentence=_sentence(aim, needed, both(most), answer.chance, ceiling, target),
        assumptions=(
            f"{arms.family.name} loads, as uncertain as the {reference.n} and {other.n} in hand leave them.",
            "Survivors among the further specimens as often as in hand; the claim is judged once, at the end.",
        ),
        notes=("A chance, never a promise: it moves with every further break.",),
    )


def _sentence(
    aim: ComparisonAim,
    needed: tuple[int, int] | None,
    most: tuple[int, int],
    chance: float,
    ceiling: float,
    target: float,
) -> str:
    if needed == (0, 0):
        return f"The specimens in hand already show {aim.words}."
    if needed is not None:
        each = f"{needed[0]} more in each arm"
        if needed[0] != needed[1]:
            each = f"{needed[0]} more reference and {needed[1]} more other specimens"
        return f"{each} show {aim.words} with a chance of {percent(chance)}."
    tail = f"{count(sum(most), 'more specimen')} in all would show {aim.words} with a chance of {percent(chance)}"
    if ceiling < 0.5:
        return f"Testing more will probably not help: the confidence that it is true is {percent(ceiling)}; {tail}."
    if ceiling < target:
        most_likely = f"the confidence that it is true is {percent(ceiling)}"
        return f"No number of specimens reaches {percent(target)}: {most_likely}; {tail}."
    return f"Not enough: {tail}."
