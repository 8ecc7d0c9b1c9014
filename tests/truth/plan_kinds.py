"""Do plans of every simulated kind succeed as often as they say? Run: ``python tests/truth/plan_kinds.py``.

Each plan asks for a chance of 0.80. Its number is then tested in fresh populations drawn with another seed, and each
series is judged by the exact engine or by a reference library, not by the quick forms the planner uses:

- more specimens with survivors in hand (Weibull, normal), and in looks with both boundaries: `confidence_many`;
- more specimens of two arms: Welch's interval of scipy.stats.ttest_ind, or draws from both confidence distributions;
- new series with survivors, and to a precision: `confidence_many`, `low_many`;
- new comparison with survivors: draws from both confidence distributions;
- batches under the Weibull distribution with survivors: the engine of `batch_bound`.

``succeeded`` must agree with ``predicted`` within 2 points and the error of the study. Writes plan_kinds.csv.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

import lowtail as lt
from lowtail.claims.planning.core.population import Population
from lowtail.claims.planning.core.simulate import standard_series
from lowtail.models.batches.weibull_batches import weibull_batches
from lowtail.models.distributions.families import get_family

BASIS = lt.BASES["B-basis"]
SEED = 4711
HELD = lt.Sample([24.1, 25.3, 22.8, 26.0, 23.9, 25.0], [True, True, True, True, True, False], label="sling")
FIVE = lt.Sample([24.1, 25.3, 22.8, 26.0, 23.9])
SLOW, SHOCK = lt.Sample([24.1, 25.3, 23.2, 26.0, 24.4]), lt.Sample([22.8, 24.9, 23.9, 25.1])
AGED = lt.Sample([22.8, 24.9, 23.9, 25.1, 24.0], [True, True, True, False, True])


def pooled(sample: lt.Sample, family: str, more: int, size: int, seed: int = SEED) -> tuple[np.ndarray, np.ndarray]:
    """Loads and breaks of the series in hand with ``more`` specimens from fresh populations of its confidence
    distribution."""
    law = get_family(family)
    location, spread = lt.confidence_distribution(sample, law).draws(size, np.random.default_rng(seed))
    z, broke = standard_series(law, more, size, sample.n_held / sample.n, np.random.SeedSequence(seed + 1))
    y = np.column_stack([np.tile(law.transform(sample.load), (size, 1)), location[:, None] + spread[:, None] * z])
    fresh = np.ones(z.shape, dtype=bool) if broke is None else broke
    return y, np.column_stack([np.tile(sample.broke, (size, 1)), fresh])


def exact_confidence(y: np.ndarray, broke: np.ndarray, family: str, claim: float) -> np.ndarray:
    """Confidence by the exact engine; a normal series is moved so that every load is positive."""
    base = 0.0 if get_family(family).on_log else 10.0 - min(float(y.min()), 0.0)
    load = get_family(family).inverse(y + base)
    return np.nan_to_num(lt.many.confidence_that(load, broke, family, claim + base, BASIS.fraction_below))


def more_rows() -> list[dict[str, object]]:
    rows = []
    for family, size in (("weibull", 20_000), ("normal", 4000)):
        claim = lt.confidence_distribution(HELD, family).low(0.1, 0.93)
        plan = lt.plan.more_samples(HELD, claim, BASIS, family=family)
        got = exact_confidence(*pooled(HELD, family, plan.n or 60, size), family, claim) >= 0.95
        rows.append(row(f"more, survivors, {family}", plan, got))
    for boundary in ("equal", "early strict"):
        claim = lt.confidence_distribution(FIVE, "weibull").low(0.1, 0.94)
        plan = lt.plan.looks(FIVE, claim, BASIS, every=6, boundary=boundary)
        words = plan.sentence.split("asking ")[1].split(" %")[0]
        levels = [float(x) / 100 for x in words.split(", ")]
        y, broke = pooled(FIVE, "weibull", plan.n or 48, 20_000)
        sizes = range(5, 5 + (plan.n or 48) + 1, 6)
        levels = levels * len(sizes) if len(levels) == 1 else levels
        won = [
            exact_confidence(y[:, :n], broke[:, :n], "weibull", claim) >= g for n, g in zip(sizes, levels, strict=True)
        ]
        rows.append(row(f"looks, {boundary}", plan, np.any(won, axis=0)))
    return rows


def by_draws(first: tuple[np.ndarray, np.ndarray], second: tuple[np.ndarray, np.ndarray], edge: float) -> np.ndarray:
    """Confidence that the medians (log loads) differ by more than ``edge``, from 4,000 draws of each distribution."""
    typical, out = float(np.log(np.log(2.0))), np.zeros(len(first[0]))
    for i in range(out.size):
        drawn = []
        for arm, (y, broke) in enumerate((first, second)):
            if broke[i].sum() < 2:
                break
            drawn.append(lt.confidence_distribution(lt.Sample(np.exp(y[i]), broke[i])).draws(4000, 2 * i + arm))
        if len(drawn) == 2:
            gap = (drawn[1][0] + typical * drawn[1][1]) - (drawn[0][0] + typical * drawn[0][1])
            out[i] = np.mean(gap > edge)
    return out


def comparison_rows() -> list[dict[str, object]]:
    rows = []
    plan = lt.plan.more_comparison(SLOW, SHOCK, lt.plan.Claim(keeps=0.93))
    arms = [pooled(s, "lognormal", plan.arms[i], 20_000, SEED + 10 * i)[0] for i, s in enumerate((SLOW, SHOCK))]
    low = stats.ttest_ind(arms[1], arms[0], axis=1, equal_var=False).confidence_interval(0.90).low
    rows.append(row("more of two arms", plan, low > np.log(0.93)))
    plan = lt.plan.more_comparison(SLOW, AGED, lt.plan.Claim(keeps=0.93))
    arms = [pooled(s, "weibull", plan.arms[i], 1600, SEED + 10 * i) for i, s in enumerate((SLOW, AGED))]
    rows.append(row("more of two arms, survivors", plan, by_draws(arms[0], arms[1], np.log(0.93)) >= 0.95))
    plan = lt.plan.comparison(0.9, 0.06, survivors=0.2)
    series, spread = [], Population.of("weibull", 1.0, 0.06).spread
    for i in range(2):
        z, broke = standard_series(lt.WEIBULL, plan.arms[i], 1600, 0.2, np.random.SeedSequence(SEED + i))
        series.append((spread * z + (np.log(0.9) if i else 0.0), broke))
    found = by_draws(series[0], series[1], 0.0)
    rows.append(row("new comparison, survivors", plan, (found >= 0.975) | (found <= 0.025)))
    return rows


def new_rows() -> list[dict[str, object]]:
    rows = []
    for family, size in (("weibull", 20_000), ("normal", 4000)):
        law, population = get_family(family), Population.of(family, 25.0, 0.06)
        plan = lt.plan.new_series(20.5, BASIS, mean=25, cv=0.06, family=family, survivors=0.3)
        z, broke = standard_series(law, plan.n or 0, size, 0.3, np.random.SeedSequence(SEED))
        got = exact_confidence(population.location + population.spread * z, broke, family, 20.5) >= 0.95
        rows.append(row(f"new series, survivors, {family}", plan, got))
        plan = lt.plan.precision(0.06, BASIS, cv=0.06, family=family, survivors=0.3)
        z, broke = standard_series(law, plan.n or 0, size, 0.3, np.random.SeedSequence(SEED + 1))
        load = law.inverse(population.location + population.spread * z)
        low, high = (lt.many.lower_bound(load, broke, family, 0.1, g) for g in (0.975, 0.025))
        rows.append(row(f"precision, survivors, {family}", plan, (high - low) / (high + low) <= 0.06))
    return rows


def batch_rows() -> list[dict[str, object]]:
    rows = []
    for number, between, held in ((5, 0.3, 0.3), (3, 0.1, 0.0)):
        plan = lt.plan.batches(
            18.5, BASIS, mean=25, cv=0.06, batches=number, between=between, family="weibull", survivors=held
        )
        each, rng, known = plan.arms[0], np.random.default_rng(SEED), Population.of_batches(25, 0.06, between, held)
        batch, won = np.repeat(np.arange(number), each), []
        for _ in range(5000):
            lots = known.location + known.between * rng.standard_normal(number)
            u = lots[batch] + known.spread * np.log(rng.standard_exponential(batch.size))
            rig = np.full(u.size, np.inf)
            if held:
                rig = known.location + known.rig() + known.spread * np.log(rng.standard_exponential(batch.size))
            broke = u <= rig
            breaks = np.bincount(batch[broke], minlength=number)
            if breaks.min() == 0 or breaks.max() < 2:
                won.append(False)
                continue
            won.append(weibull_batches(np.minimum(u, rig), broke, batch).below(np.log(18.5), 0.1) <= 0.05)
        rows.append(row(f"batches of Weibull loads, {number}, {held:g} held", plan, np.array(won)))
    return rows


def row(kind: str, plan: lt.plan.Plan, won: np.ndarray) -> dict[str, object]:
    return {
        "kind": kind, "n": plan.n, "predicted": plan.chance, "one_fewer": plan.chance_before,
        "succeeded": won.mean(), "study_error": np.sqrt(won.mean() * (1 - won.mean()) / won.size),
    }  # fmt: skip


def main() -> None:
    table = pd.DataFrame(more_rows() + comparison_rows() + new_rows() + batch_rows())
    table.round(4).to_csv(Path(__file__).with_suffix(".csv"), index=False)
    print(table.round(4).to_string())


if __name__ == "__main__":
    main()
