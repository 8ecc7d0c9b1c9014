"""Do plans succeed as often as they say under the rule that judges? Run: ``python tests/truth/plan_rule.py``.

Each plan asks for a chance of 0.80. Its number is tested in fresh populations drawn with another seed, and each series
is judged by the exact engines, not by the quick forms of the planner: `confidence_many` (Weibull and normal),
`cautious_many`, and for batches the engines of `batch_bound`. ``succeeded`` must agree with ``predicted`` within
2 points and the error of the study. Writes plan_rule.csv.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import special

import lowtail as lt
from lowtail.claims.planning.core.population import Population
from lowtail.claims.planning.core.simulate import standard_series
from lowtail.models.batches.normal_batches import batch_sums, pivotal_below
from lowtail.models.batches.weibull_batches import weibull_batches
from lowtail.models.bounds.cautious import cautious_many
from lowtail.models.distributions.families import get_family

BASIS, SEED = lt.BASES["B-basis"], 8123
FIVE = lt.Sample([24.1, 25.3, 22.8, 26.0, 23.9], label="five")
HELD = lt.Sample([24.1, 25.3, 22.8, 26.0, 23.9, 26.4], [True, True, True, True, True, False], label="sling")
TWO = lt.Sample([11.75, 12.03, 11.26, 11.32, 10.91, 11.93, 10.51, 11.73], batch=list("aaaabbbb"), label="two batches")
THREE = lt.Sample([24.1, 25.3, 24.8, 23.9, 25.0, 24.4, 25.6], batch=list("aabbccc"), label="three unequal batches")


def reaches(load: np.ndarray, broke: np.ndarray, claim: float) -> np.ndarray:
    """Whether the lowest of the Weibull, the normal and the cautious bound reaches the claim, by the exact engines."""
    won = np.ones(len(load), dtype=bool)
    positive = (load > 0).all(axis=1)
    won &= positive
    for family in ("weibull", "normal"):
        rows = np.flatnonzero(won)
        got = np.nan_to_num(lt.many.confidence_that(load[rows], broke[rows], family, claim, BASIS.fraction_below))
        won[rows] = got >= BASIS.confidence
    rows = np.flatnonzero(won)
    low = cautious_many(load[rows], broke[rows], BASIS.fraction_below, BASIS.confidence)
    won[rows] = np.isnan(low) | (low >= claim)
    return won


def more(sample: lt.Sample, claim: float, family: str, size: int) -> dict[str, object]:
    law = get_family(family)
    plan = lt.plan.more_samples(sample, claim, BASIS, family=family)
    location, spread = lt.confidence_distribution(sample, law).draws(size, np.random.default_rng(SEED))
    z, fresh = standard_series(law, plan.n or 60, size, sample.n_held / sample.n, np.random.SeedSequence(SEED + 1))
    load = np.column_stack([np.tile(sample.load, (size, 1)), law.inverse(location[:, None] + spread[:, None] * z)])
    new = np.ones(z.shape, dtype=bool) if fresh is None else fresh
    return row(
        f"more, {sample.label}, {family}",
        plan,
        reaches(load, np.column_stack([np.tile(sample.broke, (size, 1)), new]), claim),
    )


def new(claim: float, family: str, size: int) -> dict[str, object]:
    law, population = get_family(family), Population.of(family, 25.0, 0.05)
    plan = lt.plan.new_series(claim, BASIS, mean=25, cv=0.05, family=family)
    z, _ = standard_series(law, plan.n or 2, size, 0.0, np.random.SeedSequence(SEED + 2))
    load = law.inverse(population.location + population.spread * z)
    return row(f"new series, {family}", plan, reaches(load, np.ones(load.shape, dtype=bool), claim))


def batches(sample: lt.Sample, claim: float, size: int) -> dict[str, object]:
    """Populations drawn anew from the pivotal quantities of middle, between and within."""
    plan = lt.plan.more_samples(sample, claim, BASIS)
    number = np.unique(sample.batch, return_inverse=True)[1]
    known, rng = weibull_batches(np.log(sample.load), sample.broke, number), np.random.default_rng(SEED + 3)
    a, each, lots = known.batches, plan.per_batch, plan.n or 20
    node = rng.choice(known.k.size, size, p=known.weight / known.weight.sum())
    k, squares, u = known.k[node], known.squares[node], rng.chisquare(a - 1, size)
    between = np.sqrt(np.maximum(squares / u - known.error / k**2, 0.0))
    middle = known.centre[node] + rng.standard_normal(size) * np.sqrt(squares / (a * u))
    place = middle[:, None] + np.minimum(between, 50.0)[:, None] * rng.standard_normal((size, lots))
    y = place[:, :, None] + np.log(rng.standard_exponential((size, lots, each))) / k[:, None, None]
    y = np.concatenate([np.tile(np.log(sample.load), (size, 1)), y.reshape(size, -1)], axis=1)
    y = np.log(claim) + np.clip(y - np.log(claim), -100.0, 100.0)
    batch = np.concatenate([number, a + np.repeat(np.arange(lots), each)])
    won = reaches(np.exp(y), np.ones(y.shape, dtype=bool), claim)
    z = float(special.ndtri(BASIS.fraction_below))
    for i in np.flatnonzero(won):
        won[i] = weibull_batches(y[i], np.ones(y[i].size, dtype=bool), batch).below(np.log(claim), 0.1) <= 0.05
        if won[i]:
            sums = batch_sums([np.exp(y[i][batch == b]) for b in range(a + lots)])
            parts = [np.array([x]) for x in (sums.mean - claim, sums.between, sums.within)]
            won[i] = pivotal_below(*parts, sums.sizes, z, 240)[0] <= 0.05
    return row(f"batches, {sample.label}", plan, won)


def row(kind: str, plan: lt.plan.Plan, won: np.ndarray) -> dict[str, object]:
    return {
        "kind": kind, "unit": plan.unit, "n": plan.n, "predicted": plan.chance, "plan_error": plan.mc_error,
        "one_fewer": plan.chance_before, "succeeded": won.mean(),
        "study_error": np.sqrt(won.mean() * (1 - won.mean()) / won.size), "populations": won.size,
    }  # fmt: skip


def main(share: float = 1.0) -> None:
    def n(full: int) -> int:
        return int(full * share)

    cells = [
        lambda: more(FIVE, 18.0, "weibull", n(6000)),
        lambda: more(FIVE, 18.5, "normal", n(6000)),
        lambda: more(HELD, 17.5, "weibull", n(1000)),
        lambda: new(20.0, "weibull", n(6000)),
        lambda: new(20.0, "normal", n(6000)),
        lambda: batches(TWO, 6.9, n(2000)),
        lambda: batches(THREE, 21.7, n(2000)),
    ]
    rows = []
    for cell in cells:
        rows.append(cell())
        print({k: v if isinstance(v, str) else round(float(v or 0), 4) for k, v in rows[-1].items()}, flush=True)
    pd.DataFrame(rows).round(4).to_csv(Path(__file__).with_suffix(".csv"), index=False)


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 1.0)
