"""False alarms of the model and batch checks where every specimen broke, with and without ties.

Run: ``python tests/truth/checks_type1.py`` (about 3 minutes on one core); writes ``checks_type1.csv``. Nominal level
5 %; ``rounded`` is the step to which loads are rounded, in spreads of the distribution (0: not rounded). Every
statistic and limit is the package's own; null limits and judged samples come from different draws. Standard error of a
share: 0.15 percentage points at 20,000 repetitions, 0.5 at 2,000 (k-sample Anderson-Darling, permuted anew each time).
"""

from __future__ import annotations

import numpy as np
from compare_truths import Array, write

from lowtail import FAMILIES, Family
from lowtail.models.batches.k_sample import ksample_ad_p, levene_statistic
from lowtail.models.distributions.goodness import anderson_darling_many
from lowtail.models.distributions.residuals import (
    grain_of,
    largest_gap_many,
    many_outlier_level,
    normed_residual_p,
    normed_residual_steps,
)
from lowtail.models.regression.batch_tests import Batches, location_ratio, simulate, spread_ratio
from lowtail.models.regression.trend import nested_ratio

REPETITIONS = 20_000
PERMUTED = 2_000
LEVEL = 0.05


def draw(law: Family, size: tuple[int, int], rounded: float, rng: np.random.Generator) -> Array:
    """Loads of a sound sample; rounding is done on the family's own scale, in spreads."""
    z = law.standard.rvs(size=size, random_state=rng)
    if rounded:
        z = np.round(z / rounded) * rounded
    return np.asarray(law.inverse(3.0 + 0.05 * z if law.on_log else 1000.0 + z))


def above(null: Array, judged: Array) -> float:
    """Share of judged statistics beyond the null's own 95 % point; samples without an answer left out."""
    limit = np.quantile(null[np.isfinite(null)], 1 - LEVEL)
    return float((judged[np.isfinite(judged)] > limit + 1e-9).mean())


def one_sample(law: Family, n: int, rounded: float, rng: np.random.Generator) -> list[dict[str, object]]:
    """Anderson-Darling, gap, trend, and for the normal distribution the outlier screens."""
    sound, judged = draw(law, (REPETITIONS, n), 0.0, rng), draw(law, (REPETITIONS, n), rounded, rng)
    broke, ones = np.ones(sound.shape, dtype=bool), np.ones((n, 1))
    slope = np.column_stack([ones, np.arange(n)])
    shares = {
        "Anderson-Darling": above(anderson_darling_many(sound, broke, law), anderson_darling_many(judged, broke, law)),
        "largest gap": above(largest_gap_many(sound, broke, law)[0], largest_gap_many(judged, broke, law)[0]),
        "trend": above(nested_ratio(sound, broke, ones, slope, law), nested_ratio(judged, broke, ones, slope, law)),
    }
    if law.name == "normal":
        y = law.transform(judged)
        grain = grain_of(y, rounded)
        for most in (1, 2, 3):
            level = np.full(grain.shape, many_outlier_level(n, most))
            for g in np.unique(grain):
                level[grain == g] = many_outlier_level(n, most, LEVEL, float(g))
            p = normed_residual_p(normed_residual_steps(y, most, rounded)[1], n - np.arange(most)).min(axis=1)
            shares[f"outliers, up to {most}"] = float((p <= level).mean())
    return [
        {"test": t, "family": law.name, "design": str(n), "rounded": rounded, "alarms": 100 * s}
        for t, s in shares.items()
    ]


def batches(law: Family, k: int, m: int, rounded: float, rng: np.random.Generator) -> list[dict[str, object]]:
    """Levene, likelihood ratios, and the permuted k-sample Anderson-Darling, k batches of m."""
    n = k * m
    label = np.repeat(np.arange(k), m)
    frame = Batches(np.ones(n), np.ones(n, dtype=bool), label)
    null_load, broke = simulate(frame, law, REPETITIONS, rng, own_place=False)
    judged = draw(law, (REPETITIONS, n), rounded, rng)
    shares = {
        "Levene, median-centred": above(
            levene_statistic(law.transform(null_load), label, k), levene_statistic(law.transform(judged), label, k)
        ),
        "equal spread": above(spread_ratio(null_load, broke, frame, law), spread_ratio(judged, broke, frame, law)),
        "equal place": above(location_ratio(null_load, broke, frame, law), location_ratio(judged, broke, frame, law)),
    }
    p = [ksample_ad_p(np.split(row, k), rng, 999)[1] for row in judged[:PERMUTED]]
    shares["k-sample Anderson-Darling"] = float((np.array(p) <= LEVEL).mean())
    return [
        {"test": t, "family": law.name, "design": f"{k} x {m}", "rounded": rounded, "alarms": 100 * s}
        for t, s in shares.items()
    ]


def main() -> None:
    """Run every cell."""
    rng = np.random.default_rng(20_250_201)
    rows: list[dict[str, object]] = []
    for law in (FAMILIES["weibull"], FAMILIES["normal"]):
        for rounded in (0.0, 0.1, 0.25):
            for n in (5, 6, 7, 8, 10):
                rows += one_sample(law, n, rounded, rng)
            for k, m in ((2, 5), (3, 5), (2, 10), (3, 10)):
                rows += batches(law, k, m, rounded, rng)
    write(rows, "checks_type1.csv")


if __name__ == "__main__":
    main()
