"""Error rates of comparisons whose loads were rounded, as written and with the limits moved out where a step is wide.

Run: ``python tests/truth/rounded_compare.py`` (five minutes on one core); writes ``rounded_compare.csv``. 6,000
repetitions a cell; steps of half to four times the scatter; the typical strengths lie at random places of a step, or at
a quarter of a step in one arm and three quarters in the other, where roundings pull a ratio furthest from the truth.
The edge asked for is the true difference, so that every statement counted is false. Series without two different
readings in an arm are refused by `compare` and not counted.
"""

from __future__ import annotations

import sys
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd

from lowtail import Sample
from lowtail.models.distributions.rounded import half_step
from lowtail.models.two_samples.half_and_half import Arms, tail

STEP, REPETITIONS, LEVEL = 0.5, 6_000, 0.05
SIZES = ((3, 3), (5, 5), (8, 8), (15, 15), (30, 30), (3, 8), (15, 5))
STEPS = (0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0)  # over the standard deviation of the loads
PLACES = ("random", "pulled apart", "pulled together")


def arm(kind: str, n: int, mean: float, ratio: float, place: float | None, size: int, rng: np.random.Generator):
    """Log of the typical strength (size,), and loads as written (size, n)."""
    middle = mean + STEP * (rng.random(size) if place is None else np.full(size, place))
    z = rng.standard_normal((size, n))
    if kind == "weibull":
        z = (np.log(rng.standard_exponential((size, n))) + np.euler_gamma) / (np.pi / np.sqrt(6))
    load = middle[:, None] + STEP / ratio * z
    true = np.log(middle) - 0.5 * (STEP / ratio / middle) ** 2  # mean of ln load, to the second order
    return true, np.round(load / STEP) * STEP


def moved(x: np.ndarray) -> np.ndarray:
    """`half_step` of each row."""
    return np.array([half_step(Sample(row, resolution=STEP)) for row in x])


def cell(kind: str, n: int, m: int, ratio: float, place: str, size: int = REPETITIONS) -> dict[str, object]:
    """Shares of false statements, in percent: two-sided, below and above, as written and as `compare` states them."""
    rng = np.random.default_rng([n, m, int(10 * ratio), PLACES.index(place), kind == "weibull"])
    first, second = {"random": (None, None), "pulled apart": (0.25, 0.75), "pulled together": (0.75, 0.25)}[place]
    true_x, x = arm(kind, n, 30.0, ratio, first, size, rng)
    true_y, y = arm(kind, m, 27.0, ratio, second, size, rng)
    good = (np.ptp(x, axis=1) > 0) & (np.ptp(y, axis=1) > 0)
    raw = Arms.of(np.log(x[good]), np.log(y[good]))
    off = raw.shift - (true_y - true_x)[good]
    wide = moved(x[good]) + moved(y[good])
    found: dict[str, object] = {
        "kind": kind, "n": n, "m": m, "step": ratio, "place": place, "answered": round(float(good.mean()), 3),
        "wide": round(float((wide > 0).mean()), 3),
    }  # fmt: skip
    for name, by in (("as_written", 0.0 * wide), ("stated", wide)):
        for side, alternative, family, sign in (
            ("below", "less", "farther", 1.0), ("above", "greater", "farther", -1.0),
        ):  # fmt: skip
            arms = Arms(off + sign * by, raw.a, raw.b, n, m)
            found[f"{name}_{side}"] = round(100 * float((tail(arms, alternative, 0.0, family) < LEVEL).mean()), 2)
        halves = [
            tail(Arms(off + sign * by, raw.a, raw.b, n, m), alternative) < LEVEL / 2
            for alternative, sign in (("less", 1.0), ("greater", -1.0))
        ]
        found[f"{name}_two_sided"] = round(100 * float((halves[0] | halves[1]).mean()), 2)
    return found


def main() -> None:
    """Write the table."""
    rows = [cell(k, n, m, s, p) for k, (n, m), s, p in product(("normal", "weibull"), SIZES, STEPS, PLACES)]
    pd.DataFrame(rows).to_csv(Path(__file__).with_suffix(".csv"), index=False, lineterminator="\n")
    worst = pd.DataFrame(rows).filter(like="ed_").max()
    sys.stdout.write(f"{worst}\n")


if __name__ == "__main__":
    main()
