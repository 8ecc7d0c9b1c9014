"""Coverage of the bound at the last setting of a trend when loads are rounded: as written, and placed by `on_design`.

Run: ``python tests/truth/rounded_trend.py`` (a minute on one core); writes ``rounded_trend.csv``. 1,500 series a cell
(Weibull 400), less those whose readings leave no scatter; steps of half to three times the scatter; the line lies at
random places of a step, or at fixed ones.
"""

from __future__ import annotations

import sys
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd

from lowtail import FAMILIES, LowtailError
from lowtail.models.distributions.rounded import on_design
from lowtail.models.regression.line import regression_law

STEP, FRACTION = 0.5, 0.10
REPETITIONS = {"normal": 1500, "weibull": 400}
DESIGNS = ((3, 3), (2, 8), (6, 2))  # settings, specimens at each


def series(
    family: str, x: np.ndarray, ratio: float, place: float, rng: np.random.Generator
) -> tuple[np.ndarray, float]:
    """Loads as written, and the true strength at the last setting."""
    scatter, middle = STEP / ratio, 30 - 0.25 * x + place * STEP
    if family == "normal":
        return middle + scatter * rng.standard_normal(x.size), middle[-1] - 1.2815515655446004 * scatter
    shape = float(middle.mean() / (scatter * np.sqrt(6) / np.pi))
    return middle * rng.standard_exponential(x.size) ** (1 / shape), middle[-1] * (-np.log1p(-FRACTION)) ** (1 / shape)


def cell(family: str, design: tuple[int, int], ratio: float, place: float, repetitions: int) -> list[dict[str, object]]:
    """Coverage in percent at both confidences; ``place`` below 0: at random."""
    rng = np.random.default_rng([*design, int(10 * ratio), int(100 + 100 * place), family == "weibull"])
    x = np.repeat(2.0 * np.arange(design[0]), design[1])
    lines, broke = np.column_stack([np.ones_like(x), x]), np.ones(x.size, dtype=bool)
    covered = {(name, g): 0 for name in ("as_written", "placed") for g in (0.75, 0.95)}
    answers = 0
    for _ in range(repetitions):
        load, true = series(family, x, ratio, rng.random() if place < 0 else place, rng)
        written = np.round(load / STEP) * STEP
        try:
            laws = {
                "as_written": regression_law(written, broke, lines, FAMILIES[family], who="study"),
                "placed": regression_law(
                    on_design(written, broke, lines, "study")[0], broke, lines, FAMILIES[family], who=""
                ),
            }
        except LowtailError:
            continue
        answers += 1
        for name, g in covered:
            covered[name, g] += laws[name].low(lines[-1], FRACTION, g) <= true
    return [
        {"family": family, "settings": design[0], "each": design[1], "step": ratio, "place": place, "confidence": g,
         "answers": answers}
        | {name: round(100 * covered[name, g] / answers, 1) for name in ("as_written", "placed")}
        for g in (0.75, 0.95)
    ]  # fmt: skip


def main() -> None:
    """Write the table."""
    cells = [("normal", d, s, at) for d, s, at in product(DESIGNS, (0.5, 1.0, 2.0, 3.0), (-1.0, 0.0, 0.25, 0.5, 0.75))]
    cells += [("weibull", d, s, -1.0) for d, s in product(DESIGNS[:2], (1.0, 3.0))]
    rows = [row for name, d, s, at in cells for row in cell(name, d, s, at, REPETITIONS[name])]
    table = pd.DataFrame(rows)
    table.to_csv(Path(__file__).with_suffix(".csv"), index=False, lineterminator="\n")
    sys.stdout.write(f"{table.groupby(['family', 'confidence'])[['as_written', 'placed']].min()}\n")


if __name__ == "__main__":
    main()
