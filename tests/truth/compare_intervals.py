"""How often the intervals from two Weibull confidence laws hold the true ratio, at a nominal two-sided 95 %.

Run: ``python tests/truth/compare_intervals.py`` (about 4 minutes on one core); writes ``compare_intervals.csv``: ratio
of medians (the interval used with survivors), of 10 % and 1 % strengths, and of scatter. 2,500 repetitions a cell, 800
draws from each law; repetitions with fewer than 2 breaks in an arm have no interval and are counted apart. The laws are
drawn here for all repetitions at once and held to the package's own answer on the first repetition of every cell.
"""

from __future__ import annotations

import sys

import numpy as np
from compare_truths import SPREADS, TRUTHS, held_at, log_quantile, log_strength, write
from scipy import stats

from lowtail._parallel import run, seeds
from lowtail.claims.comparison.law_batch import draw_laws
from lowtail.claims.comparison.ratios import ratio_from_laws
from lowtail.claims.comparison.weibull_arms import Arm, usable
from lowtail.records.sample import Sample

REPETITIONS = 2_500
DRAWS = 800
SIZES = ((3, 3), (5, 5), (10, 10), (3, 10), (10, 3), (5, 10))
FRACTIONS = {"median": 0.5, "10 % strength": 0.10, "1 % strength": 0.01}


def cell(
    truth: str, sizes: tuple[int, int], spreads: tuple[float, float], held: float, seed: object
) -> list[dict[str, object]]:
    """Coverage of each ratio in one cell; ``held`` is the share of survivors expected in the other arm."""
    rng = np.random.default_rng(seed)  # type: ignore[arg-type]
    arms = []
    for n, spread, share in zip(sizes, spreads, (0.0, held), strict=True):
        y = log_strength(truth, spread, (REPETITIONS, n), rng, "median")
        limit = held_at(truth, spread, (REPETITIONS, n), share, rng)
        arms.append(Arm(np.minimum(y, limit), y <= limit))
    good = usable(arms[0]) & usable(arms[1])
    first, second = (arm.rows(good) for arm in arms)
    (m1, s1), (m2, s2) = draw_laws(first, DRAWS, rng), draw_laws(second, DRAWS, rng)
    rows: list[dict[str, object]] = []
    for name, p in {**FRACTIONS, "scatter": None}.items():
        if p is None:
            # the spread ratio of the truths: both arms come from one family
            ratio, true = np.log(s2 / s1), float(np.log(spreads[1] / spreads[0]))
        else:
            w = np.log(-np.log1p(-p))
            ratio = (m2 + w * s2) - (m1 + w * s1)
            true = log_quantile(truth, spreads[1], p) - log_quantile(truth, spreads[0], p)
        low, high = np.quantile(ratio, [0.025, 0.975], axis=1)
        if p is None and held == 0:  # as the package: the farther of the Weibull law's end and the F interval's
            n, m = sizes
            f = np.log(second.u.var(axis=1, ddof=1) / first.u.var(axis=1, ddof=1))
            low = np.minimum(low, (f - np.log(stats.f.ppf(0.975, m - 1, n - 1))) / 2)
            high = np.maximum(high, (f - np.log(stats.f.ppf(0.025, m - 1, n - 1))) / 2)
        if name == "median":
            _check(first, second, low[0], high[0])
        share = float(np.mean((low <= true) & (true <= high)))
        rows.append(
            {
                "truth": truth,
                "n_reference": sizes[0],
                "n_other": sizes[1],
                "spread_reference": spreads[0],
                "spread_other": spreads[1],
                "held_other": held,
                "ratio_of": name,
                "coverage": share,
                "missed_low": float(np.mean(true < low)),
                "missed_high": float(np.mean(true > high)),
                "width_log": float(np.median(high - low)),
                "mc_error": float(np.sqrt(share * (1 - share) / low.size)),
                "no_interval": float(1 - good.mean()),
                "repetitions": int(low.size),
            }
        )
    return rows


def _check(first: Arm, second: Arm, low: float, high: float) -> None:
    """Hold the drawn interval to the package's, within what 800 draws allow."""
    samples = [Sample(np.exp(arm.u[0]), arm.broke[0]) for arm in (first, second)]
    mine = np.log(ratio_from_laws(samples[0], samples[1], "weibull", 0.5, 1).interval(0.95))
    np.testing.assert_allclose([low, high], mine, atol=0.35 * (mine[1] - mine[0]))


def main(n_jobs: int = 1) -> None:
    """Run the grid."""
    grid = [(t, n, s, h) for t in TRUTHS for n in SIZES for s in SPREADS for h in (0.0, 0.4)]
    tasks = [(*g, seed) for g, seed in zip(grid, seeds(2027, len(grid)), strict=True)]
    found = run(cell, tasks, n_jobs=n_jobs, label="interval coverage")
    write([row for rows in found for row in rows], "compare_intervals.csv")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1)
