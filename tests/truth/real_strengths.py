"""What 95 % means on real strengths: bounds from small samples of real populations, resampled.

Each population stands in ``real_strengths_data.csv`` (one row a specimen; only the numbers matter, units do not):

- graphite/epoxy tape (38), graphite/epoxy fabric (30, two directions), graphite/epoxy compression (45, three
  temperatures), window glass (31), ceramic bars by batch (240 each), cotton yarn (48, two yarns), wire fatigue (35):
  NIST public data (VANGEL31, VANGEL33, VANGEL32, FULLER2, JAHANMI2, MANDE131, CASTILL8; public domain);
- glass fibre 15 mm (63): Smith and Naylor (1987), Applied Statistics 36:358;
- carbon fibre 1, 10, 20, 50 mm (57, 63, 69, 66): Badar and Priest (1982), ICCM-IV;
- adhesive bonds (89, three groups): Beckwith (1980).

Samples are drawn with replacement, plain and smoothed by a normal kernel in ln load (Silverman's width); the truth is
the percentile of what is drawn from. W is the Weibull bound, N the normal one, C the cautious one; ``governing`` is the
lowest of the three, as `lowtail.governing` judges. A sample without 2 different loads is drawn again.

Run ``python tests/truth/real_strengths.py`` to make real_strengths.csv anew (about a minute on one core).
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import optimize, special

from lowtail import NORMAL, WEIBULL
from lowtail.many import lower_bound as low_many
from lowtail.models.bounds.cautious import cautious_many

HERE = Path(__file__).parent
REPEATS = 4000
SIZES = (5, 10, 15, 30)
LEVELS = ((0.01, 0.95), (0.10, 0.95), (0.05, 0.75))


def populations() -> dict[str, np.ndarray]:
    """The strengths by population."""
    table = pd.read_csv(HERE / "real_strengths_data.csv")
    return {str(name): rows["value"].to_numpy(dtype=float) for name, rows in table.groupby("population", sort=False)}


def width_of(values: np.ndarray) -> float:
    """Silverman's width of a normal kernel in ln load."""
    y = np.log(values)
    quartiles = np.subtract(*np.quantile(y, (0.75, 0.25))) / 1.349
    return float(0.9 * min(y.std(ddof=1), quartiles or y.std(ddof=1)) * y.size**-0.2)


def truth_of(values: np.ndarray, fraction: float, width: float) -> float:
    """The percentile of the population drawn from."""
    y = np.sort(np.log(values))
    if width == 0:
        return float(np.exp(y[int(np.ceil(fraction * y.size - 1e-9)) - 1]))
    found = optimize.brentq(lambda q: special.ndtr((q - y) / width).mean() - fraction, y[0] - 12 * width, y[-1])
    return float(np.exp(found))


def draw(values: np.ndarray, n: int, width: float, repeats: int, rng: np.random.Generator) -> np.ndarray:
    """Samples of n, each with at least 2 different loads."""
    out = np.empty((0, n))
    while len(out) < repeats:
        y = rng.choice(np.log(values), (repeats, n)) + width * rng.standard_normal((repeats, n))
        y = y[y.max(axis=1) > y.min(axis=1)]
        out = np.concatenate([out, np.exp(y)])
    return out[:repeats]


def bounds(load: np.ndarray, fraction: float, confidence: float) -> dict[str, np.ndarray]:
    """The single bounds and the one that governs; a bound that a sample does not carry takes no part."""
    found = {
        "W": low_many(load, None, WEIBULL, fraction, confidence),
        "N": low_many(load, None, NORMAL, fraction, confidence),
        "C": cautious_many(load, None, fraction, confidence),
    }
    each = np.stack(list(found.values()))
    return {**found, "governing": np.nanmin(each, axis=0)}


def study(repeats: int = REPEATS, names: list[str] | None = None, sizes: tuple[int, ...] = SIZES) -> pd.DataFrame:
    """Coverage in per cent of every population, size and level."""
    rows = []
    for i, (name, values) in enumerate(populations().items()):
        if names is not None and name not in names:
            continue
        for smooth in (False, True):
            width = width_of(values) if smooth else 0.0
            for n in sizes:
                load = draw(values, n, width, repeats, np.random.default_rng([i, n, smooth]))
                for p, g in LEVELS:
                    truth = truth_of(values, p, width)
                    found = bounds(load, p, g)
                    row = {"population": name, "smoothed": smooth, "n": n, "fraction_below": p, "confidence": g}
                    for which in ("W", "governing"):
                        row[which] = 100 * float((found[which] <= truth * (1 + 1e-12)).mean())
                    row["price"] = float(np.median(found["governing"]) / np.median(found["W"]))
                    rows.append({**row, "repeats": repeats})
    return pd.DataFrame(rows)


if __name__ == "__main__":
    table = study(int(sys.argv[1]) if len(sys.argv) > 1 else REPEATS)
    table.round(3).to_csv(HERE / "real_strengths.csv", index=False)
    for (p, g), part in table.groupby(["fraction_below", "confidence"]):
        print(f"\n{100 * p:g} % at {100 * g:g} %: mean and lowest coverage")
        print(part.groupby("n")[["W", "governing"]].agg(["mean", "min"]).round(1).to_string())
