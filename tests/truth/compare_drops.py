"""How often the intervals of drop severities hold the truth, at a nominal two-sided 95 %.

Run: ``python tests/truth/compare_drops.py`` (about 3 minutes on one core); writes ``compare_drops.csv``. Drops
on a fixed ladder of six heights, and staircases; 4,000 repetitions of 12 and 24 drops, 2,000 of 48, with 199
simulated series behind each critical value, from one seed as in the package: the same counts have the same interval,
found once. A share of 95 % is known to 0.3 points (0.5 for 48 drops). Repetitions without both outcomes, or without
growth, have no answer.
"""

from __future__ import annotations

import sys
from functools import cache

import numpy as np
from compare_truths import Array, write
from scipy import stats

from lowtail._shared.parallel import run, seeds
from lowtail.claims.drops.drop_law import Counts, count, fit_counts, severity_interval

FRACTIONS = (0.01, 0.10, 0.50)
SPREAD = 0.25  # of the log of the severity that breaks, median 1
GRID = (
    # plan, drops, repetitions
    ("ladder", 12, 4_000),
    ("ladder", 24, 4_000),
    ("ladder", 48, 2_000),
    ("staircase", 12, 4_000),
    ("staircase", 24, 4_000),
)


def drops(plan: str, n: int, rng: np.random.Generator) -> tuple[Array, Array]:
    """Log severities and outcomes of one series."""
    strength = SPREAD * rng.standard_normal(n)
    if plan == "ladder":
        t = np.tile(np.linspace(-0.5, 0.5, 6), n // 6)
        return t, (strength <= t).astype(float)
    t, at = np.empty(n), 0.3
    broke = np.empty(n)
    for i in range(n):
        t[i] = at
        broke[i] = strength[i] <= at
        at += -0.2 if broke[i] else 0.2
    return t, broke


@cache
def intervals(t: tuple[float, ...], n: tuple[float, ...], k: tuple[float, ...]) -> list[tuple[float, float]]:
    """Interval at each fraction for these counts."""
    counts = Counts(np.array(t), np.array(n), np.array(k))
    fitted = fit_counts("probit", counts)
    return [severity_interval("probit", counts, p, fitted, 0.95, 199, np.random.default_rng(0))[:2] for p in FRACTIONS]


def cell(plan: str, n: int, repetitions: int, seed: object) -> list[dict[str, object]]:
    """Coverage at each fraction in one cell."""
    rng = np.random.default_rng(seed)  # type: ignore[arg-type]
    inside: dict[float, list[bool]] = {p: [] for p in FRACTIONS}
    open_below: dict[float, list[bool]] = {p: [] for p in FRACTIONS}
    while len(inside[0.50]) < repetitions:
        t, broke = drops(plan, n, rng)
        if broke.all() or not broke.any() or t[broke == 0].min() >= t[broke == 1].max():
            continue
        counts = count(np.round(t, 9), broke)
        found = intervals(tuple(counts.t), tuple(counts.n), tuple(counts.k))
        for p, (low, high) in zip(FRACTIONS, found, strict=True):
            inside[p].append(low <= SPREAD * float(stats.norm.ppf(p)) <= high)
            open_below[p].append(not np.isfinite(low))
    rows: list[dict[str, object]] = []
    for p in FRACTIONS:
        share = float(np.mean(inside[p]))
        rows.append(
            {
                "plan": plan,
                "n": n,
                "fraction_broken": p,
                "coverage": share,
                "no_lower_limit": float(np.mean(open_below[p])),
                "mc_error": float(np.sqrt(share * (1 - share) / repetitions)),
                "repetitions": repetitions,
            }
        )
    return rows


def main(n_jobs: int = 1) -> None:
    """Run the grid."""
    tasks = [(*g, seed) for g, seed in zip(GRID, seeds(2029, len(GRID)), strict=True)]
    found = run(cell, tasks, n_jobs=n_jobs, label="drops")
    write([row for rows in found for row in rows], "compare_drops.csv")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1)
