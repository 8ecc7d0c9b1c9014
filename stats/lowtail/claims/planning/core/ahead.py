"""What is asked of a plan with data in hand, made ready: populations drawn, the highest attainable chance known."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lowtail._shared.parallel import seeds
from lowtail.claims.basis import Basis
from lowtail.claims.planning.core.answer import Answer, between_looks, looks_at
from lowtail.claims.planning.core.batch_populations import BatchesInHand, batch_trials_in, draw_batch_worlds
from lowtail.claims.planning.core.endless import endless_limit
from lowtail.claims.planning.core.judge import GOVERNING
from lowtail.claims.planning.core.plan import Claim, Plan, check_in_hand, count
from lowtail.claims.planning.core.populations import draw_worlds, trials_in
from lowtail.claims.planning.core.trials import Trials
from lowtail.claims.planning.core.words import Told, assumptions, changes, notes, sentence
from lowtail.claims.strength.governing import Governing, governing, treatments
from lowtail.claims.strength.judging import Judged, judge, judge_bound
from lowtail.logs.sample import Sample, refuse_beyond_loads
from lowtail.models.confidence.distribution import confidence_distribution
from lowtail.models.distributions.families import Family
from lowtail.models.distributions.rounded import at_lower_edge

__all__ = ["Ahead", "Wanted", "look_ahead", "none_broke"]

Array = NDArray[np.float64]

LOOKS = (0, 1, 2, 3, 5, 8, 13, 20, 30, 45, 70, 120, 200)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What is asked: a strength on a basis with a chance, and what is assumed of further specimens.

    ``search`` is False where no number is looked for, only a curve of chances.
    """

    strength: float
    basis: Basis
    claim: Claim
    family: Family
    judge: str = GOVERNING
    target: float = 0.8
    search: bool = True
    most: int = 60
    per_batch: int | None = None
    survivors: float | None = None
    price: float | None = None
    n_jobs: int = 1

    @property
    def edge(self) -> float:
        """The strength as a value of y."""
        return float(self.family.transform(self.strength))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ahead:
    """One reading of the data in hand with its simulated populations.

    Attributes
    ----------
    told : Told
    trials : Trials
        Success by further specimens or batches.
    spread : (B,) array
        Scatter of the populations in the order of the outcomes.
    wanted : Wanted
    now : bool
        Whether the specimens in hand reach the claim.
    """

    told: Told
    trials: Trials[int]
    spread: Array
    wanted: Wanted
    now: bool

    @property
    def unit(self) -> str:
        """What is counted: "specimen" or "batch"."""
        return "batch" if self.told.size else "specimen"

    @property
    def ceiling(self) -> float:
        """Highest attainable chance."""
        return self.told.ceiling

    def plan(self) -> Plan:
        """The smallest number found that reaches the chance asked for, one fewer does not."""
        told, wanted = self.told, self.wanted
        answer = between_looks(self.trials, wanted.target, _looks(told), beyond=True)
        size = max(told.size, 1)
        return answer.plan(
            question="more samples",
            unit=self.unit,
            per_batch=told.size,
            claim=str(wanted.claim),
            group=told.sample.label,
            family=wanted.family.name,
            basis=wanted.basis.name,
            n_now=told.sample.n,
            arms=() if answer.n is None else (told.size,) * answer.n if told.size else (answer.n,),
            assurance=wanted.target,
            ceiling=told.ceiling,
            price=None if wanted.price is None else wanted.price * size,
            sentence=sentence(told, answer),
            assumptions=assumptions(told),
            changes=changes(self.spread, self.trials.outcomes(answer.last), answer.last, told.size),
            notes=notes(told, answer),
        )


def _looks(told: Told) -> list[int]:
    """Numbers to try in turn."""
    if told.judge == GOVERNING and told.basis.tolerance and not told.size:
        return looks_at(0, told.most, told.basis, told.sample.n)
    return [m for m in LOOKS if m < told.most] + [told.most]


def look_ahead(sample: Sample, wanted: Wanted, rng: int) -> list[Ahead]:
    """Make every reading of the slips ready; the plan of a group is the worse of them.

    Raises
    ------
    NoAnswerError
        If the sample carries no bound to plan from, or more than 5,000 specimens are in hand.
    """
    refuse_beyond_loads(sample.who, sample.n_between, sample.common_uncertainty, "a plan")
    check_in_hand(sample)
    if wanted.judge != GOVERNING or not wanted.basis.tolerance:
        judged = None if wanted.judge != GOVERNING else judge(sample, wanted.strength, wanted.basis)
        return [_specimens(at_lower_edge(sample), wanted, np.random.default_rng(rng), None, judged)]
    whole = governing(sample, wanted.basis)
    judged = judge_bound(sample, wanted.strength, wanted.basis, whole, math.nan)
    out = []
    for each in treatments(sample).values():
        bound = whole if each is sample else governing(each, wanted.basis)
        batches = math.isfinite(bound.next_batch)
        ready, placed = _batches if batches else _specimens, at_lower_edge(each, by_batch=batches)
        out.append(ready(placed, wanted, np.random.default_rng(rng), bound, judged))
    return out


def none_broke(sample: Sample, wanted: Wanted) -> Plan | None:
    """Plan of a group of which none broke, where enough held to show the claim; else None: nothing to plan from."""
    if sample.n_broken or sample.n_slipped or wanted.judge != GOVERNING or not wanted.basis.tolerance:
        return None
    judged = judge(sample, wanted.strength, wanted.basis)
    if not judged.verdict.backed:
        return None
    answer = Answer(n=0, last=0, chance=1.0, error=0.0, before=math.nan, rows=[(0, 1.0, 0.0)])
    who = f"{sample.label}: " if sample.label else ""
    return answer.plan(
        question="more samples",
        claim=str(wanted.claim),
        group=sample.label,
        family=wanted.family.name,
        basis=wanted.basis.name,
        n_now=sample.n,
        assurance=wanted.target,
        sentence=f"{who}already shown by the {count(sample.n)} in hand: {judged.sentence}.",
        notes=("None broke: shown by the number that held, no distribution assumed.",),
    )


def _share_held(sample: Sample, wanted: Wanted) -> float:
    return sample.n_censored / sample.n if wanted.survivors is None else wanted.survivors


def _attainable(exact: float, margin: Array, limit: Array, edge: float) -> float:
    """Share of populations in which an endless series reaches the claim: at most the share in which it is true."""
    true = margin >= 0
    return exact * float((limit[true] >= edge).mean()) if true.any() else 0.0


def _dealt(values: Array, blocks: int) -> Array:
    """Values in the order in which `Trials.outcomes` deals the blocks."""
    return np.stack([values[b::blocks] for b in range(blocks)], axis=1).ravel()


def _specimens(
    sample: Sample, wanted: Wanted, rng: np.random.Generator, bound: Governing | None, judged: Judged | None
) -> Ahead:
    law, basis, edge = wanted.family, wanted.basis, wanted.edge
    known = confidence_distribution(sample, law)
    worlds = draw_worlds(known, law, edge, basis, rng)
    held, goal = _share_held(sample, wanted), wanted.target if wanted.search else None
    limit = endless_limit(law, worlds.location, worlds.spread, basis)
    if not basis.tolerance:
        ceiling = float((worlds.margin >= 0).mean())
    else:
        ceiling = known.confidence_that(wanted.strength, basis.fraction_below)
        if wanted.judge == GOVERNING:
            ceiling = _attainable(ceiling, worlds.margin, limit, edge)
    now = None if bound is None else bound.these_batches >= wanted.strength
    trials = trials_in(
        worlds, sample, edge, basis, held, seeds(rng, 4), goal, wanted.n_jobs, judge=wanted.judge, now=now
    )
    told = Told(
        sample=sample,
        strength=wanted.strength,
        basis=basis,
        family=law,
        judge=wanted.judge,
        target=wanted.target,
        most=wanted.most,
        ceiling=ceiling,
        survivors=held,
        estimate=known.low(basis.fraction_below, 0.5) if basis.tolerance else math.nan,
        low=bound.these_batches if bound else math.nan,
        judged=judged,
    )
    here = bool(trials.outcomes(0, 1)[0]) if now is None else now
    return Ahead(told=told, trials=trials, spread=worlds.spread, wanted=wanted, now=here)


def _batches(
    sample: Sample, wanted: Wanted, rng: np.random.Generator, bound: Governing, judged: Judged | None
) -> Ahead:
    law, basis, edge = wanted.family, wanted.basis, wanted.edge
    hand = BatchesInHand.of(sample, law)
    size = max(1, round(sample.n / hand.y.shape[0])) if wanted.per_batch is None else wanted.per_batch
    worlds = draw_batch_worlds(sample, law, edge, basis, rng)
    held, goal = _share_held(sample, wanted), wanted.target if wanted.search else None
    now = bound.next_batch >= wanted.strength
    trials = batch_trials_in(worlds, hand, edge, basis, size, held, seeds(rng, 4), goal, wanted.n_jobs, now=now)
    told = Told(
        sample=sample,
        strength=wanted.strength,
        basis=basis,
        family=law,
        judge=wanted.judge,
        target=wanted.target,
        most=max(1, wanted.most // size),
        ceiling=_attainable(float((worlds.margin >= 0).mean()), worlds.margin, worlds.limit, edge),
        survivors=held,
        estimate=float(np.median(law.inverse(edge + worlds.margin * worlds.within))),
        low=bound.low,
        judged=judged,
        size=size,
    )
    return Ahead(told=told, trials=trials, spread=np.hypot(worlds.between, worlds.within), wanted=wanted, now=now)
