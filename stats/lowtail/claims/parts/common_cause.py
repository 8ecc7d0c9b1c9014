"""What the figures of an assembly would be if its components failed from a shared cause."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from lowtail._shared.checks import door
from lowtail._shared.parallel import Seed, as_rng
from lowtail.claims.parts.weak_link import WeakLink
from lowtail.errors import InputError
from lowtail.models.distributions.families import get_family
from lowtail.models.distributions.fit import fit_many

__all__ = ["common_cause"]


@door
def common_cause(
    answer: WeakLink,
    correlations: Sequence[float] = (0.0, 0.3, 0.6, 0.9),
    *,
    size: int = 100_000,
    rng: Seed = 0,
) -> pd.DataFrame:
    """What the figures would be if the components' strengths went together, by simulation.

    The fitted component distributions are kept and tied by a normal copula of the given correlation. Tests of such
    assemblies are then read as `weak_link` reads them, which is wrong there: the table shows by how much.

    Parameters
    ----------
    answer : WeakLink
    correlations : sequence of float
        Between 0 and 1 (1 excluded).
    size : int
        Simulated assemblies, at least 10,000.
    rng : int or Generator

    Returns
    -------
    DataFrame
        One row a correlation and component: ``correlation``, ``assembly_kN`` (low-percentile strength of the assembly),
        ``component``, ``goes_first``, ``component_kN`` (its true low-percentile strength), ``apparent_kN`` (what the
        independent reading of such tests would give), ``apparent_change`` (their ratio less 1; above 0 flatters).

    See Also
    --------
    parts.weak_link : the answer that is put to the test.

    Examples
    --------
    >>> import lowtail as lt
    >>> tests = {"sling": lt.Sample([21.0, 22.4, 23.1, 20.2, 22.0]), "fuse": lt.Sample([24.0, 24.4, 23.8, 24.1])}
    >>> answer = lt.parts.common_cause(lt.parts.weak_link(tests, size=1000), (0.0, 0.6), size=10000)
    >>> answer["correlation"].tolist()
    [0.0, 0.0, 0.6, 0.6]
    """
    if size < 10_000:
        raise InputError(f"`size` must be at least 10000 simulated assemblies, got {size!r}.")
    law, generator = get_family(answer.family), as_rng(rng)
    rows = []
    for correlation in correlations:
        if not 0 <= correlation < 1:
            raise InputError(f"`correlations` must lie between 0 and 1 (1 excluded), got {correlation!r}.")
        shared = generator.standard_normal((size, 1))
        strength = []
        for j, number in enumerate(answer.count.astype(int)):
            own = generator.standard_normal((size, number))
            u = stats.norm.cdf(np.sqrt(correlation) * shared + np.sqrt(1 - correlation) * own)
            y = answer.location[j] + answer.spread[j] * law.standard.ppf(np.clip(u, 1e-15, 1 - 1e-15))
            strength.append(np.maximum(law.inverse(y), 1e-300).min(axis=1))
        table = np.stack(strength, axis=1)
        first, weakest = table.argmin(axis=1), table.min(axis=1)
        few = slice(0, 20_000)
        for j, name in enumerate(answer.names):
            found = fit_many(weakest[None, few], (first == j)[None, few], law)
            true = float(np.quantile(table[:, j], answer.fraction_below))
            w = float(law.quantile(answer.fraction_below))
            seen = float(law.inverse(found.location[0] + w * found.spread[0]))
            rows.append(
                {
                    "correlation": float(correlation),
                    "assembly_kN": float(np.quantile(weakest, answer.fraction_below)),
                    "component": name,
                    "goes_first": float((first == j).mean()),
                    "component_kN": true,
                    "apparent_kN": seen,
                    "apparent_change": seen / true - 1,
                }
            )
    return pd.DataFrame(rows)
