"""Coverage of the bounds over batches: writes ``batches_coverage.csv`` beside this file.

    python tests/truth/batches_coverage.py                      everything (about 12 minutes on one core)
    python tests/truth/batches_coverage.py normal               one part: normal, weibull or survivors
    python tests/truth/batches_coverage.py weibull --jobs 4

Each row is one distribution, design, fraction below, confidence and share of the variance between batches; coverages
are shares of the repetitions in which the bound lies at or below the true strength. Seeded: the same command gives the
same table.

- ``bound``: what `batch_bound` gives (normal scatter: generalised, Weibull scatter: Weibull pivotal quantity)
- ``lognormal_bound``: the generalised pivotal quantity on ln load where the scatter within batches is Weibull
- ``handbook``: the analysis-of-variance bound
- ``pooled``: batches ignored; ``pooled_after_f``: batches ignored when F finds nothing at 5 %, else the handbook bound
- ``shortfall``: median distance of the bound below the true strength, in total standard deviations
- ``refused``: share of the simulated sets for which there is no bound (survivors: a batch without a break)
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import special
from scipy.interpolate import CubicSpline

from lowtail._shared.parallel import run, seeds
from lowtail.models.batches.normal_batches import anova_factor, pivotal_gap
from lowtail.models.batches.weibull_batches import mixed_quantile, weibull_batches
from lowtail.models.bounds.tolerance import tolerance_factor

OUT = Path(__file__).with_suffix(".csv")
SHARES = (0.0, 0.25, 0.5, 0.75, 0.95)
BASES = ((0.01, 0.95), (0.10, 0.95), (0.05, 0.75))
BALANCED = [(n,) * a for a in range(2, 9) for n in range(3, 7)]
UNBALANCED = [(2, 3, 7), (3, 3, 6, 8), (2, 4, 4, 6, 9), (1, 1, 5, 5), (1,) * 6]
WEIBULL = [(3,) * 2, (5,) * 2, (3,) * 3, (5,) * 3, (3,) * 5, (6,) * 5, (4,) * 8, (2, 3, 7), (2, 4, 4, 6, 9)]
SURVIVORS = [(5,) * 2, (5,) * 3, (6,) * 5, (4,) * 8]
EXTREME_SD = np.pi / np.sqrt(6)
Array = np.ndarray


def gap_curve(sizes: tuple[int, ...], p: float, g: float) -> tuple[Array, Array]:
    """Distance of the bound below the mean for within squares 1, against ln of the between squares."""
    nodes = 140 if len(sizes) == 2 else 80
    ratio = np.concatenate([[1e-8], np.geomspace(1e-4, 1e4, 28)])
    return np.log(ratio), np.array([pivotal_gap(r, 1.0, sizes, p, g, nodes) for r in ratio])


def pivotal(mean: Array, between: Array, within: Array, sizes: tuple[int, ...], p: float, g: float) -> Array:
    if sum(sizes) == len(sizes):
        return mean - pivotal_gap(1.0, 0.0, sizes, p, g, 240) * np.sqrt(between)
    x, gap = gap_curve(sizes, p, g)
    gap = gap / np.sqrt(1 + np.exp(x))  # slowly varying
    at = np.clip(np.log(between / within), x[0], x[-1])
    return mean - CubicSpline(x, gap)(at) * np.sqrt(within + between)


def sums(y: Array, sizes: tuple[int, ...]) -> tuple[Array, ...]:
    size = np.array(sizes)
    starts = np.concatenate([[0], np.cumsum(size)[:-1]])
    means = np.add.reduceat(y, starts, axis=1) / size
    within = ((y - np.repeat(means, size, axis=1)) ** 2).sum(axis=1)
    mean = means.mean(axis=1)
    grand = means @ size / size.sum()
    between = ((means - mean[:, None]) ** 2).sum(axis=1)
    weighted = (means - grand[:, None]) ** 2 @ size
    return mean, grand, between, weighted, within


def others(y: Array, sizes: tuple[int, ...], p: float, g: float) -> tuple[Array, Array, Array]:
    """Handbook, pooled and pooled-after-F bounds."""
    _, grand, _, weighted, within = sums(y, sizes)
    a, total = len(sizes), sum(sizes)
    square, mse = weighted / (a - 1), within / max(total - a, 1)
    with np.errstate(divide="ignore"):
        ratio = np.where(mse > 0, square / np.maximum(mse, 1e-300), np.inf)
    factor, size = anova_factor(ratio, sizes, p, g)
    handbook = grand - factor * np.sqrt(square / size + (size - 1) / size * mse)
    pooled = y.mean(axis=1) - tolerance_factor(total, p, g) * y.std(axis=1, ddof=1)
    if total == a:
        return handbook, pooled, handbook
    significant = special.fdtrc(a - 1, total - a, ratio) <= 0.05
    return handbook, pooled, np.where(significant, handbook, pooled)


def draw(
    sizes: tuple[int, ...], share: float, weibull: bool, repeats: int, rng: np.random.Generator
) -> tuple[Array, float]:
    """Values with scatter 1 within batches (Weibull: spread 1), and the standard deviation between batches."""
    total = sum(sizes)
    ratio = np.sqrt(share / (1 - share)) * (EXTREME_SD if weibull else 1.0)
    place = np.repeat(rng.standard_normal((repeats, len(sizes))), sizes, axis=1)
    inside = np.log(rng.exponential(size=(repeats, total))) if weibull else rng.standard_normal((repeats, total))
    return ratio * place + inside, ratio


def truth(p: float, ratio: float, weibull: bool) -> tuple[float, float]:
    """True value at the fraction below, and the total standard deviation."""
    if weibull:
        return float(mixed_quantile(p, np.array(ratio))), float(np.hypot(ratio, EXTREME_SD))
    return float(special.ndtri(p) * np.hypot(1, ratio)), float(np.hypot(1, ratio))


def head(law: str, sizes: tuple[int, ...], p: float, g: float, share: float, survivors: float) -> dict[str, object]:
    return {
        "law": law,
        "sizes": "-".join(map(str, sizes)),
        "batches": len(sizes),
        "specimens": sum(sizes),
        "fraction_below": p,
        "confidence": g,
        "share_between": share,
        "survivors": survivors,
    }


def normal_cells(sizes: tuple[int, ...], seed: np.random.SeedSequence, repeats: int) -> list[dict[str, object]]:
    rng, rows = np.random.default_rng(seed), []
    for share in SHARES:
        y, ratio = draw(sizes, share, False, repeats, rng)
        mean, _, between, _, within = sums(y, sizes)
        for p, g in BASES:
            true, sd = truth(p, ratio, False)
            low = pivotal(mean, between, within, sizes, p, g)
            values = {
                "bound": low,
                **dict(zip(("handbook", "pooled", "pooled_after_f"), others(y, sizes, p, g), strict=True)),
            }
            row = head("normal", sizes, p, g, share, 0.0)
            row.update({k: round(float((v <= true).mean()), 5) for k, v in values.items()})
            row.update(shortfall=round(float(np.median(true - low) / sd), 4), refused=0.0, repeats=repeats)
            rows.append(row)
    return rows


def weibull_cells(sizes: tuple[int, ...], seed: np.random.SeedSequence, repeats: int) -> list[dict[str, object]]:
    rng, rows = np.random.default_rng(seed), []
    batch, broke = np.repeat(np.arange(len(sizes)), sizes), np.ones(sum(sizes), dtype=bool)
    for share in SHARES:
        y, ratio = draw(sizes, share, True, repeats, rng)
        mean, _, between, _, within = sums(y, sizes)
        laws = [weibull_batches(row, broke, batch, 90) for row in y]
        for p, g in BASES:
            true, _ = truth(p, ratio, True)
            covered = np.mean([law.below(true, p, 60) >= 1 - g for law in laws])
            lognormal = pivotal(mean, between, within, sizes, p, g)
            row = head("weibull", sizes, p, g, share, 0.0)
            row.update(bound=round(float(covered), 5), lognormal_bound=round(float((lognormal <= true).mean()), 5))
            names = ("handbook", "pooled", "pooled_after_f")
            row.update(
                {k: round(float((v <= true).mean()), 5) for k, v in zip(names, others(y, sizes, p, g), strict=True)}
            )
            row.update(refused=0.0, repeats=repeats)
            rows.append(row)
    return rows


def survivor_cells(sizes: tuple[int, ...], seed: np.random.SeedSequence, repeats: int) -> list[dict[str, object]]:
    """Weibull scatter; the rig has a strength of its own, of the same Weibull spread, set for the share that holds."""
    rng, rows = np.random.default_rng(seed), []
    batch = np.repeat(np.arange(len(sizes)), sizes)
    for held in (0.2, 0.4):
        for share in SHARES:
            pilot, ratio = draw((1,), share, True, 200_000, rng)
            limit = np.quantile(pilot[:, 0] - np.log(rng.exponential(size=200_000)), 1 - held)
            laws, tried = [], 0
            while len(laws) < repeats and tried < 60 * repeats:
                y, _ = draw(sizes, share, True, repeats, rng)
                rig = limit + np.log(rng.exponential(size=y.shape))
                broke = y <= rig
                load = np.minimum(y, rig)
                for u, b in zip(load, broke, strict=True):
                    tried += 1
                    counts = np.bincount(batch[b], minlength=len(sizes))
                    if counts.min() > 0 and counts.sum() > len(sizes):
                        laws.append(weibull_batches(u, b, batch, 90))
                    if len(laws) == repeats:
                        break
            for p, g in BASES:
                true, _ = truth(p, ratio, True)
                row = head("weibull", sizes, p, g, share, held)
                row.update(bound=round(float(np.mean([law.below(true, p, 60) >= 1 - g for law in laws])), 5))
                row.update(refused=round(1 - len(laws) / tried, 4), repeats=len(laws))
                rows.append(row)
    return rows


PARTS = {
    "normal": (normal_cells, BALANCED + UNBALANCED, 20_000),
    "weibull": (weibull_cells, WEIBULL, 2_000),
    "survivors": (survivor_cells, SURVIVORS, 1_500),
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("part", nargs="?", choices=list(PARTS))
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="first design of the part")
    parser.add_argument("--count", type=int, default=1000, help="designs to run")
    asked = parser.parse_args()
    old = pd.read_csv(OUT) if OUT.exists() else pd.DataFrame()
    for number, (name, (task, designs, repeats)) in enumerate(PARTS.items()):
        if asked.part not in (None, name):
            continue
        jobs = list(zip(designs, seeds(7100 + number, len(designs)), strict=True))
        jobs = jobs[asked.first : asked.first + asked.count]
        rows = run(task, [(sizes, seed, repeats) for sizes, seed in jobs], n_jobs=asked.jobs, label=name)
        old = pd.concat([old, pd.DataFrame([row for part in rows for row in part])], ignore_index=True)
    keys = ["law", "survivors", "batches", "sizes", "fraction_below", "confidence", "share_between"]
    old = old.drop_duplicates(keys, keep="last").sort_values(keys).reset_index(drop=True)
    columns = [*head("", (1,), 0, 0, 0, 0), "bound", "lognormal_bound", "handbook", "pooled", "pooled_after_f"]
    old.reindex(columns=[*columns, "shortfall", "refused", "repeats"]).to_csv(OUT, index=False)


if __name__ == "__main__":
    main()
