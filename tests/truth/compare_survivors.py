"""How often the tests with survivors reject when nothing differs, at a nominal two-sided 5 %.

Run: ``python tests/truth/compare_survivors.py`` (about 25 minutes on one core); writes ``compare_survivors.csv``. The
likelihood ratio with a shape for each arm (one shape, for comparison) calibrated by up to 99 simulated series, the
chi-square table, the permutation log-rank test (499 random arrangements where 10 meet 10), and the two confidence
distributions; the default is the first, or the last where the numbers differ by more than one. 4,000 repetitions a
cell: a share of 5 % is known to 0.35 points; repetitions with fewer than 2 breaks in an arm have no answer. The tests
are computed here on arrays of repetitions and held to the package's own answers on the first repetitions of every cell.
"""

from __future__ import annotations

import sys
from math import ceil, comb

import numpy as np
from compare_truths import SPREADS, TRUTHS, Array, held_at, log_strength, write
from scipy import stats

from lowtail._shared.parallel import run, seeds
from lowtail.models.distributions.empirical import held_law
from lowtail.models.series.weibull_design import draw_laws
from lowtail.models.two_samples.permutation import arrangements
from lowtail.models.two_samples.survivor_tests import _signed_root, log_rank, weibull_ratio_test
from lowtail.models.two_samples.weibull_arms import Arm, usable

REPETITIONS = 4_000
BLOCK = 100
DRAWN = 499  # random arrangements, fresh for every block
SERIES = 99
DRAWS = 1_000
MEDIAN = float(np.log(np.log(2.0)))
CHECKED = 3
SIZES = ((3, 3), (5, 5), (10, 10), (3, 10), (10, 3), (5, 10))
HELD = ((0.0, 0.4), (0.4, 0.4))  # the second for Weibull truths only


def simulate(arm: Arm, location: Array, spread: Array, series: int, rng: np.random.Generator) -> Arm:
    """``series`` rows for every row of ``arm`` at its null fit, loads held drawn from their Kaplan-Meier
    distribution."""
    size = (len(arm.u), series, arm.u.shape[1])
    y = location[:, None, None] + spread[:, None, None] * np.log(rng.exponential(size=size))
    limit = np.empty(size)
    for i in range(len(arm.u)):
        at, mass = held_law(arm.u[i], arm.broke[i])
        limit[i] = rng.choice(at, size=size[1:], p=mass / mass.sum())
    return Arm(np.minimum(y, limit).reshape(-1, size[2]), (y <= limit).reshape(-1, size[2]))


def calibrated_p(arms: tuple[Arm, Arm], shape: str, rng: np.random.Generator) -> tuple[Array, Array]:
    """P value by simulation and signed root of the likelihood ratio for every row."""
    root, (location, spread) = _signed_root(arms, shape)
    share = float((usable(arms[0]) & usable(arms[1])).mean())
    series = ceil(1.1 * SERIES / max(share, 0.3))
    drawn = tuple(simulate(arm, location[i], spread[i], series, rng) for i, arm in enumerate(arms))
    good = usable(drawn[0]) | usable(drawn[1]) if shape == "common" else usable(drawn[0]) & usable(drawn[1])
    found = np.full(good.size, np.nan)
    found[good] = _signed_root(drawn, shape)[0]  # type: ignore[arg-type]
    far = np.abs(found.reshape(root.size, series))
    known = np.isfinite(far)
    first = known & (np.cumsum(known, axis=1) <= SERIES)
    p = (1 + (first & (far >= np.abs(root)[:, None] - 1e-9)).sum(axis=1)) / (1 + first.sum(axis=1))
    return p, root


def log_rank_p(first: Arm, second: Arm, rng: np.random.Generator) -> Array:
    """P values of the permutation log-rank test for every row."""
    n, m = first.u.shape[1], second.u.shape[1]
    both = first.join(second)
    at_risk = (both.u[:, None, :] >= both.u[:, :, None]).sum(axis=2)  # no ties but among the held
    step = np.where(both.broke, 1 / at_risk, 0.0)
    score = np.where(both.u[:, None, :] <= both.u[:, :, None], step[:, None, :], 0.0).sum(axis=2) - both.broke
    every = comb(n + m, m) <= 3200
    index = arrangements(n + m, m)[0] if every else np.argpartition(rng.random((DRAWN, n + m)), m - 1, axis=1)[:, :m]
    if not every:
        index = np.concatenate([index, np.arange(n, n + m)[None, :]])
    member = np.zeros((len(index), n + m))
    np.put_along_axis(member, index, 1.0, axis=1)
    values = np.abs(score @ member.T)
    slack = 1e-9 * values.max(axis=1, keepdims=True)
    return np.asarray((values >= values[:, -1:] - slack).mean(axis=1))


def laws_p(first: Arm, second: Arm, rng: np.random.Generator) -> Array:
    """P values from the two confidence distributions of the medians, by `DRAWS` draws of each, for every row."""
    out = np.empty(len(first.u))
    for start in range(0, len(out), 1_000):
        rows = np.arange(len(out)) // 1_000 == start // 1_000
        (m1, s1), (m2, s2) = (draw_laws(arm.rows(rows), DRAWS, rng) for arm in (first, second))
        above = ((m2 + MEDIAN * s2) > (m1 + MEDIAN * s1)).mean(axis=1)
        out[rows] = 2 * np.minimum(above, 1 - above)
    return out


def block(first: Arm, second: Arm, rng: np.random.Generator, check: bool) -> list[Array]:
    """P values of the four tests in one block of repetitions."""
    own, root = calibrated_p((first, second), "own", rng)
    common, plain = calibrated_p((first, second), "common", rng)
    table = 2 * stats.norm.sf(np.abs(plain))
    rank = log_rank_p(first, second, rng)
    for i in range(CHECKED if check else 0):
        pairs = [(arm.u[i], arm.broke[i]) for arm in (first, second)]
        mine = weibull_ratio_test(pairs[0], pairs[1], draws=999, rng=1)
        np.testing.assert_allclose(mine.statistic, root[i], atol=1e-5)
        np.testing.assert_allclose(mine.p_value, own[i], atol=0.2)
        one = weibull_ratio_test(pairs[0], pairs[1], shape="common", draws=99, rng=1)
        np.testing.assert_allclose(one.chi_square_p, table[i], atol=1e-6)
        if comb(first.u.shape[1] + second.u.shape[1], second.u.shape[1]) <= 3200:
            np.testing.assert_allclose(log_rank(*pairs).p_value, rank[i], rtol=1e-9)
    return [own, common, table, rank]


def cell(
    truth: str, sizes: tuple[int, int], spreads: tuple[float, float], held: tuple[float, float], seed: object
) -> list[dict[str, object]]:
    """Share rejected by each test in one cell."""
    rng = np.random.default_rng(seed)  # type: ignore[arg-type]
    arms = []
    for n, spread, share in zip(sizes, spreads, held, strict=True):
        y = log_strength(truth, spread, (REPETITIONS, n), rng, "median")
        limit = held_at(truth, spread, (REPETITIONS, n), share, rng)
        arms.append(Arm(np.minimum(y, limit), y <= limit))
    good = usable(arms[0]) & usable(arms[1])
    first, second = (arm.rows(good) for arm in arms)
    kept = len(first.u)
    parts = []
    for start in range(0, kept, BLOCK):
        rows = np.arange(kept) // BLOCK == start // BLOCK
        parts.append(block(first.rows(rows), second.rows(rows), rng, start == 0))
    names = ("likelihood ratio, own shapes", "likelihood ratio, one shape", "chi-square table", "permutation log-rank")
    found = {name: np.concatenate(values) for name, values in zip(names, zip(*parts, strict=True), strict=True)}
    found["confidence distributions"] = laws_p(first, second, rng.spawn(1)[0])
    found["default"] = found[
        "confidence distributions" if abs(sizes[0] - sizes[1]) > 1 else "likelihood ratio, own shapes"
    ]
    out: list[dict[str, object]] = []
    for name, values in found.items():
        share = float(np.mean(values <= 0.05 + 1e-12))
        out.append(
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
                "mc_error": float(np.sqrt(share * (1 - share) / kept)),
                "no_answer": 1 - kept / REPETITIONS,
                "repetitions": kept,
            }
        )
    return out


def main(n_jobs: int = 1) -> None:
    """Run the grid."""
    grid = [
        (t, n, s, h) for t in TRUTHS for n in SIZES for s in SPREADS for h in HELD if t == "weibull" or h == HELD[0]
    ]
    tasks = [(*g, seed) for g, seed in zip(grid, seeds(2028, len(grid)), strict=True)]
    found = run(cell, tasks, n_jobs=n_jobs, label="survivors")
    write([row for rows in found for row in rows], "compare_survivors.csv")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1)
