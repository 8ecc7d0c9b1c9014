"""CPU seconds of every kind of plan for one group, and of a table of 40 groups: ``pytest -m benchmark -s``.

Target on one idle core: 2 s a plan, 30 s the table, at a Monte-Carlo error below 0.5 points. Every case starts cold, in
a process of its own. Only the error is asserted; times depend on the machine and are printed.
"""

from __future__ import annotations

import multiprocessing
import time
from collections.abc import Callable

import numpy as np
import pytest

import lowtail as lt

pytestmark = pytest.mark.benchmark

FIVE = lt.Sample([24.1, 25.3, 22.8, 26.0, 23.9], label="steel oval")
FOUR = lt.Sample([23.2, 24.4, 23.9, 24.1], label="shock")
TWENTY = lt.Sample(np.round(25 + np.random.default_rng(4).normal(0, 1.3, 20), 1), label="sling, yearly")
HELD = lt.Sample([24.1, 25.3, 22.8, 26.0, 23.9, 25.0], [True, True, True, False, True, False], label="sling")
MIXED = lt.Sample([22.8, 24.9, 23.9, 25.1, 24.0], [True, True, True, False, True], label="shock")


def groups(size: int = 40) -> list[lt.Sample]:
    """Groups of 3 to 8, every third with a survivor."""
    rng = np.random.default_rng(8)
    out = []
    for i in range(size):
        n = int(rng.integers(3, 9))
        broke = np.ones(n, dtype=bool)
        broke[-1] = not (i % 3 == 0 and n > 3)
        out.append(lt.Sample(np.round(rng.normal(25, 1.4, n), 2), broke, label=f"group {i}"))
    return out


def survivors(size: int = 40) -> list[lt.Sample]:
    """Groups of 4 to 19, a quarter of each held."""
    rng = np.random.default_rng(8)
    out = []
    for i in range(size):
        n = int(rng.integers(4, 20))
        out.append(
            lt.Sample(np.round(rng.normal(25, 1.4, n), 2), np.arange(n) < n - max(1, n // 4), label=f"group {i}")
        )
    return out


for name in lt.__all__:
    getattr(lt, name)  # public names load lazily: modules are in place before the clock starts

CASES: dict[str, Callable[[], object]] = {
    "plan_bound normal": lambda: lt.plan.new_series(20, mean=25, cv=0.06, family="normal"),
    "plan_bound weibull": lambda: lt.plan.new_series(19, mean=25, cv=0.06),
    "plan_bound weibull A, many": lambda: lt.plan.new_series(18.5, "A-basis", mean=25, cv=0.05),
    "plan_bound weibull, survivors": lambda: lt.plan.new_series(19, mean=25, cv=0.06, survivors=0.3),
    "plan_bound weibull, survivors, many": lambda: lt.plan.new_series(20.5, mean=25, cv=0.06, survivors=0.3),
    "plan_bound normal, survivors": lambda: lt.plan.new_series(21, mean=25, cv=0.06, family="normal", survivors=0.3),
    "plan_precision weibull": lambda: lt.plan.precision(0.05, cv=0.06),
    "plan_precision weibull, survivors": lambda: lt.plan.precision(0.06, cv=0.06, survivors=0.3),
    "plan_precision normal, survivors": lambda: lt.plan.precision(0.06, cv=0.06, family="normal", survivors=0.3),
    "plan_batches weibull, survivors": lambda: lt.plan.batches(
        18, mean=25, cv=0.06, batches=5, between=0.3, family="weibull", survivors=0.3
    ),
    "plan_batches lognormal": lambda: lt.plan.batches(20.5, mean=25, cv=0.06, batches=5, between=0.3),
    "more_samples weibull": lambda: lt.plan.more_samples(FIVE, 19.5),
    "more_samples weibull, out of reach": lambda: lt.plan.more_samples(FIVE, 21),
    "more_samples weibull, 20 in hand": lambda: lt.plan.more_samples(TWENTY, 22),
    "more_samples normal": lambda: lt.plan.more_samples(FIVE, 20.5, family="normal"),
    "more_samples weibull, survivors": lambda: lt.plan.more_samples(HELD, 20),
    "more_samples normal, survivors": lambda: lt.plan.more_samples(HELD, 20.5, family="normal"),
    "more_samples normal, survivors, out": lambda: lt.plan.more_samples(HELD, 21.5, family="normal"),
    "plan_looks weibull": lambda: lt.plan.looks(FIVE, 20, every=5),
    "plan_looks normal": lambda: lt.plan.looks(FIVE, 20.3, every=5, family="normal"),
    "plan_looks weibull, survivors": lambda: lt.plan.looks(HELD, 20, every=5),
    "plan_looks normal, survivors": lambda: lt.plan.looks(HELD, 20.5, every=5, family="normal"),
    "plan_comparison": lambda: lt.plan.comparison(0.9, 0.05),
    "plan_comparison equivalence": lambda: lt.plan.comparison(1.0, 0.08, margin=0.9, goal="equivalence"),
    "plan_comparison cheapest": lambda: lt.plan.comparison(0.94, (0.05, 0.08), cost=(1, 3)),
    "plan_comparison survivors": lambda: lt.plan.comparison(0.9, 0.06, survivors=0.2),
    "plan_comparison survivors, many": lambda: lt.plan.comparison(0.95, 0.08, survivors=0.2),
    "plan_comparison survivors, cheapest": lambda: lt.plan.comparison(0.9, 0.06, survivors=0.2, cost=(1, 2)),
    "more_comparison": lambda: lt.plan.more_comparison(FIVE, FOUR, lt.plan.Claim(keeps=0.93)),
    "more_comparison survivors": lambda: lt.plan.more_comparison(FIVE, MIXED, lt.plan.Claim(keeps=0.92)),
    "more_comparison survivors, out": lambda: lt.plan.more_comparison(HELD, MIXED, lt.plan.Claim(same_within=0.93)),
    "next_specimens": lambda: lt.plan.next_specimens([FIVE, FOUR, TWENTY], [20, 21, 22], budget=10, progress=False),
    "plan_looks weibull, early strict": lambda: lt.plan.looks(FIVE, 20, every=5, boundary="early strict"),
    "next_specimens, comparison": lambda: lt.plan.next_specimens(
        [FIVE, FOUR], [None, lt.plan.Claim(keeps=0.95)], budget=10, progress=False
    ),
    "grid, 60 cells": lambda: lt.plan.grid(19, mean=[24, 25, 26], cv=[0.04, 0.05, 0.06, 0.07], progress=False),
    "grid, 40 groups": lambda: lt.plan.grid(20, samples=groups(), progress=False),
    "grid, 40 groups, survivors": lambda: lt.plan.grid(20.5, samples=survivors(), progress=False),
    "grid, 40, normal, survivors": lambda: lt.plan.grid(20.5, samples=survivors(), family="normal", progress=False),
    "grid, 40 groups, normal": lambda: lt.plan.grid(20, samples=groups(), family="normal", progress=False),
}


def _measure(name: str, pipe) -> None:
    import pandas  # noqa: F401 - its import is no part of a plan

    began = time.process_time()
    answer = CASES[name]()
    spent = time.process_time() - began
    error = answer["mc_error"].max() if hasattr(answer, "columns") else answer.mc_error
    needed = getattr(answer, "n", getattr(answer, "allocation", None))
    pipe.send((spent, float(error), needed if not hasattr(answer, "columns") else len(answer)))


@pytest.mark.parametrize("name", list(CASES))
def test_plan_seconds(name: str) -> None:
    here, there = multiprocessing.Pipe()
    context = multiprocessing.get_context("fork")
    child = context.Process(target=_measure, args=(name, there))
    child.start()
    spent, error, needed = here.recv()
    child.join()
    print(f"\n{name:38s} {spent:6.2f} s CPU   error {100 * error:.2f} points   n {needed}")
    assert error < 0.005
