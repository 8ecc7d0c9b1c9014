"""Do planned looks keep the total error? Run: ``python tests/truth/plan_looks.py``.

Fresh series whose true 10 % or 5 % strength lies exactly at the claim are judged by the exact engine at each look: once
at the stated confidence at every look, once at the raised ones that `plan.looks` asks with either boundary. Writes
plan_looks.csv.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

import lowtail as lt
from lowtail.claims.planning.look_levels import edge_confidence, look_levels
from lowtail.claims.planning.looks import BOUNDARIES
from lowtail.models.distributions.families import get_family

SERIES = 6000


def main() -> None:
    rows = []
    for family in ("weibull", "normal"):
        law = get_family(family)
        for basis in (lt.BASES["B-basis"], lt.BASES["5 % characteristic, 75 %"]):
            for first, every, looks in ((3, 2, 4), (5, 5, 3), (5, 1, 6)):
                _, foretold = lt.plan.look_confidence(family, basis, first, every, looks, rng=1)
                sizes = np.arange(first, first + every * looks + 1, every)
                at_edge = np.column_stack([edge_confidence(law, int(n), 0.0, basis, 1) for n in sizes])
                rng = np.random.default_rng(99)
                y = law.standard.ppf(rng.random((SERIES, sizes[-1])))
                claim = float(law.quantile(basis.fraction_below))
                load, edge = (np.exp(y), np.exp(claim)) if law.on_log else (y + 60, claim + 60)
                seen = np.column_stack([
                    lt.many.confidence_that(load[:, :n], None, law, edge, basis.fraction_below) for n in sizes
                ])  # fmt: skip
                for boundary in BOUNDARIES:
                    levels = look_levels(at_edge, sizes, basis.confidence, boundary)
                    rows.append({
                        "family": family, "basis": basis.name, "first_look": first, "every": every,
                        "further_looks": looks, "boundary": boundary, "nominal_error": round(1 - basis.confidence, 4),
                        "first_level": levels[0], "last_level": levels[-1],
                        "error_at_levels": np.mean((seen >= levels).any(axis=1)),
                        "error_without": np.mean((seen >= basis.confidence).any(axis=1)),
                        "error_without_foretold": foretold,
                    })  # fmt: skip
    table = pd.DataFrame(rows).round(4)
    table.to_csv(Path(__file__).with_suffix(".csv"), index=False)
    print(table.to_string())


if __name__ == "__main__":
    main()
