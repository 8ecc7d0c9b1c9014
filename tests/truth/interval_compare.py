"""Error rates of comparisons where specimens broke between two steps, by simulation.

Run ``python tests/truth/interval_compare.py`` from the top folder (about 6 minutes on one core); it writes
``interval_compare.csv`` beside this file. Every cell has a seed of its own.

Two arms of one population, a Weibull of shape 20 or a normal distribution with a coefficient of variation of 5 %, stand
on the same steps of a quarter, a half or one standard deviation. ``answered``: share of the pairs whose steps are no
wider than the scatter of their middles in both arms; the rates are those of such pairs. ``different``: a difference
shown at 95 %, either way; ``weaker``: with ``alternative="less"``; ``low``: the interval of the ratio of 10 % strengths
leaves 1 out. Limits are those of `compare`, from 4,000 draws an arm. ``held``: the strongest fifth of the population is
stopped by the rig at the step below.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lowtail.models.confidence.interval_nodes import QUICK_2D, interval_nodes
from lowtail.models.distributions.between import between
from lowtail.models.distributions.between_law import narrow
from lowtail.models.distributions.families import get_family

Array = NDArray[np.float64]

HERE = Path(__file__).parent
STEPS = (0.25, 0.5, 1.0)
SIZES = (5, 10)
PAIRS, DRAWS, PIECE = 600, 4_000, 100
FIELDS = ("population", "n", "step", "held", "pairs", "answered", "different", "weaker", "low", "error")
SEED = 20_261_129
CONFIDENCE = 0.95

Cell = tuple[str, int, float, bool]


def cells() -> list[Cell]:
    """Population, n in each arm, step in standard deviations, whether a rig stops the strongest."""
    return [
        (population, n, step, held)
        for population in ("weibull", "normal")
        for n in SIZES
        for step in STEPS
        for held in (False, True)
        if not held or (n == 10 and step == 0.5)
    ]


def draw(cell: Cell, size: int, rng: np.random.Generator) -> tuple[Array, Array]:
    """Ends (size, n) of where each strength of an arm lies, kN; the upper one infinite where the specimen held."""
    population, n, steps, held = cell
    family = get_family(population)
    deviation = 25 * 0.05 if population == "normal" else 25 * 0.0608  # Weibull of shape 20, by its moments

    def strength(p: Array | float) -> Array:
        z = family.standard.ppf(p)
        return np.asarray(25 * np.exp(z / 20) if population == "weibull" else 25 + 1.25 * z)

    step, zero = steps * deviation, float(strength(0.5))
    low = np.floor((strength(rng.random((size, n))) - zero) / step)
    last = np.floor((float(strength(0.8)) - zero) / step) if held else np.inf
    survived = low >= last
    low = zero + step * np.minimum(low, last)
    return low, np.where(survived, np.inf, low + step)


def log_strength(low: Array, up: Array, name: str, fractions: Sequence[float], rng: np.random.Generator) -> Array:
    """Draws of ln strength at each fraction below from the confidence distribution, (fractions, B, DRAWS)."""
    family = get_family(name)
    out = np.empty((len(fractions), len(low), DRAWS))
    for i in range(0, len(low), PIECE):
        b = between(low[i : i + PIECE], up[i : i + PIECE], np.ones_like(low[i : i + PIECE]), family)
        nodes = interval_nodes(b, family, QUICK_2D)
        for row in range(len(b.centre)):
            t, w = np.log(nodes.k[row]), nodes.weight[row]
            total = np.concatenate([[0.0], np.cumsum(0.5 * (w[1:] + w[:-1]))])
            k = np.exp(np.interp(rng.random(DRAWS) * total[-1], total, t))
            place = nodes.draw(k, row, rng)
            for j, p in enumerate(fractions):
                out[j, i + row] = b.centre[row] + b.scale[row] * (place + float(family.quantile(p)) / k)
    return out


def row(cell: Cell, seed: np.random.SeedSequence, pairs: int = PAIRS) -> dict[str, object]:
    """One row of the table."""
    rng = np.random.default_rng(seed)
    arms = [draw(cell, pairs, rng) for _ in range(2)]
    able = narrow(*arms[0]) & narrow(*arms[1])
    first, second = ([x[able] for x in arm] for arm in arms)
    weibull = log_strength(*second, "weibull", (0.5, 0.1), rng) - log_strength(*first, "weibull", (0.5, 0.1), rng)
    beside = log_strength(*second, "lognormal", (0.5,), rng) - log_strength(*first, "lognormal", (0.5,), rng)
    tail = (1 - CONFIDENCE) / 2
    ends, low = (np.quantile(x, [tail, 1 - tail], axis=1) for x in weibull)
    highest = np.maximum(*(np.quantile(x[0], CONFIDENCE, axis=1) for x in (weibull, beside)))
    different = (ends[0] > 0) | (ends[1] < 0)
    rates = (different, highest < 0, (low[0] > 0) | (low[1] < 0))
    answered = int(able.sum())
    return dict(zip(FIELDS, (*cell, pairs, round(answered / pairs, 4)), strict=False)) | {
        "different": round(float(rates[0].mean()), 4),
        "weaker": round(float(rates[1].mean()), 4),
        "low": round(float(rates[2].mean()), 4),
        "error": round(float(np.sqrt(0.05 * 0.95 / answered)), 4),
    }


def main() -> None:
    """Write the table."""
    each = np.random.SeedSequence(SEED).spawn(len(cells()))
    with (HERE / "interval_compare.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, FIELDS, lineterminator="\n")
        writer.writeheader()
        for cell, seed in zip(cells(), each, strict=True):
            writer.writerow(row(cell, seed))
            file.flush()
            print(*cell, flush=True)


if __name__ == "__main__":
    main()
