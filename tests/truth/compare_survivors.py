"""How often the tests with survivors reject when nothing differs, at a nominal two-sided 5 %.

Run: ``python tests/truth/compare_survivors.py`` (about 4 minutes on one core); writes ``compare_survivors.csv``. The
calibrated likelihood ratio (a shape for each arm, the default; one shape, for comparison) with 99 simulated series, the
permutation log-rank test, and the chi-square table. 1,000 repetitions a cell: a share of 5 % is known to 0.7 points.
"""

from __future__ import annotations

import sys

import numpy as np
from compare_truths import held_at, log_strength, write

from lowtail._parallel import run, seeds
from lowtail.claims.comparison.survivor_tests import log_rank, weibull_ratio_test
from lowtail.errors import NoAnswerError

REPETITIONS = 1_000
GRID = (
    # truth, sizes, spreads, shares held
    ("weibull", (3, 3), (1.0, 1.0), (0.0, 0.2)),
    ("weibull", (5, 5), (1.0, 1.0), (0.0, 0.4)),
    ("weibull", (5, 5), (1.0, 2.0), (0.0, 0.4)),
    ("weibull", (5, 5), (2.0, 1.0), (0.4, 0.4)),
    ("weibull", (10, 10), (1.0, 2.0), (0.0, 0.4)),
    ("weibull", (10, 10), (1.0, 2.0), (0.4, 0.4)),
    ("weibull", (3, 10), (2.0, 1.0), (0.0, 0.4)),
    ("weibull", (10, 5), (1.0, 2.0), (0.0, 0.4)),
    ("lognormal", (5, 5), (1.0, 2.0), (0.0, 0.4)),
    ("lognormal", (10, 10), (2.0, 1.0), (0.0, 0.4)),
    ("normal", (5, 10), (2.0, 1.0), (0.0, 0.4)),
)


def cell(
    truth: str, sizes: tuple[int, int], spreads: tuple[float, float], held: tuple[float, float], seed: object
) -> list[dict[str, object]]:
    """Share rejected by each test in one cell."""
    rng = np.random.default_rng(seed)  # type: ignore[arg-type]
    arms = []
    for n, spread, share in zip(sizes, spreads, held, strict=True):
        y = log_strength(truth, spread, (REPETITIONS, n), rng, "median")
        limit = held_at(truth, spread, (REPETITIONS, n), share, rng)
        arms.append((np.minimum(y, limit), y <= limit))
    names = ("likelihood ratio, own shapes", "likelihood ratio, one shape", "chi-square table", "permutation log-rank")
    p: dict[str, list[float]] = {name: [] for name in names}
    for i in range(REPETITIONS):
        first, second = ((u[i], fell[i]) for u, fell in arms)
        try:
            own = weibull_ratio_test(first, second, draws=99, rng=rng)
            common = weibull_ratio_test(first, second, shape="common", draws=99, rng=rng)
        except NoAnswerError:
            continue
        rank = log_rank(first, second, rng=rng)
        for name, value in zip(names, (own.p_value, common.p_value, common.chi_square_p, rank.p_value), strict=True):
            p[name].append(value)
    rows: list[dict[str, object]] = []
    for name, values in p.items():
        share = float(np.mean(np.array(values) <= 0.05 + 1e-12))
        rows.append(
            {
                "truth": truth,
                "n_reference": sizes[0],
                "n_other": sizes[1],
                "spread_reference": spreads[0],
                "spread_other": spreads[1],
                "held_reference": held[0],
                "held_other": held[1],
                "test": name,
                "rejected": share,
                "mc_error": float(np.sqrt(share * (1 - share) / len(values))),
                "no_answer": 1 - len(values) / REPETITIONS,
                "repetitions": len(values),
            }
        )
    return rows


def main(n_jobs: int = 1) -> None:
    """Run the grid."""
    tasks = [(*g, seed) for g, seed in zip(GRID, seeds(2028, len(GRID)), strict=True)]
    found = run(cell, tasks, n_jobs=n_jobs, label="survivors")
    write([row for rows in found for row in rows], "compare_survivors.csv")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1)
