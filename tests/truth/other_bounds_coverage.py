"""What the bounds for comparison really cover: writes ``other_bounds_coverage.csv`` beside this file.

    python tests/truth/other_bounds_coverage.py    large sample and likelihood ratio (about 2 minutes)

Specimens against a rig whose strength has the same distribution and spread, set so that the share ``survivors`` holds;
samples with fewer than 2 breaks are left out (``refused``). One row a distribution, n, share of survivors, fraction
below and confidence. Seeded: the same command gives the same table.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import pandas as pd

from lowtail._shared.parallel import run, seeds
from lowtail.models.bounds.likelihood_bounds import holds
from lowtail.models.distributions.families import get_family
from lowtail.models.distributions.likelihood import OK, maximise
from lowtail.models.early.signed_root import on_y, plain

OUT = Path(__file__).with_suffix(".csv")
SIZES = (3, 4, 5, 7, 10, 15, 30)
SURVIVORS = (0.0, 0.2, 0.4, 0.6)
FRACTIONS = (0.01, 0.05, 0.10)
CONFIDENCES = (0.75, 0.90, 0.95)


def draw(
    law_name: str, n: int, survivors: float, repeats: int, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Standard values with the flags of those that broke; location 0, spread 1."""
    law = get_family(law_name).standard
    y = law.ppf(rng.random((repeats, n)))
    if survivors == 0:
        return y, np.ones(y.shape, dtype=bool)
    shift = float(np.quantile(law.ppf(rng.random(400_000)) - law.ppf(rng.random(400_000)), 1 - survivors))
    rig = shift + law.ppf(rng.random((repeats, n)))
    return np.minimum(y, rig), y <= rig


def cell(
    law_name: str, n: int, survivors: float, seed: np.random.SeedSequence, repeats: int
) -> list[dict[str, object]]:
    y, broke = draw(law_name, n, survivors, repeats, np.random.default_rng(seed))
    law, s = plain(get_family(law_name)), on_y(y, broke)
    s = s.rows((maximise(s, law)[3] == OK) & s.distinct)
    rows = []
    for p in FRACTIONS:
        w = float(get_family(law_name).quantile(p))
        for g in CONFIDENCES:
            row: dict[str, object] = {
                "law": law_name,
                "n": n,
                "survivors": survivors,
                "fraction_below": p,
                "confidence": g,
            }
            row["large_sample"] = round(float(holds(s, law, w, g, "large sample").mean()), 5)
            row["likelihood_ratio"] = round(float(holds(s, law, w, g, "likelihood ratio").mean()), 5)
            rows.append({**row, "refused": round(1 - s.r.size / repeats, 4), "repeats": int(s.r.size)})
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--repeats", type=int, default=0)
    asked = parser.parse_args()
    cells = [(law, n, held) for law in ("weibull", "normal") for n in SIZES for held in SURVIVORS]
    jobs = [(*c, seed, asked.repeats or 20_000) for c, seed in zip(cells, seeds(8100, len(cells)), strict=True)]
    table = pd.DataFrame([row for part in run(cell, jobs, n_jobs=asked.jobs) for row in part])
    table.to_csv(OUT, index=False)


if __name__ == "__main__":
    main()
