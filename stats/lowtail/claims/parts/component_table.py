"""The table of an assembly's components: own bound, chance to go first, and what strengthening each would bring."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lowtail._shared.sample import Sample
from lowtail.claims.basis import Basis
from lowtail.models.bounds.weakest import goes_first, weakest_below
from lowtail.models.distributions.families import Family

__all__ = ["assembly_low", "component_table"]

Array = NDArray[np.float64]


def assembly_low(location: Array, spread: Array, count: Array, law: Family, p: float, g: float) -> float:
    """Lower confidence bound of the assembly's low-percentile strength from draws of its components, kN."""
    q = weakest_below(p, location, spread, count, law)
    return max(0.0, float(law.inverse(np.quantile(q, 1 - g))))


def component_table(
    samples: Mapping[str, Sample],
    count: Array,
    location: Array,
    spread: Array,
    location_draws: Array,
    spread_draws: Array,
    law: Family,
    which: Basis,
    upgrade: float,
) -> pd.DataFrame:
    """One row a component; the columns are those of `WeakLink.components`."""
    p, g = which.fraction_below, which.confidence
    first = goes_first(location, spread, count, law)
    some = slice(0, 600)
    firsts = goes_first(location_draws[some], spread_draws[some], count, law, points=40)
    rows = []
    for j, (name, sample) in enumerate(samples.items()):
        own = slice(j, j + 1)
        moved, moved_draws, grown, grown_draws = _strengthen(
            j, upgrade, location, location_draws, spread, spread_draws, law
        )
        ends = np.quantile(firsts[:, j], [0.05, 0.95])
        rows.append(
            {
                "component": name,
                "count": int(count[j]),
                "n": sample.n,
                "n_broken": sample.n_broken,
                "typical_kN": float(law.inverse(location[j] + float(law.quantile(0.5)) * spread[j])),
                "low": assembly_low(location_draws[:, own], spread_draws[:, own], np.ones(1), law, p, g),
                "goes_first": float(first[j]),
                "goes_first_low": float(ends[0]),
                "goes_first_high": float(ends[1]),
                "estimate_if_stronger": max(0.0, float(law.inverse(weakest_below(p, moved, grown, count, law)))),
                "low_if_stronger": assembly_low(moved_draws, grown_draws, count, law, p, g),
            }
        )
    return pd.DataFrame(rows)


def _strengthen(
    j: int, upgrade: float, location: Array, draws: Array, spread: Array, spread_draws: Array, law: Family
) -> tuple[Array, Array, Array, Array]:
    """Distributions with every strength of component ``j`` multiplied by 1 + upgrade."""
    factor = np.ones(location.size)
    factor[j] = 1 + upgrade
    if law.on_log:
        return location + np.log(factor), draws + np.log(factor), spread, spread_draws
    return location * factor, draws * factor, spread * factor, spread_draws * factor
