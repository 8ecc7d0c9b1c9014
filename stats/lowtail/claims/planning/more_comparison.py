"""How many more specimens a comparison takes, given the breaks of both arms in hand."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail._checks import takes
from lowtail._parallel import as_rng, seeds
from lowtail.claims.planning.plan import Claim, Plan, check_assurance, check_whole, count, percent, positive
from lowtail.claims.planning.plan_answer import between_looks
from lowtail.claims.planning.plan_arms import Aim, make_aim
from lowtail.claims.planning.plan_chances import behrens_fisher_reach
from lowtail.claims.planning.plan_power import judge
from lowtail.claims.planning.plan_simulate import standard_series
from lowtail.claims.planning.plan_trials import Trials
from lowtail.errors import InputError
from lowtail.models.confidence_law import confidence_law
from lowtail.models.families import LOGNORMAL, WEIBULL, Family
from lowtail.records.sample import Sample

__all__ = ["more_comparison"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

LOOKS = (0, 1, 2, 3, 5, 8, 13, 22, 38, 60)
WORLDS, SPARE, BLOCKS = 10_400, 4, 4


@takes(reference="sample", other="sample")
def more_comparison(
    reference: Sample,
    other: Sample,
    claim: Claim | None = None,
    *,
    alternative: str = "two-sided",
    confidence: float = 0.95,
    n_ratio: float = 1.0,
    assurance: float = 0.8,
    max_n: int = 60,
    rng: int | np.random.Generator = 0,
) -> Plan:
    """How many more specimens in each arm until a comparison succeeds, with a stated chance.

    Worlds are drawn from the confidence laws of both arms (lognormal where every specimen broke, Weibull otherwise);
    in each, further specimens are tested and the pooled series are judged as `compare` judges them.

    Parameters
    ----------
    reference, other : Sample
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

    Examples
    --------
    >>> slow, shock = Sample([24.1, 25.3, 24.6, 25.0]), Sample([23.2, 24.4, 23.9, 24.1])
    >>> more_comparison(slow, shock, Claim(keeps=0.9)).n
    0
    """
    aim = make_aim(None, claim, confidence, alternative)
    target = check_assurance(assurance)
    most = check_whole(max_n, "max_n", 1)
    if most > 60:
        raise InputError(f"`max_n` must be at most 60, got {most}. For a new series use `plan_comparison`.")
    share = positive(n_ratio, "n_ratio", "specimens of the other arm for each of the reference")
    arms = _Arms.draw(reference, other, as_rng(rng), most, max(1, math.ceil(share * most)))
    ceiling = arms.ceiling(aim)

    def both(m: int) -> tuple[int, int]:
        return m, math.ceil(share * m - 1e-9)

    trials: Trials[int] = Trials(lambda wanted: [arms.outcomes(*both(m), aim, block) for m, block in wanted], target)
    answer = between_looks(trials, target, sorted({m for m in LOOKS if m < most} | {most}), beyond=False)
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


@dataclass(frozen=True, slots=True, eq=False)
class _Arms:
    """Worlds of two arms, with further standard series, in order of the log ratio of typical strengths."""

    family: Family
    samples: tuple[Sample, Sample]
    location: tuple[Array, Array]
    spread: tuple[Array, Array]
    further: tuple[Array, Array]
    broke: tuple[Flags | None, Flags | None]
    log_ratio: Array

    @classmethod
    def draw(cls, reference: Sample, other: Sample, rng: np.random.Generator, most: int, most_other: int) -> _Arms:
        samples = (reference, other)
        family = WEIBULL if reference.n_held + other.n_held else LOGNORMAL
        drawn = [confidence_law(s, family).draws(SPARE * WORLDS, rng) for s in samples]
        typical = float(family.quantile(0.5))
        log_ratio = (drawn[1][0] + typical * drawn[1][1]) - (drawn[0][0] + typical * drawn[0][1])
        order = np.argsort(log_ratio, kind="stable").reshape(WORLDS, SPARE)
        pick = order[np.arange(WORLDS), rng.integers(SPARE, size=WORLDS)]
        series = [
            standard_series(family, m, WORLDS, s.n_held / s.n, seed)
            for s, m, seed in zip(samples, (most, most_other), seeds(rng, 2), strict=True)
        ]
        return cls(
            family,
            samples,
            (drawn[0][0][pick], drawn[1][0][pick]),
            (drawn[0][1][pick], drawn[1][1][pick]),
            (series[0][0], series[1][0]),
            (series[0][1], series[1][1]),
            log_ratio[pick],
        )

    def ceiling(self, aim: Aim) -> float:
        """Share of worlds in which the claim is true."""
        edge = -math.log(aim.margin)
        if aim.goal == "difference":
            side = {"two-sided": np.ones(1), "less": self.log_ratio < 0, "greater": self.log_ratio > 0}
            return float(side[aim.alternative].mean())
        true = self.log_ratio > -edge
        if aim.goal == "equivalence":
            true &= self.log_ratio < edge
        return float(true.mean())

    def pooled(self, arm: int, m: int, block: int) -> tuple[Array, Flags | None]:
        """Log loads and breaks of one arm with m further specimens in every world of a block."""
        sample, pick = self.samples[arm], slice(block, None, BLOCKS)
        location, spread = self.location[arm][pick], self.spread[arm][pick]
        new = location[:, None] + spread[:, None] * self.further[arm][pick, :m]
        size = location.size
        y = np.concatenate([np.tile(np.log(sample.load), (size, 1)), new], axis=1)
        fresh = self.broke[arm]
        if fresh is None and sample.n_held == 0:
            return y, None
        flags = np.ones(new.shape, dtype=bool) if fresh is None else fresh[pick, :m]
        return y, np.concatenate([np.tile(sample.broke, (size, 1)), flags], axis=1)

    def outcomes(self, m_reference: int, m_other: int, aim: Aim, block: int) -> Flags:
        """Whether the pooled series reach the aim in each world of a block."""
        first, second = self.pooled(0, m_reference, block), self.pooled(1, m_other, block)
        if self.family is LOGNORMAL:
            return judge_complete(first[0], second[0], aim)
        return judge(first, second, aim)


def judge_complete(x: Array, y: Array, aim: Aim) -> Flags:
    """Whether each pair of complete series of log loads reaches the aim by the interval that `compare` gives."""
    n_1, n_2 = x.shape[1], y.shape[1]
    shift = y.mean(axis=1) - x.mean(axis=1)
    a, b = x.var(axis=1, ddof=1) / n_1, y.var(axis=1, ddof=1) / n_2
    tails = (1 - aim.confidence) / (2 if aim.goal == "difference" and aim.alternative == "two-sided" else 1)
    if abs(n_1 - n_2) <= 1:
        df = (a + b) ** 2 / (a**2 / (n_1 - 1) + b**2 / (n_2 - 1))
        reach = special.stdtrit(df, 1 - tails) * np.sqrt(a + b)
    else:
        angle = np.arctan2(np.sqrt(a), np.sqrt(b))
        reach = np.interp(angle, *behrens_fisher_reach(n_1 - 1, n_2 - 1, tails)) * np.sqrt(a + b)
    edge = -math.log(aim.margin)
    if aim.goal == "difference":
        less, more = shift + reach < 0, shift - reach > 0
        return np.asarray({"two-sided": less | more, "less": less, "greater": more}[aim.alternative])
    won = shift - reach > -edge
    if aim.goal == "equivalence":
        won &= shift + reach < edge
    return np.asarray(won)


def _sentence(
    aim: Aim, needed: tuple[int, int] | None, most: tuple[int, int], chance: float, ceiling: float, target: float
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
