"""Testing on with looks: how many more at most, and at which confidence each look must be judged.

A tester who judges the claim after every few specimens and stops at the first success has many chances to succeed by
luck. Here the looks are judged at a higher confidence, set so that the whole procedure, the look at the specimens in
hand included, wrongly passes a claim no more often than a single look at the stated confidence. The levels are those
that the bound of the one distribution alone needs; at each look the governing bound at that level judges, which never
passes what that bound does not.
"""

from __future__ import annotations

import math
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from lowtail._shared.checks import door
from lowtail._shared.parallel import Seed, as_rng, seeds
from lowtail._shared.sample import Sample, SampleLike, as_sample, refuse_beyond_loads
from lowtail.claims.basis import Basis
from lowtail.claims.planning.core.claim import Claim, check_assurance, check_in_hand, check_share, check_whole
from lowtail.claims.planning.core.judge import (
    FAR,
    GOVERNING,
    Judge,
    StrengthAim,
    cautious_reaches,
    early,
    lowered,
    relative,
)
from lowtail.claims.planning.core.plan import Plan, count, percent
from lowtail.claims.planning.core.populations import draw_populations
from lowtail.claims.planning.core.simulate import Series, pool, standard_series
from lowtail.claims.planning.core.trials import Answer, share_and_error
from lowtail.claims.planning.core.words import held_further, judged_words, shows
from lowtail.claims.planning.look_levels import SERIES, alone, edge_confidence, look_levels
from lowtail.claims.strength.governing import NAMES, batch_names, governing, treatments
from lowtail.claims.strength.judging import Judged, judge_bound
from lowtail.errors import InputError
from lowtail.models.confidence.distribution import confidence_distribution
from lowtail.models.distributions.families import NORMAL, Family
from lowtail.models.distributions.rounded import at_lower_edge
from lowtail.models.series.weibull_pivot import weibull_confidence

__all__ = ["looks"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

MOST_LOOKS = 12
Boundary = Literal["equal", "early strict"]
BOUNDARIES: tuple[str, ...] = get_args(Boundary)


@door
def looks(
    sample: SampleLike,
    claim: float | Claim,
    basis: str | Basis | None = None,
    *,
    every: int,
    assurance: float = 0.8,
    family: str | Family = "weibull",
    judge: Judge = GOVERNING,
    max_looks: int = 8,
    boundary: Boundary = "equal",
    survivors: float | None = None,
    rng: Seed = 0,
) -> Plan:
    """How many more specimens at most, looking after every few and stopping at the first success.

    The confidence asked at each look is raised, from simulated series at the edge of the claim, so that the total error
    stays what the basis states. The chance is taken over populations drawn from the confidence distribution of the data
    in hand, each look judged by the bound that governs for specimens like these, as in `more_samples`.

    Slips whose meaning is not stated are planned both ways, and the worse plan stands.

    Parameters
    ----------
    sample : Sample or array_like
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
        Distribution of the simulated populations: "weibull" (default), "normal" or "lognormal".
    judge : str
        "governing" (default): the rule that judges real series. "one distribution": the bound of ``family`` alone.
    max_looks : int
        Largest number of further looks, 1 to 12.
    boundary : {"equal", "early strict"}
        "equal": one level for all looks, best where an early stop is wanted. "early strict": early looks must be far
        clearer, and the last is asked little more than the stated confidence; best where testing will mostly go on.
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

    See Also
    --------
    plan.more_samples : one look, at the end.
    plan.look_confidence : the confidence asked at each look.

    References
    ----------
    Pocock (1977) Biometrika 64:191-199, one level for all looks; O'Brien and Fleming (1979) Biometrics 35:549-556 and
    Lan and DeMets (1983) Biometrika 70:659-663, error spent late (all from memory).

    Examples
    --------
    >>> import lowtail as lt
    >>> plan = lt.plan.looks([24.1, 25.3, 22.8, 26.0, 23.9], 16.0, every=5, judge="one distribution", max_looks=2)
    >>> plan.n
    0
    """
    sample = as_sample(sample)
    refuse_beyond_loads(sample.who, sample.n_between, sample.common_uncertainty, "a plan")
    aim = StrengthAim.of(claim, basis, family, judge)
    strength, found, family, edge = aim.strength, aim.basis, aim.family, aim.edge
    if not found.tolerance:
        raise InputError(f"Looks need a basis with a confidence, got '{found.name}' ({found.kind}).")
    target = check_assurance(assurance)
    step = check_whole(every, "every", 1)
    many = check_whole(max_looks, "max_looks", 1)
    if many > MOST_LOOKS:
        raise InputError(f"`max_looks` must be at most {MOST_LOOKS}, got {many}. Look less often.")
    if boundary not in BOUNDARIES:
        raise InputError(f"`boundary` must be 'equal' or 'early strict', got {boundary!r}.")
    check_in_hand(sample)
    held = sample.n_censored / sample.n if survivors is None else check_share(survivors, "survivors")
    generator = as_rng(rng)
    if aim.governed and len(treatments(sample)) > 1:
        both = [
            looks(
                each, aim.claim, every=step, assurance=target, family=family, judge=judge, max_looks=many,
                boundary=boundary, survivors=survivors, rng=int(generator.integers(2**31)),
            )
            for each in treatments(sample).values()
        ]  # fmt: skip
        return max(both, key=lambda plan: (math.inf if plan.n is None else plan.n, -plan.chance))
    placed = at_lower_edge(sample)
    known = confidence_distribution(placed, family)
    bound = governing(sample, found)
    judged = judge_bound(sample, strength, found, bound, math.nan) if aim.governed else None
    drawn = draw_populations(known, aim, generator, SERIES)
    seed, null = seeds(generator, 2)
    z, fresh = standard_series(family, step * many, SERIES, held, seed)
    series = _Looks(placed, drawn.location[:, None] + drawn.spread[:, None] * z, fresh, aim)
    ceiling = known.confidence_that(strength, found.fraction_below)
    if aim.governed:
        ceiling = drawn.attainable(ceiling, edge)
    edge_seed = int(null.generate_state(1)[0])
    at_edge, answers = [], []
    for j in range(many + 1):
        series.look(step * j)
        at_edge.append(edge_confidence(family, sample.n + step * j, held, found, edge_seed))
        levels = look_levels(np.column_stack(at_edge), sample.n + step * np.arange(j + 1), found.confidence, boundary)
        answers.append(_by_looks(series.reached(levels)))
        if j == 0 and judged is not None:
            answers[0] = [(1.0 if bound.these_batches >= strength else 0.0, 0.0)]
        if answers[j][-1][0] >= target:
            break
    last, won = j, answers[-1]
    enough = won[-1][0] >= target
    answer = Answer(
        n=step * last if enough else None,
        last=step * last,
        chance=won[-1][0],
        error=won[-1][1],
        before=answers[last - 1][-1][0] if last else math.nan,
        rows=[(step * i, *w) for i, w in enumerate(won)],
    )
    naive = float((np.column_stack(at_edge).max(axis=1) >= found.confidence).mean())
    asked = _asked(levels)
    return answer.plan(
        question="looks",
        claim=str(aim.claim),
        group=sample.label,
        family=family.name,
        basis=found.name,
        n_now=sample.n,
        assurance=target,
        ceiling=ceiling,
        sentence=_sentence(sample, aim, judged, answer, step, asked, step * sum(1 - w[0] for w in won[:-1])),
        assumptions=(
            f"Simulated populations: {NAMES[family.name]} distribution, location and scale as uncertain as the "
            f"{count(sample.n)} in hand leave them.",
            f"Judged after every {step} more, {_each(levels)}, by {_by_words(aim)}; testing stops at success.",
            held_further(held),
            *judged_words(held, early(*series.start)),
        ),
        changes=_costs(float(series.reached_at(last, found.confidence).mean()), step, last, naive, found),
        notes=_notes(sample),
    )


def _by_words(aim: StrengthAim) -> str:
    if aim.governed:
        return "the bound that governs (the lowest of the Weibull, the normal and the cautious bound)"
    return f"the bound of the {NAMES[aim.family.name]} distribution alone"


def _notes(sample: Sample) -> tuple[str, ...]:
    out = ["Decide the looks and the level before testing on; a look that was not planned spends confidence too."]
    if len(batch_names(sample)) > 1:
        out.append("For these batches only: a batch yet to come is judged by another bound, see `more_samples`.")
    return tuple(out)


class _Looks:
    """The pooled series at each look, and whether the bound that judges it reaches the claim at a level."""

    def __init__(self, sample: Sample, further: Array, fresh: Flags | None, aim: StrengthAim) -> None:
        self.start = np.asarray(aim.family.transform(sample.load), dtype=float), sample.broke
        self.further, self.fresh, self.aim = further, fresh, aim
        self.series: list[Series] = []
        self.seen: list[Array] = []

    def look(self, more: int) -> None:
        """Look with ``more`` further specimens."""
        family, basis, edge = self.aim.family, self.aim.basis, self.aim.edge
        y, flags = pool(*self.start, self.further[:, :more], None if self.fresh is None else self.fresh[:, :more])
        if not more:  # one series, the same in every population
            y, flags = y[:1], None if flags is None else flags[:1]
        u = relative(y, edge, on_log=family.on_log)
        if not self.aim.governed:
            shown = alone(y, flags, edge, family, basis)
        else:
            real = np.flatnonzero(np.isfinite(u).all(axis=1))
            shown = np.zeros(y.shape[0])
            some = None if flags is None else flags[real]
            load = np.exp(np.clip(u[real], -FAR, FAR))
            shown[real] = np.minimum(
                weibull_confidence(u[real], some, 0.0, basis.fraction_below), alone(load, some, 1.0, NORMAL, basis)
            )
        if flags is not None and early(*self.start):
            shown = np.minimum(shown, lowered(y, flags, edge, family, basis, shown))
        self.series.append((u, flags))
        self.seen.append(shown)

    def reached_at(self, look: int, level: float) -> Flags:
        """Whether the bound at this level reaches the claim at one look, in every population."""
        shown, (u, flags) = self.seen[look] >= level, self.series[look]
        if self.aim.governed:
            rows = np.flatnonzero(shown)
            some = None if flags is None else flags[rows]
            shown[rows] = cautious_reaches(u[rows], some, self.aim.basis.fraction_below, level)
        return np.broadcast_to(shown, (self.further.shape[0],))

    def reached(self, levels: Array) -> Flags:
        """Whether each look succeeds at its level, shape (B, looks)."""
        return np.column_stack([self.reached_at(j, float(level)) for j, level in enumerate(levels)])


def _asked(levels: Array) -> str:
    """Levels in words."""
    if np.ptp(levels) == 0:
        return f"asking {100 * levels[0]:.1f} % confidence at each look"
    return f"asking {_list(levels)} % confidence at the looks in turn"


def _each(levels: Array) -> str:
    if np.ptp(levels) == 0:
        return f"each time at {100 * levels[0]:.2f} % confidence"
    return f"at {_list(levels)} % confidence in turn"


def _list(levels: Array) -> str:
    return ", ".join(f"{np.ceil(100_000 * x) / 1000:.6g}" for x in levels)


def _by_looks(won: Flags) -> list[tuple[float, float]]:
    """Chance, with its error, to have succeeded by each look."""
    reached = np.maximum.accumulate(won, axis=1)
    return [share_and_error(reached[:, j]) for j in range(won.shape[1])]


def _sentence(
    sample: Sample,
    aim: StrengthAim,
    judged: Judged | None,
    answer: Answer,
    step: int,
    asked: str,
    spent: float,
) -> str:
    who = f"{sample.label}: " if sample.label else ""
    how = f"looking after every {count(step)} and {asked}"
    what = shows(aim)
    if answer.n == 0 and judged is not None:
        return f"{who}no further look is needed with the {count(sample.n)} in hand: {judged.sentence.rstrip('.')}."
    if answer.n == 0:
        return f"{who}the {count(sample.n)} in hand already demonstrate {what}: no further look is needed."
    if answer.n is None:
        return f"{who}{how}, {answer.last} more demonstrate {what} with a chance of only {percent(answer.chance)}."
    return (
        f"{who}{how}, at most {count(answer.n, 'more specimen')} demonstrate {what} with a chance of "
        f"{percent(answer.chance)}; {spent:.3g} are used on average."
    )


def _costs(once: float, step: int, last: int, naive: float, basis: Basis) -> tuple[str, ...]:
    """What looking costs: chance against one look at the end, and the error of looks without a higher level."""
    if last == 0:
        return ()
    return (
        f"One look only, after all {step * last} more, at {100 * basis.confidence:g} %: a chance of {percent(once)}.",
        f"Looking {last + 1} times at {100 * basis.confidence:g} % each, by one distribution alone, would pass a claim "
        f"that is only just false in {100 * naive:.1f} % of series, not {100 * (1 - basis.confidence):.3g} %.",
    )
