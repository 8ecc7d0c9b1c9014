"""Testing on with looks: how many more at most, and at which confidence each look must be judged.

A tester who judges the claim after every few specimens and stops at the first success has many chances to succeed by
luck. Here the looks are judged at a higher confidence, set so that the whole procedure, the look at the specimens in
hand included, wrongly passes a claim no more often than a single look at the stated confidence. The levels are those
that the bound of the one distribution alone needs; at each look the governing bound at that level judges, which never
passes what that bound does not.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail._shared.checks import door
from lowtail._shared.parallel import Seed, as_rng, seeds
from lowtail.claims.basis import Basis
from lowtail.claims.planning.core.answer import Answer
from lowtail.claims.planning.core.endless import endless_limit
from lowtail.claims.planning.core.judge import (
    FAR,
    GOVERNING,
    Judge,
    cautious_reaches,
    check_judge,
    normal_factor_confidence,
    relative,
)
from lowtail.claims.planning.core.plan import (
    Claim,
    Plan,
    check_assurance,
    check_share,
    check_whole,
    count,
    percent,
    strength_claim,
)
from lowtail.claims.planning.core.populations import draw_worlds
from lowtail.claims.planning.core.simulate import early, judged_words, lowered, standard_series
from lowtail.claims.planning.core.trials import share_and_error
from lowtail.claims.planning.core.words import shows
from lowtail.claims.strength.governing import NAMES, batch_names, governing, treatments
from lowtail.claims.strength.judging import Judged, judge_bound
from lowtail.errors import InputError
from lowtail.logs.sample import Sample, SampleLike, as_sample
from lowtail.models.confidence.distribution import confidence_distribution
from lowtail.models.distributions.families import NORMAL, Family, get_family
from lowtail.models.series.normal_pivot import normal_confidence
from lowtail.models.series.weibull_pivot import weibull_confidence

__all__ = ["look_confidence", "look_levels", "looks"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

SERIES = 6400  # simulated populations, stratified; twice as many at the edge of the claim
MOST_LOOKS = 12
Boundary = Literal["equal", "early strict"]
BOUNDARIES: tuple[str, ...] = get_args(Boundary)
FEW = 20  # simulated successes below which a level is set by its part of the error alone


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
    strength, found, stated = strength_claim(claim, basis)
    if not found.tolerance:
        raise InputError(f"Looks need a basis with a confidence, got '{found.name}' ({found.kind}).")
    law, by = get_family(family), check_judge(judge)
    target = check_assurance(assurance)
    step = check_whole(every, "every", 1)
    many = check_whole(max_looks, "max_looks", 1)
    if many > MOST_LOOKS:
        raise InputError(f"`max_looks` must be at most {MOST_LOOKS}, got {many}. Look less often.")
    if boundary not in BOUNDARIES:
        raise InputError(f"`boundary` must be 'equal' or 'early strict', got {boundary!r}.")
    held = sample.n_censored / sample.n if survivors is None else check_share(survivors, "survivors")
    generator = as_rng(rng)
    if by == GOVERNING and len(treatments(sample)) > 1:
        both = [
            looks(
                each, stated, found, every=step, assurance=target, family=law, judge=by, max_looks=many,
                boundary=boundary, survivors=survivors, rng=int(generator.integers(2**31)),
            )
            for each in treatments(sample).values()
        ]  # fmt: skip
        return max(both, key=lambda plan: (math.inf if plan.n is None else plan.n, -plan.chance))
    known = confidence_distribution(sample, law)
    bound = governing(sample, found)
    judged = judge_bound(sample, strength, found, bound, math.nan) if by == GOVERNING else None
    edge = float(law.transform(strength))
    worlds = draw_worlds(known, law, edge, found, generator, SERIES)
    seed, null = seeds(generator, 2)
    z, fresh = standard_series(law, step * many, SERIES, held, seed)
    series = _Looks(sample, worlds.location[:, None] + worlds.spread[:, None] * z, fresh, edge, law, found, by)
    ceiling = known.confidence_that(strength, found.fraction_below)
    if by == GOVERNING and ceiling > 0:
        true = worlds.margin >= 0
        limit = endless_limit(law, worlds.location, worlds.spread, found)
        ceiling *= float((limit[true] >= edge).mean()) if true.any() else 0.0
    edge_seed = int(null.generate_state(1)[0])
    at_edge, answers = [], []
    for j in range(many + 1):
        series.look(step * j)
        at_edge.append(_edge_confidence(law, sample.n + step * j, held, found, edge_seed))
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
        claim=str(stated),
        group=sample.label,
        family=law.name,
        basis=found.name,
        n_now=sample.n,
        assurance=target,
        ceiling=ceiling,
        sentence=_sentence(
            sample, strength, found, judged, answer, step, asked, step * sum(1 - w[0] for w in won[:-1])
        ),
        assumptions=(
            f"Simulated populations: {NAMES[law.name]} distribution, location and scale as uncertain as the "
            f"{count(sample.n)} in hand leave them.",
            f"Judged after every {step} more, {_each(levels)}, by {_by_words(by, law)}; testing stops at success.",
            "All further specimens break." if held == 0 else f"{100 * held:.3g} % of the further specimens hold.",
            *judged_words(held, early(*series.start)),
        ),
        changes=_costs(float(series.reached_at(last, found.confidence).mean()), step, last, naive, found),
        notes=_notes(sample),
    )


def _by_words(judge: str, law: Family) -> str:
    if judge == GOVERNING:
        return "the bound that governs (the lowest of the Weibull, the normal and the cautious bound)"
    return f"the bound of the {NAMES[law.name]} distribution alone"


def _notes(sample: Sample) -> tuple[str, ...]:
    out = ["Decide the looks and the level before testing on; a look that was not planned spends confidence too."]
    if len(batch_names(sample)) > 1:
        out.append("For these batches only: a batch yet to come is judged by another bound, see `more_samples`.")
    return tuple(out)


class _Looks:
    """The pooled series at each look, and whether the bound that judges it reaches the claim at a level."""

    def __init__(
        self, sample: Sample, further: Array, fresh: Flags | None, edge: float, law: Family, basis: Basis, judge: str
    ) -> None:
        self.start = np.asarray(law.transform(sample.load), dtype=float), sample.broke
        self.further, self.fresh, self.edge, self.law, self.basis, self.judge = further, fresh, edge, law, basis, judge
        self.series: list[tuple[Array, Flags | None]] = []
        self.seen: list[Array] = []

    def look(self, more: int) -> None:
        """Look with ``more`` further specimens."""
        y, flags = _pool(self.start, self.further[:, :more], None if self.fresh is None else self.fresh[:, :more])
        if not more:  # one series, the same in every population
            y, flags = y[:1], None if flags is None else flags[:1]
        u = relative(y, self.edge, on_log=self.law.on_log)
        if self.judge != GOVERNING:
            shown = _judged(y, flags, self.edge, self.law, self.basis)
        else:
            real = np.flatnonzero(np.isfinite(u).all(axis=1))
            shown = np.zeros(y.shape[0])
            some = None if flags is None else flags[real]
            load = np.exp(np.clip(u[real], -FAR, FAR))
            shown[real] = np.minimum(
                weibull_confidence(u[real], some, 0.0, self.basis.fraction_below),
                _judged(load, some, 1.0, NORMAL, self.basis),
            )
        if flags is not None and early(*self.start):
            shown = np.minimum(shown, lowered(y, flags, self.edge, self.law, self.basis, shown))
        self.series.append((u, flags))
        self.seen.append(shown)

    def reached_at(self, look: int, level: float) -> Flags:
        """Whether the bound at this level reaches the claim at one look, in every population."""
        shown, (u, flags) = self.seen[look] >= level, self.series[look]
        if self.judge == GOVERNING:
            rows = np.flatnonzero(shown)
            some = None if flags is None else flags[rows]
            shown[rows] = cautious_reaches(u[rows], some, self.basis.fraction_below, level)
        return np.broadcast_to(shown, (self.further.shape[0],))

    def reached(self, levels: Array) -> Flags:
        """Whether each look succeeds at its level, shape (B, looks)."""
        return np.column_stack([self.reached_at(j, float(level)) for j, level in enumerate(levels)])


def look_levels(at_edge: Array, sizes: NDArray[np.intp], confidence: float, boundary: str) -> Array:
    """Confidence to ask at each look, so that series at the edge of the claim succeed no more often than stated.

    "equal" asks one confidence at all looks. "early strict" spends the error 1 - confidence by the share t of the
    specimens tested, as 2 - 2 normal((z at half the error) / sqrt(t)): hardly any at first, most at the end.
    """
    error = 1 - confidence
    looks = at_edge.shape[1]
    if looks == 1:
        return np.array([confidence])
    if boundary == "equal":
        return np.full(looks, max(confidence, float(np.quantile(at_edge.max(axis=1), confidence))))
    spend = 2 * special.ndtr(special.ndtri(error / 2) / np.sqrt(sizes / sizes[-1]))
    levels = np.ones(looks)
    running = np.ones(at_edge.shape[0], dtype=bool)
    for j in range(looks):
        part = spend[j] - (spend[j - 1] if j else 0.0)
        levels[j] = 1 - part  # no more than this part can succeed here, whatever came before
        wanted = int(np.floor(spend[j] * running.size)) - int((~running).sum())
        left = np.sort(at_edge[running, j])
        if FEW <= wanted < left.size:
            levels[j] = min(levels[j], max(confidence, float(left[left.size - wanted])))
        running &= at_edge[:, j] < levels[j]
    return levels


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


@door
def look_confidence(
    family: str | Family, basis: str | Basis, n_now: int, every: int, looks: int, *, rng: int = 0
) -> tuple[float, float]:
    """Confidence to ask at each look so that the total error is that of the basis, and the total error without it.

    Looks at ``n_now`` specimens and after every ``every`` further ones, ``looks`` times; every specimen breaks.

    See Also
    --------
    plan.looks : the plan made with it.

    Examples
    --------
    >>> import lowtail as lt
    >>> each, without = lt.plan.look_confidence("normal", "B-basis", 5, 5, 2)
    >>> each > 0.95, without > 0.05
    (True, True)
    """
    from lowtail.claims.basis import get_basis

    law, found = get_family(family), get_basis(basis)
    check_whole(n_now, "n_now", 2), check_whole(every, "every", 1), check_whole(looks, "looks", 1)
    as_rng(rng)
    at_edge = [_edge_confidence(law, n_now + every * j, 0.0, found, rng) for j in range(looks + 1)]
    seen = np.column_stack(at_edge)
    level = look_levels(seen, n_now + every * np.arange(looks + 1), found.confidence, "equal")[0]
    return float(level), float((seen.max(axis=1) >= found.confidence).mean())


def _by_looks(won: Flags) -> list[tuple[float, float]]:
    """Chance, with its error, to have succeeded by each look."""
    reached = np.maximum.accumulate(won, axis=1)
    return [share_and_error(reached[:, j]) for j in range(won.shape[1])]


@lru_cache(maxsize=64)
def _edge_confidence(family: Family, n: int, held: float, basis: Basis, seed: int) -> Array:
    """Confidence in fresh series of n whose true percentile lies exactly at the claim; longer ones continue shorter."""
    z, fresh = standard_series(family, n, 2 * SERIES, held, np.random.SeedSequence(seed))
    return _judged(z, fresh, float(family.quantile(basis.fraction_below)), family, basis)


def _pool(start: tuple[Array, Flags], y: Array, fresh: Flags | None) -> tuple[Array, Flags | None]:
    """The series in hand followed by further ones, and which broke (None: all)."""
    size = y.shape[0]
    pooled = np.concatenate([np.tile(start[0], (size, 1)), y], axis=1)
    if fresh is None and start[1].all():
        return pooled, None
    new = np.ones(y.shape, dtype=bool) if fresh is None else fresh
    return pooled, np.concatenate([np.tile(start[1], (size, 1)), new], axis=1)


def _judged(y: Array, flags: Flags | None, claim: float, family: Family, basis: Basis) -> Array:
    """Confidence by one distribution that the percentile is at least the claim."""
    if family.name == "weibull":
        return weibull_confidence(y, flags, claim, basis.fraction_below)
    if flags is not None:
        return normal_confidence(
            y, flags, claim, basis.fraction_below, (1 + 2 * basis.confidence) / 3, (1 - basis.confidence) / 3
        )
    return normal_factor_confidence(y, claim, basis.fraction_below)


def _sentence(
    sample: Sample,
    strength: float,
    basis: Basis,
    judged: Judged | None,
    answer: Answer,
    step: int,
    asked: str,
    spent: float,
) -> str:
    who = f"{sample.label}: " if sample.label else ""
    how = f"looking after every {count(step)} and {asked}"
    what = shows(strength, basis)
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
