"""How often the intervals from two Weibull confidence distributions hold the true ratio, at a nominal two-sided 95 %.

Run: ``python tests/truth/compare_intervals.py`` (about 10 minutes on one core); writes ``compare_intervals.csv``:
ratio of medians (the interval used with survivors), of 10, 5 and 1 % strengths, and of scatter. 10,000 repetitions a
cell, 1,000 draws from each distribution; repetitions with fewer than 2 breaks in an arm have no interval and are
counted apart. Each interval uses the tails that the package uses (safer ones below 5 %, and for the scatter in
repetitions with survivors); ``coverage_plain`` is that of the full tails. The distributions are drawn here for all
repetitions at once and held to the package's own answer on the first repetition of every cell.
"""

from __future__ import annotations

import sys

import numpy as np
from compare_truths import SPREADS, TRUTHS, Array, held_at, log_quantile, log_strength, write
from scipy import stats

from lowtail import Sample
from lowtail._shared.parallel import run, seeds
from lowtail.claims.comparison.ratios import low_ratios, ratio_from_laws, scatter
from lowtail.models.series.weibull_design import draw_laws
from lowtail.models.two_samples.weibull_arms import Arm, usable

REPETITIONS = 10_000
BLOCK = 2_500
DRAWS = 1_000
PLAIN, SAFER = 0.025, 0.0175  # tails of a nominal 95 %
SIZES = ((3, 3), (5, 5), (10, 10), (3, 10), (10, 3), (5, 10))
FRACTIONS = {"median": 0.5, "10 % strength": 0.10, "5 % strength": 0.05, "1 % strength": 0.01}


def cell(
    truth: str, sizes: tuple[int, int], spreads: tuple[float, float], held: tuple[float, float], seed: object
) -> list[dict[str, object]]:
    """Coverage of each ratio in one cell; ``held`` are the shares of survivors expected."""
    rng = np.random.default_rng(seed)  # type: ignore[arg-type]
    arms = []
    for n, spread, share in zip(sizes, spreads, held, strict=True):
        y = log_strength(truth, spread, (REPETITIONS, n), rng, "median")
        limit = held_at(truth, spread, (REPETITIONS, n), share, rng)
        arms.append(Arm(np.minimum(y, limit), y <= limit))
    good = usable(arms[0]) & usable(arms[1])
    first, second = (arm.rows(good) for arm in arms)
    kept = len(first.u)
    names = {**FRACTIONS, "scatter": None}
    used, plain = ({name: np.empty((kept, 2)) for name in names} for _ in range(2))
    for start in range(0, kept, BLOCK):
        rows = np.zeros(kept, dtype=bool)
        rows[start : start + BLOCK] = True
        for name, (mine, full) in _intervals(first.rows(rows), second.rows(rows), rng).items():
            used[name][rows], plain[name][rows] = mine, full
    _check(first, second)
    return [
        {
            "truth": truth,
            "n_reference": sizes[0],
            "n_other": sizes[1],
            "spread_reference": spreads[0],
            "spread_other": spreads[1],
            "held_reference": held[0],
            "held_other": held[1],
            "ratio_of": name,
            **_score(used[name], plain[name], _true(truth, spreads, p)),
            "no_interval": float(1 - good.mean()),
            "repetitions": kept,
        }
        for name, p in names.items()
    ]


def _true(truth: str, spreads: tuple[float, float], p: float | None) -> float:
    """True log ratio; the spread ratio of the truths is that of the scatter: both arms come from one family."""
    if p is None:
        return float(np.log(spreads[1] / spreads[0]))
    return log_quantile(truth, spreads[1], p) - log_quantile(truth, spreads[0], p)


def _score(used: Array, plain: Array, true: float) -> dict[str, float]:
    share = float(np.mean((used[:, 0] <= true) & (true <= used[:, 1])))
    return {
        "coverage": share,
        "missed_low": float(np.mean(true < used[:, 0])),
        "missed_high": float(np.mean(true > used[:, 1])),
        "width_log": float(np.median(used[:, 1] - used[:, 0])),
        "mc_error": float(np.sqrt(share * (1 - share) / len(used))),
        "coverage_plain": float(np.mean((plain[:, 0] <= true) & (true <= plain[:, 1]))),
    }


def _intervals(first: Arm, second: Arm, rng: np.random.Generator, draws: int = DRAWS) -> dict[str, tuple[Array, Array]]:
    """Log intervals (rows, 2) of every ratio, as the package uses them and with the full tails of two distributions."""
    (m1, s1), (m2, s2) = draw_laws(first, draws, rng), draw_laws(second, draws, rng)
    tails = [PLAIN, 1 - PLAIN, SAFER, 1 - SAFER]
    out = {}
    for name, p in FRACTIONS.items():
        w = np.log(-np.log1p(-p))
        ends = np.quantile((m2 + w * s2) - (m1 + w * s1), tails, axis=1).T
        out[name] = (ends[:, 2:] if p < 0.05 else ends[:, :2]), ends[:, :2]
    ends = np.quantile(np.log(s2 / s1), tails, axis=1).T
    n, m = first.u.shape[1], second.u.shape[1]
    f = np.log(second.u.var(axis=1, ddof=1) / first.u.var(axis=1, ddof=1))
    reach = (f[:, None] - np.log(stats.f.ppf([0.975, 0.025], m - 1, n - 1))) / 2
    farther = np.column_stack([np.minimum(ends[:, 0], reach[:, 0]), np.maximum(ends[:, 1], reach[:, 1])])
    held = ~(first.broke.all(axis=1) & second.broke.all(axis=1))
    out["scatter"] = np.where(held[:, None], ends[:, 2:], farther), ends[:, :2]
    return out


def _check(first: Arm, second: Arm) -> None:
    """Hold the intervals of the first repetition, from many draws, to the package's."""
    row = np.arange(len(first.u)) == 0
    found = _intervals(first.rows(row), second.rows(row), np.random.default_rng(0), 100_000)
    samples = [Sample(np.exp(arm.u[0]), arm.broke[0]) for arm in (first, second)]
    (deep,) = low_ratios(samples[0], samples[1], "weibull", (0.01,), 0.95, 1)
    for name, mine in (
        ("median", ratio_from_laws(samples[0], samples[1], "weibull", 0.5, 1).interval(0.95)),
        ("1 % strength", (deep.low, deep.high)),
        ("scatter", scatter(samples[0], samples[1], 0.95, 1)[1:]),
    ):
        low, high = np.log(mine)
        np.testing.assert_allclose(found[name][0][0], [low, high], atol=0.12 * (high - low))


def main(n_jobs: int = 1) -> None:
    """Run the grid."""
    grid = [(t, n, s, (0.0, h)) for t in TRUTHS for n in SIZES for s in SPREADS for h in (0.0, 0.2, 0.4)]
    grid += [(t, n, s, (0.4, 0.4)) for t in TRUTHS for n in SIZES for s in SPREADS]
    tasks = [(*g, seed) for g, seed in zip(grid, seeds(2027, len(grid)), strict=True)]
    found = run(cell, tasks, n_jobs=n_jobs, label="interval coverage")
    write([row for rows in found for row in rows], "compare_intervals.csv")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1)
