"""Loads rounded to a coarse step: how often the lower bounds hold, as written and placed by `at_lower_edge`.

Each bound (Weibull and cautious on Weibull strengths of shape 15, normal on normal strengths) meets loads rounded to
0.1 to 3 standard deviations. Where the strengths lie between two marks of the step matters much, so five places are
tried and the lowest coverage kept. A series whose loads are all equal gets no bound, and so states nothing false: it
counts as held, and ``answered`` says how many others there are at the place of the lowest coverage. ``height`` is what
placing leaves of the bound: the median of the ratio, over the series that are changed at any place and had a bound
above 0 (1: none is).

Run ``python tests/truth/rounded_loads.py`` to make rounded_loads.csv anew (about 3 minutes on one core).
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

from lowtail import Sample
from lowtail.many import lower_bound as low_many
from lowtail.models.bounds.cautious import cautious_many
from lowtail.models.distributions.rounded import at_lower_edge

HERE = Path(__file__).parent
LEVELS = ((0.10, 0.95), (0.01, 0.95), (0.10, 0.75), (0.01, 0.75))
STEPS = (0.1, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0)
SIZES = (3, 5, 10, 30)
BOUNDS = ("Weibull", "normal", "cautious")
SHAPE, MIDDLE, DEVIATION = 15.0, 25.0, 1.5
PLACES = (0.0, 0.2, 0.4, 0.6, 0.8)


def bounds(bound: str, loads: np.ndarray, p: float, g: float) -> np.ndarray:
    """The bound of every row."""
    if bound == "cautious":
        return cautious_many(loads, None, p, g)
    return low_many(loads, None, bound.lower(), p, g)


def drawn(bound: str, n: int, step: float, place: float, repeats: int, rng: np.random.Generator):
    """Rounded series, the step in kN, and a function that gives the true percentile."""
    if bound == "normal":
        kN = step * DEVIATION
        middle = (round(MIDDLE / kN) + place) * kN
        exact, at = rng.normal(middle, DEVIATION, (repeats, n)), lambda p: middle + DEVIATION * stats.norm.ppf(p)
    else:
        kN = step * MIDDLE * stats.weibull_min.std(SHAPE)
        scale = (round(MIDDLE / kN) + place) * kN
        exact, at = scale * rng.weibull(SHAPE, (repeats, n)), lambda p: scale * (-np.log1p(-p)) ** (1 / SHAPE)
    return np.maximum(np.round(exact / kN), 1) * kN, kN, at


def coverage(bound: str, n: int, step: float, repeats: int, seed: int = 0) -> Iterator[dict[str, object]]:
    """One row a level: the lowest coverage over the places, as written and placed."""
    found: dict[tuple[float, float], list[tuple[float, float, float, np.ndarray]]] = {level: [] for level in LEVELS}
    for i, place in enumerate(PLACES):
        rng = np.random.default_rng([seed, n, int(100 * step), i, BOUNDS.index(bound)])
        rounded, kN, at = drawn(bound, n, step, place, repeats, rng)
        rows, times = np.unique(np.sort(np.round(rounded, 9), axis=1), axis=0, return_counts=True)
        apart = np.ptp(rows, axis=1) > 1e-6 * kN
        rows, times = rows[apart], times[apart]
        put = np.array([at_lower_edge(Sample(row, resolution=kN)).load for row in rows]).reshape(rows.shape)
        moved = (put != rows).any(axis=1)
        for p, g in LEVELS:
            low = bounds(bound, rows, p, g) if len(rows) else np.zeros(0)
            new = low.copy()
            if moved.any():
                new[moved] = bounds(bound, put[moved], p, g)
            wrong, wrong_put = (float(times[each > at(p)].sum()) / repeats for each in (low, new))
            useful = moved & (low > 0)
            ratio = np.repeat(new[useful] / low[useful], times[useful])
            found[p, g].append((1 - wrong, 1 - wrong_put, times.sum() / repeats, ratio))
    for (p, g), each in found.items():
        worst = min(each, key=lambda one: one[0])
        ratio = np.concatenate([one[3] for one in each])
        yield {
            "bound": bound,
            "n": n,
            "step": step,
            "fraction_below": p,
            "confidence": g,
            "written": round(100 * worst[0], 2),
            "placed": round(100 * min(one[1] for one in each), 2),
            "answered": round(100 * worst[2], 1),
            "height": round(float(np.nanmedian(ratio)), 3) if ratio.size else 1.0,
            "repeats": repeats,
        }


def study(repeats: int = 2000) -> pd.DataFrame:
    """Every cell."""
    rows = [row for b in BOUNDS for n in SIZES for step in STEPS for row in coverage(b, n, step, repeats)]
    return pd.DataFrame(rows)


if __name__ == "__main__":
    study(*(int(a) for a in sys.argv[1:])).to_csv(HERE / "rounded_loads.csv", index=False)
