"""How often each test of two complete arms rejects when nothing differs, at a nominal two-sided 5 %.

Run: ``python tests/truth/compare_type1.py`` (about 3 minutes on one core); writes ``compare_type1.csv``. 10,000
repetitions a cell for every test; the first, half-and-half Behrens-Fisher, is the default of `compare`. The tests are
computed here on arrays of repetitions and held to the package's own answers on the first repetitions of every cell; 10
against 10 permutes values by 499 random arrangements.
"""

from __future__ import annotations

import sys
from math import comb

import numpy as np
from compare_truths import SIZES, SPREADS, TRUTHS, Array, log_strength, write
from numpy.typing import NDArray
from scipy import stats

from lowtail import Sample, two_sample_test
from lowtail._shared.parallel import run, seeds
from lowtail.claims.comparison.named_tests import HALF_AND_HALF
from lowtail.models.two_samples import half_and_half
from lowtail.models.two_samples.permutation import Index, arrangements
from lowtail.models.two_samples.rank_tests import _brunner_munzel_of, brunner_munzel, mann_whitney
from lowtail.models.two_samples.t_tests import behrens_fisher, permutation_mean, permutation_welch, welch

REPETITIONS = 10_000
DRAWN = 499
BLOCK = 40
CHECKED = 5


def welch_p(x: Array, y: Array) -> tuple[Array, Array]:
    """P values of Welch's and the pooled t test for every row."""
    n, m = x.shape[1], y.shape[1]
    a, b = x.var(axis=1, ddof=1) / n, y.var(axis=1, ddof=1) / m
    difference = np.abs(y.mean(axis=1) - x.mean(axis=1))
    df = (a + b) ** 2 / (a**2 / (n - 1) + b**2 / (m - 1))
    pooled = (a * n * (n - 1) + b * m * (m - 1)) / (n + m - 2) * (1 / n + 1 / m)
    return 2 * stats.t.sf(difference / np.sqrt(a + b), df), 2 * stats.t.sf(difference / np.sqrt(pooled), n + m - 2)


def behrens_fisher_p(x: Array, y: Array) -> Array:
    """P values of the Behrens-Fisher test for every row."""
    n, m = x.shape[1], y.shape[1]
    a, b = np.sqrt(x.var(axis=1, ddof=1) / n), np.sqrt(y.var(axis=1, ddof=1) / m)
    difference = np.abs(y.mean(axis=1) - x.mean(axis=1))
    out = np.empty(len(x))
    for rows, inner, outer, k, j in ((a <= b, a, b, n, m), (a > b, b, a, m, n)):
        node, weight = np.polynomial.legendre.leggauss(60)
        angle = node * np.pi / 2
        mass = weight * np.cos(angle) ** (k - 2)
        t = np.sqrt(k - 1) * np.tan(angle)
        tail = stats.t.sf((difference[rows, None] - inner[rows, None] * t) / outer[rows, None], j - 1)
        out[rows] = 2 * (tail * (mass / mass.sum())).sum(axis=1)
    return out


def rank_p(x: Array, y: Array) -> Array:
    """P values of the exact Mann-Whitney test for every row, from its table (no ties)."""
    n, m = x.shape[1], y.shape[1]
    u = (x[:, :, None] < y[:, None, :]).sum(axis=(1, 2))
    index, _ = arrangements(n + m, m)
    law = np.bincount(index.sum(axis=1) - m * (m - 1) // 2, minlength=n * m + 1) / comb(n + m, m)
    far = np.abs(np.arange(n * m + 1) - n * m / 2)
    table = np.array([law[far >= d - 1e-9].sum() for d in far])
    return np.asarray(table[u])


def permutation_p(x: Array, y: Array, rng: np.random.Generator) -> tuple[Array, Array]:
    """P values of the permutation tests with Welch's statistic and with the difference of means for every row.

    Every arrangement where there are few; else `DRAWN` random ones, fresh for every `BLOCK` rows.
    """
    n, m = x.shape[1], y.shape[1]
    z = np.concatenate([x, y], axis=1)
    z = z - z.mean(axis=1, keepdims=True)
    few = comb(n + m, m) <= 3200
    observed = np.arange(n, n + m)[None, :]
    studentised, plain = np.empty(len(z)), np.empty(len(z))
    for start in range(0, len(z), BLOCK):
        index = arrangements(n + m, m)[0] if few else np.argpartition(rng.random((DRAWN, n + m)), m - 1, axis=1)[:, :m]
        member = np.zeros((len(index) + (not few), n + m))
        np.put_along_axis(member, index if few else np.concatenate([index, observed]), 1.0, axis=1)
        part = z[start : start + BLOCK]
        total, squares = part @ member.T, (part**2) @ member.T
        within = squares - total**2 / m, (part**2).sum(axis=1, keepdims=True) - squares - total**2 / n
        difference = np.abs(total) * (1 / m + 1 / n)
        t = difference / np.sqrt(within[0] / (m * (m - 1)) + within[1] / (n * (n - 1)))
        for values, out in ((t, studentised), (difference, plain)):
            out[start : start + BLOCK] = (values >= values[:, -1:] * (1 - 1e-9)).mean(axis=1)
    return studentised, plain


def _rank_of(index: Index, n: int) -> NDArray[np.intp]:
    """Place of every set of positions in the list of all of them."""
    rank = np.zeros(len(index), dtype=np.intp)
    m, before = index.shape[1], np.full(len(index), -1)
    for i in range(m):  # sets that agree up to place i and are smaller there
        cumulated = np.concatenate([[0], np.cumsum([comb(n - 1 - v, m - 1 - i) for v in range(n)])])
        rank += (cumulated[index[:, i]] - cumulated[before + 1]).astype(np.intp)
        before = index[:, i]
    return rank


def brunner_munzel_p(x: Array, y: Array) -> Array:
    """P values of the Brunner-Munzel permutation test for every row: a function of the ranks alone (no ties)."""
    n, m = x.shape[1], y.shape[1]
    values = np.abs(_brunner_munzel_of(np.arange(n + m, dtype=float), m)(arrangements(n + m, m)[0]))
    order = np.sort(values)
    # infinite where the arms do not overlap: the far end, tied among themselves
    table = 1 - np.searchsorted(order, np.where(np.isfinite(values), values * (1 - 1e-9), values)) / values.size
    position = np.sort(np.argsort(np.argsort(np.concatenate([x, y], axis=1), axis=1), axis=1)[:, n:], axis=1)
    return np.asarray(table[_rank_of(position, n + m)])


def cell(truth: str, sizes: tuple[int, int], spreads: tuple[float, float], seed: object) -> list[dict[str, object]]:
    """Share rejected by each test in one cell of the grid."""
    rng = np.random.default_rng(seed)  # type: ignore[arg-type]
    x, y = (log_strength(truth, s, (REPETITIONS, n), rng, "mean") for n, s in zip(sizes, spreads, strict=True))
    p_welch, p_pooled = welch_p(x, y)
    p_fisher, p_rank = behrens_fisher_p(x, y), rank_p(x, y)
    p_permuted, p_means = permutation_p(x, y, rng)
    p_brunner, p_half = brunner_munzel_p(x, y), half_and_half.tail(half_and_half.Arms.of(x, y))
    for i in range(CHECKED):
        np.testing.assert_allclose(welch(x[i], y[i]).p_value, p_welch[i], rtol=1e-9)
        np.testing.assert_allclose(behrens_fisher(x[i], y[i]).p_value, p_fisher[i], rtol=0.01, atol=1e-5)
        np.testing.assert_allclose(mann_whitney(x[i], y[i]).p_value, p_rank[i], rtol=1e-9)
        np.testing.assert_allclose(brunner_munzel(x[i], y[i]).p_value, p_brunner[i], rtol=1e-9)
        if comb(sum(sizes), sizes[1]) <= 3200:
            np.testing.assert_allclose(permutation_mean(x[i], y[i]).p_value, p_means[i], rtol=1e-9)
            np.testing.assert_allclose(permutation_welch(x[i], y[i]).p_value, p_permuted[i], rtol=1e-9)
        theirs = two_sample_test(Sample(np.exp(x[i])), Sample(np.exp(y[i])), HALF_AND_HALF).p_value
        np.testing.assert_allclose(theirs, p_half[i], rtol=1e-9)
        assert (2 * p_half[i] > p_fisher[i] * 0.99) or p_half[i] == 1  # the mean of two p values, one of them this
    found = {
        HALF_AND_HALF: p_half,
        "Welch on log load": p_welch,
        "Behrens-Fisher on log load": p_fisher,
        "Welch on load": welch_p(np.exp(x), np.exp(y))[0],
        "permutation Welch": p_permuted,
        "permutation of means": p_means,
        "Mann-Whitney": p_rank,
        "Brunner-Munzel": p_brunner,
        "pooled t on log load": p_pooled,
    }
    rows: list[dict[str, object]] = []
    for name, p in found.items():
        share = float(np.mean(p <= 0.05 + 1e-12))
        rows.append(
            {
                "truth": truth,
                "n_reference": sizes[0],
                "n_other": sizes[1],
                "spread_reference": spreads[0],
                "spread_other": spreads[1],
                "test": name,
                "rejected": share,
                "mc_error": float(np.sqrt(share * (1 - share) / p.size)),
                "repetitions": p.size,
            }
        )
    return rows


def main(n_jobs: int = 1) -> None:
    """Run the grid."""
    grid = [(t, n, s) for t in TRUTHS for n in SIZES for s in SPREADS]
    tasks = [(*g, seed) for g, seed in zip(grid, seeds(2026, len(grid)), strict=True)]
    found = run(cell, tasks, n_jobs=n_jobs, label="type I error")
    write([row for rows in found for row in rows], "compare_type1.csv")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1)
