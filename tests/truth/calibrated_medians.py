"""Tightness with random survivors: the median bound of the confidence law against the calibrated signed root.

Run ``python tests/truth/calibrated_medians.py`` (about 10 minutes on 2 cores); it writes ``calibrated_medians.csv``.
``gap`` is the median distance of the bound below the true 1 % strength in spreads (ln load): less is tighter.
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path

import numpy as np

from lowtail._parallel import run, seeds
from lowtail.models.calibrated import calibrated_bound
from lowtail.models.families import get_family
from lowtail.models.many import low_many

HERE = Path(__file__).parent
CELLS = [(family, n, held) for family in ("weibull", "normal") for n in (5, 10) for held in (0.4, 0.6)]
FRACTION, CONFIDENCE, SAMPLES = 0.01, 0.95, 200


def cell(family_name, n, share, seed):
    """One row: medians and coverages of both bounds on the same samples with at least 2 different breaks."""
    sys.path.insert(0, str(HERE))
    from coverage import held_loads

    family = get_family(family_name)
    rng = np.random.default_rng(seed)
    strength = family.standard.rvs(size=(3 * SAMPLES, n), random_state=rng)
    limit = held_loads(family, "same", share, strength.shape, rng)
    load, broke = np.exp(np.minimum(strength, limit)), strength <= limit
    kept = np.flatnonzero(broke.sum(axis=1) >= 2)[:SAMPLES]
    load, broke = load[kept], broke[kept]
    name = "lognormal" if family_name == "normal" else family_name
    true = float(family.quantile(FRACTION))
    law = np.log(low_many(load, broke, name, FRACTION, CONFIDENCE))
    root = np.log(  # a seed of its own for every bound: one seed for all would share its simulation error
        [
            calibrated_bound(x, b, name, FRACTION, CONFIDENCE, rng=i)
            for i, (x, b) in enumerate(zip(load, broke, strict=True))
        ]
    )
    gaps = [round(float(np.median(true - each)), 3) for each in (law, root)]
    holds = [round(float((each <= true).mean()), 4) for each in (law, root)]
    return (family_name, n, share, FRACTION, CONFIDENCE, len(kept), gaps[0], gaps[1], holds[0], holds[1])


def main():
    tasks = [(*one, seed) for one, seed in zip(CELLS, seeds(77, len(CELLS)), strict=True)]
    rows = run(cell, tasks, n_jobs=-1, progress=True, label="calibrated")
    with (HERE / "calibrated_medians.csv").open("w", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(
            [
                "family",
                "n",
                "held",
                "fraction_below",
                "confidence",
                "samples",
                "law_gap",
                "root_gap",
                "law_holds",
                "root_holds",
            ]
        )
        writer.writerows(rows)


if __name__ == "__main__":
    main()
