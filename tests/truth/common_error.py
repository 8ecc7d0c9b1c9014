"""Coverage of the lower bound where loads are known to an uncertainty, by simulation.

Run ``python tests/truth/common_error.py`` from the top folder (about 5 minutes on one core); it writes
``common_error.csv`` beside this file. Every cell has a seed of its own.

- common: one relative error for all loads of a sample, drawn anew for each sample, so that coverage is on average over
  calibrations. ``plain`` is the coverage of the bound that knows nothing of it. The confidence at the true percentile
  is averaged over the error at 15 points (Gauss and Hermite); ``test_common_error.py`` holds it to the library's own.
- cautious: the same for the cautious bound, lowered by the error's own reach; ``power`` has a distribution function
  that is linear in ln load, the worst that the Hanson-Koopmans bound allows.
- own: each load has an error of its own, ``size`` times the standard deviation of the strength. It stands in the
  scatter of the loads; the bound is left as it is. ``plain`` is the same as ``coverage``.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lowtail import FAMILIES
from lowtail.many import confidence_that as confidence_many
from lowtail.models.bounds.cautious import cautious_many
from lowtail.models.distributions.common_error import added_low

Array = NDArray[np.float64]

HERE = Path(__file__).parent
FRACTIONS = (0.01, 0.10)
LEVELS = (0.75, 0.95)
SIZES = (3, 5, 10)
COMMON = (0.01, 0.02, 0.03)
OWN = (0.5, 1.0, 2.0)
SAMPLES = {"common": 4_000, "cautious": 20_000, "own": 10_000}
POINTS = 15
FIELDS = ("kind", "population", "n", "size", "fraction_below", "level", "samples", "plain", "coverage", "error")
SEED = 20_261_128

Cell = tuple[str, str, int, float]


def cells() -> list[Cell]:
    """Kind, population, n, size of the error."""
    kinds = (("common", ("weibull", "normal"), COMMON), ("cautious", ("weibull", "power"), COMMON))
    return [
        (kind, population, n, size)
        for kind, populations, sizes in (*kinds, ("own", ("weibull", "normal", "lognormal"), OWN))
        for population in populations
        for n in SIZES
        for size in sizes
    ]


def quantile(population: str, p: float | Array) -> Array:
    """Strength at a fraction below, kN: scatter of about 6 %, so that an error of 3 % weighs."""
    if population == "power":
        return np.asarray(25 * np.asarray(p) ** (1 / 16))
    z = FAMILIES[population].standard.ppf(p)
    if population == "normal":
        return np.asarray(25 + 1.5 * z)
    return np.asarray(25 * np.exp(z / 20 if population == "weibull" else 0.06 * z))


def averaged(load: Array, family: str, truth: float, p: float, share: float) -> Array:
    """Confidence at the true percentile, averaged over the common error."""
    z, weight = np.polynomial.hermite_e.hermegauss(POINTS)
    each = [confidence_many(load, None, family, truth * np.exp(-share * at), p) for at in z]
    return np.asarray((weight / weight.sum()) @ np.stack(each))


def rows(cell: Cell, seed: np.random.SeedSequence, size: int | None = None) -> Iterator[dict[str, object]]:
    """Rows of one cell."""
    kind, population, n, error = cell
    samples = SAMPLES[kind] if size is None else size
    rng = np.random.default_rng(seed)
    strength = quantile(population, rng.random((samples, n)))
    if kind == "own":
        deviation = quantile(population, (np.arange(20_000) + 0.5) / 20_000).std()
        load = strength + error * deviation * rng.standard_normal((samples, n))
    else:
        load = strength * np.exp(-error * rng.standard_normal((samples, 1)))
    family = population if population in FAMILIES else "weibull"
    for p in FRACTIONS:
        truth = float(quantile(population, p))
        if kind != "cautious":
            plain = confidence_many(load, None, family, truth, p)
            shown = averaged(load, family, truth, p, error) if kind == "common" else plain
        for level in LEVELS:
            if kind == "cautious":
                low = cautious_many(load, None, p, level)
                bare, covered = (low <= truth).mean(), (added_low(1.0, error, level) * low <= truth).mean()
            else:
                bare, covered = (plain <= level).mean(), (shown <= level).mean()
            yield dict(zip(FIELDS, (*cell, p, level, samples), strict=False)) | {
                "plain": round(float(bare), 4),
                "coverage": round(float(covered), 4),
                "error": round(float(np.sqrt(max(covered * (1 - covered), 1e-4) / samples)), 5),
            }


def main() -> None:
    """Write the table."""
    each = np.random.SeedSequence(SEED).spawn(len(cells()))
    with (HERE / "common_error.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, FIELDS, lineterminator="\n")
        writer.writeheader()
        for cell, seed in zip(cells(), each, strict=True):
            writer.writerows(rows(cell, seed))
            print(*cell, flush=True)


if __name__ == "__main__":
    main()
