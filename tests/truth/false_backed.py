"""How often "backed", without more words, is false: ratings judged over batches drawn at random.

Strength is Weibull of one shape within a batch (shape 15 or 25), and the batches' ln scale is normal; the share of the
variance of ln load between batches runs from 0 to 0.9. The rating equals the true 10 % strength over all batches, so
that any "backed" is false. Counted: how often the bound for a batch yet to come reaches it ("backed"), and how often
the bound for these batches does ("backed for these batches only", which claims less).

Run ``python tests/truth/false_backed.py`` to make false_backed.csv anew (about 4 minutes on one core).
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import optimize

import lowtail as lt

HERE = Path(__file__).parent
REPEATS = 1000
CELLS = [
    (batches, each, share, shape)
    for batches in (2, 3, 5)
    for each in (3, 6)
    for share in (0.0, 0.5, 0.9)
    for shape in (15.0,)
] + [(2, 4, 0.9, 25.0), (3, 5, 0.25, 25.0), (5, 3, 0.75, 25.0)]


def true_low(between: float, shape: float, fraction: float = 0.1) -> float:
    """Ln strength that a fraction lies below over all batches (ln scale 0), by quadrature over the batches."""
    z, w = np.polynomial.hermite_e.hermegauss(80)
    w = w / w.sum()

    def excess(q: float) -> float:
        return float(w @ -np.expm1(-np.exp(shape * (q - between * z)))) - fraction

    return float(optimize.brentq(excess, -60 * (between + 1 / shape), 5 * (between + 1 / shape)))


def cell(batches: int, each: int, share: float, shape: float, repeats: int, seed: int) -> dict[str, float]:
    """Rates of the verdicts in one cell."""
    within = np.pi / np.sqrt(6) / shape
    between = within * np.sqrt(share / (1 - share))
    rating = float(25 * np.exp(true_low(between, shape)))
    rng = np.random.default_rng(seed)
    names = [str(b) for b in range(batches) for _ in range(each)]
    seen = []
    for _ in range(repeats):
        place = between * rng.standard_normal((batches, 1))
        load = 25 * np.exp(place + np.log(rng.standard_exponential((batches, each))) / shape)
        bound = lt.governing(lt.Sample(load.ravel(), batch=names), "B-basis")
        seen.append((bound.next_batch >= rating, bound.these_batches >= rating))
    backed, these = np.mean(seen, axis=0)
    return {
        "batches": batches, "each": each, "share_between": share, "shape": shape, "repeats": repeats,
        "false_backed": 100 * backed, "false_these_batches": 100 * these,
        "error": 100 * np.sqrt(0.05 * 0.95 / repeats),
    }  # fmt: skip


def study(repeats: int = REPEATS, cells: list[tuple[int, int, float, float]] = CELLS) -> pd.DataFrame:
    """All cells."""
    return pd.DataFrame([cell(*c, repeats, 100 + i) for i, c in enumerate(cells)])


if __name__ == "__main__":
    table = study(int(sys.argv[1]) if len(sys.argv) > 1 else REPEATS)
    table.round(3).to_csv(HERE / "false_backed.csv", index=False)
    print(table.round(2).to_string())
