"""Do planned looks keep the total error? Run: ``python tests/truth/plan_looks.py``.

Fresh series whose true 10 % or 5 % strength lies exactly at the claim are judged by the exact engine at each look: once
at the stated confidence at every look, once at the raised one that `look_confidence` gives. Writes plan_looks.csv.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

import lowtail as lt
from lowtail.models.families import get_family

SERIES = 6000


def main() -> None:
    rows = []
    for family in ("weibull", "normal"):
        law = get_family(family)
        for basis in (lt.BASES["B-basis"], lt.BASES["5 % characteristic, 75 %"]):
            for first, every, looks in ((3, 2, 4), (5, 5, 3), (5, 1, 6)):
                level, foretold = lt.look_confidence(family, basis, first, every, looks, rng=1)
                rng = np.random.default_rng(99)
                y = law.standard.ppf(rng.random((SERIES, first + every * looks)))
                claim = float(law.quantile(basis.fraction_below))
                load, edge = (np.exp(y), np.exp(claim)) if law.on_log else (y + 60, claim + 60)
                ends = range(first, first + every * looks + 1, every)
                seen = np.column_stack([
                    lt.confidence_many(load[:, :n], None, law, edge, basis.fraction_below) for n in ends
                ]).max(axis=1)  # fmt: skip
                rows.append({
                    "family": family, "basis": basis.name, "first_look": first, "every": every, "further_looks": looks,
                    "nominal_error": round(1 - basis.confidence, 4), "level": level,
                    "error_at_level": np.mean(seen >= level), "error_without": np.mean(seen >= basis.confidence),
                    "error_without_foretold": foretold,
                })  # fmt: skip
    table = pd.DataFrame(rows).round(4)
    table.to_csv(Path(__file__).with_suffix(".csv"), index=False)
    print(table.to_string())


if __name__ == "__main__":
    main()
