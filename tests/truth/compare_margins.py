"""How often a comparison says what is not so: differences at several levels, "keeps at least", "fails the margin".

Run: ``python tests/truth/compare_margins.py`` (about a minute on one core); writes ``compare_margins.csv``. The typical
strengths are equal, so that every difference shown is false, and so is "keeps more than 100 %" and "fails 100 %": the
statements at the very edge of what is true, where they are wrong most often.

Every specimen broke: 100,000 repetitions a cell, judged by the rule of `compare` and of the plans (geometric means);
Welch's interval stands beside it. Families of 7 such comparisons: 14,000. Some held: medians, one-sided only,
by the judge of the plans, 6,000 repetitions less those with fewer than 2 breaks in an arm; in a few rows of each cell
the package's own `compare` is asked too. Two truths are there to break the method: Weibull shapes 30 and 5, and log
loads skewed to the right (a Weibull's mirrored), which neither of its two distributions knows.
"""

from __future__ import annotations

import sys

import numpy as np
from compare_truths import Array, write
from scipy import stats

from lowtail import Sample, compare
from lowtail._shared.parallel import run, seeds
from lowtail.claims.comparison.deciding import ends_of, shown
from lowtail.claims.planning.core.arms import ComparisonAim
from lowtail.models.two_samples.half_and_half import Arms

REPETITIONS, FAMILIES, HELD_REPETITIONS, CHECKED = 100_000, 14_000, 6_000, 3
LEVELS = {"0.05": 0.05, "0.05 / 7": 0.05 / 7, "0.05 / 10": 0.05 / 10}
TRUTHS = {  # kind and scatter of ln load, reference and other arm
    "lognormal 1:1": ("normal", 0.1, 0.1),
    "lognormal 1:3": ("normal", 0.1, 0.3),
    "lognormal 3:1": ("normal", 0.3, 0.1),
    "Weibull 15, 15": ("weibull", 1 / 15, 1 / 15),
    "Weibull 20, 7": ("weibull", 1 / 20, 1 / 7),
    "Weibull 7, 20": ("weibull", 1 / 7, 1 / 20),
}
BREAKING = {"Weibull 30, 5": ("weibull", 1 / 30, 1 / 5), "right-skewed 20, 7": ("mirrored", 1 / 20, 1 / 7)}
SIZES = ((3, 3), (5, 5), (6, 6), (8, 6), (8, 3), (3, 8), (20, 20))
HELD_SIZES = ((6, 6), (10, 10), (8, 6), (3, 10), (10, 3))
HELD = ((0.0, 0.3), (0.3, 0.3))


def log_loads(kind: str, scatter: float, size: tuple[int, ...], rng: np.random.Generator, centre: str) -> Array:
    """Log loads whose mean ("mean") or median ("median") is 0."""
    if kind == "normal":
        return rng.normal(0.0, scatter, size)
    shift = np.euler_gamma if centre == "mean" else -np.log(np.log(2.0))
    value = scatter * (np.log(rng.standard_exponential(size)) + shift)
    return np.asarray(-value if kind == "mirrored" else value)


def welch(x: Array, y: Array) -> tuple[Array, Array, Array]:
    """Two-sided p values by Welch's test, and whether its one-sided 95 % limits exclude equality, low and high."""
    n, m = x.shape[1], y.shape[1]
    arms = Arms.of(x, y)
    df = (arms.a + arms.b) ** 2 / (arms.a**2 / (n - 1) + arms.b**2 / (m - 1))
    p = stats.t.sf(arms.shift / arms.error, df)
    return 2 * np.minimum(p, 1 - p), p < 0.05, p > 0.95


def complete(name: str, n: int, m: int, seed: object) -> list[dict[str, object]]:
    """Shares of false statements where every specimen broke."""
    rng = np.random.default_rng(seed)  # type: ignore[arg-type]
    kind, first, second = (TRUTHS | BREAKING)[name]
    x, y = log_loads(kind, first, (REPETITIONS, n), rng, "mean"), log_loads(kind, second, (REPETITIONS, m), rng, "mean")
    arms = Arms.of(x, y)
    p, welch_low, welch_high = welch(x, y)
    found: dict[tuple[str, str], Array] = {}
    for word, level in LEVELS.items():
        ends = ends_of(arms, 1 - level)
        found["difference", word] = shown(ends, "difference")
        found["Welch: difference", word] = p < level
        if word == "0.05":
            found["interval above", word], found["interval below", word] = ends.low > 0, ends.high < 0
            found["keeps", word], found["fails", word] = ends.one_low >= 0, ends.one_high < 0
    found["Welch: keeps", "0.05"], found["Welch: fails", "0.05"] = welch_low, welch_high
    any_of = np.asarray(found["difference", "0.05 / 7"])[: 7 * FAMILIES].reshape(FAMILIES, 7).any(axis=1)
    found["difference in any of 7, Holm", "0.05"] = any_of
    for i in range(CHECKED):
        mine = compare(Sample(np.exp(x[i])), Sample(np.exp(y[i])), margin=1 - 1e-12)
        assert (mine.p_value < 0.05) == (mine.difference != "no difference shown") == found["difference", "0.05"][i]
        assert (mine.verdict == "shown", mine.verdict == "fails the margin") == (
            found["keeps", "0.05"][i],
            found["fails", "0.05"][i],
        )
    return [row(name, n, m, (0.0, 0.0), what, level, said) for (what, level), said in found.items()]


def with_survivors(name: str, n: int, m: int, held: tuple[float, float], seed: object) -> list[dict[str, object]]:
    """Shares of false statements on one side where some specimens held."""
    rng = np.random.default_rng(seed)  # type: ignore[arg-type]
    kind, *scatters = TRUTHS[name]
    arms = []
    for size, scatter, share in zip((n, m), scatters, held, strict=True):
        y = log_loads(kind, scatter, (HELD_REPETITIONS, size), rng, "median")
        limit = np.full(y.shape, np.inf)
        if share:
            a, b = (log_loads(kind, scatter, (200_000,), rng, "median") for _ in range(2))
            limit = log_loads(kind, scatter, y.shape, rng, "median") + np.quantile(a - b, 1 - share)
        arms.append((np.minimum(y, limit), y <= limit))
    good = np.logical_and.reduce([broke.sum(axis=1) >= 2 for _, broke in arms])
    first, second = ((y[good], broke[good]) for y, broke in arms)
    aim = ComparisonAim("no worse than", 1.0, 0.95)
    found = {"keeps": aim.reached(first, second), "fails": aim.reached(second, first)}
    close = []
    for i in range(CHECKED):
        pair = [Sample(np.exp(y[i]), broke[i]) for y, broke in (first, second)]
        mine = compare(*pair, margin=1 - 1e-12)
        close.append((mine.verdict == "shown") == found["keeps"][i] or abs(np.log(mine.keeps_low)) < 0.005)
    assert all(close)
    return [row(name, n, m, held, what, "0.05", said, float(1 - good.mean())) for what, said in found.items()]


def row(
    name: str, n: int, m: int, held: tuple[float, float], what: str, level: str, said: Array, no_answer: float = 0.0
) -> dict[str, object]:
    """One line of the table."""
    share = float(np.mean(said))
    return {
        "truth": name,
        "n_reference": n,
        "n_other": m,
        "held_reference": held[0],
        "held_other": held[1],
        "statement": what,
        "level": level,
        "said": share,
        "mc_error": float(np.sqrt(share * (1 - share) / said.size)),
        "no_answer": no_answer,
        "repetitions": said.size,
    }


def main(n_jobs: int = 1) -> None:
    """Run the grid."""
    plain = [(t, *n) for t in TRUTHS | BREAKING for n in SIZES]
    held = [(t, *n, h) for t in TRUTHS for n in HELD_SIZES for h in HELD]
    each = seeds(2031, len(plain) + len(held))
    found = run(complete, [(*g, s) for g, s in zip(plain, each, strict=False)], n_jobs=n_jobs, label="every one broke")
    tasks = [(*g, s) for g, s in zip(held, each[len(plain) :], strict=True)]
    found += run(with_survivors, tasks, n_jobs=n_jobs, label="some held")
    write([line for rows in found for line in rows], "compare_margins.csv")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1)
