"""False alarms of the model and batch checks where specimens held or loads tie, p-values simulated anew each time.

Run: ``python tests/truth/checks_survivors.py`` (half an hour on one core); writes ``checks_survivors.csv``. Nominal
5 %. ``stop``: "rig", whose strength follows the same distribution, gives way first in a share ``held`` of tests;
"load", every test is stopped at one load that this share would outlast. ``judged``: samples that carry the test, the
others are refused; ``judged_held`` and ``alarms_held``: those of them in which at least one specimen held. Of 199
simulated samples, 10 p-values in 200 are 5 % or less, as with many more. ``rounded``: step of the loads, in spreads of
the distribution. Standard error of a share: 0.35 percentage points at 4000 judged samples.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from functools import lru_cache, partial

import numpy as np
from compare_truths import Array, write
from numpy.typing import NDArray

from lowtail import FAMILIES, Family, NoAnswerError, Sample
from lowtail.models.distributions.goodness import (
    anderson_darling_many,
    different_breaks,
    rounded,
    simulate_like,
    tie_step,
)
from lowtail.models.distributions.residuals import largest_gap_many, smallest_tail_many
from lowtail.models.regression.batch_tests import Batches, location_ratio, simulate, simulated_p, spread_ratio
from lowtail.models.regression.trend import nested_p

Flags = NDArray[np.bool_]
REPETITIONS = 4000
SIZE = 199
LEVEL = 0.05
TAIL = "outlier, simulated tail"
RATIOS = (
    ("likelihood ratio, equal spread", spread_ratio, True),
    ("likelihood ratio, equal place", location_ratio, False),
)


@lru_cache
def rig_above(law: Family, held: float) -> float:
    """How far, in spreads, the rig's distribution lies above the part's, for this share of specimens to hold."""
    trial = np.random.default_rng(1)
    a, b = (law.standard.rvs(size=50_000, random_state=trial) for _ in range(2))
    return float(np.quantile(a - b, 1 - held))


def sound(law: Family, n: int, held: float, stop: str, rng: np.random.Generator) -> Sample:
    """One sample of the distribution, stopped by a rig of the same distribution and spread, or at one load."""
    z = law.standard.rvs(size=n, random_state=rng)
    if stop == "rig":
        rig = rig_above(law, held) + law.standard.rvs(size=n, random_state=rng)
    else:
        rig = np.full(n, float(law.quantile(1 - held)))
    y = np.minimum(z, rig)
    return Sample(law.inverse(3.0 + 0.05 * y if law.on_log else 1000.0 + y), z <= rig)


def judge(
    design: str,
    law: Family,
    stop: str,
    held: float,
    draw: Callable[[np.random.Generator], Sample],
    tests: Callable[[Sample, Family, np.random.Generator], dict[str, float]],
    rng: np.random.Generator,
) -> list[dict[str, object]]:
    """Draw samples, put each to every test that it carries, and count p-values at or below the level."""
    seen: dict[str, list[tuple[float, bool]]] = {}
    for _ in range(REPETITIONS):
        sample = draw(rng)
        with contextlib.suppress(NoAnswerError):
            for name, p in tests(sample, law, rng).items():
                seen.setdefault(name, []).append((p, sample.n_held > 0))
    return [row(name, law, design, stop, held, found) for name, found in seen.items()]


def row(
    test: str, law: Family, design: str, stop: str, held: float, found: list[tuple[float, bool]]
) -> dict[str, object]:
    """One row of the table, from p-values and whether any specimen held."""
    alarm, some = np.array([p <= LEVEL for p, _ in found]), np.array([held for _, held in found])
    return {"test": test, "family": law.name, "design": design, "stop": stop, "held": held,
            "alarms": 100 * float(alarm.mean()), "judged": alarm.size,
            "alarms_held": 100 * float(alarm[some].mean()) if some.any() else np.nan,
            "judged_held": int(some.sum())}  # fmt: skip


def statistics(load: Array, broke: Flags, law: Family) -> dict[str, tuple[Array, int]]:
    """Each statistic, large where the distribution is doubtful, and the different breaks that its claim asks for."""
    return {
        "Anderson-Darling": (anderson_darling_many(load, broke, law), 3),
        "largest gap": (largest_gap_many(load, broke, law)[0], 4),
        TAIL: (-smallest_tail_many(load, broke, law)[0], 2),
    }


def law_and_gap(sample: Sample, law: Family, rng: np.random.Generator) -> dict[str, float]:
    """p-values as `goodness_of_fit`, `failure_modes` and `outliers` reckon them (tests/claims hold them to that), one
    null for all."""
    step = tie_step(sample)
    load, broke = simulate_like(sample, law, SIZE, rng)
    load = rounded(load, step)
    seen, drawn = statistics(sample.load[None], sample.broke[None], law), statistics(load, broke, law)
    here, there = different_breaks(sample.load[None], sample.broke[None])[0], different_breaks(load, broke)
    return {
        name: simulated_p(float(value[0]), drawn[name][0][there >= needed])
        for name, (value, needed) in seen.items()
        if here >= needed and (name != TAIL or sample.n_held or law.name == "weibull")  # normed residual elsewhere
    }


def with_trend(sample: Sample, law: Family, rng: np.random.Generator) -> dict[str, float]:
    """Those, and the trend over as many settings as specimens, and over 2."""
    n = sample.n
    ones, settings = np.ones((n, 1)), np.arange(n, dtype=float)
    found = law_and_gap(sample, law, rng)
    for name, x in (("trend", settings), ("trend, 2 settings", (settings >= n // 2).astype(float))):
        line = np.column_stack([ones, x])
        if np.linalg.matrix_rank(line[sample.broke]) == 2 and sample.n_broken > 2:
            found[name] = nested_p(sample.load, sample.broke, ones, line, law, SIZE, rng)
    return found


def tied(law: Family, n: int, grain: float) -> Callable[[np.random.Generator], Sample]:
    """Every specimen broke, loads rounded to ``grain`` spreads."""
    step = 0.5 if grain == 0.25 else 0.2
    spread = step / grain

    def one(rng: np.random.Generator) -> Sample:
        z = law.standard.rvs(size=n, random_state=rng)
        load = law.inverse(np.log(50.0) + spread / 50 * z) if law.on_log else 50.0 + spread * z
        return Sample(np.round(load / step) * step)

    return one


def batches(law: Family, k: int, m: int, held: float, rng: np.random.Generator) -> list[dict[str, object]]:
    """Likelihood ratios of equal spread and equal place, k batches of m, as `pooling` reckons them."""
    seen: dict[str, list[tuple[float, bool]]] = {}
    for _ in range(REPETITIONS):
        parts = [sound(law, m, held, "rig", rng) for _ in range(k)]
        if any(np.unique(part.load[part.broke]).size < 2 for part in parts):
            continue
        load, broke = (np.concatenate([getattr(part, what) for part in parts]) for what in ("load", "broke"))
        whole = Batches(load, broke, np.repeat(np.arange(k), m))
        ratios = [(name, ratio(load[None], broke[None], whole, law)[0], ratio, own) for name, ratio, own in RATIOS]
        if not np.isfinite([ratio for _, ratio, _, _ in ratios]).all():
            continue
        for name, here, ratio, own in ratios:
            drawn = ratio(*simulate(whole, law, SIZE, rng, own_place=own), whole, law)
            seen.setdefault(name, []).append((simulated_p(float(here), drawn), not broke.all()))
    return [row(test, law, f"{k} x {m}", "rig", held, found) for test, found in seen.items()]


def cells() -> list[Callable[[np.random.Generator], list[dict[str, object]]]]:
    """Every cell, each to be run with a seed of its own."""
    weibull, normal = FAMILIES["weibull"], FAMILIES["normal"]
    survivors = [(law, n, stop) for stop in ("rig", "load") for law in (weibull, normal) for n in (5, 6, 8, 10)]
    ties = ((weibull, 5, 0.25), (weibull, 10, 0.25), (normal, 5, 0.25), (normal, 10, 0.25), (normal, 10, 0.1))
    found: list[Callable[[np.random.Generator], list[dict[str, object]]]] = []
    for law, n, stop in survivors:
        found.append(partial(judge, str(n), law, stop, 0.3, partial(sound, law, n, 0.3, stop), with_trend))
    for law, n, grain in ties:
        found.append(partial(judge, f"{n}, rounded {grain:g}", law, "none", 0.0, tied(law, n, grain), law_and_gap))
    for law, k, m in ((weibull, 2, 5), (weibull, 3, 10), (normal, 2, 5), (normal, 2, 10)):
        found.append(partial(batches, law, k, m, 0.3))
    return found


def main() -> None:
    """Run every cell."""
    rows: list[dict[str, object]] = []
    for i, cell in enumerate(cells()):
        rows += cell(np.random.default_rng([20_250_203, i]))
        write(rows, "checks_survivors.csv")


if __name__ == "__main__":
    main()
