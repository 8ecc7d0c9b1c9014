"""Speed as ratios against named libraries, same machine, same samples, one run: ``pytest -m benchmark -s``.

Nothing is asserted about time; the table is printed.
"""

from __future__ import annotations

import time
import warnings

import numpy as np
import pytest
from scipy import stats

from lowtail import Sample, confidence_distribution, fit
from lowtail.many import fit as fit_many
from lowtail.many import lower_bound as low_many

pytestmark = pytest.mark.benchmark


def best_of(function, repeats=3):
    best = np.inf
    for _ in range(repeats):
        start = time.perf_counter()
        function()
        best = min(best, time.perf_counter() - start)
    return best


def samples(size, n, share=0.3, seed=1):
    rng = np.random.default_rng(seed)
    load = 20 * rng.exponential(size=(size, n)) ** (1 / 12)
    return load, rng.random((size, n)) >= share


def report(title, rates, base):
    print(f"\n{title}")
    for name, rate in rates.items():
        print(f"  {name:34s} {rate:12,.0f} per s   x {rate / rates[base]:10,.1f}")


def scipy_fit(load, broke):
    data = stats.CensoredData.right_censored(load, ~broke)
    return stats.weibull_min.fit(data, floc=0)


def reliability_fit(load, broke):
    from lowtail.models.distributions.second_opinion import guarded

    with guarded():
        from reliability.Fitters import Fit_Weibull_2P

        return Fit_Weibull_2P(
            failures=load[broke], right_censored=load[~broke], show_probability_plot=False, print_results=False
        )


def lifelines_fit(load, broke):
    lifelines = pytest.importorskip("lifelines")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return lifelines.WeibullFitter().fit(load, broke)


def test_fits_per_second():
    load, broke = samples(50_000, 10)
    few = [i for i in range(40) if broke[i].sum() >= 3][:8]
    rates = {"lowtail batch": 50_000 / best_of(lambda: fit_many(load, broke))}
    rates["lowtail single"] = len(few) / best_of(lambda: [fit(Sample(load[i], broke[i])) for i in few])
    for name, function in (
        ("scipy CensoredData", scipy_fit),
        ("reliability Fit_Weibull_2P", reliability_fit),
        ("lifelines WeibullFitter", lifelines_fit),
    ):
        try:
            rates[name] = len(few) / best_of(lambda f=function: [f(load[i] / 20, broke[i]) for i in few], 2)
        except pytest.skip.Exception:
            print(f"\n  {name}: not installed")
    report("Weibull fits, n = 10, 30 % held", rates, "reliability Fit_Weibull_2P")


def test_bounds_per_second():
    load, broke = samples(6_000, 10)
    plain = {"calibrated": False}
    rates = {"weibull batch": 6_000 / best_of(lambda: low_many(load, broke, "weibull", 0.1, 0.95, **plain))}
    rates["normal complete, batch"] = 6_000 / best_of(lambda: low_many(load, None, "normal", 0.1, 0.95))
    rates["normal with survivors, batch"] = 400 / best_of(
        lambda: low_many(load[:400], broke[:400], "normal", 0.1, 0.95, **plain)
    )
    early = 100 / best_of(lambda: low_many(load[:100], broke[:100], "weibull", 0.1, 0.95), 1)
    rates["weibull, checked for early holds, batch"] = early
    for name in ("weibull", "normal"):
        each = [Sample(load[i], broke[i]) for i in range(20)]
        rates[f"{name} single"] = 20 / best_of(
            lambda n=name, e=each: [confidence_distribution(s, n).low(0.1, 0.95) for s in e]
        )
    report("Exact bounds (10 %, 95 %), n = 10, 30 % held", rates, "weibull single")


def test_growth_with_n_and_b():
    def bounds(load, broke):
        return low_many(load, broke, "weibull", 0.1, 0.95, calibrated=False)

    print("\nWeibull bounds: seconds a sample, growth with n and B")
    for n in (5, 10, 20, 40, 80):
        load, broke = samples(1_000, n)
        print(f"  n = {n:3d}   {best_of(lambda x=load, b=broke: bounds(x, b)) / 1_000:.2e}")
    for size in (1_000, 4_000, 16_000):
        load, broke = samples(size, 10)
        print(f"  B = {size:6d} {best_of(lambda x=load, b=broke: bounds(x, b), 1) / size:.2e}")
