"""What is asked of a plan with data in hand, made ready: populations drawn, the highest attainable chance known."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lowtail._shared.parallel import seeds
from lowtail._shared.sample import Sample, refuse_beyond_loads
from lowtail.claims.planning.core.batch_populations import BatchesInHand, PooledBatches, draw_batch_populations
from lowtail.claims.planning.core.claim import check_in_hand
from lowtail.claims.planning.core.experiments import PooledSeries
from lowtail.claims.planning.core.judge import GOVERNING, StrengthAim
from lowtail.claims.planning.core.plan import Plan, count
from lowtail.claims.planning.core.populations import BLOCKS, draw_populations
from lowtail.claims.planning.core.trials import Answer, Trials, between_looks, looks_at
from lowtail.claims.planning.core.words import Told, assumptions, changes, notes, sentence
from lowtail.claims.strength.governing import Governing, governing, treatments
from lowtail.claims.strength.judging import Judged, judge, judge_bound
from lowtail.models.confidence.distribution import confidence_distribution
from lowtail.models.distributions.rounded import at_lower_edge

__all__ = ["Ahead", "Wanted", "look_ahead", "none_broke"]

Array = NDArray[np.float64]

LOOKS = (0, 1, 2, 3, 5, 8, 13, 20, 30, 45, 70, 120, 200)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What is asked: an aim with a chance, and what is assumed of further specimens.

    ``search`` is False where no number is looked for, only a curve of chances.
    """

    aim: StrengthAim
    target: float = 0.8
    search: bool = True
    most: int = 60
    per_batch: int | None = None
    survivors: float | None = None
    price: float | None = None
    n_jobs: int = 1


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
            claim=str(wanted.aim.claim),
            group=told.sample.label,
            family=wanted.aim.family.name,
            basis=wanted.aim.basis.name,
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
    if told.aim.governed and not told.size:
        return looks_at(0, told.most, told.aim.basis, told.sample.n)
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
    aim = wanted.aim
    if not aim.governed:
        judged = None if aim.judge != GOVERNING else judge(sample, aim.strength, aim.basis)
        return [_specimens(at_lower_edge(sample), wanted, np.random.default_rng(rng), None, judged)]
    whole = governing(sample, aim.basis)
    judged = judge_bound(sample, aim.strength, aim.basis, whole, math.nan)
    out = []
    for each in treatments(sample).values():
        bound = whole if each is sample else governing(each, aim.basis)
        batches = math.isfinite(bound.next_batch)
        ready, placed = _batches if batches else _specimens, at_lower_edge(each, by_batch=batches)
        out.append(ready(placed, wanted, np.random.default_rng(rng), bound, judged))
    return out


def none_broke(sample: Sample, wanted: Wanted) -> Plan | None:
    """Plan of a group of which none broke, where enough held to show the claim; else None: nothing to plan from."""
    if sample.n_broken or sample.n_slipped or not wanted.aim.governed:
        return None
    judged = judge(sample, wanted.aim.strength, wanted.aim.basis)
    if not judged.verdict.backed:
        return None
    answer = Answer(n=0, last=0, chance=1.0, error=0.0, before=math.nan, rows=[(0, 1.0, 0.0)])
    who = f"{sample.label}: " if sample.label else ""
    return answer.plan(
        question="more samples",
        claim=str(wanted.aim.claim),
        group=sample.label,
        family=wanted.aim.family.name,
        basis=wanted.aim.basis.name,
        n_now=sample.n,
        assurance=wanted.target,
        sentence=f"{who}already shown by the {count(sample.n)} in hand: {judged.sentence}.",
        notes=("None broke: shown by the number that held, no distribution assumed.",),
    )


def _share_held(sample: Sample, wanted: Wanted) -> float:
    return sample.n_censored / sample.n if wanted.survivors is None else wanted.survivors


def _specimens(
    sample: Sample, wanted: Wanted, rng: np.random.Generator, bound: Governing | None, judged: Judged | None
) -> Ahead:
    aim = wanted.aim
    known = confidence_distribution(sample, aim.family)
    drawn = draw_populations(known, aim, rng)
    ceiling, estimate = float((drawn.margin >= 0).mean()), math.nan
    if aim.basis.tolerance:
        ceiling = known.confidence_that(aim.strength, aim.basis.fraction_below)
        estimate = known.low(aim.basis.fraction_below, 0.5)
    if aim.governed:
        ceiling = drawn.attainable(ceiling, aim.edge)
    held = _share_held(sample, wanted)
    now = None if bound is None else bound.these_batches >= aim.strength
    trials = _trials(PooledSeries(drawn, sample, aim, held, seeds(rng, BLOCKS), now), wanted)
    told = Told(
        sample=sample,
        aim=aim,
        target=wanted.target,
        most=wanted.most,
        ceiling=ceiling,
        survivors=held,
        estimate=estimate,
        low=bound.these_batches if bound else math.nan,
        judged=judged,
    )
    here = bool(trials.outcomes(0, 1)[0]) if now is None else now
    return Ahead(told=told, trials=trials, spread=drawn.spread, wanted=wanted, now=here)


def _batches(
    sample: Sample, wanted: Wanted, rng: np.random.Generator, bound: Governing, judged: Judged | None
) -> Ahead:
    aim, hand = wanted.aim, BatchesInHand.of(sample, wanted.aim.family)
    size = max(1, round(sample.n / hand.y.shape[0])) if wanted.per_batch is None else wanted.per_batch
    drawn = draw_batch_populations(sample, aim, rng)
    held, now = _share_held(sample, wanted), bound.next_batch >= aim.strength
    trials = _trials(PooledBatches(drawn, hand, aim, size, held, seeds(rng, BLOCKS), now), wanted)
    told = Told(
        sample=sample,
        aim=aim,
        target=wanted.target,
        most=max(1, wanted.most // size),
        ceiling=drawn.attainable(float((drawn.margin >= 0).mean()), aim.edge),
        survivors=held,
        estimate=float(np.median(aim.family.inverse(aim.edge + drawn.margin * drawn.spread))),
        low=bound.low,
        judged=judged,
        size=size,
    )
    return Ahead(told=told, trials=trials, spread=drawn.total_spread, wanted=wanted, now=now)


def _trials(experiment: PooledSeries | PooledBatches, wanted: Wanted) -> Trials[int]:
    return Trials(experiment, wanted.target if wanted.search else None, wanted.n_jobs)
