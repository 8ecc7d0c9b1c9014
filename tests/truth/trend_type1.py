"""False alarms of the tests of a trend beside further columns, and of the test of a bend.

Run: ``python tests/truth/trend_type1.py`` (about 12 minutes on one core); writes ``trend_type1.csv``. ``alarms`` is the
percentage of sound samples with p at or below 0.05; ``judged`` counts the samples that gave a p-value. Standard error
of a share of 5 %: 0.77 percentage points at 800 samples. Each cell has its own seed.

- trend: ages against none, a diameter beside them in both lines (``p_value`` of `retention` with ``others``)
- bend: a line in age against one that bends (``bend_p``)
- ``stop``: "none", every specimen broke; "rig", held by a rig of the same distribution that is no part of the trend;
"load", the
  test ended at one load for all; 30 % held on average
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd
from compare_truths import HERE, write
from trend_coverage import MIDDLE, SPREAD, rig_shift, seed

from lowtail import FAMILIES, NoAnswerError
from lowtail.models.regression.trend import nested_p

REPETITIONS = 800
SIZE = 400
HELD = 0.3
FILE = "trend_type1.csv"


def cell(test: str, family: str, n: int, stop: str) -> dict[str, object]:
    """One row of the table."""
    rng, law = seed(test, family, n, stop), FAMILIES[family]
    age, size = np.linspace(0, 9, n), np.tile([10.0, 11.0, 12.0], n)[:n]
    ones, s = np.ones(n), SPREAD[family]
    if test == "trend":
        small, large = np.column_stack([ones, size]), np.column_stack([ones, age, size])
        line = MIDDLE[family] + 0.5 * s * (size - 11)
    else:
        small, large = np.column_stack([ones, age]), np.column_stack([ones, age, age**2])
        line = MIDDLE[family] - 0.2 * s * (age - 4.5)
    shift = rig_shift(law, 0.0, HELD)
    wide = line + s * law.standard.rvs(size=(20_000, n), random_state=np.random.default_rng(1))
    limit = float(np.quantile(wide, 1 - HELD))
    alarms = judged = 0
    for _ in range(REPETITIONS):
        y = line + s * law.standard.rvs(size=n, random_state=rng)
        rig = line.mean() + s * (shift + law.standard.rvs(size=n, random_state=rng))
        held = {"none": np.full(n, np.inf), "rig": rig, "load": np.full(n, limit)}[stop]
        load, broke = law.inverse(np.minimum(y, held)), y <= held
        try:
            if broke.sum() < large.shape[1] + 1 or np.linalg.matrix_rank(large[broke]) < large.shape[1]:
                continue
            p = nested_p(load, broke, small, large, law, SIZE, rng)
        except NoAnswerError:
            continue
        judged += 1
        alarms += p <= 0.05
    return {"test": test, "family": family, "n": n, "stop": stop, "judged": judged, "alarms": 100 * alarms / judged}


def main() -> None:
    """Every cell, or those of the stops named."""
    rows: list[dict[str, object]] = []
    for stop in sys.argv[1:] or ("rig", "load", "none"):
        for test in ("trend", "bend"):
            for family in ("weibull", "normal"):
                for n in (6, 8, 10, 12) if stop == "none" else (8, 10, 12):
                    rows.append(cell(test, family, n, stop))
                    old = pd.read_csv(HERE / FILE).to_dict("records") if (HERE / FILE).exists() else []
                    fresh = {(r["test"], r["family"], r["n"], r["stop"]): r for r in [*old, *rows]}
                    write(list(fresh.values()), FILE)


if __name__ == "__main__":
    main()
